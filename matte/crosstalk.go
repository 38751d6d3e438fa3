package matte

import (
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A Crosstalk is what the band camera sees of the set light: m.
type Crosstalk struct {
	M      [3]float64 // for red, green and blue; none is negative
	Sigma  [3]float64 // the standard errors
	Lift   float64    // light that the band plate has on the performer without any set light, in the mean: spill and the like
	Pixels int        // how many pixels they were taken from: certainly performer

	// Covariance is that of the errors of M and, last, of Lift. They are known together far better
	// than apart: a costume of one color tells their sum alone.
	Covariance [4][4]float64

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
// shines through are cut off as outliers. The solver's own crosstalk does not matter. Where fewer
// than 500 pixels are five pixels inside the performer, those nearer to the edge serve, down to
// two pixels; fewer than 100 of them give ErrNoCore.
//
// What the plates tell is held against what is usual (see usualCrosstalk and usualLift), which
// decides where they tell nothing: how a costume of one color shares its light among the channels.
//
// The standard errors come from the scatter between the parts of the performer: each part is left
// out in turn. So they have in them what hangs together over a costume's patch, as where its
// reflectance at the line is no mixture of what it is in red, green and blue, and not only the
// noise of the pixels.
func (s *Solver) Crosstalk(frames []Sample) (Crosstalk, error) {
	c, err := s.core(frames, nil, coreReach)
	for reach := coreReach - 1; err == nil && reach >= nearReach && len(c.rows) < leastRows; reach-- {
		c, err = s.core(frames, nil, reach)
	}
	if err != nil {
		return Crosstalk{}, err
	}
	var x, field []float64
	var both, errs [2][][]float64
	noField := ErrNoCore
	parallel.Do(func() {
		x, both, err = c.fit(coreConstant)
	}, func() {
		if len(c.rows) >= leastRows {
			field, errs, noField = c.fit(coreField)
		}
	})
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
	if noField == nil {
		for i, v := range field[4:] {
			if math.Abs(v) > max(plain*math.Sqrt(errs[0][4+i][4+i]), plainLit) {
				x, both, columns = field, errs, coreField
				break
			}
		}
	}
	covariance := both[0]
	size := func(c [][]float64) float64 { return math.Sqrt(c[0][0] + c[1][1] + c[2][2]) }
	if small, large := size(both[0]), size(both[1]); large > small && !math.IsInf(large, 0) {
		covariance = both[1]
		// A patch of a costume may lie in several parts, which then are not independent: the errors
		// that parts of side s state for patches of side l < s are too small by the factor
		// 1 - l/(3 s). Two sizes of parts tell what infinite ones would state.
		if a, b := float64(c.sides[0]), float64(c.sides[1]); b > a {
			grown := (b - a*small/large) / (b - a)
			for _, row := range covariance {
				for j := range row {
					row[j] *= grown * grown
				}
			}
		}
	}
	if math.IsInf(size(covariance), 0) {
		covariance = usualCovariance(len(columns))
	}
	out := Crosstalk{M: [3]float64(x[:3]), Pixels: c.seen * coreStep * coreStep}
	lifts := make([]float64, len(c.rows))
	// The lift in the mean is a sum of what was fitted beside m: weights has its factors.
	weights := make([]float64, len(columns)-3)
	for n, r := range c.rows {
		for i, k := range columns[3:] {
			lifts[n] += x[3+i] * r.v[k]
			weights[i] += r.v[k] / float64(len(c.rows))
		}
		out.Lift += lifts[n] / float64(len(c.rows))
	}
	for i := range 3 {
		out.Sigma[i] = math.Sqrt(covariance[i][i])
		for j := range 3 {
			out.Covariance[i][j] = covariance[i][j]
		}
		for j, v := range weights {
			out.Covariance[i][3] += v * covariance[i][3+j]
			out.Covariance[3][i] = out.Covariance[i][3]
		}
	}
	for i, v := range weights {
		for j, u := range weights {
			out.Covariance[3][3] += v * u * covariance[3+i][3+j]
		}
	}
	// Spill is least where none falls; the very least of a polynomial is at its loose ends.
	out.Pedestal, out.PedestalSigma = max(robust.Nth(lifts, len(lifts)/loose), 0), math.Sqrt(covariance[3][3])
	return out, nil
}

// What is usual, as standard deviations from none: it counts for as much as a measurement of that
// error would, and so for nothing beside a performer whose colors differ.
const (
	usualCrosstalk = 0.015 // m: set light leaks by 0.5 to 4 % (common practice)
	usualLift      = 0.005 // of full scale: spill lets 1 % through, pedestals are 0.2 to 2 % (common practice)
)

// usualCovariance is the covariance of what is fitted where it has no scatter to be told from: a
// performer who is one part alone. Nothing is known worse than it is usual.
func usualCovariance(columns int) [][]float64 {
	c := list.Rows[float64](columns, columns)
	for i := range c {
		if c[i][i] = usualLift * usualLift; i < 3 {
			c[i][i] = usualCrosstalk * usualCrosstalk
		}
	}
	return c
}

// unknownCrosstalk is the covariance of m where nothing tells it: usualCrosstalk for each channel.
func unknownCrosstalk() (c [4][4]float64) {
	for i := range 3 {
		c[i][i] = usualCrosstalk * usualCrosstalk
	}
	return c
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
	// The places of all frames together that m is fitted to, spread evenly over the core: noise of
	// 1 % leaves an error of some 1e-4 in m then, well below what the costume does.
	coreMost = 30_000

	// coreReach is how far, in pixels along each axis, the core stays away from where the screen
	// shines through: the blur of an edge reaches a few pixels inward. Chosen by hand.
	coreReach = 5
	// nearReach is how far it stays away at least where the performer is so small that hardly a
	// pixel is that far inside. Chosen by hand.
	nearReach = 2

	// Places, each of which stands for 9 pixels, of a core that all can be told from: 500 pixels;
	// and of one that tells anything: 100. Chosen by hand.
	leastRows = 500 / (coreStep * coreStep)
	fewRows   = 100 / (coreStep * coreStep)

	// openFrom is the transmission above which a place may let the screen shine through: set light
	// in the band of a bright costume may look like a third.
	openFrom = 0.35
)

// A core is what the two plates hold where there is certainly performer.
type core struct {
	rows   []coreRow
	seen   int    // how many places there were, of which some have a row
	groups [2]int // how many small and how many large parts there are at most
	sides  [2]int // theirs, in pixels
}

type coreRow struct {
	v     [10]float64 // red, green, blue, the glare's light, and 1, x, y, x^2, xy, y^2 of the place
	band  float64
	group [2]int // a small part of the performer, and a large one
}

// core gathers the pixels that are certainly performer: so many along each axis from where the
// screen may shine through. The glare, where not nil, returns the light that the lens spreads in a
// frame, at a strength of 1.
func (s *Solver) core(frames []Sample, glare func(Sample) *plate.Gray, reach int) (*core, error) {
	free := *s
	free.m = [3]float32{} // inverse still has m.K in it, a difference of some 1e-3 that the threshold below forgives
	out := &core{}
	var places []image.Point // of the rows, from the middle of their frame's core
	of := make([]framesCore, len(frames))
	errs := eachFrame(len(frames), func(k int) (err error) {
		of[k], err = free.coreOf(frames[k], glare, reach, coreMost/len(frames))
		return err
	})
	for k := range frames {
		if errs[k] != nil {
			return nil, fmt.Errorf("sample %d: %w", k, errs[k])
		}
		out.seen += of[k].seen
		out.rows = append(out.rows, of[k].rows...)
		places = append(places, of[k].places...)
	}
	out.divide(places, s.w)
	return out, nil
}

// A framesCore is what core finds in one frame.
type framesCore struct {
	seen   int // places
	rows   []coreRow
	places []image.Point // of the rows, from their middle
}

// coreOf is core for one frame, by a solver without crosstalk; it makes so many rows at the most.
func (s *Solver) coreOf(f Sample, glare func(Sample) *plate.Gray, reach, most int) (framesCore, error) {
	u, err := s.quotient(f)
	if err != nil {
		return framesCore{}, err
	}
	g, err := gainIn(u)
	if errors.Is(err, ErrNoScreen) {
		g.Value = 1
	} else if err != nil {
		return framesCore{}, err
	}
	high := boxMaxAt(u, reach, reach, coreStep)
	var veil *plate.Gray
	if glare != nil {
		veil = glare(f)
	}
	// Of each line by itself, whichever core looks at it.
	lines := make([][]image.Point, max(s.h-2*reach+coreStep-1, 0)/coreStep)
	parallel.Each(len(lines), func(n int) {
		lines[n] = s.coreLine(high.Pix[n*high.W:(n+1)*high.W], openFrom*float32(g.Value), reach+n*coreStep, reach)
	})
	all := slices.Concat(lines...)
	some := min(len(all), most)
	c := framesCore{len(all), make([]coreRow, some), make([]image.Point, some)}
	var middle image.Point
	for n := range some {
		c.places[n] = all[n*len(all)/some]
		middle = middle.Add(c.places[n])
	}
	parallel.Each(some, func(n int) { c.rows[n] = s.coreRow(f, veil, c.places[n]) })
	for n := range some {
		c.places[n] = c.places[n].Sub(middle.Div(some))
	}
	return c, nil
}

// coreLine returns the places of row y that are certainly performer: those around which the
// quotient, of which high is the largest at every coreStep-th pixel from reach on, is at most open.
func (s *Solver) coreLine(high []float32, open float32, y, reach int) (places []image.Point) {
	inverse := s.inverse.Pix[y*s.w : (y+1)*s.w]
	for x := reach; x < s.w-reach; x += coreStep {
		if high[(x-reach)/coreStep] <= open && inverse[x] != 0 {
			places = append(places, image.Pt(x, y))
		}
	}
	return places
}

// coreRow returns what the plates hold at a place: means over 3x3 pixels, since noise in what is
// fitted to would make m too small.
func (s *Solver) coreRow(f Sample, veil *plate.Gray, p image.Point) (row coreRow) {
	i := p.Y*s.w + p.X
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
	powers(row.v[4:], 2, place(p.X, s.w), place(p.Y, s.h))
	return row
}

// divide makes groups of the rows: the parts of the performer, in all frames, since their costume
// is the same in each. The places are the rows', from the middle of the performer. There are small
// parts and large ones, as nobody knows over how far a costume's error hangs together.
func (c *core) divide(places []image.Point, w int) {
	const (
		// Parts along the longer side of the performer: small ones, of a performer who is small in
		// the frame, and large ones, as large as a garment.
		small, large = 8, 4
		least        = 3 * coreStep // pixels of a part's side: what a codec and resampling spread is within it
	)
	var box image.Rectangle
	for _, p := range places {
		box = box.Union(image.Rectangle{p, p.Add(image.Pt(1, 1))})
	}
	long := max(box.Dx(), box.Dy())
	for k, side := range [2]int{min(newCells(w, 1).side, max(long/small, least)), max(long/large, least)} {
		columns := box.Dx()/side + 1
		c.sides[k] = side
		for n, p := range places {
			p = p.Sub(box.Min).Div(side)
			c.rows[n].group[k] = p.Y*columns + p.X
			c.groups[k] = max(c.groups[k], c.rows[n].group[k]+1)
		}
	}
}

// fit returns the coefficients of these columns, and the covariance of their errors, from small
// parts of the performer and from large ones. Only the field's slopes and bends can be negative.
func (c *core) fit(columns []int) (x []float64, covariance [2][][]float64, err error) {
	const (
		// Passes, in the first of which what lies above the fit counts for little; and in standard
		// deviations, how far from it a place is left out. Chosen by hand.
		passes, early = 14, 4
		earlyAbove    = 0.2
		outlier       = 3

		// In full scale: the least standard deviation, of plates without noise; and the least mean
		// square of the performer's light, a 170th in each channel, that tells m. Chosen by hand.
		leastSigma  = 1e-7
		leastSquare = 1e-4

		// rounding is the least weight of what is usual, of the mean weight of what is measured: so
		// that plates without noise and of one color have an inverse.
		rounding = 1e-9
	)
	n := len(columns)
	var signed []int
	usual := make([]float64, n)  // standard deviations of what is usual; 0: none is
	weight := make([]float64, n) // of that in the normal matrix
	for i, k := range columns {
		switch {
		case k < 3:
			usual[i] = usualCrosstalk
		case k >= 4:
			usual[i] = usualLift
		}
		if k > 4 {
			signed = append(signed, i)
		}
	}
	if len(c.rows) < fewRows {
		return nil, covariance, ErrNoCore
	}
	x = make([]float64, n)
	left := list.Of(c.rows, func(r coreRow) float64 { return r.band })
	low, high := math.Inf(-1), math.Inf(1)
	var residuals []float32
	a := list.Rows[float64](n, n)
	variance := 0.0 // of a place about the fit
	var used int
	for pass := range passes {
		weigh := func(e float64) float64 {
			switch {
			case e < low || e > high:
				return 0
			case pass < early && e > 0: // whatever shines through only adds: begin at the lower edge
				return earlyAbove
			}
			return 1
		}
		var b []float64
		a, b, used = c.normal(columns, left, weigh)
		if used < fewRows {
			return nil, covariance, ErrNoCore
		}
		if light := (a[0][0] + a[1][1] + a[2][2]) / float64(used); pass == passes-1 && light < leastSquare {
			return nil, covariance, ErrNoCore
		}
		for i, sd := range usual {
			if sd > 0 {
				weight[i] = max(variance/(sd*sd), rounding*a[i][i])
				a[i][i] += weight[i]
			}
		}
		x = nonNegative(a, b, signed...)
		parallel.Parts(len(left), func(from, to int) {
			for i := from; i < to; i++ {
				r := &c.rows[i]
				e := r.band
				for j, k := range columns {
					e -= x[j] * r.v[k]
				}
				left[i] = e
			}
		})
		residuals = residuals[:0]
		for _, e := range left {
			if e >= low && e <= high {
				residuals = append(residuals, float32(math.Abs(e)))
			}
		}
		sd := max(robust.SigmaOfMAD*float64(quantile(residuals, 0.5)), leastSigma)
		low, high = -outlier*sd, outlier*sd
		variance = sd * sd
	}
	inverse := inverted(a)
	parallel.Each(len(covariance), func(size int) {
		parts := make([]part, c.groups[size])
		for i := range c.rows {
			r, e := &c.rows[i], left[i]
			if e < low || e > high {
				continue
			}
			g := &parts[r.group[size]]
			if g.a == nil {
				*g = part{list.Rows[float64](n, n), make([]float64, n)}
			}
			for i, k := range columns {
				g.score[i] += r.v[k] * e
				for j, l := range columns[:i+1] {
					g.a[i][j] += r.v[k] * r.v[l]
				}
			}
		}
		for _, g := range parts {
			mirror(g.a)
		}
		covariance[size] = jackknife(a, parts)
		if inverse == nil {
			return
		}
		// What is usual has errors of its own.
		for i := range n {
			for j := range n {
				for k, sd := range usual {
					covariance[size][i][j] += inverse[i][k] * inverse[k][j] * weight[k] * weight[k] * sd * sd
				}
			}
		}
	})
	return x, covariance, nil
}

// mirror fills a symmetric matrix, of which the lower triangle is there.
func mirror(a [][]float64) {
	for p := range a {
		for q := range p {
			a[q][p] = a[p][q]
		}
	}
}

// normal returns the normal equations of these columns, each row with the weight that weigh gives
// what is left of it, and how many rows have one.
func (c *core) normal(columns []int, left []float64, weigh func(left float64) float64) (a [][]float64, b []float64, used int) {
	// Rows that are added up by themselves, so that the sums do not depend on the number of cores;
	// enough to be worth a core.
	const some = 1 << 12
	n := len(columns)
	type sums struct {
		a    [][]float64
		b    []float64
		used int
	}
	all := make([]sums, (len(c.rows)+some-1)/some)
	parallel.Each(len(all), func(k int) {
		s := sums{a: list.Rows[float64](n, n), b: make([]float64, n)}
		for i := k * some; i < min((k+1)*some, len(c.rows)); i++ {
			w := weigh(left[i])
			if w == 0 {
				continue
			}
			s.used++
			r := &c.rows[i]
			for p, k := range columns {
				v := w * r.v[k]
				s.b[p] += v * r.band
				for q, l := range columns[:p+1] {
					s.a[p][q] += v * r.v[l]
				}
			}
		}
		all[k] = s
	})
	a, b = list.Rows[float64](n, n), make([]float64, n)
	for _, s := range all {
		used += s.used
		for p := range n {
			b[p] += s.b[p]
			for q := range p + 1 {
				a[p][q] += s.a[p][q]
			}
		}
	}
	mirror(a)
	return a, b, used
}
