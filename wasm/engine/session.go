//go:build js

// Command engine is the library in a browser's worker: it opens a take, makes it ready, and gives
// the stations of its frames. The files lie in a file system that the worker provides
// (site/js/worker/fs.js), so a take is opened as the command opens it, and errors name the same
// files. It does nothing that the packages do not.
package main

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"os"
	"path"
	"slices"
	"strings"
	"syscall/js"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// A session is one take, from its recipe to its frames.
type session struct {
	recipe   take.Recipe
	sigma    bool // sigma was asked for by us, not by the recipe
	rough    bool // the take is a draft
	take     *take.Take
	job      *take.Job
	scrubber *take.Scrubber
	monitor  *take.Monitor // of the live page; nil until it asks
	screens  []*screen     // likewise: its pictures
	codes    map[plate.Curve]*[1 << 16]uint8

	finish string // of the recipe that frames are made with, as the page has given it; "": the take's own

	frame *take.Scrubbed // the frame that is held, as breaks changed it
	key   frameKey

	linear bool // some plate's codes are linear light: in 8 bits it would show steps
	// What the scrubber holds was decoded by the browser, not quite as the library does it.
	draftPlates, draftBackground bool
}

// breaks are the ways to spoil a frame that the lesson shows.
type breaks struct {
	DoubleExposure bool    `json:"double_exposure"` // the background is not held out
	GatedTwice     bool    `json:"gated_twice"`     // the foreground is multiplied by alpha once more
	Spill          float64 `json:"spill"`           // sodium light on the performer from the left, over the light of the screen
}

type frameKey struct {
	number int
	breaks breaks
}

// opened is what the page learns of a take once its files are found.
type opened struct {
	Frames  []take.FilePair `json:"frames"`
	NoBand  []int           `json:"no_band"`
	NoColor []int           `json:"no_color"`
	Notes   []string        `json:"notes"`
}

// draftWidth is what a draft's color plate has at most, in pixels: enough to judge a matte by in a
// window, at a sixteenth of the work of 1920.
const draftWidth = 480

// open reads the recipe file at path and finds the take's files. Of a draft the plates are reduced
// to draftWidth.
func (s *session) open(ctx context.Context, path string, draft bool) (*opened, error) {
	*s = session{rough: draft}
	r, err := take.ReadRecipe(path)
	if err != nil {
		return nil, err
	}
	var files workerFiles
	if draft {
		color, err := take.Find(r.Color)
		if err != nil {
			return nil, fmt.Errorf("color plate: %w", err)
		}
		first, err := whole(color[0].Path)
		if err != nil {
			return nil, err
		}
		files.by = (first.Size().X + draftWidth - 1) / draftWidth
		first.Close()
		if r.CleanFrom == "" {
			r.CleanFrom = "screen" // the quicker one
		}
	} else if !slices.Contains(r.Write, "sigma") {
		r.Write, s.sigma = append(r.Write, "sigma"), true
	}
	if s.take, err = take.OpenFiles(ctx, files, r); err != nil {
		return nil, err
	}
	s.take.Stage = func(name string) { js.Global().Call("stage", name) }
	s.recipe = r
	return &opened{s.take.Pairs, orEmpty(s.take.NoBand), orEmpty(s.take.NoColor), orEmpty(s.take.Notes())}, nil
}

// prepared is what the page learns of a take once it is ready.
type prepared struct {
	Recipe    json.RawMessage `json:"recipe"` // with every estimate in it, for the other workers
	W         int             `json:"w"`
	H         int             `json:"h"`
	Residual  float64         `json:"residual_px"`
	Model     string          `json:"model"`
	Mirror    bool            `json:"mirror"`
	Crosstalk [3]float64      `json:"crosstalk"`
	Warnings  []string        `json:"warnings"`
	Notes     []string        `json:"notes"`
	Seconds   float64         `json:"seconds"`
	Draft     bool            `json:"draft"`
	Grave     []string        `json:"grave"`    // those of the warnings by which the result is likely wrong
	NoNoise   bool            `json:"no_noise"` // the cameras' noise, and with it error bars, is left to noise
}

// graveOf returns the warnings by which the result is likely wrong, not only worse than it could
// be.
func graveOf(j *take.Job) []string {
	// apart is how far apart the edges are, in pixels, from which the geometry is wrong, as
	// align.Residual has it.
	const apart = 0.7
	grave := append(slices.Clone(j.Suspicions), list.Where(j.Warnings, func(w string) bool { return strings.HasPrefix(w, "AMBIGUOUS") })...)
	if j.Residual > apart {
		grave = append(grave, fmt.Sprintf("the performer's edges in the two plates are %.1f pixels apart: the geometry is likely wrong; look whether the frames are of one moment (Recipe, Timing), and whether both plates are of this take", j.Residual))
	}
	return orEmpty(grave)
}

var errNotOpen = errors.New("no take is open")

// prepare makes the take ready, and writes the recipe with every estimate to the file at a.Path; a
// draft is made from a.Samples. With a.Later a test for wrong curves is left to curves, and the
// cameras' noise to noise; with a.Planes what another engine has found is not looked for again.
func (s *session) prepare(ctx context.Context, a *arguments) (*prepared, error) {
	if s.take == nil {
		return nil, errNotOpen
	}
	s.take.CurvesLater, s.take.NoiseLater, s.take.FewFrames = a.Later, a.Later, true
	defer func() { s.take.CurvesLater, s.take.NoiseLater = false, false }()
	if a.Planes != "" {
		data, err := os.ReadFile(a.Planes)
		if err != nil {
			return nil, err
		}
		s.take.Known = new(take.KnownPlanes)
		if err := s.take.Known.UnmarshalBinary(data); err != nil {
			return nil, err
		}
	}
	if s.rough {
		if err := s.take.Draft(a.Samples); err != nil {
			return nil, err
		}
		var files []string
		for _, p := range s.take.Pairs {
			if slices.Contains(a.Samples, p.Number) {
				files = append(files, p.Color, p.Band)
			}
		}
		prefetch(files, false)
	}
	var err error
	if s.job, err = s.take.Prepare(ctx); err != nil {
		return nil, err
	}
	return s.prepared(a.Path)
}

// noise finds the noise that prepare has left, and does what else prepare does.
func (s *session) noise(ctx context.Context, a *arguments) (*prepared, error) {
	if s.job == nil {
		return nil, errNotOpen
	}
	j, err := s.job.Noise(ctx)
	if err != nil {
		return nil, err
	}
	s.job, s.frame, s.finish = j, nil, ""
	return s.prepared(a.Path)
}

// prepared has frames made of the job, and writes its recipe with every estimate to the file at
// path.
func (s *session) prepared(path string) (*prepared, error) {
	s.scrubber = s.job.NewScrubber()
	r := s.job.Recipe(nil)
	s.linear = slices.Contains([]string{r.ColorCurve, r.BandCurve, r.BackgroundCurve}, plate.Linear.Name())
	if s.sigma {
		r.Write = slices.DeleteFunc(slices.Clone(r.Write), func(p string) bool { return p == "sigma" })
	}
	if err := r.Save(path); err != nil {
		return nil, err
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	j := s.job
	return &prepared{text, j.Geometry.ColorW, j.Geometry.ColorH, j.Residual, j.Model, j.Geometry.Mirror, j.Crosstalk, orEmpty(j.Warnings), orEmpty(j.Notes), j.Seconds, s.rough, graveOf(j), j.NoiseLeft()}, nil
}

// planes returns what was found of the take that its recipe has no room for.
func (s *session) planes() ([]byte, error) {
	if s.job == nil {
		return nil, errNotOpen
	}
	return s.job.Planes().MarshalBinary()
}

// curves returns what prepare has left of the tests for files that are read by a wrong curve:
// warnings by which the result is likely wrong.
func (s *session) curves(ctx context.Context) ([]string, error) {
	if s.job == nil {
		return nil, errNotOpen
	}
	said, err := s.job.Curves(ctx)
	return orEmpty(said), err
}

// finished has frames made with the finish that a call came with, JSON of a recipe's fields, or
// nothing.
func (s *session) finished(ctx context.Context, text json.RawMessage) error {
	if s.scrubber == nil || len(text) == 0 || string(text) == s.finish {
		return nil
	}
	var r take.Recipe
	if err := json.Unmarshal(text, &r); err != nil {
		return err
	}
	if err := s.scrubber.Finish(ctx, r); err != nil {
		return err
	}
	s.finish, s.frame = string(text), nil
	return nil
}

// noted is what the page should know of the take with its finish.
type noted struct {
	Notes []string `json:"notes"`
}

func (s *session) notes(ctx context.Context, text json.RawMessage) (*noted, error) {
	if s.job == nil {
		return nil, errNotOpen
	}
	var r take.Recipe
	if err := json.Unmarshal(text, &r); err != nil {
		return nil, err
	}
	j, err := s.scrubber.Job().Finish(ctx, r)
	if err != nil {
		return nil, err
	}
	return &noted{orEmpty(j.Notes)}, nil
}

// draft reports whether the frame that is held may differ from what the library makes of its files:
// the browser decoded it.
func (s *session) draft() bool { return s.draftPlates || s.draftBackground }

// holds reports whether the session holds this frame already. Where quick is set, a draft will do.
func (s *session) holds(number int, b breaks, quick bool) bool {
	return s.frame != nil && s.key == frameKey{number, b} && (quick || !s.draft())
}

// load makes the frame the one that is held, unless it is already.
func (s *session) load(number int, b breaks, quick bool) error {
	if s.scrubber == nil {
		return errNotOpen
	}
	if s.holds(number, b, quick) {
		return nil
	}
	s.frame = nil
	var f *take.Scrubbed
	change := b.change()
	err := s.read(number, quick, func(bool) (err error) {
		if b.Spill == 0 {
			f, err = s.scrubber.Frame(number, change)
			return err
		}
		if f, err = s.scrubber.Frame(number, nil); err != nil {
			return err
		}
		alpha := matte.Alpha(nil, f.Transmission)
		change.Plates = func(_ *plate.RGB, band *plate.Gray) error {
			spill(band, alpha, b.Spill)
			return nil
		}
		f, err = s.scrubber.Frame(number, change)
		return err
	})
	if err == nil {
		s.frame, s.key = f, frameKey{number, b}
	}
	return err
}

// change is what a frame is spoilt by, but for spill.
func (b breaks) change() *take.Change {
	c := &take.Change{Whole: b.DoubleExposure}
	if b.GatedTwice {
		c.Foreground = func(s *matte.Solution) error {
			for _, pix := range s.Foreground.Pix {
				for i, t := range s.Transmission.Pix {
					pix[i] *= 1 - t
				}
			}
			return nil
		}
	}
	return c
}

// rows returns the frame's composite or its foreground alone, quicker than load.
func (s *session) rows(station string, number int, quick, half bool) (p *halves, err error) {
	s.frame = nil
	err = s.read(number, quick, func(draft bool) error {
		g := s.job.Geometry
		p = newHalves(g.ColorW, g.ColorH, half)
		if station == "sum" {
			return s.scrubber.Sum(number, !draft, func(_ int, row [3][]float32) { p.add(row, nil) })
		}
		alpha := make([]float32, g.ColorW)
		return s.scrubber.Foreground(number, !draft, func(_ int, row [3][]float32, transmission []float32) {
			for x, t := range transmission {
				alpha[x] = 1 - t
			}
			p.add(row, alpha)
		})
	})
	return p, err
}

// read has the worker prefetch the frame's files, and calls do, which reads them. draft is whether
// they may differ from the library's.
func (s *session) read(number int, quick bool, do func(draft bool) error) error {
	if !quick && s.draft() {
		s.forget(s.draftBackground)
	}
	files := s.scrubber.Files(number)
	mayBe := len(files) > 0 && prefetch(files, quick && !s.linear)
	err := do(mayBe)
	if err != nil {
		// Once more without the browser's help: what the library says of its own decoding is the
		// error.
		prefetch(nil, false)
		s.forget(true)
		return do(false)
	}
	if quick && len(files) > 0 {
		s.draftPlates = js.Global().Call("drafts").Bool()
		s.draftBackground = s.draftBackground || s.draftPlates && len(files) > 2
	}
	return err
}

func (s *session) forget(background bool) {
	s.scrubber.Forget(background)
	s.draftPlates, s.draftBackground = false, false
}

// prefetch has the worker fetch and decode files at the same time, as far as a browser can, before
// the engine reads them. Quick ones may differ a little from what the library makes of them: it
// reports whether any may, and the worker's drafts whether any did.
func prefetch(files []string, quick bool) bool {
	names := list.Of(files, func(f string) any { return f })
	return js.Global().Call("prefetch", names, quick).Bool()
}

// spill throws sodium light on the performer from the left of the frame: at its edge so much of the
// brightest screen's light, and none at the right.
func spill(band, alpha *plate.Gray, strength float64) {
	top := max(slices.Max(band.Pix), 0)
	for i, a := range alpha.Pix {
		side := 1 - float32(i%band.W)/float32(band.W)
		band.Pix[i] += float32(strength) * top * side * max(a, 0)
	}
}

// green returns the frame as a plain color-difference matte before a green backing gives it: the
// comparison of the lesson, for takes that have green plates.
func (s *session) green() (*plate.RGB, error) {
	before, _, err := readRGB(fmt.Sprintf("/green/%04d.jpg", s.key.number))
	if err != nil {
		return nil, err
	}
	empty, _, err := readRGB("/green/clean.jpg")
	if err != nil {
		return nil, err
	}
	solved, err := matte.ColorDifference(before, empty, matte.GreenBacking)
	if err != nil {
		return nil, err
	}
	return composite.HoldOut(nil, solved.Foreground, solved.Transmission, s.frame.Background)
}

// arithmetic is one pixel with the numbers of every station.
type arithmetic struct {
	X int `json:"x"`
	Y int `json:"y"`
	matte.Pixel
	Gain       float64     `json:"gain"`
	Background *[3]float64 `json:"background"` // nil where the take has none
	Held       *[3]float64 `json:"held"`
	Sum        *[3]float64 `json:"sum"`
	Broken     bool        `json:"broken"` // a switch of the lesson is on
}

func (s *session) pixel(number int, b breaks, x, y int) (*arithmetic, error) {
	if err := s.load(number, b, false); err != nil {
		return nil, err
	}
	p, err := s.scrubber.Pixel(s.frame, x, y)
	if err != nil {
		return nil, err
	}
	a := &arithmetic{X: x, Y: y, Pixel: p, Gain: s.frame.Gain.Value, Broken: b != breaks{}}
	at := func(f *plate.RGB) *[3]float64 {
		if f == nil {
			return nil
		}
		i := y*f.W + x
		return &[3]float64{float64(f.Pix[0][i]), float64(f.Pix[1][i]), float64(f.Pix[2][i])}
	}
	a.Foreground = *at(s.frame.Foreground)
	if s.frame.Background != nil {
		held, err := s.scrubber.Held(s.frame)
		if err != nil {
			return nil, err
		}
		a.Background, a.Held, a.Sum = at(s.frame.Background), at(held), at(s.frame.Comp)
	}
	return a, nil
}

// readings is what check reads, for the page.
type readings struct {
	Readings []reading.Reading `json:"readings"`
	Gains    []take.GainPoint  `json:"gains"`
	Worst    reading.Verdict   `json:"worst"`
	Notes    []string          `json:"notes"`
}

func (s *session) check(ctx context.Context, fps float64) (*readings, error) {
	if s.take == nil {
		return nil, errNotOpen
	}
	c, err := s.take.Check(ctx, &take.CheckOptions{FPS: fps})
	if err != nil {
		return nil, err
	}
	return &readings{c.Readings, c.Gains, c.Readings.Worst(), orEmpty(c.Notes)}, nil
}

// write writes a product of the frame as a file, 16 bits deep unless it says otherwise, and returns
// its name.
func (s *session) write(number int, b breaks, product, folder string) (string, error) {
	if err := s.load(number, b, false); err != nil {
		return "", err
	}
	name := path.Join(folder, product, fmt.Sprintf("%04d.png", number))
	if err := os.MkdirAll(path.Dir(name), 0o777); err != nil {
		return "", err
	}
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	f := s.frame
	switch product {
	case "sum":
		if f.Background == nil {
			return "", errors.New("there is no composite without a background plate: drop one, or save the cut-out")
		}
		return name, plate.Write(name, f.Comp, srgb)
	case "cutout": // straight
		solution := matte.Solution{Transmission: f.Transmission, Foreground: f.Foreground}
		return name, plate.Write(name, solution.RGBA(), srgb)
	case "cutout_premultiplied":
		return name, plate.Write(name, premultiplied(f.Foreground, f.Transmission), srgb)
	case "matte":
		return name, plate.Write(name, matte.Alpha(nil, f.Transmission), &plate.WriteOptions{Curve: plate.Linear})
	}
	return "", fmt.Errorf("product %q: it must be sum, cutout, cutout_premultiplied or matte", product)
}

// sound is how two clips lie in time.
type sound struct {
	Seconds float64 `json:"seconds"` // that the band camera's begins later
}

// soundOffset compares two files of samples, each a float32, as align.SoundOffset takes them.
func soundOffset(ctx context.Context, color, band string) (*sound, error) {
	var all [2][]float32
	for i, path := range []string{color, band} {
		data, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		all[i] = make([]float32, len(data)/4)
		if _, err := binary.Decode(data[:4*len(all[i])], binary.LittleEndian, all[i]); err != nil {
			return nil, err
		}
	}
	e, err := align.SoundOffset(ctx, all[0], all[1])
	if err != nil {
		return nil, err
	}
	return &sound{e.Seconds}, nil
}

// look describes a picture file, so that the page can tell plates apart.
type look struct {
	Color  bool       `json:"color"`  // it has color, even if every pixel is gray
	Mean   [3]float64 `json:"mean"`   // linear light
	Dark   float64    `json:"dark"`   // the part of the picture below a fiftieth of its brightest
	Yellow float64    `json:"yellow"` // the part of the picture whose light is mostly the line's
	Chroma float64    `json:"chroma"` // the mean difference of channels, in parts of the light
	W      int        `json:"w"`      // of a small picture of it
	H      int        `json:"h"`
}

// lookAt describes a picture file, and returns a small picture of it, at most so many pixels wide.
func lookAt(file string, width int) (*look, *image.NRGBA, error) {
	p, err := whole(file)
	if err != nil {
		return nil, nil, err
	}
	defer p.Close()
	f, err := p.Reduced((p.Size().X+width-1)/width).RGB(nil, plate.SRGB)
	if err != nil {
		return nil, nil, err
	}
	l := &look{Color: p.Info().Color, W: f.W, H: f.H}
	var top float32
	for c := range 3 {
		for _, v := range f.Pix[c] {
			l.Mean[c] += float64(v)
			top = max(top, v)
		}
		l.Mean[c] /= float64(len(f.Pix[c]))
	}
	light, apart := 0.0, 0.0
	for i, r := range f.Pix[0] {
		g, b := f.Pix[1][i], f.Pix[2][i]
		light, apart = light+float64(max(r, g, b)), apart+float64(max(r, g, b)-min(r, g, b))
		if max(r, g, b) < top/50 {
			l.Dark++
		} else if b < 0.2*r && g > 0.2*r && g < r {
			l.Yellow++
		}
	}
	l.Dark /= float64(len(f.Pix[0]))
	l.Yellow /= float64(len(f.Pix[0]))
	l.Chroma = apart / max(light, 1e-9)
	return l, (&picture{w: f.W, h: f.H, plane: f.Pix}).display(0, false), nil
}

func orEmpty[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

// plain takes the folder of the worker's file system off an error's text.
func plain(err error) string { return strings.ReplaceAll(err.Error(), "/take/", "") }
