// Package blur has the Gaussian blur that the packages share.
package blur

import (
	"math"
	"sync"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
)

// A Gaussian convolves planes of one size with a Gaussian, in time that does not grow with its
// width. It is safe for concurrent use.
//
// A wide one is two, one after the other, of half its variance each. What the first leaves is so
// smooth that the second needs no more than some of its rows and columns. A plane of ones stays one
// to the bit.
type Gaussian struct {
	w, h    int
	x, y    axis
	line    []float32 // the weights of a narrow one, for whole rows; nil: it is two
	scratch sync.Pool // of *[]float32
}

// apart is how many standard deviations of the first Gaussian lie between the rows and columns that
// are kept of it, at the most: what they cannot show is then below 1e-5 of a step (by the tests).
const apart = 1 / 1.15

// NewGaussian returns the Gaussian of the standard deviation sigma, in pixels, for planes of w by h
// values. One of 0 or less does nothing.
func NewGaussian(w, h int, sigma float64) *Gaussian {
	g := &Gaussian{w: w, h: h}
	if !(sigma > 0) || w == 0 || h == 0 {
		g.h = 0
		return g
	}
	if half := sigma / math.Sqrt2; apart*half >= 2 {
		weights, every := gaussian(half), int(apart*half)
		g.x, g.y = newAxis(w, every, weights), newAxis(h, every, weights)
		return g
	}
	weights := gaussian(sigma)
	g.y.down = sumsOf(h, 0, h, 1, weights)
	reach := len(weights) - 1
	g.line = newSum(0, 2*reach+1, func(i int) float64 { return weights[max(i-reach, reach-i)] }).weights
	return g
}

// None reports whether it does nothing.
func (g *Gaussian) None() bool { return g.h == 0 }

// Plane convolves a plane in place. Beyond its borders the plane goes on as it is there.
func (g *Gaussian) Plane(pix []float32) {
	if g.None() {
		return
	}
	kept, columns := len(g.y.down), len(g.x.down)
	pitch := (kept + kernel.Pad - 1) / kernel.Pad * kernel.Pad // of columns that lie side by side as rows
	size := kept * g.w
	buffer, _ := g.scratch.Get().(*[]float32)
	if buffer == nil {
		buffer = new([]float32)
		*buffer = make([]float32, size+columns*pitch+min(columns, 1)*g.w*pitch)
	}
	defer g.scratch.Put(buffer)
	rows, least := (*buffer)[:size], (*buffer)[size:size+columns*pitch]
	add(rows, pix, g.w, g.y.down)
	if g.line != nil {
		g.rows(pix, rows)
		return
	}
	turned := (*buffer)[size+columns*pitch:]
	transpose(turned, pitch, rows, g.w, g.w, kept)
	add(least, turned, pitch, g.x.down)
	add(turned, least, pitch, g.x.up)
	transpose(rows, g.w, turned, pitch, kept, g.w)
	add(pix, rows, g.w, g.y.up)
}

// rows convolves each row of src by the weights of a narrow Gaussian.
func (g *Gaussian) rows(dst, src []float32) {
	reach := len(g.line) / 2
	parallel.Rows(g.w, g.h, func(y0, y1 int) {
		wide := make([]float32, g.w+2*reach)
		for y := y0; y < y1; y++ {
			row := src[y*g.w : (y+1)*g.w]
			copy(wide[reach:], row)
			for i := range reach {
				wide[i], wide[reach+g.w+i] = row[0], row[g.w-1]
			}
			kernel.Blend(dst[y*g.w:(y+1)*g.w], wide, 1, g.line)
		}
	})
}

// An axis says how many values become fewer, and these as many as before.
type axis struct{ down, up []sum }

// A sum is one value: of so many in a row, each times its weight.
type sum struct {
	first   int
	weights []float32
}

// newAxis is for n values, of which every so many-th is kept, and as many beyond their ends as
// reach within them.
func newAxis(n, every int, weights []float64) (a axis) {
	reach := len(weights) - 1
	from, to := -(reach / every), (n-1+reach)/every+1
	a.down = sumsOf(n, from, to, every, weights)
	a.up = make([]sum, n)
	for i := range a.up {
		first := floor(i-reach+every-1, every)
		last := floor(i+reach, every)
		a.up[i] = newSum(first-from, last-first+1, func(k int) float64 {
			d := i - (first+k)*every
			return weights[max(d, -d)]
		})
	}
	return a
}

// floor is a over b, rounded down.
func floor(a, b int) int {
	if a < 0 {
		return -((b - 1 - a) / b)
	}
	return a / b
}

// sumsOf returns the sums around every so many-th of n values, from number from on up to but not
// including number to. The weight of what lies beyond an end is the end's.
func sumsOf(n, from, to, every int, weights []float64) []sum {
	reach := len(weights) - 1
	all := make([]sum, 0, to-from)
	var folded []float64
	for j := from; j < to; j++ {
		at := j * every
		first, last := min(max(at-reach, 0), n-1), min(max(at+reach, 0), n-1)
		folded = append(folded[:0], make([]float64, last-first+1)...)
		for d := -reach; d <= reach; d++ {
			folded[min(max(at+d, first), last)-first] += weights[max(d, -d)]
		}
		all = append(all, newSum(first, len(folded), func(i int) float64 { return folded[i] }))
	}
	return all
}

// newSum returns a sum whose n weights come to one, without rounding: they are whole numbers of
// 1/unit, which float32 has all of up to one.
func newSum(first, n int, weight func(i int) float64) sum {
	const unit = 1 << 24
	all, most := 0., 0
	for i := range n {
		all += weight(i)
		if weight(i) > weight(most) {
			most = i
		}
	}
	s := sum{first, make([]float32, n)}
	rest := unit
	for i := range n {
		v := int(math.Round(weight(i) / all * unit))
		rest -= v
		s.weights[i] = float32(v) / unit
	}
	s.weights[most] += float32(rest) / unit
	return s
}

// gaussian returns the Gaussian over each pixel's width, whose own variance is a part of sigma's,
// from its middle to one side.
func gaussian(sigma float64) []float64 {
	const (
		pixel = 1. / 12 // the variance of a pixel's width
		least = 1e-6    // of what is left
		reach = 4.8     // standard deviations, beyond which is 2e-6 of a Gaussian
	)
	own := math.Sqrt2 * math.Sqrt(max(sigma*sigma-pixel, least))
	weights := make([]float64, int(math.Ceil(reach*sigma))+1)
	for i := range weights {
		weights[i] = math.Erf((float64(i)+0.5)/own) - math.Erf((float64(i)-0.5)/own)
	}
	return weights
}

// block is how many values of a row are done before the next row's, so that those of all rows of a
// sum stay in a processor's first caches. Measured; 256 to 1024 differ little.
const block = 512

// add sets the rows of dst, of w values, to sums of those of src.
func add(dst, src []float32, w int, sums []sum) {
	parallel.Rows(w, len(sums), func(y0, y1 int) {
		for x := 0; x < w; x += block {
			n := min(block, w-x)
			for y := y0; y < y1; y++ {
				kernel.Blend(dst[y*w+x:y*w+x+n], src[sums[y].first*w+x:], w, sums[y].weights)
			}
		}
	})
}

// side is that of the squares that transpose goes by, so that their rows stay in the cache.
const side = 16

// transpose makes rows of dst, which are h, of w values and so many apart, of the columns of src.
func transpose(dst []float32, apart int, src []float32, pitch, h, w int) {
	parallel.Rows(w, h, func(y0, y1 int) {
		for x := 0; x < w; x += side {
			for y := y0; y < y1; y++ {
				to := dst[y*apart+x : y*apart+min(x+side, w)]
				for i := range to {
					to[i] = src[(x+i)*pitch+y]
				}
			}
		}
	})
}
