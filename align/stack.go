package align

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A stack is the pairs of a take as pyramids; levels[0] is the finest.
type stack struct {
	colorW, colorH, bandW, bandH int
	levels                       []*level
	screen                       *screen
}

// A level holds the pairs reduced by whole factors: pixel x of the level is centered on
// (x+0.5)*factor-0.5 of the plate. Both cameras' pictures are lightly smoothed, which makes what
// interpolation does to noise nearly the same wherever it falls between the pixels.
type level struct {
	w, h   int // of the color plates
	bw, bh int // of the band plates
	fc, fb float64
	beyond []bool  // which pixels of the band plates lie beyond the screen's borders; nil where none does
	blur   float64 // the variance of the blur in both cameras' pictures, in color pixels of the level, squared
	// softened is the variance by which the band plates have been blurred more than the color
	// plates to match them, in band pixels of the level, squared.
	softened float64
	frames   []frame
}

// off reports whether pixel i of the band plates lies beyond the screen, where there is none of the
// screen's light to measure by.
func (l *level) off(i int) bool { return l.beyond != nil && l.beyond[i] }

// A frame is a pair at one level.
type frame struct {
	color  [3][]float32 // linear light, each channel divided by its own highlight
	alpha  []float32    // 1 less the band plate over the screen: 0 on the screen, about 1 on the performer
	spline []float32    // the coefficients of alpha's spline
	// burnt says in which squares, burntSide pixels a side, the color plate clips in any channel;
	// on the finest level.
	burnt [3][]bool
	// The smoothed pictures' noise, as standard deviations, of the color's channels and of alpha.
	colorNoise [3]float64
	alphaNoise float64
	late       [lateTerms]float64 // by which the band plate is displaced, in pixels of the level: see shutter
}

const (
	// maxWidth is how wide, in pixels, color plates may be that are worked on without reducing them: those
	// of 4096-wide cameras are not. It bounds the memory. At half their size small performers lit from one
	// side were 0.03 to 0.18 pixels off at the edges, and are 0.01 to 0.04.
	maxWidth = 4800
	topWidth = 200 // pixels, about, of the coarsest level's width; chosen by hand

	// alike is by how much the cameras' resolutions may differ on a level. Of drawn takes lit from one
	// side, with a band plate of two thirds of the color plate's pixels along each side, edges lay 0.02
	// pixels off where both plates were left as they are, and 0.15 to 0.2 where the color plate was
	// halved.
	alike = 1.6

	// The least noise that plates are taken to have: of a color channel, in parts of its highlight,
	// and of alpha. Quantized or drawn plates may show none, and no weight may be infinite. Chosen
	// by hand.
	leastColorNoise = 0.001
	leastAlphaNoise = 0.002

	// samples is about how many pixels a quantile is taken from: the median's own error is then
	// below a hundredth of the standard deviation.
	samples = 20000
)

// allLevels is more than a stack has.
const allLevels = 64

// newStack reduces the pairs, to color plates of at most width pixels' width on the finest level, and
// divides the band plates by their screen. Of the levels the finest have their frames, so many at
// most: one that nobody looks at takes as much time as any.
func newStack(ctx context.Context, pairs []Pair, width, filled int) (*stack, error) {
	p := pairs[0]
	s := &stack{colorW: p.Color.W, colorH: p.Color.H, bandW: p.Band.W, bandH: p.Band.H}
	// The finest level: about the same resolution in both cameras.
	fc, fb := 1, 1
	for p.Color.W/fc > width {
		fc *= 2
	}
	for float64(p.Band.W)/float64(fb) > alike*float64(p.Color.W)/float64(fc) {
		fb *= 2
	}
	for float64(p.Color.W)/float64(fc) > alike*float64(p.Band.W)/float64(fb) && p.Color.W/fc > 2*minSide {
		fc *= 2
	}
	if cw, ch, bw, bh := p.Color.W/fc, p.Color.H/fc, p.Band.W/fb, p.Band.H/fb; min(cw, ch, bw, bh) < minSide/2 {
		return nil, fmt.Errorf("align: the plates have %dx%d (color) and %dx%d (band) pixels, which is %dx%d and %dx%d at about one resolution, and each side must have at least %d there: the cameras' frames must be of about one shape",
			p.Color.W, p.Color.H, p.Band.W, p.Band.H, cw, ch, bw, bh, minSide/2)
	}
	n := 1
	for p.Color.W/(fc<<(n-1)) > topWidth && min(p.Color.H/(fc<<n), p.Color.W/(fc<<n), p.Band.H/(fb<<n), p.Band.W/(fb<<n)) >= minSide/2 {
		n++
	}
	for i := range n {
		s.levels = append(s.levels, &level{fc: float64(fc << i), fb: float64(fb << i), frames: make([]frame, len(pairs))})
	}

	filled = min(filled, n)
	bands := make([][]plane, len(pairs)) // by pair and level
	var errs [2]error
	parallel.Do(func() {
		errs[0] = parallel.Try(ctx, len(pairs), 0, func(i int) error {
			bands[i] = s.reduceBand(i, pairs[i].Band, fb, filled)
			return nil
		})
		if errs[0] == nil { // beside the color plates, since it is for one core
			s.screen, errs[0] = fitScreen(bands)
		}
	}, func() {
		errs[1] = parallel.Try(ctx, 3*len(pairs), 0, func(i int) error {
			s.reduceColor(i/3, i%3, pairs[i/3].Color, fc, filled)
			return nil
		})
	})
	if err := cmp.Or(errs[:]...); err != nil {
		return nil, err
	}
	for _, l := range s.levels[:filled] {
		l.beyond = s.screen.beyond(l.bw, l.bh)
	}
	err := parallel.Try(ctx, len(pairs), 0, func(i int) error {
		for k, l := range s.levels[:filled] {
			b := bands[i][k]
			s.screen.divide(b, i)
			l.frames[i].alpha = b.pix
			l.frames[i].spline = splined(nil, b)
			l.frames[i].alphaNoise = math.Max(noise(b), leastAlphaNoise)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, l := range s.levels[:filled] {
		l.measureBlur()
	}
	return s, nil
}

// A plane is one channel of a picture.
type plane struct {
	w, h int
	pix  []float32
}

// newPlane asks for large pages of memory.
func newPlane(w, h int) plane { return plane{w, h, plate.NewGray(w, h).Pix} }

// reduceColor fills that many levels for a channel of one pair's color plate.
func (s *stack) reduceColor(i, c int, p *plate.RGB, factor, filled int) {
	q := shrink(plane{p.W, p.H, p.Pix[c]}, factor)
	s.levels[0].frames[i].burnt[c] = clipped(q)
	scale := highlight(q)
	for k, l := range s.levels[:filled] {
		if k > 0 {
			q = shrink(q, 2)
		}
		b := s.smoothed(q, k, scale)
		f := &l.frames[i]
		f.color[c] = b.pix
		f.colorNoise[c] = math.Max(noise(b), leastColorNoise)
		if i == 0 && c == 0 {
			l.w, l.h = q.w, q.h
		}
	}
}

// reduceBand returns one pair's band plate at each level: smoothed where that is to be filled, and
// at the coarsest, by which the screen is found.
func (s *stack) reduceBand(i int, p *plate.Gray, factor, filled int) (list []plane) {
	q := shrink(plane{p.W, p.H, p.Pix}, factor)
	for k, l := range s.levels {
		if k > 0 {
			q = shrink(q, 2)
		}
		if k < filled || k == len(s.levels)-1 {
			list = append(list, s.smoothed(q, k, 1))
		} else {
			list = append(list, q)
		}
		if i == 0 {
			l.bw, l.bh = q.w, q.h
		}
	}
	return list
}

// burntSide is the side of the squares of frame.burnt, in pixels.
const burntSide = 4

// clipped returns in which squares of a plane, row by row, some pixel is at its top, where many
// are: a camera or a file holds no more than that.
func clipped(q plane) []bool {
	const (
		many = 16   // pixels of one value: noise makes no two alike that are not clipped
		near = 5e-3 // of the top: what a curve's rounding and the dark plate's noise leave between clipped values
	)
	tops := make([]float32, q.h) // of each row: most have nothing near the top
	parallel.EachRow(q.w, q.h, func(y int) { tops[y] = largestOf(q.pix[y*q.w : (y+1)*q.w]) })
	top := slices.Max(tops)
	limit := top - near*float32(math.Abs(float64(top)))
	across := (q.w + burntSide - 1) / burntSide
	squares := make([]bool, across*((q.h+burntSide-1)/burntSide))
	n := 0
	for y := range q.h {
		if tops[y] < limit {
			continue
		}
		for x, v := range q.pix[y*q.w : (y+1)*q.w] {
			if v >= limit {
				n++
				squares[y/burntSide*across+x/burntSide] = true
			}
		}
	}
	if n < many {
		clear(squares)
	}
	return squares
}

// largestOf returns the largest value of a row.
func largestOf(row []float32) float32 {
	const some = 64 // values at once
	if len(row) <= some {
		return slices.Max(row)
	}
	var top [some]float32
	copy(top[:], row)
	for i := some; i <= len(row)-some; i += some {
		kernel.Raise(top[:], row[i:i+some])
	}
	kernel.Raise(top[:], row[len(row)-some:])
	return slices.Max(top[:])
}

// isBurnt reports whether the color plate clips in the square about a pixel.
func (f *frame) isBurnt(w, x, y int) bool {
	i := y/burntSide*((w+burntSide-1)/burntSide) + x/burntSide
	for _, squares := range f.burnt {
		if squares != nil && squares[i] {
			return true
		}
	}
	return false
}

// smoothed returns a plane smoothed for level k, times the factor. On the finest it is as little as
// interpolation needs: all that is not the lens's own blur makes an edge's place less certain.
func (s *stack) smoothed(q plane, k int, factor float32) plane {
	weights := binomial
	if k == 0 && len(s.levels) > 1 {
		weights = gaussian(lightly)
	}
	to := newPlane(q.w, q.h)
	filter(to, q, weights, factor)
	return to
}

// lightly is the variance of the smoothing on the finest of several levels, in pixels, squared;
// chosen by hand.
const lightly = 0.25

// smoothing returns the variance of what smoothed does for a level.
func (s *stack) smoothing(l *level) float64 {
	if l == s.levels[0] && len(s.levels) > 1 {
		return lightly
	}
	return 1 // binomial's
}

// darkQuantile is the quantile of a color channel that is taken for its dark level; chosen by hand.
const darkQuantile = 0.05

// highlight returns the factor that brings a channel's 99.5th percentile, above its dark level, to
// 1.
func highlight(q plane) float32 {
	const (
		brightest = 0.995 // the quantile: what glints or clips is less of a frame; common practice
		black     = 1e-9  // light up to which a channel is black
	)
	sample := sampled(q.pix, samples)
	dark, light := float64(robust.Quantile(sample, darkQuantile)), float64(robust.Quantile(sample, brightest))
	if !(light-dark > black) {
		return 1
	}
	return float32(1 / (light - dark))
}

// sampled returns about n of a plane's values, evenly spread over its columns too.
func sampled(pix []float32, n int) []float32 {
	step := max(1, len(pix)/n)
	if step > 1 {
		step |= 1 // odd, so that it does not keep to the same columns
	}
	v := make([]float32, 0, len(pix)/step+1)
	for i := 0; i < len(pix); i += step {
		v = append(v, pix[i])
	}
	return v
}

// noise returns the standard deviation of a plane's noise, from the median difference of pixels far
// enough apart for smoothing not to have tied them together.
func noise(q plane) float64 {
	const (
		apart  = 5      // pixels: binomial is as wide
		median = 0.6745 // of the absolute values of normal noise, in sigma
	)
	step := max(1, q.w*q.h/samples)
	d := make([]float32, 0, q.w*q.h/step+1)
	for i := 0; i < q.w*q.h; i += step {
		if i%q.w+apart < q.w {
			d = append(d, float32(math.Abs(float64(q.pix[i+apart]-q.pix[i]))))
		}
	}
	return float64(robust.Median(d)) / (median * math.Sqrt2)
}

// shrink averages blocks of f by f pixels; what is left over at the right and the bottom is
// dropped.
func shrink(q plane, f int) plane {
	if f == 1 {
		return q
	}
	r := newPlane(q.w/f, q.h/f)
	parallel.Rows(q.w, r.h, func(from, end int) {
		weights := slices.Repeat([]float32{1 / float32(f*f)}, f)
		sums := make([]float32, r.w*f) // of f rows
		for y := from; y < end; y++ {
			kernel.Blend(sums, q.pix[y*f*q.w:], q.w, weights)
			out := r.pix[y*r.w : (y+1)*r.w]
			if f == 2 {
				for x := range out {
					pair := sums[2*x : 2*x+2]
					out[x] = pair[0] + pair[1]
				}
				continue
			}
			for x := range out {
				for _, v := range sums[x*f : x*f+f] {
					out[x] += v
				}
			}
		}
	})
	return r
}

// binomial are the weights of a standard deviation of 1 pixel.
var binomial = []float32{1. / 16, 4. / 16, 6. / 16, 4. / 16, 1. / 16}

// filter sets to, which may be q, to q filtered along both axes by weights of an odd number, the
// borders repeated, and times the factor.
func filter(to, q plane, weights []float32, factor float32) {
	const (
		strip = 128 // columns that go down together, so that they stay in a cache
		some  = 32  // rows of them
	)
	reach := len(weights) / 2
	parallel.Rows(q.w, q.h, func(from, end int) {
		line := make([]float32, q.w+2*reach)
		for y := from; y < end; y++ {
			copy(line[reach:], q.pix[y*q.w:(y+1)*q.w])
			for i := range reach {
				line[i], line[reach+q.w+i] = line[reach], line[reach+q.w-1]
			}
			kernel.Blend(to.pix[y*q.w:(y+1)*q.w], line, 1, weights)
		}
	})
	down := list.Of(weights, func(v float32) float32 { return v * factor })
	parallel.Parts((q.w+strip-1)/strip, func(from, end int) {
		rows := make([]float32, (some+2*reach)*strip)
		for k := from; k < end; k++ {
			x, n := k*strip, min(strip, q.w-k*strip)
			read := func(i, y int) {
				y = min(max(y, 0), q.h-1)
				copy(rows[i*n:(i+1)*n], to.pix[y*q.w+x:])
			}
			for i := range 2 * reach {
				read(i, i-reach)
			}
			for y := 0; y < q.h; y += some {
				for i := range some {
					read(2*reach+i, y+reach+i)
				}
				for i := range min(some, q.h-y) {
					kernel.Blend(to.pix[(y+i)*q.w+x:(y+i)*q.w+x+n], rows[i*n:], n, down)
				}
				copy(rows, rows[some*n:(some+2*reach)*n])
			}
		}
	})
}

// measureBlur finds the blur that is in all of the level's pictures by the steepest edges of the
// band plates: a step under a Gaussian blur of variance v is steepest by 1 over the root of 2 pi v.
func (l *level) measureBlur() {
	const (
		// Of the blocks of which each gives its steepest place, and how far from it a step is over.
		side, reach = 12, 4
		// Where there are too few steps: the smoothing and a sharp lens; chosen by hand.
		usual = 1.5
		few   = 20 // steps; chosen by hand
		// Heights in alpha of a step from the screen to what is solid; chosen by hand.
		low, high = 0.85, 1.2
		// The quantile of steepness: motion and depth make edges softer, and nothing crisper.
		crisp = 0.75
	)
	lines := max((l.bh-2*reach-1)/side, 0) // of blocks
	of := make([][]float32, lines*len(l.frames))
	parallel.Each(len(of), func(n int) {
		a, y := l.frames[n/lines].alpha, reach+n%lines*side
		for x := reach; x+side < l.bw-reach; x += side {
			most, at := float32(0), 0
			for j := y; j < y+side; j++ {
				k := j*l.bw + x
				above, row, below := a[k-l.bw:][:side], a[k-1:][:side+2], a[k+l.bw:][:side]
				for i, v := range above {
					gx, gy := row[i+2]-row[i], below[i]-v
					if g := gx*gx + gy*gy; g > most {
						most, at = g, k+i
					}
				}
			}
			if most == 0 || l.off(at) {
				continue
			}
			bottom, top := a[at], a[at]
			for _, k := range []int{-reach * l.bw, reach * l.bw, -reach, reach} {
				bottom, top = min(bottom, a[at+k]), max(top, a[at+k])
			}
			if height := top - bottom; height > low && height < high {
				of[n] = append(of[n], most/(4*height*height))
			}
		}
	})
	found := slices.Concat(of...)
	if len(found) < few {
		l.blur = usual
		return
	}
	// A difference over two pixels sees the edge under a third more of a variance.
	scale := float64(l.bw) / float64(l.w)
	l.blur = math.Max(0, 1/(2*math.Pi*float64(robust.Quantile(found, crisp)))-1./3) / (scale * scale)
}
