// Package blur has the Gaussian blur that the packages share.
package blur

import (
	"math"

	"example.com/twinplate/internal/parallel"
)

// Gaussian convolves a plane of w by h values with a Gaussian of the standard deviation sigma, in
// pixels, in place, in time that does not grow with sigma. Beyond its borders the plane goes on as
// it is there.
func Gaussian(pix []float32, w, h int, sigma float64) {
	if !(sigma > 0) || len(pix) == 0 {
		return
	}
	const narrow = 2 // pixels, up to which it is the Gaussian itself; boxes are coarse there
	passes, line := boxes(sigma)
	if sigma < narrow {
		passes, line = taps(sigma)
	}
	parallel.Rows(w, h, func(y0, y1 int) {
		a, b := make([]float64, w), make([]float64, w)
		for y := y0; y < y1; y++ {
			row := pix[y*w : (y+1)*w]
			for x, v := range row {
				a[x] = float64(v)
			}
			for range passes {
				line(b, a)
				a, b = b, a
			}
			for x := range row {
				row[x] = float32(a[x])
			}
		}
	})
	// Columns in strips as wide as a line of the cache.
	const strip = 16
	parallel.Parts((w+strip-1)/strip, func(from, to int) {
		var a, b [strip][]float64
		for k := range strip {
			a[k], b[k] = make([]float64, h), make([]float64, h)
		}
		for s := from; s < to; s++ {
			x0, x1 := s*strip, min((s+1)*strip, w)
			for y := range h {
				for k, v := range pix[y*w+x0 : y*w+x1] {
					a[k][y] = float64(v)
				}
			}
			for k := range x1 - x0 {
				for range passes {
					line(b[k], a[k])
					a[k], b[k] = b[k], a[k]
				}
			}
			for y := range h {
				row := pix[y*w+x0 : y*w+x1]
				for k := range row {
					row[k] = float32(a[k][y])
				}
			}
		}
	})
}

// taps returns what convolves a line with the Gaussian over each pixel's width, whose own variance
// is a part of sigma's.
func taps(sigma float64) (passes int, line func(out, in []float64)) {
	const pixel = 1. / 12 // the variance of a pixel's width
	own := math.Sqrt2 * math.Sqrt(max(sigma*sigma-pixel, 1e-6))
	reach := int(math.Ceil(3*sigma)) + 1
	weights := make([]float64, reach+1)
	sum := 0.
	for i := range weights {
		d := float64(i)
		weights[i] = math.Erf((d+0.5)/own) - math.Erf((d-0.5)/own)
		sum += weights[i]
		if i > 0 {
			sum += weights[i]
		}
	}
	return 1, func(out, in []float64) {
		n := len(in)
		for x := range out {
			v := weights[0] * in[x]
			for i, k := range weights[1:] {
				v += k * (in[max(x-i-1, 0)] + in[min(x+i+1, n-1)])
			}
			out[x] = v / sum
		}
	}
}

// boxes returns what convolves a line with a box, and how often it does. Its ends are parts of a
// pixel, so that the variance is exact (Gwosdek et al. 2011, "Theoretical Foundations of Gaussian
// Convolution by Extended Box Filtering"; not checked against the source).
func boxes(sigma float64) (passes int, line func(out, in []float64)) {
	passes = 4 // within 1 % of the Gaussian's integral everywhere (by the tests)
	variance := sigma * sigma / float64(passes)
	r := int((math.Sqrt(12*variance+1) - 1) / 2)
	// 2 r + 1 pixels and a part of one more at either end have this variance.
	side := float64(2*r + 1)
	end := side * (float64(r*(r+1)) - 3*variance) / (6 * (variance - float64((r+1)*(r+1))))
	scale := 1 / (side + 2*end)
	return passes, func(out, in []float64) {
		n := len(in)
		at := func(i int) float64 { return in[min(max(i, 0), n-1)] }
		sum := 0.
		for i := -r; i <= r; i++ {
			sum += at(i)
		}
		for i := range out {
			out[i] = scale * (sum + end*(at(i-r-1)+at(i+r+1)))
			sum += at(i+r+1) - at(i-r)
		}
	}
}
