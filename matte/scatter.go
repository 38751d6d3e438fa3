package matte

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A Scatter is what frames of a take really scatter, as Bound measured it. Open and Core are in
// light, full scale 1; Edge is in pixels. What could not be measured, for want of places, is NaN.
type Scatter struct {
	Open  float64 // standard deviation, about the model, of the band plate where it is certainly screen
	Core  float64 // the same where it is certainly performer, about the light that is there in the mean
	Level float64 // that light: what the band plate has on the performer beside m . C
	Edge  float64 // how far the matte's edges are from the color plate's
}

// Bound returns band with what frames of a take really scatter, which its model may be too small
// for: a codec leaves little noise from pixel to pixel, and errors that hang together over a block;
// so does the mosaic of a color sensor; and at edges both are wrong by far more than on plain
// places.
//
// The solver must have its crosstalk. Where the frames are certainly screen, the deviations of t
// from 1 are taken, and where they are certainly performer those of the band plate from m . C: at
// every distance, since nothing is taken off but a mean over a twenty-fourth of the frame in the
// core, which is Level. A performer of whom fewer than 2000 pixels are five pixels inside is
// measured nearer to the edge, down to two pixels. The excess over what band, with Kept, Dark and
// Clean, and color say becomes CorrelatedRead and CorrelatedPerSignal. Where the core has less,
// Read is made smaller, and PerSignal so that the screen keeps what it has: a take with a small
// performer has little that is dark to tell Read by.
//
// Edge comes from both plates. In squares of 7x7 pixels on an edge, a performer of one color has a
// color plate whose channels go in a straight line with t; what t leaves of that line, over the
// slope of t, is the error of the edge in pixels. Texture and light at edges only add, so the
// quietest quarter counts, for what the mean is to a lower quartile. Both plates' errors are in it,
// and of a plain displacement about a half, since the line takes up the rest: the geometry's own
// error comes on top.
func (s *Solver) Bound(frames []Sample, color, band Noise) (Noise, Scatter, error) {
	if err := cmp.Or(color.check("color"), band.check("band")); err != nil {
		return band, Scatter{}, err
	}
	band.CorrelatedRead, band.CorrelatedPerSignal, band.Edge, band.Level = 0, 0, 0, 0
	var b bounds
	planes := make([]boundFrame, 0, len(frames))
	for k, f := range frames {
		u, g, err := s.open(k, f)
		if errors.Is(err, ErrNoScreen) {
			continue
		} else if err != nil {
			return band, Scatter{}, err
		}
		planes = append(planes, boundFrame{f, u, g.Value})
		b.outside(s, planes[len(planes)-1], &color, &band)
	}
	// Of a small performer every pixel counts.
	for _, stride := range []int{s.boundStride(), 1} {
		for reach := coreReach; reach >= nearReach && b.core.used < leastPlain; reach-- {
			b.core, b.levels = plainSum{}, nil
			for _, p := range planes {
				b.inside(s, p, &color, &band, reach, stride)
			}
		}
	}
	found := Scatter{Open: math.NaN(), Core: math.NaN(), Level: math.NaN(), Edge: math.NaN()}
	b.flat(&band, &found)
	for _, p := range planes {
		b.edges(s, p, color, band)
	}
	if len(b.edge) >= leastEdges {
		band.Edge = math.Sqrt(max(robust.Nth(b.edge, len(b.edge)/4), 0) / quietEdges)
		found.Edge = band.Edge
	}
	return band, found, nil
}

// A boundFrame is one frame with its quotient and its gain.
type boundFrame struct {
	Sample
	u    *plate.Gray
	gain float64
}

// Where no reason stands beside one, these are chosen by hand; not measured by itself.
const (
	leastPlain  = 2000 // pixels, for a variance that is known to a twentieth even where sixteen hang together
	fewPlain    = 200  // pixels of a small performer's core, for one that is known to a half
	leastCore   = 50   // of one that takes the model down, but adds nothing: white noise to a fifth
	leastEdges  = 200  // squares on edges, for a quartile
	boundPixels = 1e5  // of a frame, about, that the plain places are looked at
	leastLevel  = 30   // pixels of a cell, for its median
	// Standard deviations, about the median of a cell, beyond which a pixel lets the screen
	// through.
	outlier = 4
	// Pixels between the squares on edges, of a frame up to 1999 wide, and more of a wider one.
	edgeStep   = 2
	edgeSquare = 3 // reach of the squares on edges, in pixels along each axis
	// edgeSlope is the least mean square of the slope in a square on an edge, and the least
	// variance of t in it.
	edgeSlope = 0.01
	// quietEdges is the part of the mean that the lower quartile is: an edge goes through a square
	// over seven pixels, and is some two pixels wide, so that there are 14 errors in a square, and
	// the lower quartile of chi-squared with 14 degrees of freedom is 10.165.
	quietEdges = 10.165 / 14
	// edgeNoise is the largest noise that the color plate may give the straight line, in t: above,
	// a square has too little contrast to tell.
	edgeNoise = 0.015
)

// bounds gathers what Bound measures.
type bounds struct {
	open, core plainSum
	levels     []float64 // of the cells of the core, in light
	edge       []float64 // squares of pixels
}

// A plainSum adds up places that are plain, in light.
type plainSum struct {
	n, model, signal float64 // how many, the variance that the model expects, and the band plate's light
	used, d2         float64 // how many are no outliers, and the squares of their deviations
}

// excess returns the variance, what it is more than the model's, below 0 if less, and the mean
// light.
func (p plainSum) excess() (variance, excess, signal float64) {
	variance = p.d2 / p.used
	return variance, variance - p.model/p.n, p.signal / p.n
}

// boundStride is how many pixels apart the plain places are looked at: odd, so that a mosaic's
// pixels are seen in all their places.
func (s *Solver) boundStride() int { return int(math.Sqrt(float64(s.w*s.h)/boundPixels)) | 1 }

// outside adds the screen of one frame.
func (b *bounds) outside(s *Solver, f boundFrame, color, band *Noise) {
	near := s.notOpen(f.u, f.gain)
	if near == nil {
		return
	}
	stride, spread := s.boundStride(), s.spread(f.Sample, f.gain, color, band)
	for y := 0; y < s.h; y += stride {
		for i := y * s.w; i < (y+1)*s.w; i += stride {
			if near.Pix[i] > 0 {
				continue
			}
			v := spread.variance(i)
			d := (float64(f.u.Pix[i]) - f.gain) / float64(s.inverse.Pix[i])
			b.open.n++
			b.open.used++
			b.open.d2 += d * d
			b.open.model += v
			b.open.signal += s.light(f.Sample, i)
		}
	}
}

// inside adds the core of one frame, pixels that are stride apart: so many pixels along each axis from
// where the screen may shine through.
func (b *bounds) inside(s *Solver, f boundFrame, color, band *Noise, reach, stride int) {
	spread := s.spread(f.Sample, f.gain, color, band)
	high := boxMax(f.u, reach)
	cells := newCells(s.w, s.h)
	values := make([][]float64, cells.n)
	for y := reach; y < s.h-reach; y += stride {
		for x := reach; x < s.w-reach; x += stride {
			i := y*s.w + x
			if high.Pix[i] > openFrom*float32(f.gain) || s.inverse.Pix[i] == 0 {
				continue
			}
			c := cells.of(x, y)
			values[c] = append(values[c], float64(f.u.Pix[i])/float64(s.inverse.Pix[i]))
			v := spread.variance(i)
			b.core.model += v
			b.core.signal += s.light(f.Sample, i)
			b.core.n++
		}
	}
	// What a little screen shines through is cut off, as for the crosstalk.
	var deviations []float64
	for c, list := range values {
		if len(list) < leastLevel {
			continue
		}
		middle := robust.Median(list)
		b.levels = append(b.levels, middle)
		for k := range list {
			values[c][k] -= middle
			deviations = append(deviations, math.Abs(values[c][k]))
		}
	}
	if len(deviations) == 0 {
		return
	}
	limit := outlier * robust.Sigma(deviations)
	for _, d := range deviations { // in order by now
		if d <= limit {
			b.core.d2 += d * d
			b.core.used++
		}
	}
}

// flat makes the correlated part of band, and its level, from the plain places.
func (b *bounds) flat(band *Noise, found *Scatter) {
	var open, openSignal, core, coreSignal float64
	if b.open.used >= leastPlain {
		var v float64
		v, open, openSignal = b.open.excess()
		open, found.Open = max(open, 0), math.Sqrt(v)
	}
	if b.core.used >= leastCore {
		var v float64
		v, core, coreSignal = b.core.excess()
		if core < 0 {
			less := -core / band.kept()
			if openSignal > coreSignal { // a line through both
				less /= openSignal - coreSignal
				band.PerSignal += less
				less *= openSignal
			}
			band.Read, core = math.Sqrt(max(band.Read*band.Read-less, 0)), 0
		}
		found.Core = math.Sqrt(v)
	}
	if b.core.used < fewPlain {
		core, found.Core = 0, math.NaN()
	} else {
		// A veil shines through the cells that are furthest from black.
		squares := list.Of(b.levels, func(l float64) float64 { return l * l })
		slices.Sort(squares)
		level := 0.0
		squares = squares[:(3*len(squares)+3)/4]
		for _, q := range squares {
			level += q / float64(len(squares))
		}
		found.Level, band.Level = math.Sqrt(level), math.Sqrt(level)
	}
	switch {
	case openSignal > coreSignal && open > core:
		band.CorrelatedPerSignal = (open - core) / (openSignal - coreSignal)
		band.CorrelatedRead = math.Sqrt(max(core-band.CorrelatedPerSignal*coreSignal, 0))
	default:
		// What the core has more than the screen goes with the black.
		band.CorrelatedRead = math.Sqrt(open)
		band.Level = math.Sqrt(band.Level*band.Level + core - open)
	}
}

// edges adds the squares on edges of one frame.
func (b *bounds) edges(s *Solver, f boundFrame, color, band Noise) {
	t := s.measured(f.Sample, f.gain)
	slope := boxMean(s.slopes(t, f.Sample, f.gain, &color, &band), edgeSquare)
	stride := edgeStep * max(s.w/1000, 1)
	rows := make([][]float64, max((s.h-2*edgeSquare+stride-1)/stride, 0))
	parallel.Parts(len(rows), func(first, last int) {
		e := edgeRow{s: s, spread: s.spread(f.Sample, f.gain, &color, &band), t: t.Pix, columns: make([]edgeColumn, s.w), a: list.Rows[float64](3, 3), b: make([]float64, 3)}
		for n := first; n < last; n++ {
			y := edgeSquare + n*stride
			e.y = y
			for x := edgeSquare; x < s.w-edgeSquare; x += stride {
				if square := float64(slope.Pix[y*s.w+x]); square >= edgeSlope {
					if left, ok := e.square(x); ok {
						rows[n] = append(rows[n], left/square)
					}
				}
			}
		}
	})
	b.edge = append(b.edge, slices.Concat(rows...)...)
}

// An edgeRow is what the squares on edges of one row have in common: the sums over their columns.
type edgeRow struct {
	s       *Solver
	spread  *spread
	t       []float32 // of the whole frame
	y       int       // of the squares' middle
	columns []edgeColumn
	a       [][]float64 // the equations of a square's line
	b       []float64
}

// An edgeColumn has the sums over a square's column of red, green, blue and t, of their products,
// and of the noise's variance in t.
type edgeColumn struct {
	y        int // of the row that they are of; 0: of none
	sum      [4]float64
	products [4][4]float64 // the lower triangle
	grain    float64
}

// column returns column x of the row's squares.
func (e *edgeRow) column(x int) *edgeColumn {
	c := &e.columns[x]
	if c.y == e.y {
		return c
	}
	*c = edgeColumn{y: e.y}
	for y := e.y - edgeSquare; y <= e.y+edgeSquare; y++ {
		i := y*e.s.w + x
		pix := &e.spread.frame.Color.Pix
		v0, v1, v2, v3 := float64(pix[0][i]), float64(pix[1][i]), float64(pix[2][i]), float64(e.t[i])
		c.sum[0] += v0
		c.sum[1] += v1
		c.sum[2] += v2
		c.sum[3] += v3
		c.products[0][0] += v0 * v0
		c.products[1][0] += v1 * v0
		c.products[1][1] += v1 * v1
		c.products[2][0] += v2 * v0
		c.products[2][1] += v2 * v1
		c.products[2][2] += v2 * v2
		c.products[3][0] += v3 * v0
		c.products[3][1] += v3 * v1
		c.products[3][2] += v3 * v2
		c.products[3][3] += v3 * v3
		c.grain += e.spread.ofAlpha(i)
	}
	return c
}

// square returns the variance of t, beyond noise, about the straight line that it makes with the
// color plate's channels in the square around x. It reports whether the color plate has enough
// contrast there to tell: its noise is small, and it explains half of t at least.
func (e *edgeRow) square(x int) (left float64, ok bool) {
	const n = (2*edgeSquare + 1) * (2*edgeSquare + 1)
	// Means of red, green, blue and t, and of their products.
	var mean [4]float64
	var products [4][4]float64
	grain := 0.0
	for at := x - edgeSquare; at <= x+edgeSquare; at++ {
		c := e.column(at)
		for i := range mean {
			mean[i] += c.sum[i] / n
			for k := range i + 1 {
				products[i][k] += c.products[i][k] / n
			}
		}
		grain += c.grain / n
	}
	for i := range 3 {
		for k := i; k < 3; k++ {
			e.a[i][k] = products[k][i] - mean[k]*mean[i]
		}
		e.b[i] = products[3][i] - mean[3]*mean[i]
	}
	all := products[3][3] - mean[3]*mean[3]
	if all < edgeSlope {
		return 0, false
	}
	left = all
	own := 0.0 // the color plate's noise, in t
	for c, k := range nonNegative(e.a, e.b, 0, 1, 2) {
		left -= k * e.b[c]
		own += k * k * e.spread.color.Variance(mean[c])
	}
	// The lower quartile of chi-squared with 45 degrees of freedom is 38.291: of noise alone, that
	// part is in the quietest quarter.
	const quietest = 38.291 / 45
	return left*n/(n-4) - quietest*(grain+own), own <= edgeNoise*edgeNoise && left <= all/2
}
