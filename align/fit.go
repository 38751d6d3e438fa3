package align

import (
	"context"
	"math"
	"slices"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
)

// The parameters of a geometry, as the fit has them: the homography's first eight elements, between
// color coordinates (from the radial center, in half diagonals) and band coordinates (from the
// frame's middle, in what a half diagonal becomes when the frames are stretched over each other,
// before the flip); then the radial terms. All are of the order of 1, and a change by d moves a
// corner by about d half diagonals.
//
// The last eight are not the geometry's. Two are how far, in band pixels of the level, an edge of
// the performer seems to lie inward in color: of itself, and by the slope of its light (see
// measurement.light). Light that falls off toward an edge faster than a tile's polynomial follows
// does that. Two are how far strands and meshes seem to lie toward the light, along x and y. Every
// take has its own; edges all around a performer tell the first two from a geometry, and solid
// edges the next two. Two are how far all edges seem to lie toward the light, along x and y: a key
// light from one side brightens one flank and darkens the other, within less of the edge than a
// tile's polynomial follows. No edge tells them from a shift of the plates; the costume's texture
// does (see textureFit). The last two are how far all of that texture seems to lie aside, along x
// and y, by what is not known of it.
type theta [geometric + 8]float64

const (
	geometric   = 10 // how many of the parameters are the geometry's
	radialTerms = 2  // how many of these are k1 and k2
)

var models = []string{Shift, Similarity, Affine, Homography, Radial}

// fixedModel has no free parameter.
const fixedModel = ""

func modelIndex(name string) int { return slices.Index(models, name) }

// least returns the simpler of two models.
func least(a, b string) string { return models[min(modelIndex(a), modelIndex(b))] }

// columns returns the free directions of a model in the parameters, and the parameters where all
// are zero. terms is the number of radial terms.
func (h shading) columns(model string, terms int) (free []theta, at theta) {
	unit := func(i ...int) (t theta) {
		for _, k := range i {
			t[k] = 1
		}
		return t
	}
	at = theta{0: 1, 4: 1}
	index := modelIndex(model)
	if index < 0 {
		return nil, at
	}
	if h == bending {
		for i := geometric; i < len(at); i++ {
			free = append(free, unit(i))
		}
	}
	free = append(free, unit(2), unit(5))
	if index == 1 {
		turn := theta{1: 1, 3: -1}
		return append(free, unit(0, 4), turn), theta{}
	}
	if index >= 2 {
		free = append(free, unit(0), unit(1), unit(3), unit(4))
		at = theta{}
	}
	if index >= 3 {
		free = append(free, unit(6), unit(7))
	}
	if index >= 4 {
		for i := range terms {
			free = append(free, unit(8+i))
		}
	}
	return free, at
}

// A fit is a geometry on its way to its plates, at one level.
type fit struct {
	l     *level
	g     Geometry
	model string
	most  string // the richest model allowed
	terms int    // radial terms, when the model has them
	// shading is how the performer's color may vary over a tile.
	shading  shading
	theta    theta
	d        float64    // the color frame's half diagonal, in pixels
	s        [2]float64 // band pixels to a color pixel, nominally
	sample   int        // the most tiles that are measured
	laid     []tile     // windows with edges, and the geometry that they were laid out by
	laidBy   Geometry
	last     []measurement
	solved   bool             // they have been solved with this shutter
	strayed  float64          // how far the geometry has moved at them since they were measured, rms, in pixels of the level
	follow   map[tile]float64 // what trust found of the tiles
	match    float64
	stats    stats
	models   []ModelFit  // that choose chose from
	widths   widths      // of the cells' own effects
	eqs      []equation  // of the last solution, with their weights
	doubt    float64     // what the variances of edges are multiplied by, so that they agree with the texture
	core     []pattern   // windows of the core; nil where they have not been looked for
	coreSize int         // their side, in pixels
	texture  *textureFit // the core's texture, in the last fits; nil where there is none
	shutter  *shutter    // nil unless the rows of the cameras are not of the same instants
}

// stats is what a fit leaves over.
type stats struct {
	n    int
	rms  float64 // weighted, in pixels of the band plate
	chi2 float64 // weighted sum of squares
}

func newFit(g Geometry, l *level, model string) *fit {
	f := &fit{l: l, g: g, model: model, most: model, terms: radialTerms, shading: sloping, sample: maxTiles, widths: usualWidths, doubt: 1}
	f.d = g.halfDiagonal()
	f.s = [2]float64{float64(g.BandW) / float64(g.ColorW), float64(g.BandH) / float64(g.ColorH)}
	if f.shapeDiffers() && modelIndex(model) == 1 {
		f.model, f.most = Affine, Affine // alike along both axes means nothing here
	}
	color, band := f.units()
	h := normalized(mul3(mul3(band.into(), g.Homography), color.back()))
	copy(f.theta[:], h[:8])
	f.theta[8], f.theta[9] = g.Radial[0], g.Radial[1]
	return f
}

// again returns a new fit from where f stands, on its level.
func (f *fit) again(model string) *fit {
	n := newFit(f.g, f.l, model)
	n.laid, n.laidBy = f.laid, f.laidBy
	return n
}

func (f *fit) shapeDiffers() bool { return math.Abs(f.s[0]/f.s[1]-1) > shapeDiffers }

// units are those of the fit's coordinates, in color pixels and in band pixels.
func (f *fit) units() (color, band unit) {
	g := &f.g
	return unit{f.d, f.d, g.Center[0], g.Center[1]}, unit{f.d * f.s[0], f.d * f.s[1], float64(g.BandW-1) / 2, float64(g.BandH-1) / 2}
}

// set takes the parameters over into the geometry, and returns how far the corners move, in color
// pixels.
func (f *fit) set(t theta) (moved float64) {
	old := f.g
	f.theta = t
	h := [9]float64{t[0], t[1], t[2], t[3], t[4], t[5], t[6], t[7], 1}
	color, band := f.units()
	f.g.Homography = normalized(mul3(mul3(band.back(), h), color.into()))
	f.g.Radial = [2]float64{t[8], t[9]}
	return f.movedFrom(old)
}

// movedFrom returns how far the corners are from where another geometry has them, in color pixels.
func (f *fit) movedFrom(g Geometry) (moved float64) {
	for _, p := range f.g.Grid(2) {
		x, y := g.Map(p.Color[0], p.Color[1])
		moved = math.Max(moved, math.Hypot((x-p.Band[0])/f.s[0], (y-p.Band[1])/f.s[1]))
	}
	return moved
}

// slope returns the derivatives of the band place, in pixels of the level, by the parameters at a
// pixel of the level.
func (f *fit) slope(x, y float64) (dx, dy theta) {
	t := &f.theta
	px := ((x+0.5)*f.l.fc - 0.5 - f.g.Center[0]) / f.d
	py := ((y+0.5)*f.l.fc - 0.5 - f.g.Center[1]) / f.d
	r2 := px*px + py*py
	k := 1 + r2*(t[8]+r2*t[9])
	X, Y := px*k, py*k
	w := 1 / (t[6]*X + t[7]*Y + 1)
	u, v := (t[0]*X+t[1]*Y+t[2])*w, (t[3]*X+t[4]*Y+t[5])*w
	dx = theta{X * w, Y * w, w, 0, 0, 0, -u * X * w, -u * Y * w}
	dy = theta{0, 0, 0, X * w, Y * w, w, -v * X * w, -v * Y * w}
	// Along the radius.
	rx := ((t[0]-u*t[6])*px + (t[1]-u*t[7])*py) * w
	ry := ((t[3]-v*t[6])*px + (t[4]-v*t[7])*py) * w
	dx[8], dx[9] = rx*r2, rx*r2*r2
	dy[8], dy[9] = ry*r2, ry*r2*r2
	kx, ky := f.d*f.s[0]/f.l.fb, f.d*f.s[1]/f.l.fb
	if f.g.Mirror {
		kx = -kx
	}
	for i := range dx {
		dx[i] *= kx
		dy[i] *= ky
	}
	return dx, dy
}

// An equation is one measured displacement: row . (change of the parameters) = e.
type equation struct {
	row     theta
	e       float64 // pixels of the level
	v       float64 // its variance by noise alone
	weight  float64
	from    int // the measurement
	cell    int
	own     [effects]float64 // how it depends on the cell's effects
	texture bool             // it is of a patch of texture
}

// Constants of the weighting, in pixels of the level. Where no reason stands beside one, it is
// chosen by hand; not measured by itself.
const (
	// How many pixels share what the model does not follow; in the last fits scale measures it.
	correlated = 15
	worst      = 1.5  // standard deviation from which a measurement is left out
	farthest   = 3    // displacement beyond which a measurement says only the direction
	leastError = 0.03 // error that every measurement is granted besides noise

	leastTextureError = 0.02 // the same for a patch of texture, which has no light of its own

	// unlike is the standard deviation that an edge is granted of whose color alpha explains
	// nothing, while the fit is on its way: far from the solution every edge is doubtful.
	unlike = 5

	// closeUnlike is the same in the last fits, and closeError what every edge is granted there,
	// both as variances: the cells' own effects have the rest.
	closeUnlike = 3
	closeError  = 0.03

	// sideLight is the standard deviation of the displacement of all edges by directional light,
	// along each axis and in pixels of the color level, before the plates say anything: 0.07 along
	// both is 0.1 px. Photographed performers lit from one side had 0.09 to 0.17.
	sideLight = 0.07

	// textureShift is the same for all texture, along each axis: through codecs, and with a costume
	// whose reflectance at the line is another picture than its color, it was 0.01 to 0.04 off as a
	// whole.
	textureShift = 0.03

	// unmodeled is the part of the light's displacement of strands and meshes by which all edges
	// may be off besides: as it was on simulated takes of which the truth was known (`proof
	// --registration`).
	unmodeled = 0.2
)

// equations turns the measurements into equations across each edge and, where there is texture or a
// corner, along it.
func (f *fit) equations(ms []measurement) []equation {
	ways, first := make([][2]axis, len(ms)), make([]int, len(ms)+1)
	parallel.Parts(len(ms), func(from, to int) {
		for i := from; i < to; i++ {
			first[i+1] = ms[i].ways(&ways[i])
		}
	})
	for i, n := range first[1:] {
		first[i+1] = first[i] + n
	}
	list := make([]equation, first[len(ms)])
	parallel.Parts(len(ms), func(from, to int) {
		for i := from; i < to; i++ {
			f.equationsOf(list[first[i]:first[i+1]], &ms[i], i, &ways[i])
		}
	})
	return list
}

// ways fills in the directions in which a measurement tells a place, and returns how many they are.
func (m *measurement) ways(list *[2]axis) (n int) {
	a, b, c := m.info[0], m.info[1], m.info[2]
	if !(a+c > 0) {
		return 0
	}
	for _, q := range axes(a, b, c) {
		if q.l*worst*worst > correlated {
			list[n] = q
			n++
		}
	}
	return n
}

// equationsOf fills in those of measurement m, whose number is i, in its ways.
func (f *fit) equationsOf(list []equation, m *measurement, i int, ways *[2]axis) {
	if len(list) == 0 {
		return
	}
	dx, dy := f.slope(m.x, m.y)
	for k, q := range ways[:len(list)] {
		eq := &list[k]
		*eq = equation{e: (q.x*m.b[0] + q.y*m.b[1]) / q.l, v: correlated / q.l, from: i, cell: f.cell(m.x, m.y), texture: m.texture}
		eq.e = math.Max(-farthest, math.Min(eq.e, farthest))
		for j := range geometric {
			eq.row[j] = q.x*dx[j] + q.y*dy[j]
		}
		switch {
		case m.texture:
			eq.own[textureXEffect], eq.own[textureYEffect] = q.x, q.y
			eq.row[geometric+6], eq.row[geometric+7] = q.x, q.y
			eq.e -= q.x*f.theta[geometric+6] + q.y*f.theta[geometric+7]
		case f.shading == bending:
			f.light(eq, m, q.x, q.y)
		default:
			eq.v += unlike * unlike * (1 - m.match) * (1 - m.match)
		}
	}
}

// An axis is a direction with its eigenvalue.
type axis struct{ l, x, y float64 }

// axes returns those of the symmetric matrix of xx, xy and yy, the larger first.
func axes(xx, xy, yy float64) [2]axis {
	half, diff := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	sin, cos := math.Sincos(math.Atan2(2*xy, xx-yy) / 2)
	return [2]axis{{half + diff, cos, sin}, {half - diff, -sin, cos}}
}

// light fills in how an equation along (x, y) depends on the performer's light. What alpha explains
// least is doubted a little besides.
func (f *fit) light(eq *equation, m *measurement, x, y float64) {
	const (
		// The length of a tile's inward direction from which its edge is of something solid; and
		// how fast it turns into a strand below: it is one where the length is 1/2 less. Chosen by
		// hand.
		solid  = 0.92
		thinBy = 2

		mostLight = 0.2 // of a measured slope of light, a pixel, that is believed; chosen by hand
		// Of a strand's displacement toward the light, that solid edges have; chosen by hand.
		solidPart = 0.1
	)
	eq.v += closeError + closeUnlike*(1-m.match)*(1-m.match)
	inward := x*m.inward[0] + y*m.inward[1]
	// 1 for strands and meshes, whose slopes cancel each other; 0 for edges of what is solid, of
	// which alone the light is measured.
	thin := math.Max(0, math.Min(1, thinBy*(solid-math.Hypot(m.inward[0], m.inward[1]))))
	own := eq.row[geometric:]
	own[0], own[1] = inward, inward*(1-thin)*math.Max(-mostLight, math.Min(m.light, mostLight))
	own[2], own[3] = x*thin, y*thin
	own[4], own[5] = x, y
	for j, v := range own {
		eq.e -= v * f.theta[geometric+j]
	}
	eq.own = [effects]float64{inwardEffect: inward, lightXEffect: x * (solidPart + thin), lightYEffect: y * (solidPart + thin)}
}

// cell returns the cell that a pixel of the level is in.
func (f *fit) cell(x, y float64) int {
	side := float64(f.l.w) / cellsWide
	return int(y/side)*cellsWide + min(int(x/side), cellsWide-1)
}

// cells is how many there are.
func (f *fit) cells() int { return f.cell(0, float64(f.l.h)) + cellsWide }

// solve fits a model to the measurements, linearly about the present parameters, by least squares
// reweighted after Geman and McClure; it returns the parameters and marks the measurements that had
// weight.
func (f *fit) solve(ms []measurement, model string, now theta) (theta, stats) {
	const (
		settled = 8 // passes after which the weights no longer matter; chosen by hand
		// Passes of the last fits where the widths of the effects are not known yet, which settle
		// slowly.
		closeSettle = 24
		// Part of the full weight below which a measurement was not used; chosen by hand.
		weightless = 1e-3
	)
	eqs := f.equations(ms)
	f.eqs = eqs
	next := now
	st := stats{n: len(eqs)}
	if len(eqs) == 0 {
		return next, st
	}
	r := make([]float64, len(eqs))
	for i := range eqs {
		r[i] = eqs[i].e
	}
	kinds := byKind(eqs)
	var sys *system
	if model != fixedModel {
		sys = f.system(eqs, model, f.terms, now)
	}
	passes := settled
	if f.shading == bending && !f.solved {
		passes = closeSettle
	}
	f.solved = true
	for pass := range passes {
		for n := range kinds { // which together take less than it takes to wake a processor
			k := &kinds[n]
			times, beyond := 1.0, 0.0
			if f.shading == bending {
				times, beyond = k.scatter(eqs, r)
			} else {
				beyond = math.Pow(apart(k.sharp, r, k.least), 2)
			}
			for _, i := range k.all {
				q := &eqs[i]
				variance := times*q.v + beyond
				if !q.texture {
					variance *= f.doubt
				}
				q.weight = trusted(r[i], variance, pass)
			}
		}
		if pass == passes-1 || model == fixedModel {
			break
		}
		next, _ = sys.solve(r)
		if len(kinds) > 1 && pass%doubtEvery == doubtEvery-1 {
			f.doubt *= sys.disagreement()
		}
	}
	var sum, weights float64
	for i := range ms {
		ms[i].used = false
	}
	for i, q := range eqs {
		sum += q.weight * r[i] * r[i]
		weights += q.weight
		if full := 1 / (q.v + leastError*leastError); q.weight > weightless*full {
			ms[q.from].used = true
		}
	}
	st.chi2 = sum
	st.rms = math.Sqrt(sum/weights) * f.l.fb
	return next, st
}

// trusted returns the weight of a residual r of this variance, after Geman and McClure; in the
// first two passes a convex one, so that what agrees with where the fit stands counts no more than
// the rest.
func trusted(r, variance float64, pass int) float64 {
	const (
		doubted = 2.5 // standard deviations at which a weight is a quarter; chosen by hand
		convex  = 2   // passes; chosen by hand
	)
	weight := 1 / variance
	z := r * r * weight / (doubted * doubted)
	if pass < convex {
		return weight / math.Sqrt(1+z)
	}
	return weight / ((1 + z) * (1 + z))
}

// linear solves the equations for a model's parameters; chi2 is the weighted sum of squares left, that
// of the cells' effects included.
func (f *fit) linear(eqs []equation, model string, terms int, now theta) (next theta, chi2 float64) {
	return f.system(eqs, model, terms, now).solve(nil)
}

// What rigs are like: standard deviations of the parameters about a geometry that stretches the
// frames over each other. They are generous, and chosen by hand; not measured by itself. Those of
// the geometry are in half diagonals at the corner.
const (
	scalePrior = 0.2 // of the scales and shears
	// Of the difference of the scales along the axes, and of the shear that is no turn.
	squarePrior = 0.02
	shiftPrior  = 0.5  // along each axis
	tiltPrior   = 0.03 // of the perspective's two
	k1Prior     = 0.03
	k2Prior     = 0.015

	// Of what is not the geometry's, in pixels of the level.
	inwardPrior = 0.2  // how far edges seem to lie inward
	slopePrior  = 1.5  // and by the slope of the light, which is measured as a part, a pixel
	towardPrior = 0.25 // how far strands seem to lie toward the light, along each axis
)

// preferences says what rigs are like, as equations on the parameters with generous variances.
func (f *fit) preferences() []equation {
	side := math.Hypot(sideLight*(f.s[0]+f.s[1])/2*f.l.fc/f.l.fb, unmodeled*math.Hypot(f.theta[geometric+2], f.theta[geometric+3]))
	list := []equation{
		{row: theta{0: 1}, e: 1, v: scalePrior * scalePrior},
		{row: theta{4: 1}, e: 1, v: scalePrior * scalePrior},
		{row: theta{1: 1}, v: scalePrior * scalePrior},
		{row: theta{3: 1}, v: scalePrior * scalePrior},
		{row: theta{2: 1}, v: shiftPrior * shiftPrior},
		{row: theta{5: 1}, v: shiftPrior * shiftPrior},
		{row: theta{6: 1}, v: tiltPrior * tiltPrior},
		{row: theta{7: 1}, v: tiltPrior * tiltPrior},
		{row: theta{8: 1}, v: k1Prior * k1Prior},
		{row: theta{9: 1}, v: k2Prior * k2Prior},
		{row: theta{geometric: 1}, v: inwardPrior * inwardPrior},
		{row: theta{geometric + 1: 1}, v: slopePrior * slopePrior},
		{row: theta{geometric + 2: 1}, v: towardPrior * towardPrior},
		{row: theta{geometric + 3: 1}, v: towardPrior * towardPrior},
		{row: theta{geometric + 4: 1}, v: side * side},
		{row: theta{geometric + 5: 1}, v: side * side},
		{row: theta{geometric + 6: 1}, v: textureShift * textureShift},
		{row: theta{geometric + 7: 1}, v: textureShift * textureShift},
	}
	if !f.shapeDiffers() {
		list = append(list,
			equation{row: theta{0: 1, 4: -1}, v: squarePrior * squarePrior},
			equation{row: theta{1: 1, 3: 1}, v: squarePrior * squarePrior})
	}
	return list
}

// tiles returns the windows to measure.
func (f *fit) tiles() []tile {
	// Color pixels of the level that a corner moves from which the tiles are laid out anew; chosen
	// by hand.
	const far = 1.5
	if f.laid == nil || f.movedFrom(f.laidBy) > far*f.l.fc {
		f.laid, f.laidBy = f.l.edges(f.g, f.shading.size), f.g
	}
	list := thinned(f.laid, f.sample)
	if f.shading != bending {
		return list
	}
	return f.l.centered(f.g, list, f.shading.size)
}

// patterns returns the windows of the core, and their side in pixels: half of the usual one, and so
// on, where few fit into a small performer.
func (f *fit) patterns(ctx context.Context) (list []pattern, size int, err error) {
	if f.core == nil {
		for f.coreSize = f.l.patchSize(); ; f.coreSize = max(leastPatch, f.coreSize/2) &^ 1 {
			patches := f.l.corePatches(&f.g, f.coreSize)
			if len(patches) >= plentyPatches || f.coreSize == leastPatch {
				f.core, err = f.l.patterns(ctx, patches, f.coreSize)
				break
			}
		}
	}
	return f.core, f.coreSize, err
}

// move takes a solution over, and with it the last measurements: what an edge says of its place
// changes by as much as the place does. It returns how far the corners move, in color pixels.
func (f *fit) move(t theta) (moved float64) {
	place := func(m *measurement) (x, y float64) {
		x, y = f.l.place(&f.g, m.x, m.y)
		dx, dy := f.l.displaced(m.frame, m.y)
		return x + dx, y + dy
	}
	at := make([][2]float64, len(f.last))
	for i := range f.last {
		at[i][0], at[i][1] = place(&f.last[i])
	}
	moved = f.set(t)
	f.expose()
	square, n := 0.0, 0.0
	for i := range f.last {
		m := &f.last[i]
		if m.info[0]+m.info[2] == 0 {
			continue
		}
		x, y := place(m)
		x, y = x-at[i][0], y-at[i][1]
		m.b[0] -= m.info[0]*x + m.info[1]*y
		m.b[1] -= m.info[1]*x + m.info[2]*y
		square += x*x + y*y
		n++
	}
	f.strayed += math.Sqrt(square / math.Max(n, 1))
	return moved
}

// strays is how far the geometry may be, in pixels of the level, from where its edges were
// measured. Measured anew where the fits ended, drawn takes moved by 0.001 to 0.02, and as far the
// next time.
const strays = 0.05

// run fits the model until it stands still, or for the number of rounds given, each of which
// measures and moves the geometry; with none it measures where the geometry stands. ok is false
// when too few edges are left or the geometry goes astray.
func (f *fit) run(ctx context.Context, rounds int) (ok bool, err error) {
	// The movement of the corners in a round, in color pixels of the level, below which the fit
	// stands still. Chosen by hand.
	const still = 0.01
	for range max(rounds, 1) {
		tiles := f.tiles()
		if len(tiles) < minEdges {
			return false, nil
		}
		if err := f.measure(ctx, tiles); err != nil {
			return false, err
		}
		var next theta
		next, f.stats = f.solve(f.last, f.model, f.theta)
		if f.stats.n < minEdges {
			return false, nil
		}
		if rounds == 0 {
			break
		}
		moved := f.move(next)
		if f.g.Check() != nil || moved > float64(f.g.ColorW) {
			return false, nil
		}
		if moved < still*f.l.fc {
			break
		}
	}
	return f.explain(), nil
}

// measure measures tiles, and the texture where there is one.
func (f *fit) measure(ctx context.Context, tiles []tile) (err error) {
	// How far the edges may have moved, in pixels of the level, since tiles were found to follow.
	const known = 0.25 // chosen by hand
	if f.follow == nil || f.strayed > known {
		f.follow = map[tile]float64{}
	}
	f.strayed, f.solved = 0, false
	if f.last, err = f.l.measure(ctx, f.g, tiles, f.shading, f.follow); err != nil || f.shading != bending || f.texture == nil {
		return err
	}
	more, err := f.texture.measure(ctx, f.l, f.g)
	f.last = append(f.last, more...)
	return err
}

// explain sets the fit's match, and reports whether there is anything to match.
func (f *fit) explain() bool {
	var sum, energy float64
	for _, m := range f.last {
		sum += m.energy * m.match
		energy += m.energy
	}
	f.match = sum / energy
	return energy > 0
}

// choose fits the richest model allowed, and then the one that the measurements support: the one
// with the least of Schwarz's criterion for errors of unknown size (Schwarz 1978), which is n
// log(chi-squared) for n measurements, plus the number of parameters times log(n).
func (f *fit) choose(ctx context.Context) (ok bool, err error) {
	// Rounds: of the closer fit, laying out the tiles anew before each; and of the one that stands
	// where that wanders off. Chosen by hand.
	const (
		closeRounds = 3
		wideRounds  = 6
	)
	// Closer; but the fit must not wander off.
	before := *f
	f.shading = bending
	patterns, size, err := f.patterns(ctx)
	if err != nil {
		return false, err
	}
	if f.texture, err = f.l.findTexture(ctx, f.g, patterns, size); err != nil {
		return false, err
	}
	// Some of the edges bring it near, and all of them say where it is.
	for range closeRounds {
		if ok, err = f.run(ctx, 1); !ok || f.sample == maxClose && f.strayed < strays {
			break
		}
		f.sample = maxClose
	}
	if err != nil {
		return false, err
	}
	if !ok {
		*f = before
		if ok, err = f.run(ctx, wideRounds); !ok || err != nil {
			return ok, err
		}
	}
	_, f.stats = f.solve(f.last, f.model, f.theta)
	eqs := f.eqs
	// With unequal weights they count as this many.
	var sum, square float64
	for _, q := range eqs {
		sum += q.weight
		square += q.weight * q.weight
	}
	n := sum * sum / square
	best := math.Inf(1)
	for i, model := range models[:modelIndex(f.most)+1] {
		if f.shapeDiffers() && i < 2 {
			continue
		}
		for terms := 1; terms <= radialTerms; terms++ {
			if model != Radial && terms > 1 {
				continue
			}
			free, _ := f.shading.columns(model, terms)
			_, chi2 := f.linear(eqs, model, terms, f.theta)
			c := n*math.Log(chi2) + float64(len(free))*math.Log(n)
			f.models = append(f.models, ModelFit{model, len(free), c})
			if c < best {
				best, f.model, f.terms = c, model, terms
			}
		}
	}
	// What the chosen model does not have goes back to nothing.
	next, _ := f.linear(eqs, f.model, f.terms, f.theta)
	f.move(next)
	if f.strayed > strays {
		if ok, err = f.run(ctx, 1); !ok || err != nil {
			return ok, err
		}
	} else {
		next, f.stats = f.solve(f.last, f.model, f.theta)
		f.move(next)
	}
	_, f.stats = f.solve(f.last, f.model, f.theta)
	return f.g.Check() == nil && f.explain(), nil
}

// scatter returns what makes the variances that equations of a kind have by noise alone those of
// their residuals r, by medians: times that, and what is beyond it in all of them alike. Those of
// noise allow for what is correlated where nothing may be.
func (k *kind) scatter(eqs []equation, r []float64) (times, beyond float64) {
	ratio := func(list []int, beyond float64) float64 {
		z := make([]float64, len(list))
		for i, j := range list {
			z[i] = r[j] * r[j] / (eqs[j].v + beyond)
		}
		return math.Max(1./correlated, robust.SigmaOfMAD*robust.SigmaOfMAD*robust.Median(z))
	}
	beyond = math.Pow(apart(k.sharp, r, k.least), 2)
	if !k.texture {
		times = ratio(k.all, beyond)
		return times, times * beyond
	}
	// Faint patches have nothing but noise, of which sharp ones have little.
	times = ratio(k.faint, 0)
	noise := make([]float64, len(k.sharp))
	for i, j := range k.sharp {
		noise[i] = times * eqs[j].v
	}
	return times, math.Max(beyond-robust.Median(noise), k.least*k.least)
}

// A kind is the equations of edges, or those of texture, whose scatter has nothing to do with each
// other's.
type kind struct {
	texture bool
	all     []int
	sharp   []int   // the eighth with the least variance
	faint   []int   // the half with the most
	least   float64 // the error that each is granted besides noise, in pixels of the level
}

func byKind(eqs []equation) (kinds []kind) {
	const sharpest = 8 // one in so many of the equations is sharp; chosen by hand
	for _, k := range []kind{{least: leastError}, {texture: true, least: leastTextureError}} {
		var v []float64
		for i, q := range eqs {
			if q.texture == k.texture {
				k.all = append(k.all, i)
				v = append(v, q.v)
			}
		}
		if len(k.all) == 0 {
			continue
		}
		low, middle := robust.Nth(v, len(v)/sharpest), robust.Nth(v, len(v)/2)
		for _, i := range k.all {
			if eqs[i].v <= low {
				k.sharp = append(k.sharp, i)
			}
			if eqs[i].v >= middle {
				k.faint = append(k.faint, i)
			}
		}
		kinds = append(kinds, k)
	}
	return kinds
}

// apart returns the spread of these of the residuals r, by their median, and least at least.
func apart(list []int, r []float64, least float64) float64 {
	abs := make([]float64, len(list))
	for i, k := range list {
		abs[i] = math.Abs(r[k])
	}
	return math.Max(robust.Sigma(abs), least)
}
