package align

import (
	"math"
	"testing"

	"example.com/twinplate/internal/kernel"
)

// splineAt returns the spline's value about the coefficients at the start of c.
func splineAt(c []float32, w int, u, v float32) float32 {
	var out [1][4]float32
	kernel.Spline(out[:], c, w, []int32{0}, [][2]float32{{u, v}})
	return out[0][0]
}

// The spline goes through the pixels.
func TestSpline(t *testing.T) {
	src := noisePlate(37, 23, 1)
	c := splined(nil, plane{src.W, src.H, src.Pix})
	for y := 1; y < src.H-2; y++ {
		for x := 1; x < src.W-2; x++ {
			v := splineAt(c[(y-1)*src.W+x-1:], src.W, 0, 0)
			if want := src.Pix[y*src.W+x]; math.Abs(float64(v-want)) > 2e-6 {
				t.Fatalf("at the pixel (%d, %d) the spline is %v, want %v", x, y, v, want)
			}
		}
	}
}
