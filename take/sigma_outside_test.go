//go:build !js

package take_test

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// filmed draws a take, which is nothing of rig's. It returns the take's folder and its recipe with
// the true geometry.
func filmed(t *testing.T, args ...string) (string, take.Recipe) {
	t.Helper()
	dir, truth := outside.Film(t, args...)
	r, err := take.ReadRecipe(filepath.Join(dir, "recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	g := align.NewGeometry(truth.ColorSize[0], truth.ColorSize[1], truth.BandSize[0], truth.BandSize[1])
	g.Homography, g.Mirror = truth.Homography, truth.Mirror
	r.Geometry = take.Given(g)
	return dir, r
}

// Whatever the plates went through, the matte's error is what sigma says in the open screen, the
// core and at edges, or a warning says that it may be larger. The truth is from
// testdata/footage/film.py, the codecs are FFmpeg's.
func TestSigmaIsTheError(t *testing.T) {
	tier.InTest(t)
	for _, row := range []struct {
		name string
		late bool // make test-all's
		args []string
	}{
		{"PNG", false, nil},
		{"ProRes", true, []string{"--codec", "prores"}},
		{"HEVC 10-bit", true, []string{"--codec", "hevc"}},
		{"H.264", true, []string{"--codec", "h264-18"}},
		{"H.264, no reference plates", false, []string{"--codec", "h264-18", "--without", "clean,dark"}},
		{"the mosaic of a color sensor", false, []string{"--fault", "bandmosaic"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			if row.late {
				tier.InTestAll(t)
			}
			dir, r := filmed(t, append([]string{"--seed", "21", "--size", "640x360", "--frames", "4"}, row.args...)...)
			r.Clamp, r.Write = "none", []string{"sigma"}
			job := prepare(t, r)
			z := zOf(t, job, dir)
			t.Logf("z %v, warnings %q", z, job.Warnings)
			warned := slices.ContainsFunc(job.Warnings, func(w string) bool { return strings.Contains(w, "larger than stated") })
			for region, v := range z {
				if !(v >= 0.7 && v <= 1.5 || warned && v > 1.5) {
					t.Errorf("%s: z is %.2f", region, v)
				}
			}
		})
	}
}

// Where nobody shot dark plates, the level of black of 1.2 % is found in the performer's core, and
// a recipe has it.
func TestPedestalWithoutDarkPlates(t *testing.T) {
	dir, r := filmed(t, "--seed", "22", "--size", "640x360", "--frames", "3", "--fault", "pedestal")
	r.Clamp, r.Write = "none", []string{"sigma"}
	job := prepare(t, r)
	// What is found lacks m times the color plate's own level: a thousandth of full scale at the
	// most.
	if job.Pedestal < 0.0105 || job.Pedestal > 0.0125 {
		t.Errorf("level of black %.4f, want 0.0120", job.Pedestal)
	}
	z := zOf(t, job, dir)
	if !(z["core"] >= 0.7 && z["core"] <= 1.5) {
		t.Errorf("z in the core is %.2f", z["core"])
	}
	given := job.Recipe(nil)
	if given.Pedestal != job.Pedestal {
		t.Errorf("the recipe has %v", given.Pedestal)
	}
	if again := prepare(t, given); again.Pedestal != job.Pedestal || again.BandNoise != job.BandNoise {
		t.Errorf("by its recipe: %v and %+v, was %v and %+v", again.Pedestal, again.BandNoise, job.Pedestal, job.BandNoise)
	}
	given.Pedestal = -1
	if _, err := take.Open(given); err == nil || !strings.Contains(err.Error(), "pedestal -1") {
		t.Errorf("a negative level: %v", err)
	}
}

// zOf returns the root mean square of the matte's error over sigma in three regions: the screen and
// the core four pixels from anything else, and where alpha changes by a twentieth and more a pixel.
func zOf(t *testing.T, job *take.Job, dir string) map[string]float64 {
	t.Helper()
	const away = 4
	type sum struct{ n, z2 float64 }
	sums := map[string]*sum{"open": {}, "core": {}, "edges": {}}
	valid := align.NewResampler(job.Geometry).Valid()
	var lock sync.Mutex
	if _, err := job.Run(context.Background(), &take.RunOptions{Each: func(q *take.Result) error {
		truth, err := plate.ReadGray(filepath.Join(dir, "truth", fmt.Sprintf("alpha.%04d.png", q.Number)), plate.Linear, nil, nil)
		if err != nil {
			return err
		}
		lock.Lock()
		defer lock.Unlock()
		w := truth.W
		for y := away; y < truth.H-away; y++ {
			for x := away; x < w-away; x++ {
				i := y*w + x
				sigma := float64(q.Sigma.Pix[i])
				if sigma == 0 || valid.Pix[i] == 0 {
					continue
				}
				low, high := float32(1), float32(0)
				for dy := -away; dy <= away; dy++ {
					row := truth.Pix[i+dy*w-away : i+dy*w+away+1]
					low, high = min(low, slices.Min(row)), max(high, slices.Max(row))
				}
				slope := math.Hypot(float64(truth.Pix[i+1]-truth.Pix[i-1]), float64(truth.Pix[i+w]-truth.Pix[i-w])) / 2
				region := ""
				switch {
				case high < 0.002:
					region = "open"
				case low > 0.998:
					region = "core"
				case slope > 0.05:
					region = "edges"
				default:
					continue
				}
				e := (1 - float64(q.Transmission.Pix[i]) - float64(truth.Pix[i])) / sigma
				sums[region].n++
				sums[region].z2 += e * e
			}
		}
		return nil
	}}); err != nil {
		t.Fatal(err)
	}
	z := map[string]float64{}
	for region, s := range sums {
		if s.n < 1000 {
			t.Fatalf("%s: %v pixels", region, s.n)
		}
		z[region] = math.Sqrt(s.z2 / s.n)
	}
	return z
}
