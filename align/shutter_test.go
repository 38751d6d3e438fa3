package align

import (
	"math"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/rig/simulate"
)

// The band plates of simulated pairs are sheared, each by as many pixels from top to bottom.
func TestRolling(t *testing.T) {
	tier.InTest(t)
	const w, h = 480, 270
	g := NewGeometry(w, h, w, h)
	for i, shear := range [][][2]float64{{{}, {}, {}}, {{1.5, 0.3}, {-1.2, 0.4}, {0.2, -0.6}}} {
		pairs, alpha := footage(simulate.Cutouts{Seed: uint64(i)}, g, hardFaults, uint64(i), len(shear))
		mean, square := [2]float64{}, 0.0
		for k, q := range shear {
			lag := Identity(w, h)
			lag.Homography = [9]float64{1, q[0] / h, -q[0] * (h - 1) / (2 * h), 0, 1 + q[1]/h, -q[1] * (h - 1) / (2 * h), 0, 0, 1}
			pairs[k].Band = Lanczos3.NewResampler(lag).Gray(nil, pairs[k].Band)
			for c, v := range q {
				mean[c] += v / float64(len(shear))
			}
		}
		for _, q := range shear {
			square += (math.Pow(q[0]-mean[0], 2) + math.Pow(q[1]-mean[1], 2)) / float64(len(shear)-1)
		}
		e, err := FromFootage(t.Context(), pairs, nil)
		if err != nil {
			t.Fatal(err)
		}
		r, want := e.Rolling, math.Sqrt(square)
		if r.Frames != len(shear) || math.Abs(r.Pixels-want) > 0.15 || r.Told() != (want > 0) {
			t.Errorf("%+v, want %.2f pixels", r, want)
		}
		// The edges are all over the frame: an even spread has 1 over the root of 12 of its width.
		if at := want / math.Sqrt(12); math.Abs(r.Edges-at) > 0.4*at+0.05 {
			t.Errorf("%+v, want edges displaced by %.2f pixels", r, at)
		}
		warned := strings.Contains(strings.Join(e.Warnings, "\n"), "rows of the two cameras")
		edge := edgeRMS(g, e.Geometry, alpha)
		if warned != (want > 0) {
			t.Errorf("%.2f pixels of shear, warnings %q", want, e.Warnings)
		}
		// What all frames have in common is a part of the geometry, and its stated error allows for
		// that.
		stated := 0.0
		for _, p := range e.Pieces {
			stated += math.Pow(e.Sigma(p.Color[0], p.Color[1]), 2) / float64(len(e.Pieces))
		}
		if stated = math.Sqrt(stated); edge > 2*stated || (want == 0 && edge > 0.06) || (want > 0 && edge > 0.25) {
			t.Errorf("%.2f pixels of shear: %.3f pixels RMS at the edges, stated %.3f", want, edge, stated)
		}
	}
	one, _ := footage(simulate.Cutouts{}, g, plainFaults, 3, 1)
	if e, err := FromFootage(t.Context(), one, nil); err != nil || e.Rolling != (Rolling{}) {
		t.Errorf("one pair: %+v (%v), and nothing can be known", e.Rolling, err)
	}
}

// A sum over frames in another order has other last digits.
func TestRollingSameAtEveryRun(t *testing.T) {
	g := Identity(320, 180)
	pairs := cutoutPairs(g, plainFaults, 3, 6)
	_, f, err := prepared(t.Context(), pairs, g, maxWidth)
	if err != nil {
		t.Fatal(err)
	}
	f.most = Radial
	first := f.rolling()
	if first.Frames < 4 {
		t.Fatalf("it was measured in %d frames", first.Frames)
	}
	for range 30 {
		if r := f.rolling(); r != first {
			t.Fatalf("%+v, and at the first run %+v", r, first)
		}
	}
}
