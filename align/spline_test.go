package align

import (
	"math"
	"testing"
)

// The spline goes through the pixels, and its derivatives are the limits of differences.
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
		u, v := float64(i)/20, 1-float64(i*i)/400
		at := func(du, dv float64) float64 {
			value, _, _, _ := splineAt(c, src.W, u+du, v+dv)
			return value
		}
		value, dx, dy, bend := splineAt(c, src.W, u, v)
		if want := (at(h, 0) - at(-h, 0)) / (2 * h); math.Abs(dx-want) > 1e-6 {
			t.Errorf("at %v, %v the slope along x is %v, want %v", u, v, dx, want)
		}
		if want := (at(0, h) - at(0, -h)) / (2 * h); math.Abs(dy-want) > 1e-6 {
			t.Errorf("at %v, %v the slope along y is %v, want %v", u, v, dy, want)
		}
		if want := (at(h, 0) + at(-h, 0) + at(0, h) + at(0, -h) - 4*value) / (h * h); math.Abs(bend-want) > 1e-5 {
			t.Errorf("at %v, %v the Laplacian is %v, want %v", u, v, bend, want)
		}
	}
}
