package align_test

import (
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/app/demo"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/rig/simulate"
)

// demoPair returns a pair of the demo's scene, and the geometry between its plates.
func demoPair(w, h int) (align.Pair, align.Geometry) {
	truth := demo.Geometry(w, h)
	shot := simulate.New(simulate.Pier{Seed: 1, Frames: 48}, w, h, w, h, truth, simulate.DemoFaults(), 1).Frame(2)
	return align.Pair{Color: shot.Color, Band: shot.Band}, truth
}

// One pair of the demo's scene must do, as it does when someone tries a single frame: far from the solution alpha
// explains little of the color, and the search must not give up for that.
func TestFootageFromOnePair(t *testing.T) {
	tier.InTest(t)
	pair, truth := demoPair(960, 540)
	e, err := align.FromFootage(t.Context(), []align.Pair{pair}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if d := align.RMS(e.Geometry, truth); !e.Geometry.Mirror || d > 1 {
		t.Errorf("the geometry is %.2f px off, mirrored %v", d, e.Geometry.Mirror)
	}
}

// One HD pair, from plates in memory.
func BenchmarkFromFootage(b *testing.B) {
	pair, _ := demoPair(1920, 1080)
	for b.Loop() {
		if _, err := align.FromFootage(b.Context(), []align.Pair{pair}, nil); err != nil {
			b.Fatal(err)
		}
	}
}
