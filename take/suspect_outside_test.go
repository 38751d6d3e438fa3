//go:build !js

package take_test

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/take"
)

// Through a codec no noise is left that tells a wrong curve, and the performer's edges tell it: of
// the color camera's files alone and of both cameras'. The take is testdata/footage/film.py's, the
// codec FFmpeg's.
func TestEdgesTellTheCurve(t *testing.T) {
	tier.InTest(t)
	dir, _ := outside.Film(t, "--seed", "23", "--size", "640x360", "--frames", "2", "--codec", "hevc", "--height", "0.8")
	for _, row := range []struct {
		name, color, band string // the curves that the files are read by; they are srgb's
		want              []string
	}{
		{"read right", "srgb", "srgb", nil},
		{"the color camera's read wrong", "linear", "srgb", []string{"--color-curve srgb"}},
		{"both read wrong", "linear", "linear", []string{"--color-curve srgb", "--band-curve srgb"}},
	} {
		r, err := take.ReadRecipe(filepath.Join(dir, "recipe.json"))
		if err != nil {
			t.Fatal(err)
		}
		r.ColorCurve, r.BandCurve = row.color, row.band
		opened, err := take.Open(r)
		if err != nil {
			t.Fatal(err)
		}
		found, err := opened.Register(t.Context())
		if err != nil {
			t.Fatalf("%s: %v", row.name, err)
		}
		t.Logf("%s: edges %.3f pixels apart, %q", row.name, found.Residual, found.Suspicions)
		if len(found.Suspicions) != len(row.want) {
			t.Errorf("%s: %q", row.name, found.Suspicions)
		}
		for _, flag := range row.want {
			if !slices.ContainsFunc(found.Suspicions, func(s string) bool { return strings.Contains(s, flag) }) {
				t.Errorf("%s: none of %q says to give %s", row.name, found.Suspicions, flag)
			}
		}
	}
}
