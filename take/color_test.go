package take_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/exr"
	"example.com/twinplate/take"
)

// results runs a job without files, and returns copies of its results.
func results(t *testing.T, r take.Recipe) (comp, foreground *plate.RGB, alpha *plate.Gray) {
	t.Helper()
	r.Frames = "1"
	_, err := prepare(t, r).Run(context.Background(), &take.RunOptions{Each: func(x *take.Result) error {
		comp, foreground, alpha = x.Comp.Clone(), x.Foreground.Clone(), x.Transmission.Clone()
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range alpha.Pix {
		alpha.Pix[i] = 1 - v
	}
	return comp, foreground, alpha
}

// near compares frames, to a part of the greater of a value and 1.
func near(t *testing.T, what string, got, want *plate.RGB, part float64) {
	t.Helper()
	for c := range 3 {
		for i, v := range want.Pix[c] {
			if d := math.Abs(float64(got.Pix[c][i] - v)); !(d <= part*max(1, math.Abs(float64(v)))) {
				t.Fatalf("%s: pixel %d of channel %d is %v, want %v", what, i, c, got.Pix[c][i], v)
			}
		}
	}
}

// In other primaries the job's color is that of the default, converted: without crosstalk all of it
// is linear.
func TestPrimaries(t *testing.T) {
	r := record(t, 1)
	r.recipe.Crosstalk = take.Choice[[3]float64]{Mode: "none"}
	r.recipe.Clamp = "none"
	comp, foreground, _ := results(t, r.recipe)
	for _, name := range []string{"bt709", "bt2020", "p3-d65", "ap1"} {
		recipe := r.recipe
		recipe.Primaries, recipe.ColorPrimaries, recipe.BackgroundPrimaries = name, "bt709", "bt709"
		gotComp, gotForeground, _ := results(t, recipe)
		to, err := plate.PrimariesByName(name)
		if err != nil {
			t.Fatal(err)
		}
		wantComp, wantForeground := comp.Clone(), foreground.Clone()
		wantComp.Multiply(plate.PrimariesBT709.To(to))
		wantForeground.Multiply(plate.PrimariesBT709.To(to))
		near(t, name+": comp", gotComp, wantComp, 1e-5)
		near(t, name+": foreground", gotForeground, wantForeground, 1e-5)
		if job := prepare(t, recipe); job.Output().Primaries != name || job.Recipe(nil).Primaries != name {
			t.Errorf("%s: the output is said to be %v, and the recipe to have %q", name, job.Output(), job.Recipe(nil).Primaries)
		}
	}
}

// What a file's tags say is believed where nothing else is said, and where something else is, the
// difference is reported.
func TestTags(t *testing.T) {
	r := record(t, 1)
	r.recipe.Crosstalk = take.Choice[[3]float64]{Mode: "none"}
	file := func(name string) string { return filepath.Join(r.dir, name) }
	back := plate.NewRGB(takeW, takeH)
	back.Fill(0.2, 0.5, 0.3)
	write(t, file("p3.png"), back, &plate.WriteOptions{Curve: plate.BT709, Primaries: plate.PrimariesP3D65})
	write(t, file("light.exr"), back, &plate.WriteOptions{Primaries: plate.PrimariesAP1})
	for _, test := range []struct {
		name         string
		change       func(*take.Recipe)
		want         []string // in the notes
		curve, where string   // of the background, as the recipe that is saved has them
		output       string
		green        float32 // of the background in BT.709; 0: not looked at
	}{
		{"untouched", func(*take.Recipe) {}, []string{"the color plate is taken as srgb, as its first file says"}, "srgb", "bt709", "srgb", 0},
		{"by tags", func(r *take.Recipe) { r.Background = file("p3.png") },
			[]string{"the background plate is taken as bt709, as its first file says", "primaries are taken as p3-d65"}, "bt709", "p3-d65", "bt709",
			0.5 + 0.0420*(0.5-0.2)}, // the second row of the matrix from P3-D65 to BT.709 is -0.0420, 1.0420, 0
		{"against tags", func(r *take.Recipe) {
			r.Background, r.BackgroundCurve, r.BackgroundPrimaries = file("p3.png"), "srgb", "bt709"
		}, []string{"p3.png: its tags say that its transfer curve is bt709, and it is read as srgb; its tags say that its primaries are p3-d65, and it is read as bt709"}, "srgb", "bt709", "srgb", 0},
		{"OpenEXR", func(r *take.Recipe) { r.Background = file("light.exr") },
			[]string{"taken as linear, as its first file says", "primaries are taken as ap1"}, "linear", "ap1", "srgb", 0},
		{"OpenEXR as srgb", func(r *take.Recipe) { r.Background, r.BackgroundCurve = file("light.exr"), "srgb" },
			[]string{"light.exr: an OpenEXR file's light is linear, and it is not read as srgb"}, "srgb", "ap1", "srgb", 0},
		{"a band plate of another curve", func(r *take.Recipe) { r.BandCurve = "srgb" },
			[]string{"b1.tif: its tags say that its transfer curve is linear, and it is read as srgb", "clean_band.png: its tags say"}, "srgb", "bt709", "srgb", 0},
		{"a band plate by its tags", func(r *take.Recipe) { r.BandCurve = "" }, []string{"the band plate is taken as linear, as its first file says"}, "srgb", "bt709", "srgb", 0},
	} {
		recipe := r.recipe
		test.change(&recipe)
		job := prepare(t, recipe)
		notes := strings.Join(job.Notes, "\n")
		for _, want := range test.want {
			if !strings.Contains(notes, want) {
				t.Errorf("%s: the notes lack %q: %s", test.name, want, notes)
			}
		}
		if !strings.Contains(test.name, "against") && !strings.Contains(test.name, "srgb") && !strings.Contains(test.name, "another") && strings.Contains(notes, "it is read as") {
			t.Errorf("%s: there is no conflict: %s", test.name, notes)
		}
		saved := job.Recipe(nil)
		if saved.BackgroundCurve != test.curve || saved.BackgroundPrimaries != test.where || saved.OutputCurve != test.output {
			t.Errorf("%s: the saved recipe has %s, %s and %s", test.name, saved.BackgroundCurve, saved.BackgroundPrimaries, saved.OutputCurve)
		}
		if test.green == 0 {
			continue
		}
		if _, err := job.Run(context.Background(), &take.RunOptions{Each: func(x *take.Result) error {
			if got := x.Background.Pix[1][0]; got-test.green > 2e-4 || test.green-got > 2e-4 {
				t.Errorf("%s: the background's green is %v, want %v", test.name, got, test.green)
			}
			return nil
		}}); err != nil {
			t.Fatal(err)
		}
	}
}

// Every file says its curve and primaries, and what is in it.
func TestFormats(t *testing.T) {
	r := record(t, 1)
	r.recipe.Primaries, r.recipe.FPS, r.recipe.TimecodeColor, r.recipe.TimecodeBand = "bt2020", 23.976, "01:02:03:04", "01:02:03:04"
	r.recipe.ColorPrimaries, r.recipe.BackgroundPrimaries = "bt709", "bt709"
	comp, foreground, alpha := results(t, r.recipe)
	for _, test := range []struct {
		format  string
		depth   int
		layers  []string
		write   []string
		want    int // bits
		curve   string
		failing string
	}{
		{format: "png", want: 16, curve: "srgb"},
		{format: "tiff", depth: 8, want: 8, curve: "srgb"},
		{format: "exr", want: 16, curve: "linear", write: []string{"comp", "foreground", "matte"}},
		{format: "exr", depth: 32, want: 32, curve: "linear", layers: []string{"matte", "sigma"}, write: []string{"comp", "foreground"}},
		{format: "exr", layers: []string{"matte"}, want: 16, curve: "linear"}, // then no matte of its own is written
		{format: "exr", depth: 8, failing: "16 (half) or 32 (float)"},
		{format: "png", depth: 32, failing: "8 or 16"},
		{format: "png", layers: []string{"matte"}, failing: "only OpenEXR"},
		{format: "exr", layers: []string{"depth"}, failing: "matte or sigma"},
		{format: "gif", failing: "png, tiff or exr"},
	} {
		name := fmt.Sprintf("%s %d %v", test.format, test.depth, test.layers)
		recipe := r.recipe
		recipe.Format, recipe.Depth, recipe.Layers, recipe.Write = test.format, test.depth, test.layers, test.write
		if test.failing != "" {
			if err := recipe.Check(); err == nil || !strings.Contains(err.Error(), test.failing) {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		out := t.TempDir()
		if _, err := prepare(t, recipe).Run(context.Background(), &take.RunOptions{Out: out}); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		extension := map[string]string{"png": ".png", "tiff": ".tif", "exr": ".exr"}[test.format]
		info, err := plate.Probe(filepath.Join(out, "comp", "0001"+extension))
		if err != nil {
			t.Error(err)
			continue
		}
		if info.Depth != test.want || info.Curve != test.curve || !info.Primaries.Near(plate.PrimariesBT2020) || info.Alpha != (test.format == "exr") {
			t.Errorf("%s: %+v", name, info)
		}
		if _, err := os.Stat(filepath.Join(out, "matte", "0001"+extension)); (err == nil) != (len(test.layers) == 0) {
			t.Errorf("%s: whether there is a matte: %v", name, err)
		}
		if test.format != "exr" {
			continue
		}
		part := 1e-9
		if test.want == 16 {
			part = 1. / 2048 // 11 bits of a half's significand, rounded
		}
		for _, product := range recipe.Write {
			path := filepath.Join(out, product, "0001.exr")
			m := readEXR(t, path)
			rate, per, _ := m.FramesPerSecond()
			code, _ := m.TimeCode()
			if rate != 24000 || per != 1001 || code != (exr.TimeCode{Hours: 1, Minutes: 2, Seconds: 3, Frame: 4}) {
				t.Errorf("%s: %s has the rate %d/%d and the time code %+v", name, product, rate, per, code)
			}
			if product == "matte" {
				near(t, name+" matte", gray(m.Channel("Y")), gray(&exr.Channel{Float: alpha.Pix}), part)
				continue
			}
			want, solid := comp, plate.NewGray(takeW, takeH)
			solid.Fill(1)
			if product == "foreground" {
				want, solid = foreground, alpha
			}
			got := &plate.RGB{W: takeW, H: takeH, Pix: [3][]float32{m.Channel("R").Float, m.Channel("G").Float, m.Channel("B").Float}}
			near(t, name+" "+product, got, want, part)
			near(t, name+" "+product+"'s alpha", gray(m.Channel("A")), gray(&exr.Channel{Float: solid.Pix}), part)
			if fmt.Sprint(m.Layers()) != fmt.Sprint(test.layers) {
				t.Errorf("%s: the layers are %v", name, m.Layers())
				continue
			}
			for _, layer := range test.layers {
				c := m.Channel(layer + ".Y")
				if layer == "matte" {
					near(t, name+" layer matte", gray(c), gray(&exr.Channel{Float: alpha.Pix}), part)
				} else if !(c.Float[0] > 0) {
					t.Errorf("%s: sigma is %v", name, c.Float[0])
				}
			}
		}
	}
}

func gray(c *exr.Channel) *plate.RGB {
	return &plate.RGB{W: takeW, H: takeH, Pix: [3][]float32{c.Float, c.Float, c.Float}}
}

func readEXR(t *testing.T, path string) *exr.Image {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	stat, err := file.Stat()
	if err != nil {
		t.Fatal(err)
	}
	m, err := exr.Decode(file, stat.Size(), nil)
	if err != nil {
		t.Fatal(err)
	}
	return m
}
