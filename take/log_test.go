package take_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// Every change between two runs into one folder, and what the second does about it.
func TestRunGoesOn(t *testing.T) {
	r := record(t, 1, 2, 3, 4)
	r.recipe.Crosstalk = take.Given([3]float64{0.02, 0.01, 0.005})
	path := func(dir, product string, n int) string {
		return filepath.Join(dir, product, fmt.Sprintf("%04d.png", n))
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	appendTo := func(file, text string) {
		t.Helper()
		f, err := os.OpenFile(file, os.O_APPEND|os.O_WRONLY, 0)
		must(err)
		_, err = f.WriteString(text)
		must(errors.Join(err, f.Close()))
	}
	for i, test := range []struct {
		name   string
		change func(out string, r *take.Recipe)
		opt    take.RunOptions
		kept   int
		aside  int
	}{
		{name: "nothing", kept: 4},
		{name: "inputs that are newer and the same", change: func(string, *take.Recipe) {
			for _, name := range []string{"color/c_0002.png", "sea.png", "clean_band.png"} {
				must(os.Chtimes(filepath.Join(r.dir, name), time.Time{}, time.Now().Add(time.Hour)))
			}
		}, kept: 4},
		{name: "an input of other pixels", change: func(string, *take.Recipe) {
			write(t, filepath.Join(r.dir, "color", "c_0002.png"), r.set.Frame(5).Color, &plate.WriteOptions{Curve: plate.SRGB})
		}, kept: 3},
		{name: "an input retouched in the middle, of the same size", change: func(string, *take.Recipe) { // a TIFF file without compression
			file := filepath.Join(r.dir, "band", "b3.tif")
			data, err := os.ReadFile(file)
			must(err)
			for i := range data[len(data)/2:][:takeW*4] {
				data[len(data)/2+i] ^= 1
			}
			must(os.WriteFile(file, data, 0o666))
			must(os.Chtimes(file, time.Time{}, time.Now().Add(time.Minute)))
		}, kept: 3},
		{name: "another background", change: func(string, *take.Recipe) {
			f := plate.NewRGB(takeW/2, takeH/2)
			f.Fill(0.3, 0.2, 0.1)
			write(t, filepath.Join(r.dir, "sea.png"), f, &plate.WriteOptions{Curve: plate.SRGB})
		}},
		{name: "a copy of all, in another place", change: func(out string, recipe *take.Recipe) {
			copied := filepath.Join(t.TempDir(), "copied")
			must(os.CopyFS(copied, os.DirFS(r.dir)))
			for _, p := range []*string{&recipe.Color, &recipe.Band, &recipe.Background, &recipe.CleanBand, &recipe.CleanColor, &recipe.DarkBand, &recipe.DarkColor} {
				*p = strings.Replace(*p, r.dir, copied, 1)
			}
		}, kept: 4},
		{name: "an output that is missing", change: func(out string, _ *take.Recipe) { must(os.Remove(path(out, "matte", 3))) }, kept: 3},
		{name: "an output that is cut off", change: func(out string, _ *take.Recipe) { must(os.Truncate(path(out, "comp", 3), 100)) }, kept: 3, aside: 1},
		{name: "an output that a failure of power left empty", change: func(out string, _ *take.Recipe) { must(os.Truncate(path(out, "comp", 3), 0)) }, kept: 3},
		{name: "an output that somebody painted on", change: func(out string, _ *take.Recipe) { appendTo(path(out, "comp", 1), "paint") }, kept: 3, aside: 1},
		{name: "outputs with each other's names", change: func(out string, _ *take.Recipe) {
			must(os.Rename(path(out, "comp", 1), path(out, "comp", 9)))
			must(os.Rename(path(out, "comp", 2), path(out, "comp", 1)))
			must(os.Rename(path(out, "comp", 9), path(out, "comp", 2)))
		}, kept: 2, aside: 2},
		{name: "a log whose last line is not whole", change: func(out string, _ *take.Recipe) {
			data, err := os.ReadFile(filepath.Join(out, "log.jsonl"))
			must(err)
			must(os.WriteFile(filepath.Join(out, "log.jsonl"), data[:len(data)-20], 0o666))
		}, kept: 3, aside: 2},
		{name: "a log with other things in it", change: func(out string, _ *take.Recipe) {
			appendTo(filepath.Join(out, "log.jsonl"), "\x00\xff{\n[]\n{\"frame\": 3}\n{\"frame\": \"x\"}\n{\"run\"")
		}, kept: 4},
		{name: "a part of the frames", change: func(_ string, r *take.Recipe) { r.Frames = "2-3" }, kept: 2},
		{name: "another product", change: func(_ string, r *take.Recipe) { r.Write = []string{"comp", "matte", "foreground"} }},
		{name: "fewer products", change: func(_ string, r *take.Recipe) { r.Write = []string{"comp"} }, kept: 4},
		{name: "the gain of one frame given", change: func(_ string, r *take.Recipe) {
			r.Gain = take.Given(map[int]float64{2: 1.5})
		}, kept: 3},
		{name: "a shard", opt: take.RunOptions{Shard: take.Shard{I: 1, N: 2}}, kept: 2},
		{name: "other settings, to be replaced", change: func(_ string, r *take.Recipe) { r.Clamp = "none" }, opt: take.RunOptions{Replace: true}},
		{name: "another program, to be replaced", opt: take.RunOptions{Replace: true, Program: "another"}},
		{name: "whoever wants to see each frame", opt: take.RunOptions{Each: func(*take.Result) error { return nil }}},
	} {
		if tier.Quick() && i%4 != 1 {
			continue // the race detector and js/wasm are slow
		}
		t.Run(test.name, func(t *testing.T) {
			out, fresh := filepath.Join(t.TempDir(), "out"), filepath.Join(t.TempDir(), "fresh")
			if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: out}); err != nil {
				t.Fatal(err)
			}
			recipe := r.recipe
			if test.change != nil {
				test.change(out, &recipe)
			}
			job := prepare(t, recipe)
			opt := test.opt
			opt.Out = out
			report, err := job.Run(context.Background(), &opt)
			if err != nil {
				t.Fatal(err)
			}
			if report.Kept != test.kept || len(report.Aside) != test.aside || len(report.Failed) > 0 {
				t.Errorf("%d frames kept, want %d; %d files set aside, want %d; failed: %v", report.Kept, test.kept, len(report.Aside), test.aside, report.Failed)
			}
			for _, file := range report.Aside {
				if _, err := os.Stat(file); err != nil {
					t.Error(err)
				}
			}
			if len(report.Gains) != report.Frames {
				t.Errorf("%d gains of %d frames", len(report.Gains), report.Frames)
			}
			again, err := job.Run(context.Background(), &take.RunOptions{Out: out, Shard: opt.Shard, Program: opt.Program})
			if err != nil || again.Kept != again.Frames || again.Frames != report.Frames {
				t.Errorf("once more: %+v, %v, and all frames should be kept", again, err)
			}
			// What is there now is what a run into an empty folder makes.
			opt = take.RunOptions{Out: fresh, Shard: opt.Shard}
			if _, err := job.Run(context.Background(), &opt); err != nil {
				t.Fatal(err)
			}
			files, err := filepath.Glob(filepath.Join(fresh, "*", "*.png"))
			if err != nil || len(files) == 0 {
				t.Fatal(files, err)
			}
			for _, file := range files {
				name, _ := filepath.Rel(fresh, file)
				a, errA := os.ReadFile(file)
				b, errB := os.ReadFile(filepath.Join(out, name))
				if errA != nil || errB != nil || string(a) != string(b) {
					t.Errorf("%s is not what a run into an empty folder makes (%v, %v)", name, errA, errB)
				}
			}
		})
	}
}

// A run and one by the recipe that it has saved have the same settings, estimates and gains
// included, however the paths are written.
func TestRunGoesOnByItsRecipe(t *testing.T) {
	r := record(t, 1, 2, 3)
	r.recipe.CleanBand, r.recipe.CleanColor = "", "" // so that a plate is rebuilt
	out := filepath.Join(r.dir, "out")
	job := prepare(t, r.recipe)
	first, err := job.Run(context.Background(), &take.RunOptions{Out: out})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(r.dir, "take.json")
	if err := job.Recipe(first.Gains).Save(path); err != nil {
		t.Fatal(err)
	}
	t.Chdir(r.dir)
	saved, err := take.ReadRecipe("take.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, job := range []*take.Job{prepare(t, r.recipe), prepare(t, saved)} {
		if report, err := job.Run(context.Background(), &take.RunOptions{Out: "out"}); err != nil || report.Kept != 3 {
			t.Errorf("%+v, %v", report, err)
		}
	}
	// A plate that is rebuilt from fewer frames is another.
	saved.Frames = "1-2"
	if report, err := prepare(t, saved).Run(context.Background(), &take.RunOptions{Out: "out"}); !errors.As(err, new(*take.OccupiedError)) {
		t.Errorf("%+v, %v", report, err)
	}
}

// Files that the log does not know as of these settings stop a run before it begins.
func TestRunOverwritesNothingOfAnother(t *testing.T) {
	r := record(t, 1, 2)
	out := filepath.Join(r.dir, "out")
	if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: out}); err != nil {
		t.Fatal(err)
	}
	first := filepath.Join(out, "comp", "0001.png")
	before, err := os.ReadFile(first)
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name   string
		change func(*take.Recipe)
		opt    take.RunOptions
	}{
		{"another clamp", func(r *take.Recipe) { r.Clamp = "none" }, take.RunOptions{}},
		{"another clean plate", func(r *take.Recipe) { r.CleanColor = "" }, take.RunOptions{}},
		{"other primaries", func(r *take.Recipe) { r.Primaries = "bt2020" }, take.RunOptions{}},
		{"another version of the program", func(*take.Recipe) {}, take.RunOptions{Program: "twinplate 9"}},
	} {
		recipe, opt := r.recipe, test.opt
		test.change(&recipe)
		opt.Out = out
		_, err := prepare(t, recipe).Run(context.Background(), &opt)
		var occupied *take.OccupiedError
		if !errors.As(err, &occupied) || occupied.Files != 4 || occupied.First != first {
			t.Errorf("%s: %v", test.name, err)
		}
	}
	if err := os.Remove(filepath.Join(out, "log.jsonl")); err != nil {
		t.Fatal(err)
	}
	if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: out}); !errors.As(err, new(*take.OccupiedError)) {
		t.Errorf("without the log: %v", err)
	}
	if after, err := os.ReadFile(first); err != nil || string(after) != string(before) {
		t.Errorf("the first frame has changed (%v)", err)
	}
}

func TestLeftoversOfAKilledRun(t *testing.T) {
	r := record(t, 1, 2)
	out := filepath.Join(r.dir, "out")
	ours := []string{"comp/.0001.unfinished.png", "comp/..0002.unfinished.png.12abcdef.tmp", "matte/.0001.unfinished.png", "matte/.-1.unfinished.77.tmp"}
	others := []string{"comp/.0003.unfinished.png", "comp/.hidden.png", "matte/..0007.unfinished.png.12abcdef.tmp"}
	for _, name := range append(ours, others...) {
		path := filepath.Join(out, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte("half"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: out}); err != nil {
		t.Fatal(err)
	}
	for _, name := range ours {
		if _, err := os.Stat(filepath.Join(out, name)); err == nil {
			t.Errorf("%s is still there", name)
		}
	}
	for _, name := range others {
		if _, err := os.Stat(filepath.Join(out, name)); err != nil {
			t.Errorf("what may be another shard's is gone: %v", err)
		}
	}
}

func TestStopAtError(t *testing.T) {
	r := record(t, 1, 2, 3, 4, 5)
	if err := os.Truncate(filepath.Join(r.dir, "color", "c_0002.png"), 1000); err != nil {
		t.Fatal(err)
	}
	r.recipe.Crosstalk = take.Choice[[3]float64]{Mode: "none"}
	job := prepare(t, r.recipe)
	report, err := job.Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "out"), Jobs: 1, StopAtError: true})
	if err != nil {
		t.Fatal(err)
	}
	// The third may have been handed out already.
	if len(report.Failed) != 1 || report.Left < 2 || report.Frames+report.Left != 4 {
		t.Errorf("%d frames, failed %v, %d left", report.Frames, report.Failed, report.Left)
	}
	// Without it, the run goes on where it was, and the log has the failure.
	report, err = job.Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "out")})
	if err != nil || report.Frames != 4 || report.Kept < 1 || len(report.Failed) != 1 || report.Left != 0 {
		t.Errorf("%+v, %v", report, err)
	}
	log, err := os.ReadFile(filepath.Join(r.dir, "out", "log.jsonl"))
	if err != nil || strings.Count(string(log), "truncated: ") != 2 {
		t.Errorf("the log has not two failures: %s, %v", log, err)
	}
}

// The log says what made each frame.
func TestLog(t *testing.T) {
	r := record(t, 7)
	out := filepath.Join(r.dir, "out")
	report, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: out, Program: "test 1"})
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(out, "log.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(data)), "\n")
	if len(lines) != 2 {
		t.Fatalf("%d lines", len(lines))
	}
	type file struct {
		Path     string
		Size     int64
		Modified string
		Hash     string
	}
	var head struct {
		Run struct {
			Program, Settings string
			References        []file
			Recipe            take.Recipe
		}
	}
	var frame struct {
		Frame    int
		Settings string
		Gain     float64
		Inputs   []file
		Outputs  []file
	}
	for i, v := range []any{&head, &frame} {
		if err := json.Unmarshal([]byte(lines[i]), v); err != nil {
			t.Fatal(err)
		}
	}
	if head.Run.Program != "test 1" || len(head.Run.References) != 4 || head.Run.Recipe.Crosstalk.Mode != "given" || head.Run.Settings != frame.Settings {
		t.Errorf("the run: %+v", head)
	}
	if frame.Frame != 7 || frame.Gain != report.Gains[7] || len(frame.Inputs) != 3 || len(frame.Outputs) != 2 {
		t.Errorf("the frame: %+v", frame)
	}
	if in := frame.Inputs[0]; in.Path != "../color/c_0007.png" || in.Size == 0 || in.Modified == "" {
		t.Errorf("its first input: %+v", in)
	}
	if o := frame.Outputs[0]; o.Path != "comp/0007.png" || len(o.Hash) != len("sha256:")+64 && runtime.GOOS != "js" {
		t.Errorf("its first output: %+v", o)
	}
}
