package dataset

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"example.com/twinplate/composite"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// A maker makes the samples of one take.
type maker struct {
	w      *writer
	x      *shoot
	job    *take.Job
	about  Entry    // what is alike in all samples of the take
	fitted sync.Map // of *fitted, by the background's file
}

// prepare makes a take ready, and reads it as a test shot is read.
func (w *writer) prepare(ctx context.Context, x *shoot) (*maker, error) {
	opened, err := take.OpenContext(ctx, x.Recipe)
	if err != nil {
		return nil, err
	}
	job, err := opened.Prepare(ctx)
	if err != nil {
		return nil, err
	}
	// Everything that was found is in the recipe now, so that the check does not look for it again.
	found := job.Recipe(nil)
	again, err := take.OpenContext(ctx, found)
	if err != nil {
		return nil, err
	}
	check, err := again.Check(ctx, &take.CheckOptions{FPS: found.FPS})
	if err != nil {
		return nil, err
	}
	w.report.Notes = append(w.report.Notes, list.Of(slices.Concat(job.Notes, job.Warnings), func(n string) string { return x.Name + ": " + n })...)
	m := &maker{w: w, x: x, job: job}
	m.about = Entry{
		Version: ManifestVersion, Split: x.split, Take: x.Name, Key: x.key,
		Residual: check.Readings.Named("registration").Value, Crosstalk: job.Crosstalk,
		Noise: CameraNoise{Color: job.ColorNoise, Band: job.BandNoise},
	}
	m.about.Readings = list.Of(check.Readings, func(r reading.Reading) ShortReading { return ShortReading{r.Name, r.Value, r.Unit, r.Verdict} })
	folder := filepath.Join(w.dir, "takes", x.Name)
	folders := []string{"color", "band", "foreground", "straight", "alpha", "sigma"}
	for _, b := range x.backgrounds {
		folders = append(folders, filepath.Join("comp", b.name), filepath.Join("background", b.name))
	}
	for _, name := range folders {
		if err := os.MkdirAll(filepath.Join(folder, name), 0o777); err != nil {
			return nil, err
		}
	}
	found.Write = nil // of what comp writes
	return m, found.Save(filepath.Join(folder, "recipe.json"))
}

// A worker makes one sample after the other, and keeps the planes between them.
type worker struct {
	*maker
	scrubber       *take.Scrubber
	alpha          *plate.Gray
	straight, comp *plate.RGB
	back           *plate.RGB
	backFrom       string
}

func (m *maker) worker() *worker { return &worker{maker: m, scrubber: m.job.NewScrubber()} }

// sample makes the sample of the take's i-th frame.
func (k *worker) sample(i int) (Entry, error) {
	s := k.about
	pair := k.x.pairs[i]
	f, err := k.scrubber.Frame(pair.Number, nil)
	if err != nil {
		return s, err
	}
	sigma, err := k.scrubber.Sigma(f)
	if err != nil {
		return s, err
	}
	out := &k.w.out
	s.Frame, s.Width, s.Height, s.Gain = pair.Number, f.Color.W, f.Color.H, f.Gain.Value
	s.Sources = map[string]Origin{"color": k.x.origin(pair.Color), "band": k.x.origin(pair.Band)}
	k.alpha = matte.Alpha(k.alpha, f.Transmission)
	out.clip(f.Foreground)
	k.straight = out.straight(k.straight, f.Foreground, k.alpha)
	s.Files = map[string]File{}
	for _, p := range []struct {
		name  string
		frame image.Image
		opt   plate.WriteOptions
	}{
		{"color", f.Color, out.light}, {"band", f.Band, out.light}, {"foreground", f.Foreground, out.light}, {"straight", k.straight, out.light},
		{"alpha", k.alpha, out.alpha}, {"sigma", sigma, out.sigma},
	} {
		if s.Files[p.name], err = k.write(p.name, pair.Number, p.frame, p.opt); err != nil {
			return s, err
		}
	}
	for _, b := range k.x.backgrounds {
		c := Composite{Name: b.name}
		if c.Background, c.Source, err = k.background(b, i); err != nil {
			return s, err
		}
		if k.comp, err = composite.HoldOut(k.comp, f.Foreground, f.Transmission, k.back); err != nil {
			return s, err
		}
		if c.Comp, err = k.write("comp/"+b.name, pair.Number, k.comp, out.light); err != nil {
			return s, err
		}
		s.Composites = append(s.Composites, c)
	}
	return s, nil
}

// write writes a frame, and returns what the manifest says of it.
func (m *maker) write(folder string, number int, frame image.Image, opt plate.WriteOptions) (File, error) {
	opt.Primaries = m.x.primaries
	d := describe(frame, opt)
	d.Path = fmt.Sprintf("takes/%s/%s/%04d%s", m.x.Name, folder, number, m.w.out.extension)
	path := filepath.Join(m.w.dir, filepath.FromSlash(d.Path))
	err := plate.Write(path, frame, &opt)
	if err == nil {
		d.SHA256, d.Bytes, err = hashFile(path)
	}
	return d, err
}

// A fitted background is one that is written once, by whichever worker needs it first.
type fitted struct {
	once sync.Once
	file File
	err  error
}

// background reads and fits the background for the take's i-th frame, into k.back.
func (k *worker) background(b background, i int) (File, Origin, error) {
	n := i % len(b.paths)
	path := b.paths[n]
	if path != k.backFrom {
		k.backFrom = ""
		f, err := b.read(path, k.x.primaries)
		if err != nil {
			return File{}, Origin{}, err
		}
		size := k.alpha.Size()
		fit, err := composite.NewFitter(f.W, f.H, size.X, size.Y, k.x.Recipe.Fit)
		if err == nil {
			k.back, err = fit.RGB(k.back, f)
		}
		if err != nil {
			return File{}, Origin{}, fmt.Errorf("%s: %w", path, err)
		}
		k.w.out.clip(k.back)
		k.backFrom = path
	}
	v, _ := k.fitted.LoadOrStore(b.name+"/"+path, &fitted{})
	once := v.(*fitted)
	once.once.Do(func() { once.file, once.err = k.write("background/"+b.name, n+1, k.back, k.w.out.light) })
	return once.file, k.x.origin(path), once.err
}

// hashFile returns the SHA-256 of a file as hexadecimal digits, and its size.
func hashFile(path string) (string, int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), n, err
}
