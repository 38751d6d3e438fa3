package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// twinplate runs the command, and returns its exit code and what it printed.
func twinplate(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(context.Background(), args, &out, &errs)
	return code, out.String(), errs.String()
}

// object runs the command, which must succeed, and decodes the JSON object that it prints.
func object(t *testing.T, args ...string) map[string]any {
	t.Helper()
	code, out, errs := twinplate(t, args...)
	if code != exitDone {
		t.Fatalf("twinplate %s: exit code %d, %s", strings.Join(args, " "), code, errs)
	}
	var v map[string]any
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		t.Fatalf("%v in %q", err, out)
	}
	return v
}

func TestDemoThenCompOnItsFiles(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	demo := filepath.Join(dir, "demo")
	got := object(t, "demo", "--out", demo, "--frames", "3", "--size", "480x270", "--json")
	for _, key := range []string{"frames", "matte_rmse", "foreground_rmse", "comp_rmse", "geometry_rms_px", "seconds"} {
		if _, ok := got[key]; !ok {
			t.Errorf("demo --json lacks %q: %v", key, got)
		}
	}
	if got["frames"] != 3.0 || got["mirror"] != true {
		t.Errorf("frames %v, mirror %v", got["frames"], got["mirror"])
	}
	if e := got["matte_rmse"].(float64); !(e > 0 && e <= 0.04) {
		t.Errorf("matte RMSE %v at a third of the demo's size", e)
	}
	for _, name := range []string{"contact.png", "comp/0001.png", "matte/0003.png", "truth/alpha/0002.png"} {
		if _, err := plate.Probe(filepath.Join(demo, name)); err != nil {
			t.Error(err)
		}
	}

	// The same work by comp, through flags instead of the demo's recipe.
	in := func(name string) string { return filepath.Join(demo, name) }
	out := filepath.Join(dir, "out")
	flags := []string{"comp", "--color", in("color"), "--band", in("band"), "--background", in("background"), "--out", out,
		"--clean-band", in("clean_band.png"), "--clean-color", in("clean_color.png"), "--dark-band", in("dark_band.png"), "--dark-color", in("dark_color.png")}
	comp := object(t, append(flags, "--write", "comp,matte,foreground,transmission", "--json")...)
	for _, key := range []string{"frames", "failed", "geometry", "crosstalk", "gains", "seconds"} {
		if _, ok := comp[key]; !ok {
			t.Errorf("comp --json lacks %q: %v", key, comp)
		}
	}
	if comp["frames"] != 3.0 || comp["failed"] != 0.0 {
		t.Errorf("frames %v, failed %v", comp["frames"], comp["failed"])
	}
	for _, name := range []string{"comp/0001.png", "matte/0003.png"} {
		a, err := os.ReadFile(in(name))
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("%s is not what demo wrote", name)
		}
	}
	// comp = foreground + transmission x background, in linear light, to the steps of the three
	// files: 16 bits, and 8 for the background, which at sRGB's steepest is a linear step of
	// 0.0087, half of it rounding.
	sum := readRGB(t, filepath.Join(out, "comp/0002.png"))
	fore := readRGB(t, filepath.Join(out, "foreground/0002.png"))
	back := readRGB(t, in("background/0002.png"))
	held, err := plate.ReadGray(filepath.Join(out, "transmission/0002.png"), plate.Linear, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range held.Pix {
		for c := range 3 {
			want := fore.Pix[c][i] + v*back.Pix[c][i]
			// Foreground below 0 is clipped by its file, and is noise.
			if got := sum.Pix[c][i]; want < 0.99 && fore.Pix[c][i] > 0.001 && math.Abs(float64(got-want)) > 1e-4 {
				t.Fatalf("pixel %d, channel %d: comp %v, and the sum of the other files is %v", i, c, got, want)
			}
		}
	}

	// The recipe that demo saved, on part of the take.
	again := object(t, "comp", "--recipe", in("recipe.json"), "--frames", "2-3", "--out", filepath.Join(dir, "again"), "--format", "tiff", "--depth", "8", "--save-recipe", filepath.Join(dir, "saved.json"), "--json")
	if again["frames"] != 2.0 {
		t.Errorf("by the recipe: %v frames", again["frames"])
	}
	if info, err := plate.Probe(filepath.Join(dir, "again/comp/0003.tif")); err != nil || info.Depth != 8 {
		t.Errorf("%+v, %v", info, err)
	}
	if _, err := os.Stat(filepath.Join(dir, "saved.json")); err != nil {
		t.Error(err)
	}

	measured := object(t, "compare", in("truth/alpha/0001.png"), in("matte/0001.png"), "--json")
	for _, key := range []string{"sad", "mse", "rmse", "gradient", "connectivity"} {
		if v, ok := measured[key].(float64); !ok || !(v > 0) {
			t.Errorf("compare --json has %q: %v", key, measured[key])
		}
	}

	registerOn(t, demo)
	tryBadInput(t, dir, flags)
}

func readRGB(t *testing.T, path string) *plate.RGB {
	t.Helper()
	f, err := plate.ReadRGB(path, plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func registerOn(t *testing.T, demo string) {
	file := filepath.Join(demo, "geometry.json")
	got := object(t, "register", "--color", filepath.Join(demo, "color"), "--band", filepath.Join(demo, "band"), "--out", file, "--json")
	points, ok := got["points"].([]any)
	if !ok || len(points) != 25 || got["mirror"] != true || got["residual_px"].(float64) <= 0 {
		t.Fatalf("register --json: %v", got)
	}
	var truth struct {
		Points []struct{ Color, Band [2]float64 }
	}
	data, err := os.ReadFile(filepath.Join(demo, "truth", "truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &truth); err != nil {
		t.Fatal(err)
	}
	for i, p := range points {
		pair := p.(map[string]any)
		color, band := pair["color"].([]any), pair["band"].([]any)
		want := truth.Points[i]
		if color[0] != want.Color[0] || color[1] != want.Color[1] {
			t.Fatalf("point %d is at %v in color, want %v", i, color, want.Color)
		}
		if d := math.Hypot(band[0].(float64)-want.Band[0], band[1].(float64)-want.Band[1]); d > 2 {
			t.Errorf("point %d is off by %.2f px in the band plate", i, d)
		}
	}
	if got := object(t, "comp", "--color", filepath.Join(demo, "color"), "--band", filepath.Join(demo, "band"), "--geometry", file, "--out", filepath.Join(demo, "x"), "--frames", "1", "--json"); got["model"] != "given" {
		t.Errorf("comp --geometry FILE: model %v", got["model"])
	}
}

// tryBadInput runs comp with one thing wrong at a time.
func tryBadInput(t *testing.T, dir string, flags []string) {
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	text := file("words.png", "these are words")
	later := file("later.json", `{"version": 9}`)
	for _, test := range []struct {
		name string
		add  []string
		code int
		want string
	}{
		{"a missing folder", []string{"--color", filepath.Join(dir, "nowhere")}, exitFailed, "nowhere: there is no such file or folder"},
		{"a color folder with no partner frames", []string{"--band", filepath.Join(dir, "demo", "band", "000[3]*"), "--frames", "1-2"}, exitFailed, "selects nothing"},
		{"a text file named .png", []string{"--clean-band", text}, exitFailed, "words.png"},
		{"a range that selects nothing", []string{"--frames", "900-"}, exitFailed, "the take has frames 1-3"},
		{"an output folder that cannot be made", []string{"--out", filepath.Join(text, "out")}, exitFailed, "cannot be made"},
		{"an unknown curve", []string{"--color-curve", "sgrb"}, exitFailed, `did you mean "srgb"`},
		{"a recipe of a later version", []string{"--recipe", later}, exitUsage, "version 9"},
		{"a recipe that is not there", []string{"--recipe", filepath.Join(dir, "no.json")}, exitFailed, "no.json"},
		{"an unknown product", []string{"--write", "alpha"}, exitUsage, "comp, matte, foreground, transmission"},
		{"a depth of 12", []string{"--depth", "12"}, exitUsage, "8 or 16"},
		{"crosstalk in words", []string{"--crosstalk", "some"}, exitUsage, "three numbers"},
		{"a fit that is none", []string{"--fit", "squeeze"}, exitUsage, `did you mean "stretch"`},
		{"an offset of one number", []string{"--fit-offset", "0.1"}, exitUsage, "two numbers"},
		{"no jobs at all", []string{"--jobs=-1"}, exitUsage, "1 or more"},
	} {
		code, _, errs := twinplate(t, append(append([]string{}, flags...), test.add...)...)
		if code != test.code || !strings.Contains(errs, test.want) {
			t.Errorf("%s: exit code %d, %q; want %d and %q", test.name, code, errs, test.code, test.want)
		}
	}
	// A frame that is cut off fails alone.
	bad := filepath.Join(dir, "demo", "color", "0002.png")
	data, err := os.ReadFile(bad)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(bad, data[:1000], 0o666); err != nil {
		t.Fatal(err)
	}
	code, out, errs := twinplate(t, append(append([]string{}, flags...), "--recipe", filepath.Join(dir, "demo", "recipe.json"), "--json")...)
	if code != exitSomeFrame || !strings.Contains(errs, "frame 2") || !strings.Contains(out, `"failed": 1`) {
		t.Errorf("a truncated frame: exit code %d, %s %s", code, out, errs)
	}
}

func TestHelp(t *testing.T) {
	for _, args := range [][]string{nil, {"--help"}, {"comp", "--help"}, {"demo", "--help"}, {"register", "--help"}, {"compare", "--help"}, {"--version"}, {"--licenses"}} {
		if code, out, errs := twinplate(t, args...); code != exitDone || len(out) < 4 || errs != "" {
			t.Errorf("%v: exit code %d, %q, %q", args, code, out, errs)
		}
	}
	if _, out, _ := twinplate(t, "--version"); !strings.HasSuffix(out, "\nkernels: "+kernel.Vectors()+"\n") {
		t.Errorf("--version does not say which kernels run: %q", out)
	}
	if _, out, _ := twinplate(t, "demo", "--help"); !strings.Contains(out, "mains voltage") {
		t.Error("the demo's help has no cautions")
	}
}

func TestUsageErrors(t *testing.T) {
	for _, args := range [][]string{{"com"}, {"comp", "--colour", "x"}, {"comp"}, {"comp", "--color", "a", "--band", "b"}, {"demo"}, {"demo", "--out", "x", "--size", "big"}, {"demo", "--out", "x", "--frames", "0"}, {"register", "--out", "x"}, {"compare", "a"}} {
		if code, out, errs := twinplate(t, args...); code != exitUsage || out != "" || !strings.HasPrefix(errs, "twinplate: ") {
			t.Errorf("%v: exit code %d, %q, %q", args, code, out, errs)
		}
	}
}

func TestInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	var out, errs bytes.Buffer
	if code := run(ctx, []string{"demo", "--out", t.TempDir(), "--size", "320x180", "--frames", "2"}, &out, &errs); code != exitStopped || !strings.Contains(errs.String(), "interrupted") {
		t.Errorf("exit code %d, %q", code, errs.String())
	}
}
