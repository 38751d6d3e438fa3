package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"example.com/twinplate/align"
	set "example.com/twinplate/internal/app/demo"
	"example.com/twinplate/internal/app/proof"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

type demo struct {
	Out     string `help:"Folder for the take and the results." placeholder:"DIR" required:""`
	Frames  int    `help:"How many frames." default:"24"`
	Size    string `help:"Size of both plates in pixels." default:"960x540" placeholder:"WxH"`
	Seed    uint64 `help:"Another seed gives other noise and other details." default:"1"`
	Replace bool   `help:"Use a folder that has files in it and is no demo's: those of the demo's names are overwritten."`
	JSON    bool   `name:"json" help:"Print one JSON object instead of text."`
}

func (demo) Help() string {
	return examples("twinplate demo --out demo", "twinplate demo --out demo --frames 8 --size 640x360 --json") +
		"\n\nOUT gets color, band, background and the reference plates as a shoot would give them, truth, and the results: comp, matte, contact.png and recipe.json. Every fault of a real set is on: a mirrored and moved band plate, lens distortion, an uneven screen, drifting lamps, crosstalk both ways, blur, noise. 24 frames of 960x540 take about 0.2 GB, and under a minute on two cores; --frames 48 --size 1280x720 is the long one, of two or three minutes and 0.6 GB.\n\n" +
		caution
}

// demoReport is what `demo --json` prints. The errors are root mean squares over all frames against
// the truth, in linear light.
type demoReport struct {
	Frames         int                `json:"frames"`
	MatteRMSE      float64            `json:"matte_rmse"`
	NoiseFloor     float64            `json:"noise_floor"` // of the matte: what the cameras' own noise makes of it
	ForegroundRMSE float64            `json:"foreground_rmse"`
	CompRMSE       float64            `json:"comp_rmse"`
	GeometryRMS    float64            `json:"geometry_rms_px"`
	Mirror         bool               `json:"mirror"`
	Residual       float64            `json:"residual_px"`
	Crosstalk      [3]float64         `json:"crosstalk"`
	CrosstalkTruth [3]float64         `json:"crosstalk_truth"`
	GainError      float64            `json:"gain_rms_error"`
	Notes          []string           `json:"notes"`
	Warnings       []string           `json:"warnings"`
	Seconds        map[string]float64 `json:"seconds"`
}

// size reads the size of simulated plates.
func size(text string) (w, h int, err error) {
	if n, err := fmt.Sscanf(text, "%dx%d", &w, &h); err != nil || n != 2 || w < 320 || h < 180 || w > 8192 || h > 8192 || text != fmt.Sprintf("%dx%d", w, h) {
		return 0, 0, usageError{fmt.Errorf("--size %q: it must be like 1280x720, from 320x180 to 8192x8192", text)}
	}
	return w, h, nil
}

func (c *demo) Run(t *terminal) error {
	w, h, err := size(c.Size)
	if err != nil {
		return err
	}
	if c.Frames < 1 || c.Frames > 9999 {
		return usageError{fmt.Errorf("--frames %d: it must be 1 to 9999", c.Frames)}
	}
	if err := c.folder(); err != nil {
		return err
	}
	start := time.Now()
	shoot := newShoot(c, w, h)
	shown := t.meter("shooting")
	err = shoot.write(t.ctx, shown.step)
	shown.end()
	if err != nil {
		return err
	}
	shot := time.Since(start).Seconds()

	// From here on the demo is a take like any other: what was written is read again.
	opened, err := take.Open(shoot.recipe())
	if err != nil {
		return err
	}
	shown = t.meter("preparing")
	opened.Stage = shown.begin
	job, err := opened.Prepare(t.ctx)
	shown.end()
	if err != nil {
		return err
	}
	var measured errorSums
	shown = t.meter("compositing")
	report, err := job.Run(t.ctx, &take.RunOptions{Out: c.Out, Replace: true, Progress: shown.step, Each: func(r *take.Result) error {
		return measured.add(shoot, r)
	}})
	shown.end()
	if err != nil {
		return err
	}
	if len(report.Failed) > 0 {
		return fmt.Errorf("frame %d: %s", report.Failed[0].Frame, report.Failed[0].Error)
	}
	if err := job.Recipe(report.Gains).Save(filepath.Join(c.Out, "recipe.json")); err != nil {
		return err
	}
	if err := writeContact(job, opened, filepath.Join(c.Out, "contact.png")); err != nil {
		return err
	}
	report.Seconds["shoot"] = shot
	report.Seconds["total"] = time.Since(start).Seconds()
	result := demoReport{
		Frames:    report.Frames,
		MatteRMSE: measured.matte.RMS(), NoiseFloor: shoot.floor.RMS(), ForegroundRMSE: measured.foreground.RMS(), CompRMSE: measured.comp.RMS(),
		GeometryRMS: align.RMS(job.Geometry, shoot.geometry), Mirror: job.Geometry.Mirror, Residual: job.Residual,
		Crosstalk: job.Crosstalk, CrosstalkTruth: shoot.faults.Crosstalk, GainError: measured.gain.RMS(),
		Notes: orEmpty(job.Notes), Warnings: orEmpty(job.Warnings), Seconds: report.Seconds,
	}
	if c.JSON {
		return t.object(result)
	}
	printJob(t, job)
	t.printf(`
%d frames of %dx%d; errors against the truth, root mean square over all frames:
matte        %.5f of full alpha; the noise of the cameras alone makes %.5f of it
foreground   %.5f of full scale, linear light
composite    %.5f of full scale, linear light
geometry     %.3f px over the whole frame
gain         %.5f of the lamps' brightness
%.1f s to shoot, %.1f s in all

Look at %s, then at comp in the same folder.
`, result.Frames, w, h, result.MatteRMSE, result.NoiseFloor, result.ForegroundRMSE, result.CompRMSE, result.GeometryRMS, result.GainError, shot, report.Seconds["total"], filepath.Join(c.Out, "contact.png"))
	return nil
}

// folder returns an error where the demo would be written over something else.
func (c *demo) folder() error {
	entries, err := os.ReadDir(c.Out)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("the output folder cannot be read: %w", err)
	}
	// A take that somebody shot has no truth.
	if c.Replace || len(entries) == 0 || slices.ContainsFunc(entries, func(e fs.DirEntry) bool { return e.Name() == "truth" && e.IsDir() }) {
		return nil
	}
	return fmt.Errorf("%s: the folder is not empty, and not a demo's: choose a new one (--replace writes into it)", c.Out)
}

// A shoot is the demo's simulated set and where its files go.
type shoot struct {
	out      string
	w, h     int
	first    int // number of the first frame
	frames   int
	scene    simulate.Pier
	geometry align.Geometry
	faults   simulate.Faults
	set      *simulate.Simulator
	gains    []float64
	floor    *proof.Floor
}

func newShoot(c *demo, w, h int) *shoot {
	s := &shoot{out: c.Out, w: w, h: h, first: 1, frames: c.Frames, geometry: set.Geometry(w, h), faults: simulate.DemoFaults(), gains: make([]float64, c.Frames)}
	s.scene = simulate.Pier{Seed: c.Seed, Frames: c.Frames}
	s.set = simulate.New(s.scene, w, h, w, h, s.geometry, s.faults, c.Seed)
	s.floor = proof.NewFloor(s.scene, w, h, s.geometry, s.faults, c.Seed)
	return s
}

// path returns the file of one frame of one of the take's folders.
func (s *shoot) path(folder string, number int) string {
	return filepath.Join(s.out, filepath.FromSlash(folder), fmt.Sprintf("%04d.png", number))
}

func (s *shoot) reference(name string) string { return filepath.Join(s.out, name+".png") }

// recipe is that of a crew which knows its files, and nothing that has to be estimated.
func (s *shoot) recipe() take.Recipe {
	return take.Recipe{
		Color: filepath.Join(s.out, "color"), Band: filepath.Join(s.out, "band"), Background: filepath.Join(s.out, "background"),
		CleanColor: s.reference("clean_color"), CleanBand: s.reference("clean_band"),
		DarkColor: s.reference("dark_color"), DarkBand: s.reference("dark_band"),
		ColorCurve: "srgb", BandCurve: "srgb", BackgroundCurve: "srgb",
		Frames: fmt.Sprintf("%d-%d", s.first, s.first+s.frames-1),
	}
}

// write shoots the take and writes it with its truth.
func (s *shoot) write(ctx context.Context, step func(done, total int)) error {
	for _, folder := range []string{"truth/alpha", "truth/foreground", "color", "band", "background"} { // truth first, for demo.folder
		if err := os.MkdirAll(filepath.Join(s.out, filepath.FromSlash(folder)), 0o777); err != nil {
			return fmt.Errorf("the output folder cannot be made: %w", err)
		}
	}
	camera := &plate.WriteOptions{Curve: plate.SRGB}
	for name, frame := range map[string]image.Image{
		"clean_color": s.set.CleanColor(), "dark_color": s.set.DarkColor(), "clean_band": s.set.CleanBand(), "dark_band": s.set.DarkBand(),
	} {
		if err := plate.Write(s.reference(name), frame, camera); err != nil {
			return err
		}
	}
	var done int
	var mu sync.Mutex
	if err := parallel.Try(ctx, s.frames, 0, func(i int) error {
		if err := s.frame(i, camera); err != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		done++
		step(done, s.frames)
		return nil
	}); err != nil {
		return err
	}
	gains := map[int]float64{}
	for i, g := range s.gains {
		gains[s.first+i] = g
	}
	return writeObject(filepath.Join(s.out, "truth", "truth.json"), map[string]any{"geometry": s.geometry, "points": s.geometry.Grid(5), "crosstalk": s.faults.Crosstalk, "gains": gains})
}

func (s *shoot) frame(i int, camera *plate.WriteOptions) error {
	n := s.first + i
	shot := s.set.Frame(i)
	s.gains[i] = shot.Truth.Gain
	s.floor.Add(shot.Truth)
	for _, f := range []struct {
		folder string
		frame  image.Image
		opt    *plate.WriteOptions
	}{
		{"color", shot.Color, camera}, {"band", shot.Band, camera}, {"truth/alpha", shot.Truth.Alpha, nil}, {"truth/foreground", shot.Truth.Foreground, camera},
		{"background", s.scene.Background(i, s.w, s.h), &plate.WriteOptions{Curve: plate.SRGB, Depth: 8}},
	} {
		if err := plate.Write(s.path(f.folder, n), f.frame, f.opt); err != nil {
			return err
		}
	}
	return nil
}

// errorSums gather the errors against the truth over the frames.
type errorSums struct {
	mu                            sync.Mutex
	matte, foreground, comp, gain proof.Squares
}

func (e *errorSums) add(s *shoot, r *take.Result) error {
	alpha, err := plate.ReadGray(s.path("truth/alpha", r.Number), plate.Linear, nil, nil)
	if err != nil {
		return err
	}
	foreground, err := plate.ReadRGB(s.path("truth/foreground", r.Number), plate.SRGB, nil)
	if err != nil {
		return err
	}
	var matte, fore, comp proof.Squares
	for i, a := range alpha.Pix {
		matte.Add(float64(1 - r.Transmission.Pix[i] - a))
		for c := range 3 {
			p := foreground.Pix[c][i]
			fore.Add(float64(r.Foreground.Pix[c][i] - p))
			comp.Add(float64(r.Comp.Pix[c][i] - (p + (1-a)*r.Background.Pix[c][i])))
		}
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.matte.Join(matte)
	e.foreground.Join(fore)
	e.comp.Join(comp)
	e.gain.Add(r.Gain.Value - s.gains[r.Number-s.first])
	return nil
}

// caution is in demo's help: what to beware of on a set with sodium lamps.
const caution = `Cautions: lamp heads and ballasts run hot and at mains voltage or higher; sodium burns on contact with water when a tube breaks; under one-line light colors cannot be told apart, so color-coded wiring and safety signs cannot be read: keep a white work light for rigging; flicker can trouble photosensitive people. Follow the lamp maker's instructions and local rules, and leave mains work to licensed people.`
