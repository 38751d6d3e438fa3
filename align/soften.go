package align

import (
	"context"
	"math"
	"sort"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// mostSoftening bounds the variance by which a plate is blurred to match the other in one round, in
// pixels of the level, squared; chosen by hand.
const mostSoftening = 6

// A Softness is how much softer one camera's picture is than the other's, measured where the
// performer's edges are in both.
type Softness struct {
	// Difference is the blur, as the sigma of a Gaussian in color pixels, that makes the sharper
	// plate as soft as the other: positive where the band plate is the softer one, negative where
	// the color plate is.
	Difference float64 `json:"difference_px"`
	Sigma      float64 `json:"sigma_px"` // standard error of Difference
	Edges      int     `json:"edges"`    // how many pieces of edge it was measured at; 0: it was not
}

// Told reports whether the plates differ by three standard errors or more, and by least color
// pixels or more, give or take one standard error.
func (s Softness) Told(least float64) bool {
	const sure = 3 // standard errors; common practice
	size := math.Abs(s.Difference)
	return s.Edges > 0 && size+s.Sigma >= least && size > sure*s.Sigma
}

// SoftnessDifference measures the softness of the two cameras' pictures against each other, for a
// geometry that is known: FromFootage does it by itself. The pairs are as for FromFootage, and so
// are the errors.
//
// The color plate at each piece of edge is modeled as FromFootage does it; the blur of the band
// plate's alpha, or of the color plate, that fits best is found by Gauss-Newton, and the median
// over the pieces is taken. What the performer's light does within a few pixels of an edge looks in
// part like softness: on drawn takes whose plates differed by 1 pixel it found 0.7 to 0.9.
func SoftnessDifference(ctx context.Context, pairs []Pair, g Geometry) (Softness, error) {
	s, f, err := matched(ctx, pairs, g, maxWidth)
	if err != nil {
		return Softness{}, err
	}
	return s.softness(f), nil
}

// softness returns the softness of the plates themselves, from what it took to bring a level's
// plates to one.
func (s *stack) softness(f *fit) Softness {
	l := f.l
	own, scale := s.ownBlur(l, f.g)
	v := own - l.softened*scale*scale
	d := math.Copysign(math.Sqrt(math.Abs(v)), v)

	votes, half := l.votes(f.last)
	cells := map[int]bool{}
	for _, m := range f.last {
		if m.used {
			cells[m.frame*f.cells()+f.cell(m.x, m.y)] = true
		}
	}
	if len(votes) < minEdges {
		return Softness{}
	}
	const (
		quartiles = 1.349 // the interquartile range of a normal distribution, in sigma
		// The standard error of its median over that of its mean: the root of pi/2.
		median = 1.2533
	)
	quartile := func(part float64) float64 { return weighted(votes, 2*half*part) }
	// Pieces of edge that are close together have their light in common, and count as one.
	spread := 2 * (quartile(0.75) - quartile(0.25)) / quartiles * median / math.Sqrt(float64(len(cells))) * scale * scale
	noise := spread / math.Max(2*math.Abs(d), 2*math.Sqrt(spread))
	return Softness{Difference: d, Sigma: math.Hypot(noise, softLight*d), Edges: len(votes)}
}

// ownBlur returns by how much a level's reduction and smoothing alone make its color plates softer
// than its band plates, as a variance in color pixels, squared, and how many color pixels there are
// to a band pixel of the level.
func (s *stack) ownBlur(l *level, g Geometry) (variance, scale float64) {
	sx, sy := g.Density()
	band := 2 / (sx + sy) // color pixels to a band pixel
	added := func(factor float64) float64 { return (factor*factor-1)/12 + s.smoothing(l)*factor*factor }
	return added(l.fc) - added(l.fb)*band*band, band * l.fb
}

// softLight is the part of a difference by which the performer's light may make it look smaller or
// larger: as it was on takes drawn with light from one side, of which the truth was known.
const softLight = 0.2

// A vote is half the variance by which a tile would have the band plate blurred.
type vote struct{ v, weight float64 }

// votes returns those of the tiles that were used, in order, and half of their weight.
func (l *level) votes(ms []measurement) (votes []vote, half float64) {
	for _, m := range ms {
		if m.used && m.soft[0] > 0 {
			votes = append(votes, vote{m.soft[1] / m.soft[0], math.Sqrt(m.soft[0])})
			half += math.Sqrt(m.soft[0]) / 2
		}
	}
	sort.Slice(votes, func(i, j int) bool { return votes[i].v < votes[j].v })
	return votes, half
}

// weighted returns the first vote at which the weights sum up to this much.
func weighted(votes []vote, weight float64) float64 {
	for _, v := range votes {
		if weight -= v.weight; weight <= 0 {
			return v.v
		}
	}
	return 0
}

// matchSoftness brings the plates of the fit's level, the finest, to the same softness, and refits.
// Otherwise an edge that is soft in one camera and crisp in the other would seem to lie further out
// or in: the model weights an edge's outer flank more than its inner one, which has texture. A tile
// is too small to tell a wide blur by, and there the level above it is asked first.
func (s *stack) matchSoftness(ctx context.Context, f *fit) error {
	if len(s.levels) > 1 {
		c := newFit(f.g, s.levels[1], Radial)
		c.model = fixedModel
		// What blur of the finest level's band plates one of the reduced ones means, which were smoothed
		// in pixels of their own.
		own, scale := s.ownBlur(f.l, f.g)
		reduced, coarse := s.ownBlur(c.l, f.g)
		means := func(v float64) float64 { return (v*coarse*coarse - reduced + own) / (scale * scale) }
		if ok, err := c.run(ctx, 0); err != nil {
			return err
		} else if ok && math.Abs(means(c.sharper())) > wide/2 {
			if ok, err := c.soften(ctx); err != nil {
				return err
			} else if v := means(c.l.softened); ok && math.Abs(v) > wide {
				f.l.soften(f.g, v)
				if ok, err := f.run(ctx, 1); err != nil || !ok {
					return err
				}
			}
		}
	}
	_, err := f.soften(ctx)
	return err
}

// wide is the variance of a blur that is looked for on a reduced level first, in pixels of the
// finest, squared; chosen by hand.
const wide = 1.5

// sharper returns the variance of the blur that would bring the band plates to the softness of the
// color plates, or where it is negative the reverse, by the last measurements, in band pixels of
// the level, squared.
func (f *fit) sharper() float64 {
	votes, half := f.l.votes(f.last)
	return 2 * weighted(votes, half)
}

// soften brings the level's plates to the same softness, and refits. The model of the blur is one
// to first order, hence the rounds: each finds half of what is left, or more.
func (f *fit) soften(ctx context.Context) (ok bool, err error) {
	ok = true
	const (
		rounds = 6 // which leave a 60th at most
		// Variance, in band pixels of the level, squared, below which the plates are alike; chosen
		// by hand.
		done = 0.03
	)
	for range rounds {
		v := math.Max(-mostSoftening, math.Min(f.sharper(), mostSoftening))
		if math.Abs(v) < done {
			break
		}
		f.l.soften(f.g, v)
		if ok, err = f.run(ctx, 1); err != nil || !ok {
			break
		}
	}
	return ok, err
}

// soften blurs the band plates by this variance, or where it is negative the color plates, in band
// pixels of the level, squared.
func (l *level) soften(g Geometry, variance float64) {
	l.softened += variance
	if variance > 0 {
		defer l.measureBlur() // of the band plates
		parallel.Each(len(l.frames), func(i int) {
			f := &l.frames[i]
			f.spline = splined(f.spline, blur(plane{l.bw, l.bh, f.alpha}, variance))
		})
		return
	}
	sx, sy := g.Density()
	scale := (sx + sy) / 2 * l.fc / l.fb // band pixels of the level to a color pixel of the level
	parallel.Each(3*len(l.frames), func(i int) {
		blur(plane{l.w, l.h, l.frames[i/3].color[i%3]}, -variance/(scale*scale))
	})
}

// Blur blurs a frame in place by nearly a Gaussian: weights of exactly this variance, in pixels
// squared, along rows and columns. Borders are repeated. A variance of 0 or below leaves the frame as
// it is.
func Blur(f *plate.Gray, variance float64) {
	blur(plane{f.W, f.H, f.Pix}, variance)
}

// blur smooths a plane in place with a kernel of exactly the variance given along each axis, the
// borders repeated.
func blur(q plane, variance float64) plane {
	if variance > 0 {
		filter(q, q, gaussian(variance), 1)
	}
	return q
}

// gaussian returns weights of exactly this variance, in pixels squared, which is positive: those of
// passes of three weights.
func gaussian(variance float64) []float32 {
	// Variance of the weights 1, 2, 1; with more, the finest detail would come out reversed.
	const most = 0.5
	passes := int(math.Ceil(variance / most))
	side := variance / float64(passes) / 2
	weights := []float64{1}
	for range passes {
		next := make([]float64, len(weights)+2)
		for i, v := range weights {
			next[i] += side * v
			next[i+1] += (1 - 2*side) * v
			next[i+2] += side * v
		}
		weights = next
	}
	return list.Of(weights, func(v float64) float32 { return float32(v) })
}
