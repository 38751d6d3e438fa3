package align_test

import (
	"context"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/demo"
	"example.com/twinplate/rig"
)

// One pair of the demo's scene must do, as it does when someone tries a single frame: far from the solution alpha
// explains little of the color, and the search must not give up for that.
func TestFootageFromOnePair(t *testing.T) {
	const w, h = 960, 540
	truth := demo.Geometry(w, h)
	shot := rig.NewSimulator(rig.Pier{Seed: 1, Frames: 48}, w, h, w, h, truth, rig.DemoFaults(), 1).Frame(2)
	e, err := align.FromFootage(context.Background(), []align.Pair{{Color: shot.Color, Band: shot.Band}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if d := align.RMS(e.Geometry, truth); !e.Geometry.Mirror || d > 1 {
		t.Errorf("the geometry is %.2f px off, mirrored %v", d, e.Geometry.Mirror)
	}
}
