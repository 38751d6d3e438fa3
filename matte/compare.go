package matte

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"example.com/twinplate/internal/patches"
	"example.com/twinplate/plate"
)

// Errors are the differences between a matte and the true one, by the four measures of Rhemann et
// al., "A Perceptually Motivated Online Benchmark for Image Matting", CVPR 2009. Alpha counts from
// 0 to 1. All are 0 for equal mattes, and smaller is better. SAD, Gradient and Connectivity are
// sums, and so grow with the size of the picture; published tables often give them in thousands
// (common practice), which these are not.
type Errors struct {
	SAD          float64 `json:"sad"`          // sum of absolute differences
	MSE          float64 `json:"mse"`          // mean squared difference, over the pixels compared
	RMSE         float64 `json:"rmse"`         // its square root
	Gradient     float64 `json:"gradient"`     // how much softer, sharper or displaced the edges are
	Connectivity float64 `json:"connectivity"` // how much is there that does not hang together with the body
}

// CompareOptions are the options of Compare. The zero value means the paper's parameters over the
// whole frame.
type CompareOptions struct {
	// Region, where not nil, is above 0 at the pixels to be summed over: a trimap's unknown area,
	// say. The gradient and the connectivity of these pixels are still found from the whole frame.
	Region *plate.Gray

	Sigma float64 // the gradient filter's standard deviation in pixels, up to 100; 0 means 1.4, the paper's
	Theta float64 // the smallest loss of connection that counts, 0 to 1; 0 means 0.15, the paper's
	Step  float64 // the distance between levels of connection, 0.001 to 1; 0 means 0.1, common practice
}

// levelSlack is how far a float32 may be below a level and still count as on it: an alpha stored as
// 0.7 is on the level 0.7.
const levelSlack = 1e-6

// Compare returns by how much a matte, result, differs from the true one. A nil opt means the zero
// value. A transmission serves as well as an alpha for all measures but Connectivity, which asks
// what hangs together with the opaque performer. Nothing is clamped: noise below 0 and above 1
// counts as error.
//
// With a the result's alpha and b the true one:
//
//	SAD           sum |a - b|
//	MSE           mean (a - b)^2
//	Gradient      sum (|grad a| - |grad b|)^2
//	Connectivity  sum |phi(a) - phi(b)|
//
// The gradient is the convolution with the two first derivatives of a Gaussian, and its length is
// what is compared. The paper calls it normalized without saying how; here each of the two filters
// has a sum of squares of 1, reaches as far as the Gaussian itself is above 0.01 (4 pixels for a
// sigma of 1.4), and finds the edge pixels repeated beyond the frame. All three are common
// practice, and set the measure's scale.
//
// A pixel's phi is 1 - d where d >= Theta, and 1 elsewhere, with d = alpha - l. Its l is the last
// of the levels 0, Step, 2 Step ... 1, counted upward, at which it is still in the source: the
// largest 4-connected set of pixels where both mattes are at or above the level (the topmost, then
// leftmost, of sets as large). At level 0 all pixels are. So what stands out by less than Theta
// above what hangs together with the body in both mattes costs nothing, and a detached speck, or
// the gap that cuts a strand, costs its whole difference.
//
// That is the paper's measure with p = 1, and with two choices of common practice: one source and
// one l for each level of both mattes together, where the paper has one source, the region where
// both are opaque, and an l for each matte; and a weight lambda of 1, where the paper weights by
// the distance to the source. With an l in common, the part of a strand beyond a cut costs nothing
// where its alpha is right. (The paper's definitions are not checked against the source.)
//
// The error says which size, value or option is not valid: the mattes must be of one size and
// finite, and the region must be that size too and hold at least one pixel.
func Compare(truth, result *plate.Gray, opt *CompareOptions) (Errors, error) {
	o := *cmp.Or(opt, &CompareOptions{})
	if err := o.fill(); err != nil {
		return Errors{}, err
	}
	if err := plate.CheckSize("result", result.Size(), "true matte", truth.Size()); err != nil {
		return Errors{}, fmt.Errorf("compare: %w", err)
	}
	if o.Region != nil {
		if err := plate.CheckSize("region", o.Region.Size(), "true matte", truth.Size()); err != nil {
			return Errors{}, fmt.Errorf("compare: %w", err)
		}
	}
	if truth.W == 0 || truth.H == 0 {
		return Errors{}, errors.New("compare: the mattes hold no pixels")
	}
	if err := truth.CheckFinite(); err != nil {
		return Errors{}, fmt.Errorf("compare: the true matte's %w", err)
	}
	if err := result.CheckFinite(); err != nil {
		return Errors{}, fmt.Errorf("compare: the result's %w", err)
	}

	gradientA, gradientB := gradientLength(result, o.Sigma), gradientLength(truth, o.Sigma)
	level := connection(result, truth, o.Step)

	var e Errors
	count := 0
	for i, b := range truth.Pix {
		if o.Region != nil && !(o.Region.Pix[i] > 0) {
			continue
		}
		count++
		a, b := float64(result.Pix[i]), float64(b)
		e.SAD += math.Abs(a - b)
		e.MSE += (a - b) * (a - b)
		g := float64(gradientA[i]) - float64(gradientB[i])
		e.Gradient += g * g
		e.Connectivity += math.Abs(phi(a, level[i], o.Theta) - phi(b, level[i], o.Theta))
	}
	if count == 0 {
		return Errors{}, errors.New("compare: the region is 0 everywhere, and must be above 0 at the pixels to compare")
	}
	e.MSE /= float64(count)
	e.RMSE = math.Sqrt(e.MSE)
	return e, nil
}

// fill checks the options and puts the defaults for 0.
func (o *CompareOptions) fill() error {
	for _, p := range []struct {
		name             string
		v                *float64
		low, high, usual float64
	}{
		{"sigma", &o.Sigma, 0.1, 100, 1.4},
		{"theta", &o.Theta, 1e-9, 1, 0.15},
		{"step", &o.Step, 0.001, 1, 0.1},
	} {
		*p.v = cmp.Or(*p.v, p.usual)
		if !(*p.v >= p.low && *p.v <= p.high) {
			return fmt.Errorf("compare: %s is %v, and must be %v to %v, or 0 for %v", p.name, *p.v, p.low, p.high, p.usual)
		}
	}
	return nil
}

// gradientLength returns the length of f's gradient at every pixel, as Compare describes it.
func gradientLength(f *plate.Gray, sigma float64) []float32 {
	smooth, slope := gradientFilters(sigma)
	length := make([]float32, len(f.Pix))
	along := make([]float32, len(f.Pix))
	across := make([]float32, len(f.Pix))
	for k, filters := range [2][2][]float32{{slope, smooth}, {smooth, slope}} {
		convolveRows(along, f.Pix, f.W, f.H, filters[0])
		convolveColumns(across, along, f.W, f.H, filters[1])
		for i, v := range across {
			if k == 0 {
				length[i] = v
			} else {
				length[i] = float32(math.Hypot(float64(length[i]), float64(v)))
			}
		}
	}
	return length
}

// gradientFilters returns the Gaussian and its first derivative, each with a sum of squares of 1,
// so that their products have too.
func gradientFilters(sigma float64) (smooth, slope []float32) {
	const smallest = 0.01
	r := 1
	// Where exp(-x^2 / 2 sigma^2) / (sqrt(2 pi) sigma) falls to smallest. A Gaussian that is
	// nowhere above it reaches three sigma.
	if log := math.Log(math.Sqrt(2*math.Pi) * sigma * smallest); log < 0 {
		r = max(r, int(math.Ceil(sigma*math.Sqrt(-2*log))))
	} else {
		r = int(math.Ceil(3 * sigma))
	}
	g, d := make([]float64, 2*r+1), make([]float64, 2*r+1)
	var gg, dd float64
	for i := range g {
		x := float64(i - r)
		g[i] = math.Exp(-x * x / (2 * sigma * sigma))
		d[i] = -x * g[i]
		gg += g[i] * g[i]
		dd += d[i] * d[i]
	}
	smooth, slope = make([]float32, len(g)), make([]float32, len(d))
	for i := range g {
		smooth[i], slope[i] = float32(g[i]/math.Sqrt(gg)), float32(d[i]/math.Sqrt(dd))
	}
	return smooth, slope
}

// convolveRows filters every row of w pixels, the outer pixels repeated beyond the ends. The
// filters are even or odd, and only lengths are used, so their direction does not matter.
func convolveRows(dst, src []float32, w, h int, filter []float32) {
	r := len(filter) / 2
	padded := make([]float32, w+2*r)
	for y := range h {
		line := src[y*w : (y+1)*w]
		copy(padded[r:], line)
		for k := range r {
			padded[k], padded[r+w+k] = line[0], line[w-1]
		}
		out := dst[y*w : (y+1)*w]
		for x := range out {
			var sum float32
			for k, v := range padded[x : x+len(filter)] {
				sum += filter[k] * v
			}
			out[x] = sum
		}
	}
}

// convolveColumns does for columns what convolveRows does for rows.
func convolveColumns(dst, src []float32, w, h int, filter []float32) {
	r := len(filter) / 2
	for y := range h {
		out := dst[y*w : (y+1)*w]
		clear(out)
		for k, f := range filter {
			from := min(max(y+k-r, 0), h-1)
			for x, v := range src[from*w : (from+1)*w] {
				out[x] += f * v
			}
		}
	}
}

// phi is the paper's connectivity of a pixel of this alpha whose connection reaches up to level.
func phi(alpha, level, theta float64) float64 {
	if d := alpha - level; d >= theta-levelSlack {
		return 1 - d
	}
	return 1
}

// connection returns, for every pixel, the last level at which it is in the source.
func connection(a, b *plate.Gray, step float64) []float64 {
	level := make([]float64, len(a.Pix))
	in := slices.Repeat([]bool{true}, len(a.Pix)) // in the source of every level so far
	above := make([]bool, len(a.Pix))
	for k := 1; ; k++ {
		// The last level is 1 even where Step does not divide it.
		l := min(float64(k)*step, 1)
		if 1-l < levelSlack {
			l = 1
		}
		for i := range above {
			above[i] = float64(a.Pix[i]) >= l-levelSlack && float64(b.Pix[i]) >= l-levelSlack
		}
		of, sizes := patches.Find(a.W, a.H, func(i, _ int) bool { return above[i] })
		source := int32(patches.Largest(sizes))
		for i := range in {
			if in[i] = in[i] && source != 0 && of[i] == source; in[i] {
				level[i] = l
			}
		}
		if l == 1 {
			return level
		}
	}
}
