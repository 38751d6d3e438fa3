package align

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A ChartEstimate is a geometry found from a chart, and how far it is to be believed.
type ChartEstimate struct {
	Geometry Geometry

	// Residual is the distance, in band pixels, between the corners in the band plate and where the
	// geometry puts those of the color plate: the root of the mean square over the corners that
	// were used. It is mostly the noise of single corners, which the geometry averages: see Sigma.
	Residual float64

	Corners  []PointPair // that were used
	Outliers int         // corners seen in both plates that do not fit, and were not used

	// Coverage is the part of the color frame, 0 to 1, that is no further than a tenth of its width
	// from a corner that was used.
	Coverage float64

	// Covariance is that of the parameters, in this order: the homography's first eight elements,
	// k1, k2, and the center's x and y, as Geometry has them.
	Covariance [12][12]float64

	Warnings []string // in plain words, each naming what to do about it
}

// Errors of FromChart, wrapped with what was found: test for them with errors.Is.
var (
	// ErrNoChart: a plate shows no checkerboard.
	ErrNoChart = errors.New("no chart")

	// ErrChartAmbiguous: both plates show a checkerboard, and its dots do not tell which square is
	// which.
	ErrChartAmbiguous = errors.New("the chart's squares cannot be told apart")
)

// FromChart finds the geometry between the cameras from pairs of plates that show one Chart, in
// white light that has the band in it: one geometry for all pairs. One pair whose chart fills the
// frame is enough; where it does not, take several with the chart in different places. The chart
// may be tilted, unevenly lit, soft, partly hidden or outside the frame; it need not be flat, and
// its size does not matter. At least 24 corners must be seen, and at least 16 whole squares in both
// plates. Squares should be 12 to 200 pixels wide.
//
// The corners are found as saddles of the light, ordered into a lattice by their neighbors, and
// placed by the gradients around them (Förstner and Gülch 1987). The lattices are laid over each
// other so that the dots agree, which settles the mirror. The homography comes from Hartley and
// Zisserman's algorithm 4.2; with it as the start, Levenberg and Marquardt's method fits all of
// Geometry, with Tukey's biweight against outliers. The radial terms and their center have weak
// preferences, of the size of what lenses have (0.05 for k1 and for k2; the frame's middle to 5 %
// of its half diagonal), which matter only where the chart does not settle them. The result is
// deterministic.
//
// Nothing depends on a plate's gain or dark level. The error wraps ErrNoChart or ErrChartAmbiguous
// where the pictures are the cause, and ctx.Err() when ctx ends first.
func FromChart(ctx context.Context, pairs []Pair) (*ChartEstimate, error) {
	if err := checkPairs(pairs); err != nil {
		return nil, err
	}
	var corners []PointPair
	mirror, turns := 0, 0
	for i, p := range pairs {
		name := ""
		if len(pairs) > 1 {
			name = fmt.Sprintf(" of pair %d", i)
		}
		var boards [2]*board
		for k, q := range []plane{brightness(p.Color), {p.Band.W, p.Band.H, p.Band.Pix}} {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			if boards[k] = findBoard(q); boards[k] == nil {
				return nil, fmt.Errorf("align: %w: the %s plate%s shows no checkerboard of at least %d corners: it must be in focus, lit evenly enough by white light that has the band in it, and its squares at least 12 pixels wide",
					ErrNoChart, [2]string{"color", "band"}[k], name, minBoard)
			}
		}
		m, err := match(boards[0], boards[1])
		if err != nil {
			return nil, fmt.Errorf("%w (the plates%s)", err, name)
		}
		flips := 0
		for _, at := range sortedPlaces(boards[0].corners) {
			d := boards[1].corners[m.apply(at)]
			if d == nil {
				continue
			}
			c := boards[0].corners[at]
			corners = append(corners, PointPair{[2]float64{c.x, c.y}, [2]float64{d.x, d.y}})
			// Does the way from one axis to the other turn the same way around in both?
			a := c.axes[0][0]*c.axes[1][1] - c.axes[0][1]*c.axes[1][0]
			b := d.axes[0][0]*d.axes[1][1] - d.axes[0][1]*d.axes[1][0]
			if a*b*float64(m[0]*m[3]-m[1]*m[2]) < 0 {
				flips++
			}
			turns++
		}
		mirror += flips
	}
	return fitChart(ctx, pairs[0], corners, 2*mirror > turns)
}

// brightness is the sum of a color plate's planes.
func brightness(f *plate.RGB) plane {
	q := plane{f.W, f.H, make([]float32, len(f.Pix[0]))}
	for i := range q.pix {
		q.pix[i] = f.Pix[0][i] + f.Pix[1][i] + f.Pix[2][i]
	}
	return q
}

// sortedPlaces returns the keys in order, so that sums do not depend on the map's.
func sortedPlaces[V any](m map[[2]int]V) [][2]int {
	return slices.SortedFunc(maps.Keys(m), func(a, b [2]int) int { return cmp.Or(a[1]-b[1], a[0]-b[0]) })
}

// A move takes one lattice to another: a turn or a flip (row by row), then an offset.
type move [6]int

func (m move) apply(p [2]int) [2]int {
	return [2]int{m[0]*p[0] + m[1]*p[1] + m[4], m[2]*p[0] + m[3]*p[1] + m[5]}
}

// square is apply for a square, which a turn may leave with another of its corners first.
func (m move) square(p [2]int) [2]int {
	a, b := m.apply(p), m.apply([2]int{p[0] + 1, p[1] + 1})
	return [2]int{min(a[0], b[0]), min(a[1], b[1])}
}

// match finds the move of a's lattice onto b's at which the dots agree.
func match(a, b *board) (move, error) {
	// Chosen by hand; not measured by itself.
	const (
		wrong    = 2   // how many squares that agree make up for one that does not
		hopeless = -40 // the score at which a move is given up
		fewest   = 16  // the score that the best move must have; FromChart states it
		clear    = 2   // times the second best's that it must have
	)
	as := sortedPlaces(a.squares)
	a0, a1 := extent(as)
	b0, b1 := extent(sortedPlaces(b.squares))
	// The squares of b as a table.
	w, h := b1[0]-b0[0]+1, b1[1]-b0[1]+1
	if len(as) == 0 || len(b.squares) == 0 {
		w, h = 0, 0
	}
	table := make([]int8, w*h)
	code := func(s field) (c int8) {
		c = 1
		if s.black {
			c += 2
		}
		if s.dot {
			c++
		}
		return c
	}
	for at, s := range b.squares {
		table[(at[1]-b0[1])*w+at[0]-b0[0]] = code(s)
	}
	var best move
	first, second := 0, 0
	for _, turn := range [8][4]int{{1, 0, 0, 1}, {0, -1, 1, 0}, {-1, 0, 0, -1}, {0, 1, -1, 0}, {-1, 0, 0, 1}, {1, 0, 0, -1}, {0, 1, 1, 0}, {0, -1, -1, 0}} {
		m := move{turn[0], turn[1], turn[2], turn[3]}
		turned := make([][2]int, len(as))
		codes := make([]int8, len(as))
		for i, at := range as {
			turned[i], codes[i] = m.square(at), code(a.squares[at])
		}
		if len(turned) > 0 {
			a0, a1 = extent(turned)
		}
		for oy := b0[1] - a1[1]; oy <= b1[1]-a0[1]; oy++ {
			for ox := b0[0] - a1[0]; ox <= b1[0]-a0[0]; ox++ {
				score := 0
				for i, at := range turned {
					x, y := at[0]+ox-b0[0], at[1]+oy-b0[1]
					if x < 0 || y < 0 || x >= w || y >= h || table[y*w+x] == 0 {
						continue
					}
					if table[y*w+x] == codes[i] {
						score++
					} else if score -= wrong; score < hopeless {
						break
					}
				}
				switch {
				case score > first:
					first, second = score, first
					best = m
					best[4], best[5] = ox, oy
				case score > second:
					second = score
				}
			}
		}
	}
	if first < fewest || clear*second > first {
		return best, fmt.Errorf("align: %w: %d squares with and without dots agree between the plates, and %d elsewhere on the chart; at least %d, and twice as many, must: show more of the chart, sharper, in both plates, and use the sheet of `twinplate chart`", ErrChartAmbiguous, first, second, fewest)
	}
	return best, nil
}

func extent(p [][2]int) (lo, hi [2]int) {
	for i, q := range p {
		if i == 0 {
			lo, hi = q, q
		}
		for k := range 2 {
			lo[k], hi[k] = min(lo[k], q[k]), max(hi[k], q[k])
		}
	}
	return lo, hi
}

// chartUnit holds what the parameters of the fit are measured in, so that all are of the order of
// 1: the homography's eight, between coordinates from the frames' middles in half diagonals; k1,
// k2; and the center's distance from the middle in half diagonals.
type chartUnit struct{ size Geometry } // whose sizes, mirror and parity count

type chartTheta [12]float64

func (u chartUnit) units() (color, band unit) {
	g := u.size
	d, e := g.halfDiagonal(), math.Hypot(float64(g.BandW), float64(g.BandH))/2
	return unit{d, d, float64(g.ColorW-1) / 2, float64(g.ColorH-1) / 2}, unit{e, e, float64(g.BandW-1) / 2, float64(g.BandH-1) / 2}
}

func (u chartUnit) geometry(t chartTheta) Geometry {
	g := u.size
	color, band := u.units()
	h := [9]float64{t[0], t[1], t[2], t[3], t[4], t[5], t[6], t[7], 1}
	g.Homography = normalized(mul3(band.back(), mul3(h, color.into())))
	g.Radial = [2]float64{t[8], t[9]}
	g.Center = [2]float64{color.x + color.sx*t[10], color.y + color.sy*t[11]}
	return g
}

func (u chartUnit) start(h [9]float64) (t chartTheta) {
	color, band := u.units()
	h = normalized(mul3(band.into(), mul3(h, color.back())))
	copy(t[:], h[:8])
	return t
}

// step is the difference over which derivatives are taken, in parameters of the order of 1: near
// the cube root of the precision of double floats, at which rounding and the third derivative are
// least together (common practice for central differences).
const step = 1e-6

// about returns the geometries a step above t in parameter k, and a step below.
func (u chartUnit) about(t chartTheta, k int) (above, below Geometry) {
	up, down := t, t
	up[k] += step
	down[k] -= step
	return u.geometry(up), u.geometry(down)
}

// slope returns the derivatives of a geometry's numbers, of geometries a step above and below.
func slope(above, below Geometry) (by numbers) {
	a, b := above.numbers(), below.numbers()
	for i := range a {
		by[i] = (a[i] - b[i]) / (2 * step)
	}
	return by
}

// slopes returns the derivatives of where t puts each color place, in band pixels.
func (u chartUnit) slopes(t chartTheta, at []PointPair) (value [][2]float64, dx, dy [][12]float64) {
	n := len(at)
	value, dx, dy = make([][2]float64, n), make([][12]float64, n), make([][12]float64, n)
	g := u.geometry(t)
	for i, p := range at {
		value[i][0], value[i][1] = g.Map(p.Color[0], p.Color[1])
	}
	for k := range t {
		a, b := u.about(t, k)
		for i, p := range at {
			ax, ay := a.Map(p.Color[0], p.Color[1])
			bx, by := b.Map(p.Color[0], p.Color[1])
			dx[i][k], dy[i][k] = (ax-bx)/(2*step), (ay-by)/(2*step)
		}
	}
	return value, dx, dy
}

// chartPrefer is the standard deviation of the weak preferences for k1, k2 and the center, in the
// fit's units: of the size of what lenses have (common practice; not checked against a source).
const chartPrefer = 0.05

func fitChart(ctx context.Context, pair Pair, corners []PointPair, mirror bool) (*ChartEstimate, error) {
	g := NewGeometry(pair.Color.W, pair.Color.H, pair.Band.W, pair.Band.H)
	g.Mirror = mirror
	u := chartUnit{g}
	var from, to [][2]float64
	for _, p := range corners {
		b := p.Band
		if mirror {
			b[0] = float64(g.BandW-1) - b[0]
		}
		from, to = append(from, p.Color), append(to, b)
	}
	const (
		rounds = 8 // of weighting, at most; chosen by hand
		least  = 3 // that it takes for the weights to settle; chosen by hand
		// The largest change of a parameter of a fit that stands still: under 1e-4 pixels.
		still = 1e-8
	)
	h, err := FitHomography(from, to)
	if err != nil {
		return nil, fmt.Errorf("%w (the corners of the chart)", err)
	}
	f := &chartFit{u: u, corners: corners, weight: slices.Repeat([]float64{1}, len(corners))}
	t := u.start(h)
	for round := range rounds {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		before := t
		f.reweigh(t, round)
		t = f.descend(t)
		moved := 0.0
		for k := range t {
			moved = math.Max(moved, math.Abs(t[k]-before[k]))
		}
		if round >= least && moved < still {
			break
		}
	}
	e := &ChartEstimate{Geometry: u.geometry(t)}
	if err := e.Geometry.Check(); err != nil {
		return nil, fmt.Errorf("align: the chart's corners give no possible %w", err)
	}
	if err := f.finish(t, e); err != nil {
		return nil, err
	}
	return e, nil
}

// chartFloor is the least error that a corner is taken to have, in band pixels: what is left of a
// picture that has no noise is rounding.
const chartFloor = 1e-3

// A chartFit is the corners and their weights.
type chartFit struct {
	u       chartUnit
	corners []PointPair
	weight  []float64
	sigma   float64 // of one coordinate of a corner, in band pixels
}

// reweigh sets the scale of the residuals, and in later rounds the weights (Tukey's biweight).
func (f *chartFit) reweigh(t chartTheta, round int) {
	const (
		// Of a distance in the plane, in sigma of a coordinate: the root of 2 log 2 (Rayleigh).
		median = 1.1774
		cutoff = 6 // sigma from which a corner has no weight; chosen by hand
	)
	g := f.u.geometry(t)
	r := make([]float64, len(f.corners))
	for i, p := range f.corners {
		x, y := g.Map(p.Color[0], p.Color[1])
		r[i] = math.Hypot(x-p.Band[0], y-p.Band[1])
	}
	f.sigma = math.Max(robust.Median(slices.Clone(r))/median, chartFloor)
	if round == 0 {
		return
	}
	for i, v := range r {
		q := v / (cutoff * f.sigma)
		f.weight[i] = 0
		if q < 1 {
			f.weight[i] = (1 - q*q) * (1 - q*q)
		}
	}
}

func (f *chartFit) cost(t chartTheta) (sum float64) {
	g := f.u.geometry(t)
	for i, p := range f.corners {
		x, y := g.Map(p.Color[0], p.Color[1])
		sum += f.weight[i] * ((x-p.Band[0])*(x-p.Band[0]) + (y-p.Band[1])*(y-p.Band[1]))
	}
	sum /= f.sigma * f.sigma
	for _, v := range t[8:] {
		sum += v * v / (chartPrefer * chartPrefer)
	}
	return sum
}

// equations returns the normal equations at t, and the right-hand side of the step from it.
func (f *chartFit) equations(t chartTheta) *normal {
	value, dx, dy := f.u.slopes(t, f.corners)
	n := newNormal(12)
	for i, p := range f.corners {
		w := f.weight[i] / (f.sigma * f.sigma)
		n.add(dx[i][:], p.Band[0]-value[i][0], w)
		n.add(dy[i][:], p.Band[1]-value[i][1], w)
	}
	for k := 8; k < 12; k++ {
		var row [12]float64
		row[k] = 1
		n.add(row[:], -t[k], 1/(chartPrefer*chartPrefer))
	}
	return n
}

// descend is Levenberg and Marquardt's method.
func (f *chartFit) descend(t chartTheta) chartTheta {
	// Of the damping: where it begins, by what it changes, and its bounds; and when the descent
	// ends. Chosen by hand; common practice.
	const (
		start, change = 1e-4, 10
		lowest, stuck = 1e-12, 1e8
		steps, tries  = 30, 10
		still         = 1e-10 // part of the cost that the last step took away
	)
	lambda, now := start, f.cost(t)
	for range steps {
		n := f.equations(t)
		done := false
		for range tries {
			m := &normal{n.n, slices.Clone(n.a), slices.Clone(n.b)}
			for k := range 12 {
				m.a[k*12+k] *= 1 + lambda
			}
			d, ok := m.solve()
			if !ok {
				lambda *= change
				continue
			}
			next := t
			for k := range next {
				next[k] += d[k]
			}
			if c := f.cost(next); c <= now {
				done = now-c <= still*now
				t, now = next, c
				lambda = math.Max(lambda/change, lowest)
				break
			}
			lambda *= change
			done = lambda > stuck
			if done {
				break
			}
		}
		if done {
			break
		}
	}
	return t
}

// finish fills in what is known about the geometry at t.
func (f *chartFit) finish(t chartTheta, e *ChartEstimate) error {
	const (
		fewest = len(chartTheta{}) // corners that agree, of two coordinates each; chosen by hand

		// What makes a warning. Chosen by hand; not measured by itself.
		farOff     = 0.1 // expected error anywhere, in band pixels
		badFit     = 0.3 // residual, in band pixels
		mostOthers = 4   // one corner in so many may be an outlier
	)
	sum, weights := 0.0, 0.0
	for i, p := range f.corners {
		if f.weight[i] == 0 {
			e.Outliers++
			continue
		}
		x, y := e.Geometry.Map(p.Color[0], p.Color[1])
		d := (x-p.Band[0])*(x-p.Band[0]) + (y-p.Band[1])*(y-p.Band[1])
		sum, weights = sum+d, weights+1
		e.Corners = append(e.Corners, p)
	}
	if len(e.Corners) < fewest {
		return fmt.Errorf("align: %w: only %d corners of the chart agree on one geometry between the plates: it must not move between them", ErrNoChart, len(e.Corners))
	}
	e.Residual = math.Sqrt(sum / weights)
	// Degrees of freedom: two coordinates a corner, less the parameters.
	f.sigma = math.Max(math.Sqrt(sum/(2*weights-12)), chartFloor)
	n := f.equations(t)
	if !cholesky(n.a, 12) {
		return fmt.Errorf("align: %w: the corners do not settle the geometry: show more of the chart", ErrNoChart)
	}
	e.Covariance = f.u.covariance(t, inverse(n.a, 12))
	e.Coverage = coverage(e.Geometry, e.Corners)
	if worst, at, _ := e.Geometry.worst(&e.Covariance); worst > farOff {
		e.Warnings = append(e.Warnings, farWarning(worst, at, "shoot the chart so that it fills the frame, or in several places"))
	}
	if e.Residual > badFit {
		e.Warnings = append(e.Warnings, fmt.Sprintf("the corners of the chart fit to only %.2f pixels: it may have moved between the plates, or a plate is out of focus", e.Residual))
	}
	if mostOthers*e.Outliers > len(f.corners) {
		e.Warnings = append(e.Warnings, fmt.Sprintf("%d of %d corners do not fit the others, and were left out", e.Outliers, len(f.corners)))
	}
	return nil
}

// covariance takes the fit's covariance to that of Geometry's numbers.
func (u chartUnit) covariance(t chartTheta, cov [][]float64) [12][12]float64 {
	var j [12]numbers
	for k := range t {
		j[k] = slope(u.about(t, k))
	}
	return transported(j[:], cov)
}

// coverage is the part of a grid over the color frame that has a corner near.
func coverage(g Geometry, corners []PointPair) float64 {
	const across = 33 // points of the grid along each axis: coverage to 1 part in 1000
	grid := g.Grid(across)
	r := coverageReach * float64(g.ColorW)
	n := list.Count(grid, func(p PointPair) bool {
		return slices.ContainsFunc(corners, func(c PointPair) bool {
			return math.Hypot(c.Color[0]-p.Color[0], c.Color[1]-p.Color[1]) <= r
		})
	})
	return float64(n) / float64(len(grid))
}

// Sigma returns the expected error of the geometry at the color pixel (x, y): the standard
// deviation of the distance between where it puts that pixel in the band plate and the true place,
// in band pixels. It follows from the scatter of the corners; far from them it grows, as it should.
func (e *ChartEstimate) Sigma(x, y float64) float64 { return e.Geometry.expected(&e.Covariance, x, y) }
