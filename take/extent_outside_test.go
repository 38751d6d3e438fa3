//go:build !js

package take_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/tier"
)

// The screen's extent on takes that testdata/footage/film.py draws, against where it drew the
// screen, with a clean plate and without one: nothing of the screen is cut, and nothing of the set
// is left.
func TestExtentOfDrawnTakes(t *testing.T) {
	tier.InTestAll(t)
	for _, args := range [][]string{
		{"--seed", "11"}, {"--seed", "12", "--curve", "srgb", "--noise", "0.02"}, {"--seed", "13", "--without", "clean"}, {"--seed", "14", "--fault", "partial,spill", "--without", "clean,dark"},
	} {
		dir, r := filmed(t, append([]string{"--fault", "partial", "--size", "640x360", "--frames", "3"}, args...)...)
		r.Beyond = "outside"
		job := prepare(t, r)
		data, err := os.ReadFile(filepath.Join(dir, "truth", "truth.json"))
		if err != nil {
			t.Fatal(err)
		}
		var truth struct{ Screen [4]float64 } // left, top, right and bottom, in parts of the frame
		if err := json.Unmarshal(data, &truth); err != nil {
			t.Fatal(err)
		}
		if job.Extent == nil {
			t.Errorf("%v: no border is found", args)
			continue
		}
		in := job.Extent.Inside
		// The border is soft and drawn in by some pixels, and leans by a hundredth of the height.
		const near = 10
		s := truth.Screen
		left, top, right := s[0]*float64(in.W), s[1]*float64(in.H), s[2]*float64(in.W)
		var cut, screen, kept, rest float64
		for i, v := range in.Pix {
			x, y := float64(i%in.W), float64(i/in.W)
			switch {
			case x > left+near && x < right-near && y > top+near:
				screen++
				cut += 1 - float64(v)
			case x < left-near || x > right+near || y < top-near:
				rest++
				kept += float64(v)
			}
		}
		t.Logf("%v: %.2f %% of the screen is cut, and %.2f %% of the rest left", args, 100*cut/screen, 100*kept/rest)
		if cut > 0.002*screen || kept > 0.002*rest {
			t.Errorf("%v: %.2f %% of the screen is cut, and %.2f %% of the rest left", args, 100*cut/screen, 100*kept/rest)
		}
	}
}
