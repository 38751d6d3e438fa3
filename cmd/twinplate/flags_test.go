package main

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"github.com/alecthomas/kong"

	"example.com/twinplate/matte"
	"example.com/twinplate/take"
)

// Flags go before a recipe, also those whose value is 0, nothing or no.
func TestFlagsUndoARecipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "take.json")
	if err := os.WriteFile(path, []byte(`{"version": 1, "color": "/c", "band": "/b", "background": "/sea", "clean_band": "/clean.png", "band_curve": "linear",
		"offset": 3, "fps": 29.97, "drop": true, "frames": "2-5", "geometry": "/g.json", "match_softness": 0.7, "lateral_color": [0.001, 0.001], "resample": "lanczos3",
		"crosstalk": [0.1, 0.1, 0.1], "gain": "none", "clean_from": "screen", "glare": "auto", "limits": {"floor": 0.1, "ceiling": 0.9, "knee": 0.1}, "tidy": true,
		"clamp": "all", "fit": {"mode": "none", "offset_x": 0.5, "scale": 2}, "write": ["sigma"], "format": "exr", "depth": 32, "layers": ["matte"]}`), 0o666); err != nil {
		t.Fatal(err)
	}
	recipe := func(flags ...string) take.Recipe {
		t.Helper()
		var c struct {
			Comp comp `cmd:""`
		}
		parser, err := kong.New(&c)
		if err == nil {
			_, err = parser.Parse(append([]string{"comp", "--recipe", path}, flags...))
		}
		if err != nil {
			t.Fatalf("%v: %v", flags, err)
		}
		r, err := c.Comp.recipe()
		if err != nil {
			t.Fatalf("%v: %v", flags, err)
		}
		return r
	}
	for _, test := range []struct {
		flag string
		undo func(r *take.Recipe)
	}{
		{"--floor=0", func(r *take.Recipe) { r.Limits.Floor = 0 }},
		{"--ceiling=1", func(r *take.Recipe) { r.Limits.Ceiling = 1 }},
		{"--knee=0", func(r *take.Recipe) { r.Limits.Knee = 0 }},
		{"--no-tidy", func(r *take.Recipe) { r.Tidy = false }},
		{"--tidy=false", func(r *take.Recipe) { r.Tidy = false }},
		{"--no-drop", func(r *take.Recipe) { r.Drop = false }},
		{"--no-match-softness", func(r *take.Recipe) { r.MatchSoftness.Set("none") }},
		{"--lateral-color=none", func(r *take.Recipe) { r.LateralColor.Set("none") }},
		{"--offset=none", func(r *take.Recipe) { r.Offset.Set("none") }},
		{"--fps=0", func(r *take.Recipe) { r.FPS = 0 }},
		{"--clean-band=", func(r *take.Recipe) { r.CleanBand = "" }},
		{"--background=", func(r *take.Recipe) { r.Background = "" }},
		{"--band-curve=", func(r *take.Recipe) { r.BandCurve = "" }},
		{"--geometry=auto", func(r *take.Recipe) { r.Geometry.Set("auto") }},
		{"--crosstalk=none", func(r *take.Recipe) { r.Crosstalk.Set("none") }},
		{"--gain=auto", func(r *take.Recipe) { r.Gain.Set("auto") }},
		{"--clean-from=", func(r *take.Recipe) { r.CleanFrom = "" }},
		{"--glare=none", func(r *take.Recipe) { r.Glare.Set("none") }},
		{"--clamp=", func(r *take.Recipe) { r.Clamp = "" }},
		{"--fit-scale=0", func(r *take.Recipe) { r.Fit.Scale = 0 }},
		{"--fit-offset=0,0", func(r *take.Recipe) { r.Fit.OffsetX = 0 }},
		{"--fit=fill", func(r *take.Recipe) { r.Fit.Mode = 0 }},
		{"--write=", func(r *take.Recipe) { r.Write = []string{} }},
		{"--layers=", func(r *take.Recipe) { r.Layers = []string{} }},
		{"--depth=0", func(r *take.Recipe) { r.Depth = 0 }},
		{"--resample=bicubic", func(r *take.Recipe) { r.Resample = 0 }},
	} {
		got, want := recipe(test.flag), recipe()
		before := recipe()
		test.undo(&want)
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s gives\n%+v\nwant\n%+v", test.flag, got, want)
		}
		if reflect.DeepEqual(want, before) {
			t.Errorf("%s: the recipe has nothing that it would undo", test.flag)
		}
	}
}

// A flag that may be left out has a field of its name in a recipe, which override sets, or is read
// by itself.
func TestFlagsHaveFields(t *testing.T) {
	recipe, limits := reflect.TypeFor[take.Recipe](), reflect.TypeFor[matte.Limits]()
	for _, flags := range []any{plates{}, comp{}, check{}, register{}, dayCommand{}} {
		for f := range reflect.TypeOf(flags).Fields() {
			_, ofRecipe := recipe.FieldByName(f.Name)
			_, ofLimits := limits.FieldByName(f.Name)
			if f.Type.Kind() == reflect.Pointer && !ofRecipe && !ofLimits {
				t.Errorf("%T: no recipe has a field for %s", flags, f.Name)
			}
		}
	}
}
