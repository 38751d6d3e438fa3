package dataset_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/dataset"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

const width, height = 160, 90

// shoot writes a take of a few frames below dir, and two backgrounds; its recipe has the true
// geometry.
func shoot(t testing.TB, dir, name string, seed uint64, frames int) dataset.Source {
	t.Helper()
	g := align.Identity(width, height)
	g.Homography = [9]float64{0.97, 0.01, 2, -0.01, 0.97, 2, 1e-5, 0, 1}
	set := simulate.New(simulate.Cutouts{Seed: seed}, width, height, width, height, g, simulate.DemoFaults(), seed)
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	in := func(parts ...string) string { return filepath.Join(append([]string{dir, name}, parts...)...) }
	write := func(path string, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, folder := range []string{"color", "band"} {
		if err := os.MkdirAll(in(folder), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	for i := range frames {
		shot := set.Frame(i)
		file := fmt.Sprintf("%04d.png", i+1)
		write(file, plate.Write(in("color", file), shot.Color, srgb))
		write(file, plate.Write(in("band", file), shot.Band, srgb))
	}
	write("clean", plate.Write(in("clean_color.png"), set.CleanColor(), srgb))
	write("clean", plate.Write(in("clean_band.png"), set.CleanBand(), srgb))
	return dataset.Source{Name: name, Recipe: take.Recipe{
		Color: in("color"), Band: in("band"), CleanColor: in("clean_color.png"), CleanBand: in("clean_band.png"),
		ColorCurve: "srgb", BandCurve: "srgb", Geometry: take.Given(g),
		Crosstalk: take.Given(simulate.DemoFaults().Crosstalk),
	}}
}

// backgrounds writes a still, and a folder of two with names that have no numbers.
func backgrounds(t testing.TB, dir string) []string {
	t.Helper()
	paths := []string{filepath.Join(dir, "sea.png"), filepath.Join(dir, "walls")}
	if err := os.MkdirAll(paths[1], 0o777); err != nil {
		t.Fatal(err)
	}
	for k, path := range []string{paths[0], filepath.Join(paths[1], "brick.png"), filepath.Join(paths[1], "plaster.png")} {
		f := plate.NewRGB(64, 48)
		for i := range f.Pix[0] {
			f.Pix[k][i], f.Pix[(k+1)%3][i] = float32(i%64)/63, float32(i/64)/47
		}
		if err := plate.Write(path, f, &plate.WriteOptions{Curve: plate.SRGB, Depth: 8}); err != nil {
			t.Fatal(err)
		}
	}
	return paths
}

func manifest(t testing.TB, dir string) []dataset.Entry {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, dataset.Manifest))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	samples, err := dataset.ReadManifest(f)
	if err != nil {
		t.Fatal(err)
	}
	return samples
}

// contents returns all files below dir.
func contents(t testing.TB, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		rel, _ := filepath.Rel(dir, path)
		all[filepath.ToSlash(rel)] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func same(t *testing.T, what string, want, got map[string]string) {
	t.Helper()
	for name, b := range want {
		if got[name] != b {
			t.Errorf("%s: %s is missing or another", what, name)
		}
	}
	for name := range got {
		if _, ok := want[name]; !ok {
			t.Errorf("%s: %s is left over", what, name)
		}
	}
}

func TestWrite(t *testing.T) {
	dir := t.TempDir()
	var sources []dataset.Source
	for i, name := range []string{"quay", "pier", "boat"} {
		sources = append(sources, shoot(t, dir, name, uint64(i+1), 2))
	}
	for _, test := range []struct {
		name         string
		opt          dataset.Options
		frames       int
		step         float64 // of a stored value of light at the most, in linear light
		sigma, light int     // bits
	}{
		// The slope of sRGB's curve is at most 2.4/1.055, at white.
		{"PNG of 16 bits", dataset.Options{}, 2, 2.4 / 1.055 / 65535, 16, 16},
		{"PNG of 8 bits, each second frame", dataset.Options{Depth: 8, Every: 2}, 1, 2.4 / 1.055 / 255, 16, 8},
		{"linear PNG", dataset.Options{Curve: "linear"}, 2, 1.0 / 65535, 16, 16},
		// A half float has 11 bits, and light of the plates is below 2 here.
		{"OpenEXR of half floats", dataset.Options{Format: "exr"}, 2, 1.0 / 1024, 16, 16},
		{"OpenEXR of floats", dataset.Options{Format: "exr", Depth: 32}, 2, 1e-6, 32, 32},
	} {
		if tier.Quick() && test.opt.Depth == 0 {
			continue // two rows, one of each format, are enough for the race detector
		}
		t.Run(test.name, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "set")
			test.opt.Backgrounds = backgrounds(t, dir)
			done := 0
			test.opt.Progress = func(n, total int) {
				if done++; n != done || total != 3*test.frames {
					t.Errorf("progress %d of %d, want %d", n, total, done)
				}
			}
			report, err := dataset.Write(context.Background(), out, sources, &test.opt)
			if err != nil {
				t.Fatal(err)
			}
			samples := manifest(t, out)
			if len(samples) != 3*test.frames || len(report.Failed) != 0 || report.Kept != 0 || !reflect.DeepEqual(report.Samples, map[string]int{"train": test.frames, "validation": test.frames, "test": test.frames}) {
				t.Fatalf("%d samples, %+v", len(samples), report)
			}
			split := map[string]string{}
			for _, s := range samples {
				if before, ok := split[s.Take]; ok && before != s.Split {
					t.Errorf("take %s is in %s and in %s", s.Take, before, s.Split)
				}
				split[s.Take] = s.Split
				tryFiles(t, out, s)
				if s.Files["sigma"].Depth != test.sigma || s.Files["color"].Depth != test.light || s.Files["alpha"].Curve != "linear" {
					t.Errorf("files %+v", s.Files)
				}
				if s.Residual == nil || len(s.Readings) < 10 || s.Noise.Band.Read <= 0 || len(s.Sources["band"].SHA256) != 64 || s.Gain < 0.8 || s.Gain > 1.2 {
					t.Errorf("residual %v, %d readings, noise %+v, gain %v", s.Residual, len(s.Readings), s.Noise, s.Gain)
				}
				if len(s.Composites) != 2 || s.Composites[0].Name != "sea" || s.Composites[1].Name != "walls" {
					t.Fatalf("composites %+v", s.Composites)
				}
				if want := []string{"brick.png", "plaster.png"}[(s.Frame-1)/max(test.opt.Every, 1)%2]; s.Composites[1].Source.Name != want {
					t.Errorf("frame %d has the background %s, want %s", s.Frame, s.Composites[1].Source.Name, want)
				}
				trySum(t, out, s, test.step)
			}
			card := contents(t, out)[dataset.Card]
			for _, want := range []string{"# Data card", "| quay | " + split["quay"] + " |", "must not be used for", "160x90"} {
				if !strings.Contains(card, want) {
					t.Errorf("the card lacks %q:\n%s", want, card)
				}
			}
		})
	}
}

// tryFiles holds the files of a sample to what the manifest says of them.
func tryFiles(t *testing.T, dir string, s dataset.Entry) {
	t.Helper()
	files := []dataset.File{}
	for _, f := range s.Files {
		files = append(files, f)
	}
	for _, c := range s.Composites {
		files = append(files, c.Comp, c.Background)
	}
	for _, f := range files {
		path := filepath.Join(dir, f.Path)
		info, err := plate.Probe(path)
		if err != nil {
			t.Fatal(err)
		}
		if info.W != s.Width || info.H != s.Height || info.Color != (f.Channels == 3) || info.Depth != f.Depth || info.Curve != f.Curve || f.Primaries != info.Primaries.Name() {
			t.Errorf("%s: the manifest says %+v, the file %+v", f.Path, f, info)
		}
		if stat, err := os.Stat(path); err != nil || stat.Size() != f.Bytes {
			t.Errorf("%s: %d bytes, %v", f.Path, f.Bytes, err)
		}
	}
}

// trySum holds a composite to its parts as they are stored, and straight times alpha to the
// foreground: within what rounding each of them does.
func trySum(t *testing.T, dir string, s dataset.Entry, step float64) {
	t.Helper()
	gray := func(f dataset.File) *plate.Gray {
		g, err := plate.ReadGray(filepath.Join(dir, f.Path), plate.Linear, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		return g
	}
	rgb := func(f dataset.File) *plate.RGB {
		c, err := plate.CurveByName(f.Curve)
		if err != nil {
			t.Fatal(err)
		}
		g, err := plate.ReadRGB(filepath.Join(dir, f.Path), c, nil)
		if err != nil {
			t.Fatal(err)
		}
		return g
	}
	alpha, foreground, straight := gray(s.Files["alpha"]), rgb(s.Files["foreground"]), rgb(s.Files["straight"])
	for _, c := range s.Composites {
		comp, back := rgb(c.Comp), rgb(c.Background)
		worst, off := 0.0, 0.0
		for ch := range 3 {
			for i, a := range alpha.Pix {
				sum := foreground.Pix[ch][i] + (1-a)*back.Pix[ch][i]
				if s.Files["color"].Primaries != "" && strings.HasSuffix(c.Comp.Path, ".png") {
					sum = min(sum, 1)
				}
				worst = math.Max(worst, math.Abs(float64(sum-comp.Pix[ch][i])))
				if v := straight.Pix[ch][i]; v < 1 && a >= 1.0/65535 {
					off = math.Max(off, math.Abs(float64(v*a-foreground.Pix[ch][i])))
				}
			}
		}
		// Half a step for each of foreground, background, alpha and composite.
		if worst > 2*step {
			t.Errorf("%s %d over %s is off by %.6f, want %.6f at most", s.Take, s.Frame, c.Name, worst, 2*step)
		}
		if off > 2*step {
			t.Errorf("%s %d: straight times alpha is off by %.6f", s.Take, s.Frame, off)
		}
	}
}

// Alpha is comp's matte to the byte.
func TestAlphaIsTheMatte(t *testing.T) {
	dir := t.TempDir()
	source := shoot(t, dir, "quay", 1, 2)
	out := filepath.Join(dir, "set")
	if _, err := dataset.Write(context.Background(), out, []dataset.Source{source}, &dataset.Options{Backgrounds: backgrounds(t, dir), Shares: dataset.Shares{1}}); err != nil {
		t.Fatal(err)
	}
	opened, err := take.Open(source.Recipe)
	if err != nil {
		t.Fatal(err)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := job.Run(context.Background(), &take.RunOptions{Out: filepath.Join(dir, "out")}); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{"0001.png", "0002.png"} {
		want, err := os.ReadFile(filepath.Join(dir, "out", "matte", file))
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(out, "takes", "quay", "alpha", file))
		if err != nil || !bytes.Equal(want, got) {
			t.Errorf("%s: another file than comp's (%v)", file, err)
		}
	}
}

// Stopped and damaged in every way, it goes on to what an undisturbed run makes.
func TestGoesOn(t *testing.T) {
	dir := t.TempDir()
	sources := []dataset.Source{shoot(t, dir, "quay", 1, 4), shoot(t, dir, "pier", 2, 3)}
	back := backgrounds(t, dir)
	opt := func() *dataset.Options {
		return &dataset.Options{Backgrounds: back, Validation: []string{"pier"}, Jobs: 1}
	}
	write := func(out string, o *dataset.Options) *dataset.Summary {
		t.Helper()
		r, err := dataset.Write(context.Background(), out, sources, o)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	whole := filepath.Join(dir, "whole")
	write(whole, opt())
	want := contents(t, whole)

	out := filepath.Join(dir, "set")
	path := func(name string) string { return filepath.Join(out, filepath.FromSlash(name)) }
	ctx, stop := context.WithCancel(context.Background())
	o := opt()
	o.Progress = func(done, _ int) {
		if done == 2 {
			stop()
		}
	}
	if _, err := dataset.Write(ctx, out, sources, o); !errors.Is(err, context.Canceled) {
		t.Fatalf("canceled: %v", err)
	}
	if _, err := os.Stat(path(dataset.Manifest)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a manifest of half a data set: %v", err)
	}
	// The last line is torn, as when the machine stops.
	journal := path(dataset.Manifest + ".part")
	b, err := os.ReadFile(journal)
	if err != nil || bytes.Count(b, []byte("\n")) < 2 {
		t.Fatalf("%d lines, %v", bytes.Count(b, []byte("\n")), err)
	}
	if err := os.WriteFile(journal, b[:len(b)-100], 0o666); err != nil {
		t.Fatal(err)
	}
	if r := write(out, opt()); r.Kept < 1 || r.Kept > 3 {
		t.Errorf("%d kept after a stop in frame 2 or 3 and a torn line", r.Kept)
	}
	same(t, "after a stop", want, contents(t, out))
	if r := write(out, opt()); r.Kept != 7 {
		t.Errorf("%d kept of 7", r.Kept)
	}

	for _, damage := range []struct {
		name string
		do   func() error
		kept int
	}{
		{"a file is gone", func() error { return os.Remove(path("takes/quay/alpha/0002.png")) }, 6},
		{"a file is cut", func() error { return os.Truncate(path("takes/pier/comp/sea/0001.png"), 99) }, 6},
		{"a file is another of the same size", func() error {
			name := path("takes/quay/band/0003.png")
			b, err := os.ReadFile(name)
			b[len(b)-20] ^= 1
			return errors.Join(err, os.WriteFile(name, b, 0o666))
		}, 6},
		{"a background of each frame is gone", func() error { return os.Remove(path("takes/pier/background/sea/0001.png")) }, 4},
	} {
		if err := damage.do(); err != nil {
			t.Fatal(err)
		}
		if r := write(out, opt()); r.Kept != damage.kept {
			t.Errorf("%s: %d kept, want %d", damage.name, r.Kept, damage.kept)
		}
		same(t, damage.name, want, contents(t, out))
	}

	// Another split leaves the frames; fewer frames and backgrounds leave nothing behind.
	o = opt()
	o.Validation, o.Test = nil, []string{"pier"}
	if r := write(out, o); r.Kept != 7 || r.Samples["test"] != 3 {
		t.Errorf("another split: %+v", r)
	}
	o.Every, o.Backgrounds = 2, back[:1]
	write(out, o)
	fresh := filepath.Join(dir, "fresh")
	write(fresh, o)
	same(t, "fewer", contents(t, fresh), contents(t, out))

	// A plate that has changed changes its take, and no other.
	other := shoot(t, filepath.Join(dir, "other"), "quay", 9, 1)
	if b, err = os.ReadFile(filepath.Join(other.Recipe.Color, "0001.png")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(sources[0].Recipe.Color, "0004.png"), b, 0o666); err != nil {
		t.Fatal(err)
	}
	if r := write(out, o); r.Kept != 2 {
		t.Errorf("with another plate %d were kept, want the 2 of the other take", r.Kept)
	}
}

// Killed at any time and begun again, it makes what an undisturbed run makes.
func TestKilled(t *testing.T) {
	if dir := os.Getenv("DATASET_TEST_DIR"); dir != "" { // the one to be killed
		source := shoot(t, dir, "quay", 1, 8)
		if _, err := dataset.Write(context.Background(), filepath.Join(dir, "set"), []dataset.Source{source}, &dataset.Options{Backgrounds: backgrounds(t, dir), Shares: dataset.Shares{1}}); err != nil {
			t.Fatal(err)
		}
		return
	}
	tier.InTest(t)
	dir := t.TempDir()
	run := func(dir string) *exec.Cmd {
		cmd := exec.Command(os.Args[0], "-test.run=^TestKilled$")
		cmd.Env = append(os.Environ(), "DATASET_TEST_DIR="+dir)
		return cmd
	}
	start := time.Now()
	whole := filepath.Join(dir, "whole")
	if out, err := run(whole).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	long := time.Since(start)
	killed := filepath.Join(dir, "killed")
	for i := range 4 {
		cmd := run(killed)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(long * time.Duration(i+2) / 7)
		cmd.Process.Kill()
		cmd.Wait() // whose error is that it was killed
	}
	if out, err := run(killed).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	got := contents(t, filepath.Join(killed, "set"))
	for name := range got {
		if strings.HasSuffix(name, ".tmp") { // what a kill leaves is hidden, and not under a final name
			delete(got, name)
		}
	}
	same(t, "killed", contents(t, filepath.Join(whole, "set")), got)
}

func TestFrameThatFails(t *testing.T) {
	dir := t.TempDir()
	source := shoot(t, dir, "quay", 1, 3)
	out := filepath.Join(dir, "set")
	back := filepath.Join(dir, "backs")
	if err := os.Mkdir(back, 0o777); err != nil {
		t.Fatal(err)
	}
	sea, err := os.ReadFile(backgrounds(t, dir)[0])
	if err != nil {
		t.Fatal(err)
	}
	for name, cut := range map[string]int{"a.png": len(sea), "b.png": 40, "c.png": len(sea)} {
		if err := os.WriteFile(filepath.Join(back, name), sea[:cut], 0o666); err != nil {
			t.Fatal(err)
		}
	}
	opt := &dataset.Options{Backgrounds: []string{back}, Shares: dataset.Shares{1}}
	r, err := dataset.Write(context.Background(), out, []dataset.Source{source}, opt)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Failed) != 1 || r.Failed[0].Frame != 2 || !strings.Contains(r.Failed[0].Error, "b.png") || r.Samples["train"] != 2 {
		t.Fatalf("%+v", r)
	}
	if s := manifest(t, out); len(s) != 2 || s[0].Frame != 1 || s[1].Frame != 3 {
		t.Errorf("%d samples", len(s))
	}
	if card := contents(t, out)[dataset.Card]; !strings.Contains(card, "- quay, 2: ") {
		t.Error("the card does not name the frame")
	}
}

// In other primaries than the files', light is the same, and the files say which they are.
func TestPrimaries(t *testing.T) {
	dir := t.TempDir()
	source := shoot(t, dir, "quay", 1, 1)
	source.Recipe.Primaries, source.Recipe.Crosstalk = "bt2020", take.Choice[[3]float64]{Mode: "none"}
	back := backgrounds(t, dir)[:1]
	out := filepath.Join(dir, "set")
	if _, err := dataset.Write(context.Background(), out, []dataset.Source{source}, &dataset.Options{Backgrounds: back, Shares: dataset.Shares{1}}); err != nil {
		t.Fatal(err)
	}
	s := manifest(t, out)[0]
	tryFiles(t, out, s)
	trySum(t, out, s, 2.4/1.055/65535)
	want, err := plate.ReadRGB(filepath.Join(source.Recipe.Color, "0001.png"), plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	got, err := plate.ReadRGB(filepath.Join(out, s.Files["color"].Path), plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	got.Multiply(plate.PrimariesBT2020.To(plate.PrimariesBT709))
	for i, v := range want.Pix[1] {
		if math.Abs(float64(got.Pix[1][i]-v)) > 2e-4 { // 2 steps of each file, through the matrix
			t.Fatalf("green %v became %v", v, got.Pix[1][i])
		}
	}
	if s.Files["color"].Primaries != "bt2020" || s.Composites[0].Background.Primaries != "bt2020" {
		t.Errorf("primaries %q and %q", s.Files["color"].Primaries, s.Composites[0].Background.Primaries)
	}
	// A yellow or green of BT.709 has all three in BT.2020.
	b, err := plate.ReadRGB(filepath.Join(out, s.Composites[0].Background.Path), plate.SRGB, nil)
	if err != nil || b.Pix[2][width-1] < 0.01 {
		t.Errorf("the background was not converted: %v, %v", b.Pix[2][width-1], err)
	}
}

func TestRefusals(t *testing.T) {
	dir := t.TempDir()
	quay, pier := shoot(t, dir, "quay", 1, 1), shoot(t, dir, "pier", 2, 1)
	back := backgrounds(t, dir)
	named := func(s dataset.Source, name string) dataset.Source { s.Name = name; return s }
	taken := t.TempDir()
	if err := os.WriteFile(filepath.Join(taken, "letters.txt"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	broken := t.TempDir()
	if err := os.WriteFile(filepath.Join(broken, dataset.Manifest), []byte("{\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	one := dataset.Shares{1}
	for _, test := range []struct {
		name    string
		out     string
		sources []dataset.Source
		opt     dataset.Options
		want    string
	}{
		{"fewer takes than splits", "", []dataset.Source{quay, pier}, dataset.Options{Backgrounds: back}, "2 takes cannot be split into train, validation, test"},
		{"no takes", "", nil, dataset.Options{Backgrounds: back, Shares: one}, "0 takes cannot be split"},
		{"two of one name", "", []dataset.Source{quay, named(pier, "quay")}, dataset.Options{Backgrounds: back}, "two takes are called quay"},
		{"a name with a slash", "", []dataset.Source{named(quay, "../quay")}, dataset.Options{Backgrounds: back, Shares: one}, "its name is that of a folder"},
		{"a name that there is not", "", []dataset.Source{quay}, dataset.Options{Backgrounds: back, Test: []string{"boat"}}, "no take is called boat: they are quay"},
		{"a take for two splits", "", []dataset.Source{quay, pier}, dataset.Options{Backgrounds: back, Test: []string{"quay"}, Validation: []string{"quay"}}, "quay is given to validation and to test"},
		{"no background", "", []dataset.Source{quay}, dataset.Options{Shares: one}, "take quay: no background is given"},
		{"a background that is not there", "", []dataset.Source{quay}, dataset.Options{Backgrounds: []string{"nowhere"}, Shares: one}, "nowhere: there is no such file"},
		{"a take that is not there", "", []dataset.Source{{Name: "x", Recipe: take.Recipe{Color: "c", Band: "b"}}}, dataset.Options{Backgrounds: back, Shares: one}, "take x: "},
		{"a format", "", []dataset.Source{quay}, dataset.Options{Backgrounds: back, Shares: one, Format: "gif"}, "png or exr"},
		{"a depth", "", []dataset.Source{quay}, dataset.Options{Backgrounds: back, Shares: one, Format: "exr", Depth: 8}, "exr has 16 or 32"},
		{"a curve of OpenEXR", "", []dataset.Source{quay}, dataset.Options{Backgrounds: back, Shares: one, Format: "exr", Curve: "srgb"}, "linear"},
		{"a folder with other things", taken, []dataset.Source{quay}, dataset.Options{Backgrounds: back, Shares: one}, "not a data set"},
		{"a damaged manifest", broken, []dataset.Source{quay}, dataset.Options{Backgrounds: back, Shares: one}, "line 1"},
		{"the inputs' folder", dir, []dataset.Source{quay}, dataset.Options{Backgrounds: back, Shares: one}, "lies in the output folder"},
	} {
		out := test.out
		if out == "" {
			out = filepath.Join(t.TempDir(), "set")
		}
		_, err := dataset.Write(context.Background(), out, test.sources, &test.opt)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: %v, want %q", test.name, err, test.want)
		}
		if _, err := os.Stat(filepath.Join(out, dataset.Card)); err == nil {
			t.Errorf("%s: there is a card", test.name)
		}
	}
}

func TestSplit(t *testing.T) {
	names := func(n int) (list []string) {
		for i := range n {
			list = append(list, fmt.Sprintf("take%d", i+1))
		}
		return list
	}
	for _, test := range []struct {
		takes  int
		shares dataset.Shares
		want   [3]int
	}{
		{3, dataset.Shares{}, [3]int{1, 1, 1}},
		{10, dataset.Shares{}, [3]int{8, 1, 1}},
		{100, dataset.Shares{80, 10, 10}, [3]int{80, 10, 10}},
		{4, dataset.Shares{0.7, 0, 0.3}, [3]int{3, 0, 1}},
		{5, dataset.Shares{0, 1, 1}, [3]int{0, 3, 2}},
		{1, dataset.Shares{0, 0, 5}, [3]int{0, 0, 1}},
		{20, dataset.Shares{98, 1, 1}, [3]int{18, 1, 1}},
	} {
		splits, err := dataset.Split(names(test.takes), test.shares)
		if err != nil {
			t.Fatal(err)
		}
		var got [3]int
		for _, s := range splits {
			got[slices.Index(dataset.Splits, s)]++
		}
		if got != test.want || len(splits) != test.takes {
			t.Errorf("%d takes by %v: %v, want %v", test.takes, test.shares, got, test.want)
		}
		// In another order they go to the same splits.
		other := names(test.takes)
		slices.Reverse(other)
		if again, err := dataset.Split(other, test.shares); err != nil || !reflect.DeepEqual(again, splits) {
			t.Errorf("%d takes in another order: %v, %v", test.takes, again, err)
		}
	}
	for _, s := range []string{"", "80", "80,10", "80,10,10,0", "a,b,c", "-1,1,1", "0,0,0", "NaN,1,1", "1e9,1,1"} {
		if _, err := dataset.ParseShares(s); err == nil {
			t.Errorf("%q was read as shares", s)
		}
	}
}

func ExampleSplit() {
	splits, err := dataset.Split([]string{"boat", "pier", "quay", "rope"}, dataset.Shares{50, 25, 25})
	fmt.Println(len(splits), err)
	_, err = dataset.Split([]string{"boat"}, dataset.Shares{50, 0, 50})
	fmt.Println(err)
	// Output:
	// 4 <nil>
	// one take cannot be split into train, test: a split is of whole takes, since the frames of one are alike; give 2 takes or more, or a split with fewer parts, such as 100,0,0
}

func ExampleParseShares() {
	fmt.Println(dataset.ParseShares("80, 10, 10"))
	// Output: [80 10 10] <nil>
}

func ExampleReadManifest() {
	samples, err := dataset.ReadManifest(strings.NewReader(`{"version":1,"split":"train","take":"quay","frame":12,"files":{"alpha":{"path":"takes/quay/alpha/0012.png","curve":"linear","depth":16,"channels":1}}}`))
	fmt.Println(samples[0].Take, samples[0].Frame, samples[0].Files["alpha"].Path, err)
	// Output: quay 12 takes/quay/alpha/0012.png <nil>
}

func ExampleWrite() {
	takes := []dataset.Source{{Name: "quay", Recipe: take.Recipe{Color: "quay/color", Band: "quay/band"}}}
	_, err := dataset.Write(context.Background(), "set", takes, &dataset.Options{Backgrounds: []string{"sea.png"}})
	fmt.Println(err)
	// Output: one take cannot be split into train, validation, test: a split is of whole takes, since the frames of one are alike; give 3 takes or more, or a split with fewer parts, such as 100,0,0
}

// Whatever a manifest holds, it is read or refused, and leads nowhere out of its folder.
func FuzzReadManifest(f *testing.F) {
	for _, s := range []string{"", "{}", `{"version":1,"take":"a","files":{"alpha":{"path":"../x"}}}`, `{"version":1}` + "\n" + `{"version":2}`, `{"version":1,"composites":[{"comp":{"path":"/etc"}}],"residual_px":null}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		samples, err := dataset.ReadManifest(bytes.NewReader(data))
		if err != nil {
			return
		}
		for _, s := range samples {
			for _, file := range s.Files {
				if !filepath.IsLocal(file.Path) {
					t.Fatalf("%q", file.Path)
				}
			}
		}
	})
}
