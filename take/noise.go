package take

import (
	"context"
	"errors"
	"fmt"
	"math"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

const (
	noiseSamples = 4  // frames of the take that a camera's noise is estimated from
	maxFlats     = 64 // flat frames of a camera
)

// noise finds the cameras' noise as the cameras made their frames: given, from flat frames, or from the take.
func (j *Job) noise(ctx context.Context) error {
	t := j.take
	for _, c := range []struct {
		what, flat string
		given, to  *matte.Noise
		read       func(Pair) (*plate.Gray, error)
	}{
		{"color", t.recipe.FlatColor, t.recipe.ColorNoise, &j.ColorNoise, t.readGreen},
		{"band", t.recipe.FlatBand, t.recipe.BandNoise, &j.BandNoise, func(p Pair) (*plate.Gray, error) {
			f, err := t.readBand(p)
			if err != nil {
				return nil, err
			}
			return matte.LessGray(f, f, t.darkBand), nil
		}},
	} {
		if c.given != nil {
			*c.to = *c.given
			continue
		}
		var err error
		from := "flat frames"
		if c.flat != "" {
			*c.to, err = noiseOfFlats(ctx, c.what, c.flat, c.read)
		} else {
			from = "the take"
			*c.to, err = noiseOfTake(ctx, t.samples(noiseSamples), c.read)
		}
		if errors.Is(err, matte.ErrNoNoise) && c.flat == "" {
			j.Notes = append(j.Notes, fmt.Sprintf("the %s camera's noise could not be told (%v): taken as none", c.what, err))
			continue
		}
		if err != nil {
			return err
		}
		j.Notes = append(j.Notes, fmt.Sprintf("the %s camera's noise, from %s: %s", c.what, from, electrons(*c.to)))
	}
	return nil
}

func noiseOfTake(ctx context.Context, pairs []Pair, read func(Pair) (*plate.Gray, error)) (matte.Noise, error) {
	var frames []*plate.Gray
	for _, p := range pairs {
		if err := ctx.Err(); err != nil {
			return matte.Noise{}, err
		}
		f, err := read(p)
		if err != nil {
			return matte.Noise{}, err
		}
		frames = append(frames, f)
	}
	return matte.NoiseOfTake(frames, nil)
}

// readGreen reads the green of a color plate, less its dark plate: it stands for the color camera's noise.
func (t *Take) readGreen(p Pair) (*plate.Gray, error) {
	f, err := t.readColor(p)
	if err != nil {
		return nil, err
	}
	green := &plate.Gray{W: f.W, H: f.H, Pix: f.Pix[1]}
	if t.darkColor == nil {
		return green, nil
	}
	return matte.LessGray(green, green, &plate.Gray{W: f.W, H: f.H, Pix: t.darkColor.Pix[1]}), nil
}

// noiseOfFlats measures a camera's noise from the flat frames that path stands for: each two that follow each
// other are a pair of one light.
func noiseOfFlats(ctx context.Context, what, path string, read func(Pair) (*plate.Gray, error)) (matte.Noise, error) {
	seq, err := Find(path)
	if err != nil {
		return matte.Noise{}, fmt.Errorf("flat %s frames: %w", what, err)
	}
	if len(seq)%2 != 0 || len(seq) > maxFlats {
		return matte.Noise{}, fmt.Errorf("%s: there are %d flat %s frames: it must be pairs, each of the same light, and at most %d frames", path, len(seq), what, maxFlats)
	}
	var pairs [][2]*plate.Gray
	for i := 0; i < len(seq); i += 2 {
		var p [2]*plate.Gray
		for k := range p {
			if err := ctx.Err(); err != nil {
				return matte.Noise{}, err
			}
			if p[k], err = read(Pair{Color: seq[i+k].Path, Band: seq[i+k].Path}); err != nil {
				return matte.Noise{}, err
			}
		}
		pairs = append(pairs, p)
	}
	n, err := matte.PhotonTransfer(pairs, nil)
	if err != nil {
		return n, fmt.Errorf("%s: flat %s frames: %w", path, what, err)
	}
	return n, nil
}

// electrons says a camera's noise as EMVA 1288 does: in the dark, and the full-well capacity.
func electrons(n matte.Noise) string {
	s := fmt.Sprintf("%.3f %% of full scale in the dark", 100*n.Read)
	if n.PerSignal > 0 {
		s += fmt.Sprintf(" (%.0f electrons), full scale is %.0f electrons", n.Read/n.PerSignal, math.Round(1/n.PerSignal))
	}
	return s
}
