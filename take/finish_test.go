package take_test

import (
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// square is an outline over the frame's height.
func square(x0, x1 float64) []matte.Outline {
	return []matte.Outline{{Corners: []matte.Corner{{X: x0, Y: 0}, {X: x1, Y: 0}, {X: x1, Y: 1}, {X: x0, Y: 1}}}}
}

// finishes are finishes of every kind, one after the other.
func finishes(r take.Recipe) []take.Recipe {
	saturation, start := 0.5, 1
	var all []take.Recipe
	add := func(change func(*take.Recipe)) {
		change(&r)
		r.Regions = slices.Clone(r.Regions)
		all = append(all, r)
	}
	add(func(r *take.Recipe) { r.Beyond = "keep" })
	add(func(r *take.Recipe) { r.ForegroundGrade = composite.Grade{Exposure: 0.5, Contrast: 1.2} })
	add(func(r *take.Recipe) { r.BackgroundGrade = composite.Grade{Exposure: -1, Saturation: &saturation} })
	add(func(r *take.Recipe) { r.Beyond = "" })
	add(func(r *take.Recipe) {
		r.Regions = []matte.Region{{Effect: matte.Outside, Keys: square(0.4, 0.45)}, {Effect: matte.Solid, Feather: 3, Keys: square(0.45, 0.5)}}
	})
	add(func(r *take.Recipe) { r.Regions[0].Effect = matte.Open })
	add(func(r *take.Recipe) { r.Fit = composite.Fit{Turn: 5, Scale: 1.3, Softness: 1} })
	add(func(r *take.Recipe) { r.Fit.OffsetX = 0.1 })
	add(func(r *take.Recipe) {
		r.ForegroundGrade.GrayCard = &composite.Card{Left: 0.45, Top: 0.2, Right: 0.55, Bottom: 0.8}
	})
	add(func(r *take.Recipe) { r.ForegroundGrade.Exposure = -0.5 })
	add(func(r *take.Recipe) { r.Spill, r.Regions = "core", nil })
	add(func(r *take.Recipe) { r.Limits = matte.Limits{Floor: 0.01, Ceiling: 0.99} })
	add(func(r *take.Recipe) { r.BackgroundStart, r.BackgroundEnd = &start, "loop" })
	add(func(r *take.Recipe) { r.FitEnd = &composite.Fit{Scale: 1.5} })
	add(func(r *take.Recipe) { r.Operator, r.Fit, r.FitEnd = composite.AInB, composite.Fit{Scale: 0.7}, nil })
	add(func(r *take.Recipe) {
		r.Operator, r.Fit, r.BackgroundStart, r.BackgroundEnd, r.Spill, r.Limits = composite.AOverB, composite.Fit{}, nil, "", "", matte.Limits{}
		r.ForegroundGrade, r.BackgroundGrade = composite.Grade{}, composite.Grade{}
	})
	return all
}

// A job with another finish makes what a take makes that is opened with it, to the bit and with the
// same notes; so does a Scrubber that holds the frame, whatever finish it had before.
func TestFinish(t *testing.T) {
	r := partial(t)
	r.Write = []string{"comp", "sigma"}
	first, _, job := result(t, r)
	scrubber := job.NewScrubber()
	if _, err := scrubber.Frame(first.Number, nil); err != nil {
		t.Fatal(err)
	}
	for k, r := range finishes(r) {
		want, _, opened := result(t, r)
		next, err := job.Finish(context.Background(), r)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(next.Notes, opened.Notes) {
			t.Errorf("finish %d: notes\n%q, want\n%q", k, next.Notes, opened.Notes)
		}
		if got, want := fmt.Sprint(next.Recipe(nil).ForegroundGrade.Balance), fmt.Sprint(opened.Recipe(nil).ForegroundGrade.Balance); (got == "<nil>") != (want == "<nil>") {
			t.Errorf("finish %d: balance %s, want %s", k, got, want)
		}
		if err := scrubber.Finish(context.Background(), r); err != nil {
			t.Fatal(err)
		}
		for _, file := range scrubber.Files(first.Number) {
			if file != r.Background {
				t.Errorf("finish %d: the Scrubber would read %s again", k, file)
			}
		}
		frame, err := scrubber.Frame(first.Number, nil)
		if err != nil {
			t.Fatal(err)
		}
		sigma, err := scrubber.Sigma(frame)
		if err != nil {
			t.Fatal(err)
		}
		var run take.Result
		if _, err := next.Run(context.Background(), &take.RunOptions{Each: func(r *take.Result) error {
			run = *r
			return nil
		}}); err != nil {
			t.Fatal(err)
		}
		for c := range 3 {
			if !slices.Equal(frame.Comp.Pix[c], want.Comp.Pix[c]) || !slices.Equal(run.Comp.Pix[c], want.Comp.Pix[c]) {
				t.Errorf("finish %d: the composite's channel %d differs", k, c)
			}
		}
		if !slices.Equal(frame.Transmission.Pix, want.Transmission.Pix) || !slices.Equal(sigma.Pix, want.Sigma.Pix) {
			t.Errorf("finish %d: the matte or sigma differs", k)
		}
	}
	r.Beyond = "gone"
	if err := scrubber.Finish(context.Background(), r); err == nil || !strings.Contains(err.Error(), "must be outside or keep") {
		t.Errorf("a finish that cannot be: %v", err)
	}
	if frame, err := scrubber.Frame(first.Number, nil); err != nil || !slices.Equal(frame.Comp.Pix[0], first.Comp.Pix[0]) {
		t.Errorf("after it: %v", err)
	}
}

// The screen's extent is that of one frame, whether or not others are read for estimates, so that a
// recipe with these gives the same.
func TestExtentFromRecipe(t *testing.T) {
	r := partial(t)
	band, err := plate.ReadGray(r.Band, plate.Linear, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	color, err := plate.ReadRGB(r.Color, plate.Linear, nil)
	if err != nil {
		t.Fatal(err)
	}
	// The screen's light falls off to both sides, so that its border is where the noise says.
	clean := plate.NewGray(band.W, band.H)
	for i := range clean.Pix {
		x := float64(i % clean.W)
		clean.Pix[i] = float32(0.8 * math.Exp2(-5.5*math.Abs(x-48)/48))
		in := x >= 40 && x < 56
		if !in {
			band.Pix[i] = clean.Pix[i]
		}
		for c := range 3 { // a patchwork coat before a dark wall
			color.Pix[c][i] = 0
			if in {
				color.Pix[c][i] = 0.1 + 0.2*float32((i/96/6+c*int(x)/4)%4)
			}
		}
	}
	if err := plate.Write(r.CleanBand, clean, &plate.WriteOptions{Curve: plate.Linear}); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(r.Color)
	r.Crosstalk.Mode, r.Color, r.Band = "", filepath.Join(dir, "c"), filepath.Join(dir, "b")
	rng := rand.New(rand.NewPCG(4, 4))
	for n := range 5 { // that in the middle has the most noise
		sigma := 0.0005
		if n == 2 {
			sigma = 0.005
		}
		noisy := plate.NewGray(band.W, band.H)
		for i, v := range band.Pix {
			noisy.Pix[i] = v + float32(sigma*rng.NormFloat64())
		}
		for folder, f := range map[string]image.Image{r.Color: color, r.Band: noisy} {
			if err := os.MkdirAll(folder, 0o777); err != nil {
				t.Fatal(err)
			}
			if err := plate.Write(filepath.Join(folder, fmt.Sprintf("%d.png", n)), f, &plate.WriteOptions{Curve: plate.Linear}); err != nil {
				t.Fatal(err)
			}
		}
	}
	job := prepare(t, r)
	path := filepath.Join(t.TempDir(), "found.json")
	if err := job.Recipe(nil).Save(path); err != nil {
		t.Fatal(err)
	}
	found, err := take.ReadRecipe(path)
	if err != nil {
		t.Fatal(err)
	}
	again := prepare(t, found)
	if job.Extent == nil || again.Extent == nil || !slices.Equal(job.Extent.Inside.Pix, again.Extent.Inside.Pix) {
		t.Errorf("the extent with the estimates given is another: %v, %v", job.Extent != nil, again.Extent != nil)
	}
}

// counting counts how often files are opened.
type counting struct {
	plate.Disk
	mu     sync.Mutex
	opened map[string]int
}

func (c *counting) Open(name string) (*plate.Picture, error) {
	c.mu.Lock()
	c.opened[name]++
	c.mu.Unlock()
	return c.Disk.Open(name)
}

// A take with everything given is made ready with no file opened twice, and its finish changes with
// none, unless they may be others.
func TestFinishOpensNoFile(t *testing.T) {
	r := record(t, 3, 4, 5)
	job := prepare(t, r.recipe)
	given := job.Recipe(nil)
	files := &counting{opened: map[string]int{}}
	opened, err := take.OpenFiles(t.Context(), files, given)
	if err != nil {
		t.Fatal(err)
	}
	clear(files.opened)
	if job, err = opened.Prepare(t.Context()); err != nil {
		t.Fatal(err)
	}
	for name, n := range files.opened {
		if n > 1 {
			t.Errorf("to make the take ready %s is opened %d times", name, n)
		}
	}
	if len(files.opened) == 0 {
		t.Error("no file is opened")
	}
	s := job.NewScrubber()
	clear(files.opened)
	given.Fit.Scale = 1.5
	if err := s.Finish(t.Context(), given); err != nil || len(files.opened) > 0 {
		t.Errorf("another place of the background opens %v (%v)", files.opened, err)
	}
	s.Forget(true)
	given.Fit.Scale = 1.6
	if err := s.Finish(t.Context(), given); err != nil || files.opened[given.Background] != 1 {
		t.Errorf("of a background that may be another %v is opened (%v)", files.opened, err)
	}
}

// BenchmarkFinish is an HD frame of files without compression with a finish of each kind.
// "changed": the same frame again after a change, by the Scrubber that holds it. "played": the sum
// of one frame after the other, as playing asks for it, with the finish that stays; "nothing" is
// what the rest takes. cpu-ms is the processors' time, which others on the machine do not change
// much. In "prepared anew" the take is opened and prepared with the changed recipe.
func BenchmarkFinish(b *testing.B) {
	const w, h = 1920, 1080
	band, color := plate.NewGray(w, h), plate.NewRGB(w, h)
	for i := range band.Pix {
		x, y := float32(i%w)/w, float32(i/w)/h
		band.Pix[i] = 0.8
		if (x-0.5)*(x-0.5)+(y-0.6)*(y-0.6) < 0.04 {
			band.Pix[i] = 0.01
			color.Pix[0][i], color.Pix[1][i], color.Pix[2][i] = 0.2+0.3*x, 0.3, 0.2+0.3*y
		}
	}
	clean := plate.NewGray(w, h)
	clean.Fill(0.8)
	sea := plate.NewRGB(w, h)
	for i := range sea.Pix[0] {
		wave := float32(i%w%40+i/w%30) / 70
		sea.Pix[0][i], sea.Pix[1][i], sea.Pix[2][i] = 0.05*wave, 0.15, 0.3*wave
	}
	files := memory{"color/1.png": color, "color/2.png": color, "band/1.png": band, "band/2.png": band, "clean.png": clean, "sea.png": sea, "waves/1.png": sea, "waves/2.png": sea}
	dir := b.TempDir()
	for name := range files { // their names are looked up on the disk
		write(b, filepath.Join(dir, filepath.FromSlash(name)), plate.NewGray(1, 1), nil)
	}
	at := func(name string) string { return filepath.Join(dir, name) }
	r := take.Recipe{Color: at("color"), Band: at("band"), CleanBand: at("clean.png"), Background: at("sea.png"), ColorCurve: "linear", BandCurve: "linear", BackgroundCurve: "linear"}
	r.Geometry.Mode, r.Crosstalk.Mode, r.Gain.Mode = "none", "none", "none"
	open := func(r take.Recipe) *take.Scrubber {
		opened, err := take.OpenFiles(b.Context(), inMemory{files, dir}, r)
		if err != nil {
			b.Fatal(err)
		}
		job, err := opened.Prepare(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		return job.NewScrubber()
	}
	box := func(x float64) matte.Outline {
		return matte.Outline{Corners: []matte.Corner{{X: x, Y: 0.1}, {X: x + 0.3, Y: 0.1}, {X: x + 0.3, Y: 0.7}, {X: x, Y: 0.6}}}
	}
	drift := func(r *take.Recipe, end composite.Fit) { r.FitEnd = &end }
	for _, row := range []struct {
		name   string
		change func(*take.Recipe, int)
	}{
		{"nothing", func(*take.Recipe, int) {}},
		{"exposure", func(r *take.Recipe, k int) { r.ForegroundGrade.Exposure = float64(k%7+1) / 10 }},
		{"background's exposure", func(r *take.Recipe, k int) { r.BackgroundGrade.Exposure = float64(k%7+1) / 10 }},
		{"region", func(r *take.Recipe, k int) {
			r.Regions = []matte.Region{{Effect: matte.Outside, Feather: 4, Keys: []matte.Outline{box(0.1 + 0.01*float64(k%7))}}}
		}},
		{"region that moves", func(r *take.Recipe, k int) {
			first, last := box(0.1+0.01*float64(k%7)), box(0.4)
			first.Frame, last.Frame = 1, 3
			r.Regions = []matte.Region{{Effect: matte.Outside, Feather: 20, Keys: []matte.Outline{first, last}}}
		}},
		{"spill", func(r *take.Recipe, k int) { r.Spill = []string{"core", "keep"}[k%2] }},
		{"place", func(r *take.Recipe, k int) { r.Fit.Scale = 1.1 + float64(k%7)/100 }},
		{"turn", func(r *take.Recipe, k int) { r.Fit.Turn = float64(k%7 + 1) }},
		{"softness", func(r *take.Recipe, k int) { r.Fit.Softness = 3 + float64(k%7) }},
		{"drift", func(r *take.Recipe, k int) { drift(r, composite.Fit{Scale: 1.1 + float64(k%7)/100}) }},
		{"turning drift", func(r *take.Recipe, k int) { drift(r, composite.Fit{Turn: 6 + float64(k%7)}) }},
		{"soft drift", func(r *take.Recipe, k int) {
			r.Fit.Softness = 5
			drift(r, composite.Fit{Scale: 1.1 + float64(k%7)/100, Softness: 5})
		}},
		{"soft clip", func(r *take.Recipe, k int) { r.Background, r.Fit.Softness = at("waves"), 3+float64(k%7) }},
	} {
		b.Run(row.name+"/changed", func(b *testing.B) {
			r := r
			if row.name == "soft clip" {
				r.Background = at("waves")
			}
			s := open(r)
			defer processorTime(b)()
			for k := 0; b.Loop(); k++ {
				row.change(&r, k)
				if err := s.Finish(context.Background(), r); err != nil {
					b.Fatal(err)
				}
				if _, err := s.Frame(1, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(row.name+"/played", func(b *testing.B) {
			r := r
			row.change(&r, 0)
			s := open(r)
			play := func(k int) {
				if err := s.Sum(1+k%2, false, func(int, [3][]float32) {}); err != nil {
					b.Fatal(err)
				}
			}
			play(0)
			defer processorTime(b)()
			for k := 1; b.Loop(); k++ {
				play(k)
			}
		})
	}
	b.Run("exposure/prepared anew", func(b *testing.B) {
		r := r
		defer processorTime(b)()
		for k := 0; b.Loop(); k++ {
			r.ForegroundGrade.Exposure = float64(k%7) / 10
			if _, err := open(r).Frame(1, nil); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// processorTime returns what reports the time that the processors have worked from now on, for each
// turn of a benchmark's loop.
func processorTime(b *testing.B) func() {
	from := processors(b)
	return func() { b.ReportMetric(1000*(processors(b)-from).Seconds()/float64(b.N), "cpu-ms/op") }
}

// memory is pictures by their names in a folder, whose pixels are there.
type memory map[string]image.Image

type inMemory struct {
	pictures memory
	dir      string
}

func (m inMemory) Open(name string) (*plate.Picture, error) {
	short, err := filepath.Rel(m.dir, name)
	f := m.pictures[filepath.ToSlash(short)]
	if err != nil || f == nil {
		return nil, &plate.FileError{Path: name, Err: os.ErrNotExist}
	}
	_, color := f.(*plate.RGB)
	info := plate.Info{W: f.Bounds().Dx(), H: f.Bounds().Dy(), Format: "PNG", Depth: 16, Color: color}
	return plate.DecodedPicture(name, info, func() (image.Image, error) { return f, nil }), nil
}

func (m inMemory) Footage(string) (*plate.Footage, error) { return nil, nil }

func (m inMemory) FileOf(name string) string { return name }

func (m inMemory) Rest() {}
