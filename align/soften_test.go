package align

import (
	"errors"
	"math"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// The band camera's lens blurs more than the color camera's by a known amount.
func TestSoftness(t *testing.T) {
	tier.InTest(t)
	const w, h = 480, 270
	for i, row := range []struct {
		name   string
		band   float64 // sigma of the band camera's additional blur, in its pixels
		bw, bh int
		within float64
	}{
		{"alike", 0, w, h, 0.2},
		{"0.6 px", 0.6, w, h, 0.1},
		{"1.2 px", 1.2, w, h, 0.15},
		{"2.5 px", 2.5, w, h, 0.3},
		{"a band plate of 3/4 the size", 0, 360, 203, 0.25},
	} {
		faults := plainFaults
		faults.BandBlur = row.band
		g := NewGeometry(w, h, row.bw, row.bh)
		pairs, _ := footage(simulate.Cutouts{Seed: uint64(i)}, g, faults, uint64(i), 2)
		s, err := SoftnessDifference(t.Context(), pairs, g)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		// The pixel itself blurs, too, by a twelfth of its square.
		scale := float64(w) / float64(row.bw)
		v := (row.band*row.band+1./12)*scale*scale - 1./12
		if want := math.Sqrt(v); math.Abs(s.Difference-want) > row.within || s.Edges < 100 || !(s.Sigma > 0) {
			t.Errorf("%s: %+v, want a difference of %.2f", row.name, s, want)
		}
		if told := s.Told(0.5); told != (v > 0.25) {
			t.Errorf("%s: %+v, told from 0.5 px on: %v", row.name, s, told)
		}
		if row.band != 1.2 {
			continue
		}
		e, err := FromFootage(t.Context(), pairs, nil)
		if err != nil || math.Abs(e.Softness.Difference-s.Difference) > 0.1 {
			t.Errorf("%s: in registration %+v (%v), by the true geometry %+v", row.name, e.Softness, err, s)
		}
	}
	black := []Pair{{plate.NewRGB(64, 64), plate.NewGray(64, 64)}}
	if _, err := SoftnessDifference(t.Context(), black, Identity(64, 64)); !errors.Is(err, ErrNoSilhouettes) {
		t.Errorf("black plates: %v, want ErrNoSilhouettes", err)
	}
	if (Softness{Difference: 3}).Told(0.5) {
		t.Error("what was not measured is told")
	}
}
