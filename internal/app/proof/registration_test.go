package proof

import (
	"testing"

	"example.com/twinplate/internal/test/tier"
)

// A rig, or two, with small plates, in which nearly all is strands: edges to what this size allows,
// chart and offset as at any.
func TestRegistration(t *testing.T) {
	tier.InTest(t)
	seeds := uint64(1)
	if tier.All() {
		seeds = 2
	}
	for seed := range seeds {
		l, err := Registration(t.Context(), seed, &TakeOptions{W: 480, H: 270, Frames: 3})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%+v", l)
		if l.Failed != "" || !(l.Edges > 0 && l.Edges < 0.5) || !(l.Stated > 0) || !(l.Within > 0) || !(l.Chart > 0 && l.Chart < 0.06) || !l.Offset || l.Faults.Spill == 0 {
			t.Errorf("seed %d: %+v; want at most 0.5 px at the edges, 0.06 px from the chart, and the offset", seed, l)
		}
	}
}
