package take_test

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/take"
)

func TestRecipeComesBack(t *testing.T) {
	g := align.Identity(64, 36)
	g.Mirror = true
	dir := t.TempDir()
	r := take.Recipe{
		Version: take.RecipeVersion,
		Color:   filepath.Join(dir, "color"), Band: filepath.Join(dir, "b", "b_*.png"), DarkBand: filepath.Join(dir, "dark.tif"),
		ColorCurve: "pq", BandCurve: filepath.Join(dir, "log.csv"),
		Frames: "3-9", Geometry: take.Given(g), Crosstalk: take.Given([3]float64{0.03, 0, 0.01}),
		Gain: take.Given(map[int]float64{3: 0.98, 4: 1.02}), BandWeights: &[3]float32{0.75, 0.25, 0},
		Screen: &matte.Screen{W: 64, H: 36, Order: 0, Coefficients: []float64{-0.5}},
		Clamp:  "none", Fit: composite.Fit{OffsetX: 0.25, Scale: 1.5}, Write: []string{"matte"}, Format: "tiff", Depth: 8,
	}
	path := filepath.Join(dir, "sub.json")
	if err := r.Save(path); err != nil {
		t.Fatal(err)
	}
	got, err := take.ReadRecipe(path)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, r) {
		data, _ := os.ReadFile(path)
		t.Errorf("came back as %+v\nfrom %s", got, data)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(data), dir) || !strings.Contains(string(data), `"b/b_*.png"`) {
		t.Errorf("paths are not relative to the file:\n%s", data)
	}
}

func TestRecipeErrors(t *testing.T) {
	for _, test := range []struct{ name, text, want string }{
		{"a later version", `{"version": 7, "hologram": true}`, "version 7, and this program knows versions up to 2"},
		{"no version", `{"color": "a"}`, `no "version"`},
		{"not JSON", "{\n\"version\": 1,\n}", "line 3"},
		{"an unknown field", `{"version": 1, "colour": "a"}`, `"colour"; a recipe's fields are version, color, band`},
		{"a wrong product", `{"version": 1, "write": ["alpha"]}`, "comp, matte, foreground, transmission"},
		{"depth 12", `{"version": 1, "depth": 12}`, "8 or 16"},
		{"crosstalk of two numbers", `{"version": 1, "crosstalk": [1, 2]}`, "three numbers"},
		{"a gain of 0", `{"version": 1, "gain": {"4": 0}}`, "gain of frame 4 is 0"},
		{"a range backward", `{"version": 1, "frames": "9-3"}`, "ends before it begins"},
		{"a singular geometry", `{"version": 1, "geometry": {"color_size":[4,4],"band_size":[4,4],"homography":[0,0,0,0,0,0,0,0,1]}}`, "singular"},
	} {
		path := filepath.Join(t.TempDir(), "r.json")
		if err := os.WriteFile(path, []byte(test.text), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := take.ReadRecipe(path); err == nil || !strings.Contains(err.Error(), test.want) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v, want an error with the file's name and %q", test.name, err, test.want)
		}
	}
}
