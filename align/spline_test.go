package align

import (
	"math"
	"testing"
)

// The spline goes through the pixels, and its weights' derivatives are those of the weights.
func TestSpline(t *testing.T) {
	src := noisePlate(37, 23, 1)
	c := splined(plane{src.W, src.H, src.Pix})
	for y := 1; y < src.H-2; y++ {
		for x := 1; x < src.W-2; x++ {
			v, _, _, _ := splineAt(c[(y-1)*src.W+x-1:], src.W, 0, 0)
			if want := float64(src.Pix[y*src.W+x]); math.Abs(v-want) > 2e-6 {
				t.Fatalf("at the pixel (%d, %d) the spline is %v, want %v", x, y, v, want)
			}
		}
	}
	const h = 1e-4
	for i := 1; i < 20; i++ {
		u := float64(i) / 20
		w, d, b := splineWeights(u)
		up, _, _ := splineWeights(u + h)
		down, _, _ := splineWeights(u - h)
		for k := range w {
			if want := (up[k] - down[k]) / (2 * h); math.Abs(d[k]-want) > 1e-7 {
				t.Errorf("weight %d at %v has the slope %v, want %v", k, u, d[k], want)
			}
			if want := (up[k] + down[k] - 2*w[k]) / (h * h); math.Abs(b[k]-want) > 1e-6 {
				t.Errorf("weight %d at %v bends by %v, want %v", k, u, b[k], want)
			}
		}
	}
}
