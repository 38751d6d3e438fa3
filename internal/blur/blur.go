// Package blur has the Gaussian blur that the packages share.
package blur

import (
	"math"
	"slices"
	"sync"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
)

// A Gaussian convolves planes of one size with a Gaussian, in time that does not grow with its
// width. It is safe for concurrent use.
//
// Of a wide one every so many-th row and column is kept, by a short filter that leaves next to
// nothing of what these cannot show. They are convolved with what is missing to the Gaussian, and
// all rows and columns come back by the short filter. No weight is below 0, so that nothing goes
// above or below what there was, and a plane of ones stays one to the bit.
type Gaussian struct {
	w, h   int
	every  int       // rows and columns, of which one is kept; 1: all are
	x, y   axis      // columns and rows
	middle []float32 // the weights over what is kept
	ones   []float32 // the weights of as many sums as every
	pool   sync.Pool // of *Soft
}

// An axis says which of n values are kept, and how they become as many as before.
type axis struct {
	down  []Sum       // the values that are kept, and as many beyond the ends as reach within them
	thin  [][]float32 // the weights of down where no end is near, by their place modulo every
	start int         // the first value that the first of down reaches, below 0
	up    []Sum       // for each place modulo every: First is from the place's own part on
}

// A Sum is one value: of so many in a row, each times its weight.
type Sum struct {
	First   int
	Weights []float32
}

// What a wide Gaussian is made by. A step of 1 may be off by a tenth of a code of 10 bits, 1e-4: a
// camera's noise is far above that. By the tests 9.7e-5 is the worst.
const (
	// apart is how many standard deviations lie between the values that are kept, at the most:
	// with 1 / 1.5 a step was off by 1.6e-4.
	apart = 1 / 1.65
	// leastTwo is the least standard deviation, in pixels, for every second value, whose short filter
	// has a box more.
	leastTwo = 3
	// Of one that is too narrow for that, but at least so wide, every second value is kept by a long
	// filter, with nothing in the middle; it comes back by a short one of eight boxes.
	leastSigma = 2.7
)

// NewGaussian returns the Gaussian of the standard deviation sigma, in pixels, for planes of w by h
// values. One of 0 or less does nothing.
func NewGaussian(w, h int, sigma float64) *Gaussian {
	g := &Gaussian{w: w, h: h, every: 1}
	if !(sigma > 0) || w == 0 || h == 0 {
		g.h = 0
		return g
	}
	down, up, middle := gaussian(sigma), []float64{1}, []float64{1}
	switch n := int(apart * sigma); {
	case sigma >= leastTwo:
		g.every = max(n, 2)
		up = short(g.every)
		down, middle = up, rest(sigma, up, up, g.every)
	case sigma >= leastSigma:
		g.every, up = 2, boxes(2, 2, 2, 2, 2, 2, 2, 2)
		down = rest(sigma, up, nil, 1)
	}
	reach := len(middle) - 1
	g.middle, g.ones = both(middle).Weights, slices.Repeat([]float32{1}, g.every)
	g.x, g.y = newAxis(w, g.every, reach, down, up), newAxis(h, g.every, reach, down, up)
	return g
}

// None reports whether it does nothing.
func (g *Gaussian) None() bool { return g.h == 0 }

// Rows returns the rows that are to be convolved along themselves, as sums of the plane's. They are
// shared, and must not be changed.
func (g *Gaussian) Rows() []Sum { return g.y.down }

// Plane convolves a plane in place. Beyond its borders the plane goes on as it is there.
func (g *Gaussian) Plane(pix []float32) {
	if g.None() {
		return
	}
	s, _ := g.pool.Get().(*Soft)
	if s == nil {
		s = new(Soft)
	}
	defer g.pool.Put(s)
	src := pix
	if g.every == 1 { // whose rows are made from the plane itself
		s.low = sized(s.low, len(pix))
		copy(s.low, pix)
		src = s.low
	}
	s.Begin(g, Crisp{Pix: src, W: g.w, Stride: g.w, Rows: g.Rows()})
	s.Plane(pix)
}

// Crisp rows are those that a Gaussian is to convolve: each a sum of rows of Pix, of W values that
// begin Stride values after those of the row before, which Across, where it is not nil, makes as
// many values of as the plane is wide.
type Crisp struct {
	Pix       []float32
	W, Stride int
	Rows      []Sum
	Across    func(dst, row []float32)
}

// line returns line k, in one of two buffers, whose lengths are W and the plane's width.
func (l *Crisp) line(k int, row, wide []float32) []float32 {
	s := &l.Rows[k]
	if len(s.Weights) == 0 || l.W == 0 {
		clear(row)
	} else {
		kernel.Blend(row, l.Pix[s.First*l.Stride:], l.Stride, s.Weights)
	}
	if l.Across == nil {
		return row
	}
	l.Across(wide, row)
	return wide
}

// A Soft plane is what a Gaussian makes of one, row by row. Its memory goes from one to the next.
// The zero value is ready for Begin.
type Soft struct {
	g     *Gaussian
	lines Crisp
	low   []float32 // what is kept, convolved down and across
	one   cursor    // of Row
}

// Begin has it be what g, which must do something, makes of lines. Their Pix must stay as they are
// while rows are asked for.
func (s *Soft) Begin(g *Gaussian, lines Crisp) {
	s.g, s.lines = g, lines
	s.one.to = 0
	s.one.from = 0
	if g.every == 1 {
		return
	}
	columns := len(g.x.down)
	s.low = sized(s.low, columns*len(g.y.down))
	parallel.Rows(g.w, len(g.y.down), func(k0, k1 int) {
		var c cursor
		if k0 == 0 { // which is all of them on one core
			c = s.one
			defer func() { s.one = c }()
		}
		for k := k0; k < k1; k++ {
			s.thin(s.low[k*columns:(k+1)*columns], &c, k)
		}
	})
}

// Plane sets all rows of a plane.
func (s *Soft) Plane(dst []float32) {
	w := s.g.w
	parallel.Rows(w, s.g.h, func(y0, y1 int) {
		var c cursor
		if y0 == 0 {
			c = s.one
			defer func() { s.one = c }()
		}
		for y := y0; y < y1; y++ {
			s.row(dst[y*w:(y+1)*w], &c, y)
		}
	})
}

// Row sets dst to row y. It is quickest from the top, and not safe for concurrent use.
func (s *Soft) Row(dst []float32, y int) { s.row(dst, &s.one, y) }

// A cursor has the memory of who goes over rows, and those that are kept and have all columns.
type cursor struct {
	row, wide, parts, sums []float32
	kept                   []float32
	from, to               int // the numbers of those in kept, by those of the kept rows
}

// room is how many rows more than one row needs a cursor has, so that they seldom move.
const room = 16

// thin sets dst to the columns that are kept of line k.
func (s *Soft) thin(dst []float32, c *cursor, k int) {
	g := s.g
	c.row, c.wide = sized(c.row, s.lines.W), sized(c.wide, g.w)
	line := s.lines.line(k, c.row, c.wide)
	// Every so many-th value lies beside its like, so that sums of them go by vectors: beyond the
	// ends as they are there.
	n, pitch := len(dst), len(dst)+len(g.x.thin[0])
	c.parts, c.sums = sized(c.parts, pitch), sized(c.sums, g.every*n)
	for r, weights := range g.x.thin {
		part := c.parts[:n+len(weights)-1]
		at := g.x.start + r
		i := 0
		for ; i < len(part) && at < 0; i, at = i+1, at+g.every {
			part[i] = line[0]
		}
		if at < g.w {
			inside := min((g.w-1-at)/g.every+1, len(part)-i)
			kernel.Pick(part[i:i+inside], line[at:], g.every)
			i += inside
		}
		for ; i < len(part); i++ {
			part[i] = line[g.w-1]
		}
		to := dst
		if g.every > 1 {
			to = c.sums[r*n : (r+1)*n]
		}
		kernel.Blend(to, part, 1, weights)
	}
	if g.every > 1 {
		kernel.Blend(dst, c.sums, n, g.ones)
	}
}

// row sets dst to row y.
func (s *Soft) row(dst []float32, c *cursor, y int) {
	g := s.g
	if g.every == 1 {
		s.thin(dst, c, y)
		return
	}
	up := &g.y.up[y%g.every]
	from := y/g.every + up.First
	to := from + len(up.Weights)
	most := len(g.y.up[0].Weights) + 1
	c.kept = sized(c.kept, (most+room)*g.w)
	if from < c.from || from > c.to {
		c.from, c.to = from, from
	}
	if to-c.from > most+room {
		copy(c.kept, c.kept[(from-c.from)*g.w:(c.to-c.from)*g.w])
		c.from = from
	}
	for ; c.to < to; c.to++ {
		s.widen(c.kept[(c.to-c.from)*g.w:][:g.w], c, c.to)
	}
	kernel.Blend(dst, c.kept[(from-c.from)*g.w:], g.w, up.Weights)
}

// widen sets dst to all columns of the row from number k on of those that are kept, convolved.
func (s *Soft) widen(dst []float32, c *cursor, k int) {
	g := s.g
	columns := len(g.x.down)
	c.row, c.parts = sized(c.row, columns), sized(c.parts, columns)
	row, n := s.low[k*columns:][:columns], columns-len(g.middle)+1
	if n < columns {
		kernel.Blend(c.row, s.low[k*columns:], columns, g.middle)
		kernel.Blend(c.parts[:n], c.row, 1, g.middle)
		row = c.parts
	}
	for r := range min(g.every, g.w) {
		up := &g.x.up[r]
		part := (g.w-1-r)/g.every + 1
		c.sums = sized(c.sums, part)
		kernel.Blend(c.sums, row[up.First:], 1, up.Weights)
		kernel.Place(dst[r:], g.every, c.sums)
	}
}

// sized returns a slice of n values, which is s where that has room.
func sized(s []float32, n int) []float32 {
	if cap(s) < n {
		return make([]float32, n)
	}
	return s[:n]
}

// newAxis is for n values, of which every so many-th is kept by the weights down, convolved by
// others that reach so many to either side, and comes back by the weights up: each from their
// middle to one side.
func newAxis(n, every, reach int, down, up []float64) (a axis) {
	side := len(up) - 1
	from, to := -(side/every)-reach, (n-1+side)/every+reach+1
	a.down = sumsOf(n, from, to, every, down)
	a.start = from*every - (len(down) - 1)
	a.thin = make([][]float32, every)
	for i, v := range both(down).Weights {
		a.thin[i%every] = append(a.thin[i%every], v)
	}
	a.up = make([]Sum, every)
	for r := range a.up {
		first, last := -((side - r) / every), (side+r)/every
		a.up[r] = newSum(first+side/every, last-first+1, func(k int) float64 {
			d := r - (first+k)*every
			return up[max(d, -d)]
		})
	}
	return a
}

// sumsOf returns the sums around every so many-th of n values, from number from on up to but not
// including number to. The weight of what lies beyond an end is the end's.
func sumsOf(n, from, to, every int, weights []float64) []Sum {
	reach := len(weights) - 1
	all := make([]Sum, 0, to-from)
	inside := both(weights).Weights
	var folded []float64
	for j := from; j < to; j++ {
		at := j * every
		if at >= reach && at+reach < n {
			all = append(all, Sum{at - reach, inside})
			continue
		}
		first, last := min(max(at-reach, 0), n-1), min(max(at+reach, 0), n-1)
		folded = append(folded[:0], make([]float64, last-first+1)...)
		for d := -reach; d <= reach; d++ {
			folded[min(max(at+d, first), last)-first] += weights[max(d, -d)]
		}
		all = append(all, newSum(first, len(folded), func(i int) float64 { return folded[i] }))
	}
	return all
}

// both returns the sum of weights from their middle to either side.
func both(weights []float64) Sum {
	reach := len(weights) - 1
	return newSum(0, 2*reach+1, func(i int) float64 { return weights[max(i-reach, reach-i)] })
}

// newSum returns a sum whose n weights come to one, without rounding: they are whole numbers of
// 1/unit, which float32 has all of up to one.
func newSum(first, n int, weight func(i int) float64) Sum {
	const unit = 1 << 24
	all, most := 0., 0
	for i := range n {
		all += weight(i)
		if weight(i) > weight(most) {
			most = i
		}
	}
	s := Sum{first, make([]float32, n)}
	rest := unit
	for i := range n {
		v := int(math.Round(weight(i) / all * unit))
		rest -= v
		s.Weights[i] = float32(v) / unit
	}
	s.Weights[most] += float32(rest) / unit
	return s
}

// gaussian returns the Gaussian over each pixel's width, whose own variance is a part of sigma's,
// from its middle to one side.
func gaussian(sigma float64) []float64 {
	const (
		pixel = 1. / 12 // the variance of a pixel's width
		least = 1e-6    // of what is left
		reach = 4.2     // standard deviations, beyond which is 3e-5 of a Gaussian
	)
	own := math.Sqrt2 * math.Sqrt(max(sigma*sigma-pixel, least))
	weights := make([]float64, int(math.Ceil(reach*sigma))+1)
	for i := range weights {
		weights[i] = math.Erf((float64(i)+0.5)/own) - math.Erf((float64(i)-0.5)/own)
	}
	return weights
}

// short returns the short filter of every so many-th value, from its middle to one side. Each box
// takes more of what would be taken for something slower: with one less a step was off by more
// than 1e-4.
func short(every int) []float64 {
	if every == 2 {
		return boxes(2, 2, 2, 2, 2, 2)
	}
	return boxes(every, every, every, every, every|1) // an odd number of weights has a middle
}

// boxes returns the convolution of boxes of so many values, from its middle to one side.
func boxes(values ...int) []float64 {
	all := []float64{1}
	for _, n := range values {
		next := make([]float64, len(all)+n-1)
		for i, v := range all {
			for k := range n {
				next[i+k] += v / float64(n)
			}
		}
		all = next
	}
	return all[len(all)/2:]
}

// rest returns what is missing to a Gaussian of sigma beside filters by the weights a and b, over
// every so many-th value, from its middle to one side: the Fourier transform of the quotient, as
// far as there are frequencies.
func rest(sigma float64, a, b []float64, every int) []float64 {
	const (
		parts = 256  // of the frequencies; the quotient is smooth, and 64 would do
		none  = 1e-9 // of a Gaussian, whose filters need no quotient
		reach = 5.2  // standard deviations, beyond which is nothing to see
		least = 7e-5 // of the middle's weight, one that counts
	)
	pass := func(weights []float64, w float64) float64 {
		if weights == nil {
			return 1
		}
		sum := weights[0]
		for k, v := range weights[1:] {
			sum += 2 * v * math.Cos(float64(k+1)*w)
		}
		return sum
	}
	var quotient [parts]float64
	for i := range quotient {
		w := (float64(i) + 0.5) / parts * math.Pi / float64(every)
		if v := math.Exp(-sigma * sigma * w * w / 2); v > none {
			quotient[i] = v / (pass(a, w) * pass(b, w))
		}
	}
	n := int(math.Ceil(reach*sigma/float64(every))) + 1
	out := make([]float64, 0, n+1)
	for k := range n + 1 {
		sum := 0.
		for i, v := range quotient {
			sum += v * math.Cos((float64(i)+0.5)/parts*math.Pi*float64(k))
		}
		out = append(out, max(sum/parts, 0))
	}
	for len(out) > 1 && out[len(out)-1] < least*out[0] {
		out = out[:len(out)-1]
	}
	return out
}
