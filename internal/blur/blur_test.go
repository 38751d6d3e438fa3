package blur_test

import (
	"math"
	"testing"

	"example.com/twinplate/internal/blur"
)

// A point keeps its sum and has the variance, and a step becomes the Gaussian's integral: seen in
// pixels, whose width has a variance of 1/12 itself.
func TestGaussian(t *testing.T) {
	for _, sigma := range []float64{0.2, 0.5, 1, 2.3, 8, 30} {
		const w, h = 401, 301
		point, step := make([]float32, w*h), make([]float32, w*h)
		point[150*w+200] = 1
		for i := range step {
			if i%w >= 200 {
				step[i] = 1
			}
		}
		blur.Gaussian(point, w, h, sigma)
		blur.Gaussian(step, w, h, sigma)
		var sum, variance float64
		for i, v := range point {
			sum += float64(v)
			d := float64(i%w - 200)
			variance += d * d * float64(v)
		}
		if math.Abs(sum-1) > 1e-5 || sigma >= 1 && math.Abs(variance-sigma*sigma) > 0.01*sigma*sigma {
			t.Errorf("sigma %v: sum %v, variance %v", sigma, sum, variance)
		}
		worst := 0.
		for x := range w {
			worst = max(worst, math.Abs(float64(step[150*w+x])-0.5*(1+math.Erf((float64(x)-199.5)/(math.Sqrt2*math.Sqrt(max(sigma*sigma-1./12, 1e-6)))))))
		}
		t.Logf("sigma %v: the step is off by %.4f", sigma, worst)
		if sigma >= 0.5 && worst > 0.01 {
			t.Errorf("sigma %v: the step is off by %v", sigma, worst)
		}
	}
}
