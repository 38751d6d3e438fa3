package blur_test

import (
	"fmt"
	"math"
	"testing"

	"example.com/twinplate/internal/blur"
)

// A point keeps its sum and has the variance, and a step becomes the Gaussian's integral: seen in
// pixels, whose width has a variance of 1/12 itself. Wherever the step lies between the values that
// are kept of a wide one it is the same.
func TestGaussian(t *testing.T) {
	for _, sigma := range []float64{0.2, 0.5, 1, 2.3, 2.69, 2.7, 2.99, 3, 3.2, 3.5, 4, 4.94, 4.96, 6.6, 7, 8.3, 9.9, 11.6, 13.2, 16.5, 30.6} {
		const w, h = 401, 301
		g := blur.NewGaussian(w, h, sigma)
		point := make([]float32, w*h)
		point[150*w+200] = 1
		g.Plane(point)
		var sum, variance float64
		for i, v := range point {
			sum += float64(v)
			d := float64(i%w - 200)
			variance += d * d * float64(v)
		}
		if math.Abs(sum-1) > 1e-4 || sigma >= 1 && math.Abs(variance-sigma*sigma) > 0.001*sigma*sigma {
			t.Errorf("sigma %v: sum %v, variance %v", sigma, sum, variance)
		}
		worst := 0.
		for at := 180; at < 220; at++ {
			step := make([]float32, w*h)
			for i := range step {
				if x, y := i%w, i/w; x >= at && (at%2 == 0 || y >= at) { // a side, or a corner
					step[i] = 1
				}
			}
			g.Plane(step)
			edge := func(x int) float64 {
				return 0.5 * (1 + math.Erf((float64(x-at)+0.5)/(math.Sqrt2*math.Sqrt(max(sigma*sigma-1./12, 1e-6)))))
			}
			for i, v := range step {
				if x, y := i%w, i/w; x >= at-70 && x <= at+70 && y >= at-70 && y <= at+70 {
					want := edge(x)
					if at%2 != 0 {
						want *= edge(y)
					}
					worst = max(worst, math.Abs(float64(v)-want))
				}
			}
		}
		t.Logf("sigma %v: steps are off by %.1e, the sum by %.1e, the variance by %.1e of it", sigma, worst, sum-1, variance/(sigma*sigma)-1)
		if sigma >= 0.5 && worst > 1e-4 {
			t.Errorf("sigma %v: a step is off by %v", sigma, worst)
		}
	}
}

// Ones stay one, whatever the size, and nothing goes above or below what there was.
func TestGaussianKeeps(t *testing.T) {
	for _, sigma := range []float64{0.3, 1, 2.9, 7, 50, 200} {
		for _, size := range [][2]int{{1, 1}, {2, 3}, {1, 50}, {37, 1}, {130, 61}} {
			w, h := size[0], size[1]
			pix := make([]float32, w*h)
			for i := range pix {
				pix[i] = 1
			}
			g := blur.NewGaussian(w, h, sigma)
			g.Plane(pix)
			for i, v := range pix {
				if v != 1 {
					t.Fatalf("sigma %v, %dx%d: a one becomes %v", sigma, w, h, v)
				}
				pix[i] = float32((i*7 + i/w) % 2)
			}
			g.Plane(pix)
			for _, v := range pix {
				if !(v >= 0 && v <= 1) {
					t.Fatalf("sigma %v, %dx%d: of zeros and ones there is a %v", sigma, w, h, v)
				}
			}
		}
	}
	pix := []float32{1, 5, 2}
	blur.NewGaussian(3, 1, 0).Plane(pix)
	if pix[0] != 1 || pix[1] != 5 || pix[2] != 2 {
		t.Errorf("without a width: %v", pix)
	}
	blur.NewGaussian(0, 0, 3).Plane(nil)
}

func BenchmarkGaussian(b *testing.B) {
	const w, h = 1920, 1080
	pix := make([]float32, w*h)
	for i := range pix {
		pix[i] = float32(i%w) / w
	}
	for _, sigma := range []float64{0.7, 1.5, 2.8, 2.9, 5, 10, 40, 200} {
		b.Run(fmt.Sprint(sigma), func(b *testing.B) {
			g := blur.NewGaussian(w, h, sigma)
			for b.Loop() {
				g.Plane(pix)
			}
		})
	}
}
