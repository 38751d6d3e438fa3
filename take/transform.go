package take

import (
	"context"
	"fmt"
	"image"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// A transform makes light of code values, row by row: what plate/clf reads.
type transform interface {
	Row(red, green, blue []float32)
}

// Transformed files are pictures some of which go through a transform as they are read: they are
// linear light then.
type transformed struct {
	plate.Files
	of map[string]via // by file
}

type via struct {
	transform
	name string
}

// Open opens a picture.
func (t *transformed) Open(name string) (*plate.Picture, error) {
	p, err := t.Files.Open(name)
	v, ok := t.of[t.Files.FileOf(name)]
	if err != nil || !ok {
		return p, err
	}
	info := p.Info()
	if err := p.Close(); err != nil {
		return nil, err
	}
	info.Curve, info.Primaries = plate.Linear.Name(), plate.Primaries{}
	return plate.DecodedPicture(name, info, func() (image.Image, error) {
		p, err := t.Files.Open(name)
		if err != nil {
			return nil, err
		}
		defer p.Close()
		f, err := p.RGB(nil, plate.Linear)
		if err != nil {
			return nil, err
		}
		parallel.EachRow(f.W, f.H, func(y int) {
			row := f.Row(y)
			v.Row(row[0], row[1], row[2])
		})
		if !info.Color {
			return &plate.Gray{W: f.W, H: f.H, Pix: f.Pix[1]}, nil
		}
		return f, nil
	}), nil
}

// white returns what full code values become: 1 by no transform.
func white(t transform) float64 {
	if t == nil {
		return 1
	}
	v := [3][]float32{{1}, {1}, {1}}
	t.Row(v[0], v[1], v[2])
	return float64(max(v[0][0], v[1][0], v[2][0]))
}

// transforms reads the recipe's ranges and transforms, and has the pictures that they are for read
// by them.
func (t *opening) transforms(ctx context.Context) error {
	r := &t.recipe
	files := &transformed{t.files, map[string]via{}}
	plates := []struct {
		what, span, file string
		plates           []string
		to               *transform
	}{
		{"color", r.ColorRange, r.ColorTransform, []string{r.Color, r.CleanColor, r.DarkColor, r.FlatColor}, &t.colorVia},
		{"band", r.BandRange, r.BandTransform, []string{r.Band, r.CleanBand, r.DarkBand, r.FlatBand}, &t.bandVia},
		{"background", r.BackgroundRange, r.BackgroundTransform, []string{r.Background}, nil},
	}
	var checks []func() error // they ask a clip what it is, by a program: several at a time
	for _, p := range plates {
		for _, path := range p.plates {
			if path == "" {
				continue
			}
			setRange(t.files, path, p.span)
			checks = append(checks, func() error {
				if err := checkRange(t.files, path, p.span); err != nil {
					return fmt.Errorf("%s plate: %w", p.what, err)
				}
				return nil
			})
		}
	}
	if err := parallel.Try(ctx, len(checks), 0, func(i int) error { return checks[i]() }); err != nil {
		return err
	}
	for _, p := range plates {
		if p.file == "" {
			continue
		}
		through, err := readTransform(p.file)
		if err != nil {
			return fmt.Errorf("%s transform: %w", p.what, err)
		}
		if p.to != nil {
			*p.to = through
		}
		t.note("the %s plate's code values become linear light by %s", p.what, p.file)
		for _, path := range p.plates {
			if path == "" {
				continue
			}
			all := []string{path}
			if f, err := t.files.Footage(path); err == nil && f == nil {
				if all, err = Files(path); err != nil {
					return fmt.Errorf("%s plate: %w", p.what, err)
				}
			}
			for _, file := range all {
				if other, ok := files.of[file]; ok && other.name != p.file {
					return fmt.Errorf("%s is to go through both %s and %s: give it one transform", file, other.name, p.file)
				}
				files.of[file] = via{through, p.file}
			}
		}
	}
	if len(files.of) > 0 {
		t.files = files
	}
	if r.OutputTransform == "" {
		return nil
	}
	through, err := readTransform(r.OutputTransform)
	if err != nil {
		return fmt.Errorf("output transform: %w", err)
	}
	t.outputVia = through
	return nil
}

// written returns the values of comp or foreground that the output's curve codes: its light, or, in
// dst, what the output's transform makes of that.
func (t *Take) written(dst, light *plate.RGB) *plate.RGB {
	if t.outputVia == nil || light == nil {
		return light
	}
	dst = copied(dst, light)
	parallel.EachRow(dst.W, dst.H, func(y int) {
		row := dst.Row(y)
		t.outputVia.Row(row[0], row[1], row[2])
	})
	return dst
}

// copied copies a frame into dst, where that has its size.
func copied(dst, f *plate.RGB) *plate.RGB {
	dst = dst.Sized(f.Size())
	dst.Paste(f, 0, 0)
	return dst
}
