//go:build !js

package align_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/app/film"
	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// filmed draws a take of 640x360 pixels with a fault by NumPy and OpenCV, and returns its frames,
// less their pedestals.
func filmed(t *testing.T, seed int, fault string, frames int, more ...string) ([]align.Pair, film.Facts) {
	t.Helper()
	dir, truth := outside.Film(t, append([]string{"--seed", fmt.Sprint(seed), "--size", "640x360", "--frames", fmt.Sprint(frames), "--fault", fault}, more...)...)
	linear, err := plate.CurveByName("linear")
	if err != nil {
		t.Fatal(err)
	}
	var pairs []align.Pair
	for i := range frames {
		name := fmt.Sprintf("%04d.png", i+1)
		color, err := plate.ReadRGB(filepath.Join(dir, "color", name), linear, nil)
		if err != nil {
			t.Fatal(err)
		}
		band, err := plate.ReadGray(filepath.Join(dir, "band", name), linear, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		pairs = append(pairs, align.Pair{Color: color, Band: band})
	}
	return pairs, truth
}

// offAtEdges returns the root of the mean square error of a geometry at the edges that it was found
// by, and of what it states there, in pixels.
func offAtEdges(e *align.Estimate, truth film.Facts) (off, stated float64) {
	drawn := e.Geometry
	drawn.Homography, drawn.Mirror, drawn.Radial = truth.Homography, truth.Mirror, [2]float64{truth.Radial}
	n := float64(len(e.Pieces))
	for _, p := range e.Pieces {
		x0, y0 := e.Geometry.Map(p.Color[0], p.Color[1])
		x1, y1 := drawn.Map(p.Color[0], p.Color[1])
		off += (math.Pow(x0-x1, 2) + math.Pow(y0-y1, 2)) / n
		stated += math.Pow(e.Sigma(p.Color[0], p.Color[1]), 2) / n
	}
	return math.Sqrt(off), math.Sqrt(stated)
}

// The search finds the place where the performer is small, where the screen covers a part of the
// frame and where the performer's two sides are alike; or it says that there are two, and its error
// has both.
func TestFilmedSearch(t *testing.T) {
	tier.InTest(t)
	for i, row := range []struct {
		name   string
		frames int
		fault  string
		more   []string
	}{
		{"a performer a tenth of the frame high", 3, "", []string{"--height", "0.1"}},
		{"the same, one pair", 1, "", []string{"--height", "0.12"}},
		{"a screen over a part of the frame", 3, "partial", nil},
		{"a performer of two like sides, one pair", 1, "", []string{"--performer", "symmetric", "--photo", "plain"}},
		{"a performer of two like sides before a part", 2, "partial", []string{"--performer", "symmetric"}},
		// The first start is of the wrong parity here, and puts hardly any edge where one is. Drawing it
		// takes long.
		{"a performer in the corner of a large frame, one pair", 1, "shake,soft", []string{"--seed", "94006", "--size", "1920x1080", "--performer", "shape", "--height", "0.4", "--light", "flat", "--leak", "0.015", "--noise", "0.005"}},
	} {
		seeds := 1
		if tier.All() {
			seeds = 2
		} else if i == 1 || i == 4 || i == 5 { // as the rows before them, of fewer frames; and the large one
			continue
		}
		for seed := 80 + 2*i; seed < 80+2*i+seeds; seed++ {
			pairs, truth := filmed(t, seed, row.fault, row.frames, row.more...)
			e, err := align.FromFootage(t.Context(), pairs, nil)
			if err != nil {
				t.Errorf("%s, seed %d: %v", row.name, seed, err)
				continue
			}
			off, stated := offAtEdges(e, truth)
			t.Logf("%s, seed %d: %.3f pixels off at the edges, stated %.3f, parity margin %.3f, %q", row.name, seed, off, stated, e.ParityMargin, e.Warnings)
			if off > 0.15 && !(off < 2*stated && strings.Contains(fmt.Sprint(e.Warnings), "AMBIGUOUS")) {
				t.Errorf("%s, seed %d: %.3f pixels off at the edges, and it states %.3f (warnings %q)", row.name, seed, off, stated, e.Warnings)
			}
		}
	}
}

// Further pairs are asked for where their texture brings the geometry nearer, and their errors are
// the estimate's.
func TestFurtherPairs(t *testing.T) {
	tier.InTest(t)
	pairs, truth := filmed(t, 71, "", 8, "--performer", "shape", "--height", "0.85", "--photo", "rocket", "--leak", "0.02", "--noise", "0.03")
	first, err := align.FromFootage(t.Context(), pairs[:2], nil)
	if err != nil {
		t.Fatal(err)
	}
	asked := 0
	e, err := align.FromFootage(t.Context(), pairs[:2], &align.FootageOptions{More: func(context.Context) ([]align.Pair, error) {
		asked++
		return pairs[2*asked : 2*asked+2], nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	offBefore, before := offAtEdges(first, truth)
	off, stated := offAtEdges(e, truth)
	t.Logf("%.3f pixels off at the edges, stated %.3f; %.3f and %.3f without the pairs that were asked for %d times", off, stated, offBefore, before, asked)
	if asked < 1 || asked > 3 || !(off < 0.9*offBefore) || !(stated < 0.95*before) || off > 2*stated || e.Texture.Patches <= first.Texture.Patches {
		t.Errorf("asked %d times for further pairs: %.3f pixels off at the edges, stated %.3f; %.3f and %.3f without; %d patches of texture, and %d without", asked, off, stated, offBefore, before, e.Texture.Patches, first.Texture.Patches)
	}
	lost := errors.New("lost")
	for name, more := range map[string]func(context.Context) ([]align.Pair, error){
		"lost": func(context.Context) ([]align.Pair, error) { return nil, lost },
		"further pairs have": func(context.Context) ([]align.Pair, error) {
			return []align.Pair{{Color: plate.NewRGB(64, 64), Band: plate.NewGray(64, 64)}}, nil
		},
	} {
		if _, err := align.FromFootage(t.Context(), pairs[:2], &align.FootageOptions{More: more}); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// Where there are none, and where they show nobody, it is as if none had been asked for.
	without := map[string][]align.Pair{"nobody": {{Color: plate.NewRGB(640, 360), Band: plate.NewGray(640, 360)}}}
	if tier.All() {
		without["none"] = nil
	}
	for name, more := range without {
		e, err := align.FromFootage(t.Context(), pairs[:2], &align.FootageOptions{More: func(context.Context) ([]align.Pair, error) { return more, nil }})
		if err != nil || e.Geometry != first.Geometry {
			t.Errorf("%s: another geometry: %v", name, err)
		}
	}
}

// What lens and shutter do is found in takes that no code of this project drew, by as much as was
// drawn, and the geometry is as if it were not there.
func TestFilmedLensAndShutter(t *testing.T) {
	tier.InTest(t)
	for _, row := range []struct {
		fault string
		edge  float64 // bound of the geometry's error at the edges, in pixels
		check func(e *align.Estimate, truth film.Facts) (ok bool, want string)
	}{
		{"soft", 0.06, func(e *align.Estimate, _ film.Facts) (bool, string) {
			s := e.Softness
			return math.Abs(s.Difference-1) < min(2*s.Sigma, 0.4) && s.Told(0.5), "the band plate softer by 1 pixel"
		}},
		// The band camera's lens, iris and pixels have the variance (0.45 * 0.7)^2 + (0.75^2 + 1) / 12 in
		// its own pixels of one and a half, the color camera's 0.45^2 + (1.1^2 + 1) / 12.
		{"lowband", 0.05, func(e *align.Estimate, _ film.Facts) (bool, string) {
			return math.Abs(e.Softness.Difference-0.36) < 2*e.Softness.Sigma, "the band plate softer by 0.36 pixels"
		}},
		{"lateral", 0.06, func(e *align.Estimate, _ film.Facts) (bool, string) {
			l := e.LateralColor
			return math.Abs(l.Red-0.0005) < min(3*l.RedSigma, 2e-4) && math.Abs(l.Blue+0.0005) < min(3*l.BlueSigma, 2e-4) && l.Told(640, 360), "0.0005 and -0.0005"
		}},
		{"rolling", 0.3, func(e *align.Estimate, truth film.Facts) (bool, string) {
			// Motion is 2 pixels long; the mean of the frames is the geometry's.
			n := float64(len(truth.Motion))
			var mean [2]float64
			square := 0.0
			unit := func(v [2]float64, c int) float64 { return 2 * v[c] / math.Hypot(v[0], v[1]) }
			for c := range mean {
				for _, v := range truth.Motion {
					mean[c] += unit(v, c) / n
				}
				for _, v := range truth.Motion {
					square += math.Pow(unit(v, c)-mean[c], 2) / (n - 1)
				}
			}
			r := e.Rolling
			return math.Abs(r.Pixels-math.Sqrt(square)) < 0.25 && r.Told(), fmt.Sprintf("%.2f pixels", math.Sqrt(square))
		}},
	} {
		pairs, truth := filmed(t, 61, row.fault, 4)
		e, err := align.FromFootage(t.Context(), pairs, nil)
		if err != nil {
			t.Errorf("%s: %v", row.fault, err)
			continue
		}
		if ok, want := row.check(e, truth); !ok {
			t.Errorf("%s: %+v, %+v, %+v, want %s", row.fault, e.Softness, e.LateralColor, e.Rolling, want)
		}
		// Nothing is said of the other faults.
		for name, told := range map[string]bool{"soft": e.Softness.Told(0.5), "lateral": e.LateralColor.Told(640, 360), "rolling": e.Rolling.Told()} {
			if told != (name == row.fault) {
				t.Errorf("a take whose fault is %s: %s is told: %v (%+v, %+v, %+v)", row.fault, name, told, e.Softness, e.LateralColor, e.Rolling)
			}
		}
		if edge, _ := offAtEdges(e, truth); edge > row.edge {
			t.Errorf("%s: the geometry is %.3f pixels off at the edges, want %.2f at most", row.fault, edge, row.edge)
		}
	}
}
