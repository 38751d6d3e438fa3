//go:build !js

package align

import (
	"fmt"
	"math"
	"testing"

	"example.com/twinplate/internal/test/outside"
)

// The spline between pixels, up to the borders, against SciPy's ndimage.map_coordinates (order 3, mode "mirror").
func TestSplineAgainstSciPy(t *testing.T) {
	src := noisePlate(37, 23, 1)
	c := splined(nil, plane{src.W, src.H, src.Pix})
	var ours, places []float32
	for y := 1; y < src.H-2; y++ {
		for x := 1; x < src.W-2; x++ {
			u, v := float32((7*x+3*y)%16)/16, float32((5*x+11*y)%16)/16
			ours = append(ours, splineAt(c[(y-1)*src.W+x-1:], src.W, u, v))
			places = append(places, float32(y)+v, float32(x)+u)
		}
	}
	var theirs []float64
	outside.Python(t, `
import sys, json, numpy as np
from scipy import ndimage
h, w = int(sys.argv[3]), int(sys.argv[4])
pix = np.fromfile(sys.argv[1], '<f4').reshape(h, w).astype(float)
at = np.fromfile(sys.argv[2], '<f4').reshape(-1, 2).T.astype(float)
print(json.dumps(ndimage.map_coordinates(pix, at, order=3, mode='mirror').tolist()))
`, &theirs, writePlate(t, "pixels", src.Pix), writePlate(t, "places", places), fmt.Sprint(src.H), fmt.Sprint(src.W))
	if len(theirs) != len(ours) {
		t.Fatalf("%d values, want %d", len(theirs), len(ours))
	}
	for i, v := range ours {
		if math.Abs(float64(v)-theirs[i]) > 1e-5 {
			t.Fatalf("at (%v, %v) the spline is %v, SciPy's %v", places[2*i+1], places[2*i], v, theirs[i])
		}
	}
}
