package align_test

import (
	"testing"

	"example.com/twinplate/align"
)

// A rough estimate of a reduced pair is within a pixel or so, in the right parity.
func TestFromFootageRough(t *testing.T) {
	pair, truth := demoPair(480, 270)
	e, err := align.FromFootage(t.Context(), []align.Pair{pair}, &align.FootageOptions{Rough: true})
	if err != nil {
		t.Fatal(err)
	}
	if d := align.RMS(e.Geometry, truth); !e.Geometry.Mirror || d > 2 {
		t.Errorf("the geometry is %.2f px off, mirrored %v", d, e.Geometry.Mirror)
	}
}
