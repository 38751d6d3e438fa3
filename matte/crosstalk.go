package matte

import (
	"errors"
	"fmt"
	"math"

	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A Crosstalk is what the band camera sees of the set light: m.
type Crosstalk struct {
	M      [3]float64 // for red, green and blue; none is negative
	Sigma  [3]float64 // the standard errors
	Lift   float64    // light that the band plate has on the performer without any set light, in the mean: spill and the like
	Pixels int        // how many pixels they were taken from: certainly performer

	// Pedestal is the part of Lift that is the same all over the performer, less m times the color
	// plate's own where that has no dark plate: the level of black of a band plate without a dark
	// plate. Uniform spill is in it too. Its standard error is PedestalSigma.
	Pedestal, PedestalSigma float64
}

// ErrNoCore says that a take has too few pixels that are certainly performer and lit to tell the
// crosstalk.
var ErrNoCore = errors.New("too few pixels are certainly performer and lit")

// Crosstalk estimates m from frames of a take, by non-negative least squares over the pixels that
// are certainly performer: there the band plate has nothing but m . P, and what spill there is: a
// constant, or where the data ask for it a polynomial of degree 2 over the frame, since spill from
// a side that the performer is lit from would else pass for crosstalk. Pixels that a little screen
// shines through are cut off as outliers. The solver's own crosstalk does not matter. Fewer than
// 500 pixels give ErrNoCore.
//
// The standard errors come from the scatter between the places of the frame, so that they have in
// them what hangs together over a costume's patch, and not only the noise of the pixels.
func (s *Solver) Crosstalk(frames []Sample) (Crosstalk, error) {
	c, err := s.core(frames, nil)
	if err != nil {
		return Crosstalk{}, err
	}
	x, sigma, err := c.fit(coreConstant)
	if err != nil {
		return Crosstalk{}, err
	}
	// What the field must have, in standard errors and in full scale, to be there: what is not
	// plain is not there (common practice). And one part in so many of the core has spill no larger
	// than the pedestal. Chosen by hand.
	const (
		plain    = 5
		plainLit = 0.002
		loose    = 20
	)
	columns := coreConstant
	if field, errs, err := c.fit(coreField); err == nil {
		for i, v := range field[4:] {
			if math.Abs(v) > max(plain*errs[4+i], plainLit) {
				x, sigma, columns = field, errs, coreField
				break
			}
		}
	}
	out := Crosstalk{M: [3]float64(x[:3]), Sigma: [3]float64(sigma[:3]), Pixels: len(c.rows) * coreStep * coreStep}
	lifts := make([]float64, len(c.rows))
	for n, r := range c.rows {
		for i, k := range columns[3:] {
			lifts[n] += x[3+i] * r.v[k]
		}
		out.Lift += lifts[n] / float64(len(c.rows))
	}
	// Spill is least where none falls; the very least of a polynomial is at its loose ends.
	out.Pedestal, out.PedestalSigma = max(robust.Nth(lifts, len(lifts)/loose), 0), sigma[3]
	return out, nil
}

// What can be fitted to the core beside m: columns of a coreRow.
var (
	coreConstant = []int{0, 1, 2, 4}
	coreGlare    = []int{0, 1, 2, 4, 3}
	coreField    = []int{0, 1, 2, 4, 5, 6, 7, 8, 9}
)

const (
	// The distance between the pixels that are looked at: each is a mean over 3x3.
	coreStep = 3
	coreMost = 18_000_000 // pixels of all frames from which the distance grows; bounds the work

	// coreReach is how far, in pixels along each axis, the core stays away from where the screen
	// shines through: the blur of an edge reaches a few pixels inward. Chosen by hand.
	coreReach = 5

	// openFrom is the transmission above which a place may let the screen shine through: set light
	// in the band of a bright costume may look like a third.
	openFrom = 0.35
)

// A core is what the two plates hold where there is certainly performer.
type core struct {
	rows  []coreRow
	group int // how many groups there are
}

type coreRow struct {
	v     [10]float64 // red, green, blue, the glare's light, and 1, x, y, x^2, xy, y^2 of the place
	band  float64
	group int
}

// core gathers the pixels that are certainly performer. The glare, where not nil, returns the light
// that the lens spreads in a frame, at a strength of 1.
func (s *Solver) core(frames []Sample, glare func(Sample) *plate.Gray) (*core, error) {
	free := *s
	free.m = [3]float32{} // inverse still has m.K in it, a difference of some 1e-3 that the threshold below forgives
	// A group is a place, in all frames: the noise of the dark plates is the same in each, and so
	// is a performer who stands still.
	cells := newCells(s.w, s.h)
	out := &core{group: cells.n}
	for k, f := range frames {
		u, err := free.quotient(f)
		if err != nil {
			return nil, fmt.Errorf("sample %d: %w", k, err)
		}
		g, err := gainIn(u)
		if errors.Is(err, ErrNoScreen) {
			g.Value = 1
		} else if err != nil {
			return nil, err
		}
		high := boxMax(u, coreReach)
		var veil *plate.Gray
		if glare != nil {
			veil = glare(f)
		}
		stride := coreStep * (1 + s.w*s.h*len(frames)/coreMost)
		for y := coreReach; y < s.h-coreReach; y += stride {
			for x := coreReach; x < s.w-coreReach; x += stride {
				i := y*s.w + x
				if high.Pix[i] > openFrom*float32(g.Value) || s.inverse.Pix[i] == 0 {
					continue
				}
				// Means over 3x3 pixels: noise in what is fitted to would make m too small.
				row := coreRow{group: cells.of(x, y)}
				for dy := -1; dy <= 1; dy++ {
					for j := i + dy*s.w - 1; j <= i+dy*s.w+1; j++ {
						for c := range 3 {
							row.v[c] += float64(f.Color.Pix[c][j]) / 9
							if s.darkColor != nil {
								row.v[c] -= float64(s.darkColor.Pix[c][j]) / 9
							}
						}
						row.band += float64(f.Band.Pix[j]) / 9
						if s.darkBand != nil {
							row.band -= float64(s.darkBand.Pix[j]) / 9
						}
					}
				}
				if veil != nil {
					row.v[3] = float64(veil.Pix[i])
				}
				powers(row.v[4:], 2, place(x, s.w), place(y, s.h))
				out.rows = append(out.rows, row)
			}
		}
	}
	return out, nil
}

// fit returns the coefficients of these columns with their standard errors. Only the field's slopes
// and bends can be negative.
func (c *core) fit(columns []int) (x, sigma []float64, err error) {
	const (
		// Places: 500 pixels, as Crosstalk states it; chosen by hand.
		least = 500 / (coreStep * coreStep)

		// Passes, in the first of which what lies above the fit counts for little; and in standard
		// deviations, how far from it a place is left out. Chosen by hand.
		passes, early = 14, 4
		earlyAbove    = 0.2
		outlier       = 3

		// In full scale: the least standard deviation, of plates without noise; and the least mean
		// square of the performer's light, a 170th in each channel, that tells m. Chosen by hand.
		leastSigma  = 1e-7
		leastSquare = 1e-4
	)
	n := len(columns)
	var signed []int
	for i, k := range columns {
		if k > 4 {
			signed = append(signed, i)
		}
	}
	if len(c.rows) < least {
		return nil, nil, ErrNoCore
	}
	x = make([]float64, n)
	residual := func(r coreRow) float64 {
		e := r.band
		for i, k := range columns {
			e -= x[i] * r.v[k]
		}
		return e
	}
	low, high := math.Inf(-1), math.Inf(1)
	var residuals []float32
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n)
	}
	var used int
	for pass := range passes {
		for i := range a {
			clear(a[i])
		}
		b := make([]float64, n)
		used = 0
		for _, r := range c.rows {
			e := residual(r)
			if pass > 0 && (e < low || e > high) {
				continue
			}
			w := 1.0
			if pass < early && e > 0 { // whatever shines through only adds: begin at the lower edge
				w = earlyAbove
			}
			used++
			for i, k := range columns {
				b[i] += w * r.v[k] * r.band
				for j, l := range columns {
					a[i][j] += w * r.v[k] * r.v[l]
				}
			}
		}
		if used < least {
			return nil, nil, ErrNoCore
		}
		x = nonNegative(a, b, signed...)
		residuals = residuals[:0]
		for _, r := range c.rows {
			if e := residual(r); pass == 0 || (e >= low && e <= high) {
				residuals = append(residuals, float32(math.Abs(e)))
			}
		}
		sd := max(robust.SigmaOfMAD*float64(quantile(residuals, 0.5)), leastSigma)
		low, high = -outlier*sd, outlier*sd
	}
	if light := (a[0][0] + a[1][1] + a[2][2]) / float64(used); light < leastSquare {
		return nil, nil, ErrNoCore
	}
	scores := map[int][]float64{}
	for _, r := range c.rows {
		e := residual(r)
		if e < low || e > high {
			continue
		}
		g := scores[r.group]
		if g == nil {
			g = make([]float64, n)
			scores[r.group] = g
		}
		for i, k := range columns {
			g[i] += r.v[k] * e
		}
	}
	list := make([][]float64, 0, len(scores))
	for k := range c.group { // in a fixed order, so that the sums are the same at every run
		if g := scores[k]; g != nil {
			list = append(list, g)
		}
	}
	return x, sandwich(a, list), nil
}
