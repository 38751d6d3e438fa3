package take_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/stop"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

const takeW, takeH = 320, 180

// A recorded take is a simulated one, written as files.
type recorded struct {
	dir    string
	set    *simulate.Simulator
	truth  map[int]simulate.Truth
	recipe take.Recipe // with the true geometry
}

var bandGeometry = func() align.Geometry {
	g := align.Identity(takeW, takeH)
	g.Mirror = true
	g.Homography = [9]float64{0.97, 0.01, 4, -0.01, 0.97, 4, 1e-5, 0, 1}
	return g
}()

// record writes frames with the numbers given, and all reference plates.
func record(t *testing.T, numbers ...int) recorded {
	t.Helper()
	r := recorded{dir: t.TempDir(), truth: map[int]simulate.Truth{}}
	r.set = simulate.New(simulate.Cutouts{Seed: 3}, takeW, takeH, takeW, takeH, bandGeometry, simulate.DemoFaults(), 3)
	file := func(name string) string { return filepath.Join(r.dir, name) }
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	for _, n := range numbers {
		shot := r.set.Frame(n)
		r.truth[n] = shot.Truth
		write(t, file(fmt.Sprintf("color/c_%04d.png", n)), shot.Color, srgb)
		write(t, file(fmt.Sprintf("band/b%d.tif", n)), shot.Band, nil)
	}
	write(t, file("clean_color.png"), r.set.CleanColor(), srgb)
	write(t, file("dark_color.png"), r.set.DarkColor(), srgb)
	write(t, file("clean_band.png"), r.set.CleanBand(), nil)
	write(t, file("dark_band.png"), r.set.DarkBand(), nil)
	back := plate.NewRGB(takeW/2, takeH/2)
	back.Fill(0.1, 0.3, 0.4)
	write(t, file("sea.png"), back, srgb)
	r.recipe = take.Recipe{
		Color: file("color"), Band: file("band/b*.tif"), Background: file("sea.png"), BandCurve: "linear",
		CleanColor: file("clean_color.png"), DarkColor: file("dark_color.png"), CleanBand: file("clean_band.png"), DarkBand: file("dark_band.png"),
		Geometry: take.Given(bandGeometry),
	}
	return r
}

func write(t testing.TB, path string, frame image.Image, opt *plate.WriteOptions) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := plate.Write(path, frame, opt); err != nil {
		t.Fatal(err)
	}
}

func prepare(t *testing.T, r take.Recipe) *take.Job {
	t.Helper()
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return job
}

func rmse(t *testing.T, truth, got *plate.Gray) float64 {
	t.Helper()
	e, err := matte.Compare(truth, got, nil)
	if err != nil {
		t.Fatal(err)
	}
	return e.RMSE
}

func TestRun(t *testing.T) {
	r := record(t, 3, 4, 5, 8)
	r.recipe.Write = take.Products
	job := prepare(t, r.recipe)
	out := filepath.Join(r.dir, "out")
	var mu sync.Mutex
	matteErrors := map[int]float64{}
	calls := 0
	report, err := job.Run(context.Background(), &take.RunOptions{Out: out,
		Progress: func(done, total int) {
			calls++
			if done != calls || total != 4 {
				t.Errorf("progress %d of %d at call %d", done, total, calls)
			}
		},
		Each: func(x *take.Result) error {
			e, err := matte.Compare(r.truth[x.Number].Alpha, matte.Alpha(nil, x.Transmission), nil)
			mu.Lock()
			defer mu.Unlock()
			matteErrors[x.Number] = e.RMSE
			return err
		}})
	if err != nil {
		t.Fatal(err)
	}
	if report.Frames != 4 || len(report.Failed) != 0 || calls != 4 {
		t.Fatalf("%d frames, failed %v, %d calls of Progress", report.Frames, report.Failed, calls)
	}
	for n, truth := range r.truth {
		// The demo's noise alone is 0.009 over the frame.
		if matteErrors[n] > 0.012 {
			t.Errorf("frame %d: matte RMSE %.4f", n, matteErrors[n])
		}
		if d := report.Gains[n] - truth.Gain; d > 0.003 || d < -0.003 {
			t.Errorf("frame %d: gain %.4f, truth %.4f", n, report.Gains[n], truth.Gain)
		}
		for _, product := range take.Products {
			if _, err := plate.Probe(filepath.Join(out, product, fmt.Sprintf("%04d.png", n))); err != nil {
				t.Error(err)
			}
		}
		// What is in the file is what was in memory, to half a step of 16 bits.
		written, err := plate.ReadGray(filepath.Join(out, "matte", fmt.Sprintf("%04d.png", n)), plate.Linear, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if e := rmse(t, truth.Alpha, written); e > matteErrors[n]+1e-5 || e < matteErrors[n]-1e-5 {
			t.Errorf("frame %d: the file's RMSE is %.6f, and in memory it was %.6f", n, e, matteErrors[n])
		}
	}
}

// The recipe of a run gives the same files, byte for byte, without estimating anything.
func TestRecipeReproducesTheRun(t *testing.T) {
	r := record(t, 1, 2)
	r.recipe.CleanBand = "" // so that a screen is fitted and kept
	job := prepare(t, r.recipe)
	run := func(job *take.Job, out string) *take.Report {
		report, err := job.Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, out)})
		if err != nil {
			t.Fatal(err)
		}
		return report
	}
	first := run(job, "first")
	path := filepath.Join(r.dir, "recipes", "r.json")
	if err := os.Mkdir(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := job.Recipe(first.Gains).Save(path); err != nil {
		t.Fatal(err)
	}
	saved, err := take.ReadRecipe(path)
	if err != nil {
		t.Fatal(err)
	}
	run(prepare(t, saved), "second")
	for _, name := range []string{"comp/0001.png", "comp/0002.png", "matte/0001.png", "matte/0002.png"} {
		a, err := os.ReadFile(filepath.Join(r.dir, "first", name))
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(r.dir, "second", name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("%s differs", name)
		}
	}
}

func TestWithoutReferencePlates(t *testing.T) {
	r := record(t, 1, 9, 17, 25)
	r.recipe.CleanBand, r.recipe.CleanColor, r.recipe.DarkBand, r.recipe.DarkColor = "", "", "", ""
	job := prepare(t, r.recipe)
	if job.Screen == nil || job.Screen.Coverage < 0.5 {
		t.Errorf("the fitted screen is %+v", job.Screen)
	}
	_, err := job.Run(context.Background(), &take.RunOptions{Each: func(x *take.Result) error {
		// The pedestal of 0.01 in both cameras, the screen's own yellow and the tubes' pattern are left in.
		if e := rmse(t, r.truth[x.Number].Alpha, matte.Alpha(nil, x.Transmission)); e > 0.03 {
			t.Errorf("frame %d: matte RMSE %.4f", x.Number, e)
		}
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
}

func TestAFrameThatFailsDoesNotStopTheOthers(t *testing.T) {
	r := record(t, 1, 2, 3)
	bad := filepath.Join(r.dir, "color", "c_0002.png")
	data, err := os.ReadFile(bad)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(bad, data[:len(data)/2], 0o666); err != nil {
		t.Fatal(err)
	}
	r.recipe.Crosstalk = take.Choice[[3]float64]{Mode: "none"} // its samples would meet the bad frame first
	report, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "out")})
	if err != nil {
		t.Fatal(err)
	}
	if report.Frames != 2 || len(report.Failed) != 1 || report.Failed[0].Frame != 2 || !strings.Contains(report.Failed[0].Error, bad) {
		t.Errorf("%d frames, failed %+v", report.Frames, report.Failed)
	}
	if _, err := os.Stat(filepath.Join(r.dir, "out", "comp", "0002.png")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the failed frame left a file: %v", err)
	}
}

func TestBadInput(t *testing.T) {
	r := record(t, 1, 2)
	small := filepath.Join(r.dir, "small.png")
	write(t, small, plate.NewGray(100, 50), nil)
	black := filepath.Join(r.dir, "black.png")
	write(t, black, plate.NewGray(takeW, takeH), nil)
	text := filepath.Join(r.dir, "text.png")
	if err := os.WriteFile(text, []byte("hello, I am no picture"), 0o666); err != nil {
		t.Fatal(err)
	}
	other := align.Identity(640, 360)
	for _, test := range []struct {
		name   string
		change func(*take.Recipe)
		want   string
	}{
		{"no color plate", func(r *take.Recipe) { r.Color = "" }, "no color plate is given"},
		{"a missing folder", func(r *take.Recipe) { r.Band = filepath.Join(r.Color, "nowhere") }, "nowhere: there is no such file or folder"},
		{"no partner frames", func(r *take.Recipe) { r.Band = filepath.Join(r.Color, "c_0001.png"); r.Frames = "2" }, "selects nothing"},
		{"a range that selects nothing", func(r *take.Recipe) { r.Frames = "50-60" }, "selects nothing: the take has frames 1-2"},
		{"different sizes and no geometry", func(r *take.Recipe) {
			r.Band, r.Frames, r.CleanBand, r.DarkBand, r.Geometry = small, "", "", "", take.Choice[align.Geometry]{Mode: "none"}
			r.Color = filepath.Join(r.Color, "c_0001.png")
		}, "need a geometry"},
		{"a geometry of another size", func(r *take.Recipe) { r.Geometry.Value = other }, "for plates of 640x360"},
		{"a geometry file that is none", func(r *take.Recipe) { r.Geometry = take.Choice[align.Geometry]{Mode: "file", File: text} }, "not a geometry file"},
		{"an all-black clean plate", func(r *take.Recipe) { r.CleanBand = black }, "black"},
		{"a clean plate of another size", func(r *take.Recipe) { r.CleanBand = small }, "100x50"},
		{"a text file named .png", func(r *take.Recipe) { r.DarkBand = text }, "text.png"},
		{"an unknown curve", func(r *take.Recipe) { r.BandCurve = "srgbb" }, `did you mean "srgb"`},
		{"a background that is no picture", func(r *take.Recipe) { r.Background = text }, "text.png"},
		{"a depth of 10", func(r *take.Recipe) { r.Depth = 10 }, "8 or 16"},
	} {
		t.Run(test.name, func(t *testing.T) {
			recipe := r.recipe
			test.change(&recipe)
			opened, err := take.Open(recipe)
			if err == nil {
				_, err = opened.Prepare(context.Background())
			}
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("error %v, want one with %q", err, test.want)
			}
		})
	}
}

func TestOutputFolder(t *testing.T) {
	r := record(t, 1)
	job := prepare(t, r.recipe)
	file := filepath.Join(r.dir, "sea.png")
	if _, err := job.Run(context.Background(), &take.RunOptions{Out: filepath.Join(file, "out")}); err == nil || !strings.Contains(err.Error(), "cannot be made") {
		t.Errorf("a folder below a file: %v", err)
	}
	// A take whose color plate lies where its own comp would go.
	write(t, filepath.Join(r.dir, "x", "comp", "0001.png"), r.set.Frame(1).Color, &plate.WriteOptions{Curve: plate.SRGB})
	recipe := r.recipe
	recipe.Color = filepath.Join(r.dir, "x", "comp")
	if _, err := prepare(t, recipe).Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "x")}); err == nil || !strings.Contains(err.Error(), "would overwrite") {
		t.Errorf("output over input: %v", err)
	}
	// One whose plate has the name of an output by a link, be it one that may be replaced.
	link := filepath.Join(r.dir, "linked", "matte", "0001.png")
	if err := errors.Join(os.MkdirAll(filepath.Dir(link), 0o777), os.Symlink(filepath.Join(r.dir, "color", "c_0001.png"), link)); err != nil {
		t.Fatal(err)
	}
	if _, err := job.Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "linked"), Replace: true}); err == nil || !strings.Contains(err.Error(), "would overwrite the input") {
		t.Errorf("output over input by a link: %v", err)
	}
	recipe = r.recipe
	recipe.Background, recipe.Write = "", []string{"comp"}
	if _, err := prepare(t, recipe).Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "y")}); err == nil || !strings.Contains(err.Error(), "no background") {
		t.Errorf("a comp without a background: %v", err)
	}
}

func TestCanceled(t *testing.T) {
	r := record(t, 1, 2)
	job := prepare(t, r.recipe)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := job.Run(ctx, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want context.Canceled", err)
	}
}

// Wherever preparing a take is stopped it returns the context's error.
func TestPrepareStopped(t *testing.T) {
	tier.InTest(t)
	with := testShot(t, simulate.Cutouts{}, simulate.DemoFaults(), 1)
	with.Geometry = take.Choice[align.Geometry]{}
	without := with
	without.CleanColor, without.DarkColor, without.CleanBand, without.DarkBand = "", "", "", ""
	for name, r := range map[string]take.Recipe{"references": with, "none": without} {
		stop.Everywhere(t, name, func(ctx context.Context) error {
			opened, err := take.OpenContext(ctx, r)
			if err != nil {
				return err
			}
			defer opened.Close()
			_, err = opened.Prepare(ctx)
			return err
		})
	}
}

// A background sequence goes by number where it has the take's, and else in order, its last frame held.
func TestBackgroundSequence(t *testing.T) {
	r := record(t, 4, 5, 6)
	level := func(n int) float32 { return float32(n) / 20 }
	sequence := func(name string, numbers ...int) string {
		for _, n := range numbers {
			f := plate.NewRGB(takeW, takeH)
			f.Fill(level(n), level(n), level(n))
			write(t, filepath.Join(r.dir, name, fmt.Sprintf("%d.png", n)), f, nil)
		}
		return filepath.Join(r.dir, name)
	}
	for _, test := range []struct {
		name    string
		numbers []int
		want    map[int]int
	}{
		{"by number", []int{3, 4, 5, 6}, map[int]int{4: 4, 5: 5, 6: 6}},
		{"in order", []int{1, 2, 3, 4}, map[int]int{4: 1, 5: 2, 6: 3}},
		{"held", []int{7, 8}, map[int]int{4: 7, 5: 8, 6: 8}},
	} {
		recipe := r.recipe
		recipe.Background, recipe.BackgroundCurve, recipe.Crosstalk = sequence(test.name, test.numbers...), "linear", take.Choice[[3]float64]{Mode: "none"}
		_, err := prepare(t, recipe).Run(context.Background(), &take.RunOptions{Each: func(x *take.Result) error {
			if got, want := x.Background.Pix[1][100], level(test.want[x.Number]); got-want > 1e-4 || want-got > 1e-4 {
				t.Errorf("%s: frame %d has background %.2f, want %.2f", test.name, x.Number, got*20, want*20)
			}
			return nil
		}})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// A parity that is given is not looked for.
func TestParity(t *testing.T) {
	tier.InTest(t)
	r := record(t, 1, 9)
	r.recipe.Geometry.Set("auto")
	for parity, mirror := range map[string]bool{"mirrored": true, "straight": false} {
		r.recipe.Parity = parity
		opened, err := take.Open(r.recipe)
		if err != nil {
			t.Fatal(err)
		}
		found, err := opened.Register(t.Context())
		if right := mirror == bandGeometry.Mirror; right && err != nil || err == nil && (found.Geometry.Mirror != mirror || found.Estimate.ParityMargin != 0) {
			t.Errorf("%s: %+v, %v", parity, found.Geometry, err)
		}
	}
	r.recipe.Parity = "left"
	if err := r.recipe.Check(); err == nil || !strings.Contains(err.Error(), "auto, mirrored or straight") {
		t.Errorf("a parity that is none: %v", err)
	}
}
