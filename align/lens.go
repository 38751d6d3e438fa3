package align

import (
	"context"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A LateralColor is the lateral chromatic aberration of the color camera's lens: it shows red and
// blue at another scale than green, about the middle of the frame.
type LateralColor struct {
	// Red and Blue are their scales over green's, less 1: 0.0005 where an edge in the corner of a
	// 1920x1080 frame stands 0.55 pixels farther out than in green.
	Red  float64 `json:"red"`
	Blue float64 `json:"blue"`

	RedSigma  float64 `json:"red_sigma"` // standard errors
	BlueSigma float64 `json:"blue_sigma"`
	Pieces    int     `json:"pieces"` // of edge and texture that were measured; 0: too few were, and nothing is known
}

// lateralLeast is the least displacement in the corner, in pixels, at which lateral color is
// reported and taken out: colored light on the demo's take, whose lens has none, reads as 0.13.
const lateralLeast = 0.15

// Corner returns how far red and blue are displaced outward from green in the corner of a frame of
// w by h pixels, in pixels.
func (l LateralColor) Corner(w, h int) (red, blue float64) {
	d := math.Hypot(float64(w-1), float64(h-1)) / 2
	return l.Red * d, l.Blue * d
}

// Told reports whether there is lateral color in frames of w by h pixels: 0.15 pixels or
// more in the corner, and four standard errors.
func (l LateralColor) Told(w, h int) bool {
	red, blue := l.Corner(w, h)
	is := func(pixels, v, sigma float64) bool {
		return math.Abs(pixels) >= lateralLeast && math.Abs(v) > surely*sigma
	}
	return l.Pieces > 0 && (is(red, l.Red, l.RedSigma) || is(blue, l.Blue, l.BlueSigma))
}

// FindLateralColor measures the color camera's lateral color where the performer's edges are, for a
// geometry that is nearly right: FromFootage does it by itself. The pairs are as for FromFootage,
// and so are the errors.
//
// Each channel is registered to the band plate by itself at each piece of edge, as FromFootage does
// it with all three; a scale, a shift and a displacement inward are fitted robustly to how far red
// stands from green across the edges, and so for blue. The performer's texture has no say: edges
// are displaced by this lens alone, but what is painted or printed may have fringes of its own.
// Frames of one take show the same performer, and do not make the standard errors smaller.
func FindLateralColor(ctx context.Context, pairs []Pair, g Geometry) (LateralColor, error) {
	_, f, err := prepared(ctx, pairs, g, maxWidth)
	if err != nil {
		return LateralColor{}, err
	}
	return f.lateral(ctx)
}

// lateral is FindLateralColor on the fit's level, of which it takes out the lateral color that it
// finds. A piece of edge shows only a part of a displacement, hence the rounds.
func (f *fit) lateral(ctx context.Context) (all LateralColor, err error) {
	const (
		rounds = 3    // chosen by hand
		still  = 0.25 // standard errors below which a round has changed nothing
	)
	for range rounds {
		c, err := f.fringed(ctx)
		if err != nil || c.Pieces == 0 {
			return all, err
		}
		c.Red, c.Blue = c.Red+all.Red, c.Blue+all.Blue
		more := LateralColor{Red: (1+c.Red)/(1+all.Red) - 1, Blue: (1+c.Blue)/(1+all.Blue) - 1}
		all = c
		if !c.Told(f.g.ColorW, f.g.ColorH) || math.Abs(more.Red) < still*c.RedSigma && math.Abs(more.Blue) < still*c.BlueSigma {
			break
		}
		f.l.correct(more)
		f.core = nil // which has the colors before
	}
	return all, nil
}

// fringed measures lateral color once.
func (f *fit) fringed(ctx context.Context) (LateralColor, error) {
	l := f.l
	tiles := thinned(f.tiles(), maxTiles)
	eqs := make([][2]equation, len(tiles)) // of each tile, for red and blue
	parallel.Parts(len(tiles), func(from, to int) {
		s := sampler{shading: sloping}
		for i := from; i < to && ctx.Err() == nil; i++ {
			eqs[i] = s.fringes(l, &f.g, tiles[i], f.cell(float64(tiles[i].x), float64(tiles[i].y)))
		}
	})
	var found [2][]equation // red's and blue's
	for _, pair := range eqs {
		for c, q := range pair {
			if q.v > 0 {
				found[c] = append(found[c], q)
			}
		}
	}
	c := LateralColor{Pieces: min(len(found[0]), len(found[1]))}
	if c.Pieces < minEdges {
		return LateralColor{}, ctx.Err()
	}
	var known [2]bool
	parallel.Do(
		func() { c.Red, c.RedSigma, known[0] = f.lateralScale(found[0]) },
		func() { c.Blue, c.BlueSigma, known[1] = f.lateralScale(found[1]) },
	)
	if known != [2]bool{true, true} {
		return LateralColor{}, ctx.Err()
	}
	red, blue, err := f.textureFringes(ctx)
	if err != nil {
		return LateralColor{}, err
	}
	parallel.Do(
		func() { c.Red, c.RedSigma = f.agreed(c.Red, c.RedSigma, red) },
		func() { c.Blue, c.BlueSigma = f.agreed(c.Blue, c.BlueSigma, blue) },
	)
	return c, ctx.Err()
}

// agreed returns a channel's scale at the edges where the costume's texture, in these equations,
// does not speak against it, and else nothing with the difference as its standard error: colored
// light that falls off toward the edges of one flank looks like lateral color, and so do fringes
// that are painted or printed; the lens alone makes both.
func (f *fit) agreed(scale, sigma float64, texture []equation) (float64, float64) {
	// Chosen by hand; not measured by itself.
	const (
		knows = 0.25 // of the edges' scale, the largest standard error with which texture speaks
		same  = 0.5  // of it, the least that texture must see
	)
	if len(texture) < minEdges {
		return scale, sigma
	}
	t, error, ok := f.lateralScale(texture)
	if !ok || error > knows*math.Abs(scale) { // it does not know
		return scale, sigma
	}
	if t/scale > same {
		return scale, sigma
	}
	return 0, math.Hypot(sigma, scale-t)
}

// textureFringes measures how far red and blue stand from green in the costume's texture, as
// fringes does it at edges.
func (f *fit) textureFringes(ctx context.Context) (red, blue []equation, err error) {
	patterns, size, err := f.patterns(ctx)
	if err != nil {
		return nil, nil, err
	}
	some := thinned(patterns, maxTiles)
	eqs := make([][2][2]equation, len(some)) // of each, for red and blue
	parallel.Parts(len(some), func(from, to int) {
		s := newPatchSampler(size)
		for i := from; i < to && ctx.Err() == nil; i++ {
			t := &some[i]
			if _, _, ok := s.to(f.l, &f.g, t.patch); ok {
				eqs[i] = s.fringes(f.l, &f.g, t, f.cell(float64(t.x), float64(t.y)))
			}
		}
	})
	for _, pair := range eqs {
		for k := range 2 {
			if q := pair[0][k]; q.v > 0 {
				red = append(red, q)
			}
			if q := pair[1][k]; q.v > 0 {
				blue = append(blue, q)
			}
		}
	}
	return red, blue, ctx.Err()
}

// fringes measures a pattern: red and blue are green, brighter or darker and displaced, as far as
// texture goes.
func (s *patchSampler) fringes(l *level, g *Geometry, t *pattern, cell int) (eqs [2][2]equation) {
	const (
		green      = 1
		leastNoise = 1e-12 // variance; a channel that is green's multiple leaves none
	)
	cx, cy := s.middle()
	ox, oy := l.outward(g, cx, cy)
	p := &t.products
	if !(p[green][green] > 0) {
		return eqs
	}
	alongX, alongY := alongX+green, alongY+green
	for i, c := range []int{0, 2} {
		a := p[green][c] / p[green][green]
		left := p[c][c] - a*p[green][c]
		// The products of green's slopes, by the color pixel, with each other and with what is left.
		xx, xy := s.turned(p[alongX][alongX], p[alongX][alongY])
		yx, yy := s.turned(p[alongY][alongX], p[alongY][alongY])
		xx, _ = s.turned(xx, yx)
		xy, yy = s.turned(xy, yy)
		bx, by := s.turned(p[alongX][c]-a*p[alongX][green], p[alongY][c]-a*p[alongY][green])
		m := measurement{info: [3]float64{a * a * xx, a * a * xy, a * a * yy}, b: [2]float64{a * bx, a * by}}
		// Green's noise is no slope of the costume's: with it, what is displaced seemed to be less so.
		grain := s.grain([3]float64{green: a})
		m.info[0], m.info[2] = m.info[0]-grain, m.info[2]-grain
		noise := math.Max(left, 0)/float64(s.n) + leastNoise
		for k := range m.info {
			m.info[k] /= noise
		}
		m.b[0], m.b[1] = m.b[0]/noise, m.b[1]/noise
		e, x, y, info := m.across()
		for k := range 2 {
			if k == 1 { // and along it
				x, y = -y, x
				info = x*x*m.info[0] + 2*x*y*m.info[1] + y*y*m.info[2]
				e = (x*m.b[0] + y*m.b[1]) / info
			}
			if info*worst*worst > correlated && math.Abs(e) < farthest {
				eqs[i][k] = equation{row: theta{-(x*ox + y*oy), x, y}, e: e, v: correlated / info, cell: cell}
			}
		}
	}
	return eqs
}

// sumProducts adds up in four parts, none of which waits for the others.
func sumProducts(a, b []float64) float64 {
	b = b[:len(a)]
	var s0, s1, s2, s3 float64
	for len(a) >= 4 {
		s0 += a[0] * b[0]
		s1 += a[1] * b[1]
		s2 += a[2] * b[2]
		s3 += a[3] * b[3]
		a, b = a[4:], b[4:]
	}
	for i, v := range a {
		s0 += v * b[i]
	}
	return s0 + s1 + (s2 + s3)
}

// lateralTerms are a channel's scale less 1, its shift along x and y, and how far it seems to lie
// inward: the light may fall off toward an edge otherwise than green does.
const lateralTerms = 4

// fringes measures how far red and blue stand from green across a tile's edge, in band pixels of
// the level, as equations in lateralTerms unknowns. One that says nothing has no variance.
func (s *sampler) fringes(l *level, g *Geometry, t tile, cell int) (eqs [2]equation) {
	m := s.measure(l, g, t, 0, 0)
	_, x, y, info := m.across()
	if !(info > 0) {
		return eqs
	}
	var e, v [3]float64
	for c, own := range s.own {
		if info := x*x*own.info[0] + 2*x*y*own.info[1] + y*y*own.info[2]; info*worst*worst > correlated {
			e[c], v[c] = (x*own.b[0]+y*own.b[1])/info, correlated/info
		}
	}
	// What is s (p - center) farther out in the color plate is as much nearer to the center's place
	// in the band plate.
	ox, oy := l.outward(g, m.x, m.y)
	out := x*ox + y*oy
	for i, c := range []int{0, 2} {
		if d := e[c] - e[1]; v[c] > 0 && v[1] > 0 && math.Abs(d) < farthest {
			eqs[i] = equation{row: theta{-out, x, y, x*m.inward[0] + y*m.inward[1]}, e: d, v: v[c] + v[1], cell: cell}
		}
	}
	return eqs
}

// outward returns the way from the center to a pixel of the level's color plates, as the band plate
// shows it, in band pixels of the level.
func (l *level) outward(g *Geometry, x, y float64) (ox, oy float64) {
	jx, jy := l.jacobian(g, x, y)
	px, py := x-((g.Center[0]+0.5)/l.fc-0.5), y-((g.Center[1]+0.5)/l.fc-0.5)
	return jx[0]*px + jy[0]*py, jx[1]*px + jy[1]*py
}

// lateralScale fits the terms to the equations by least squares reweighted as solve does it, and
// returns the scale and its standard error; ok is false where the pieces of edge do not settle it.
func (f *fit) lateralScale(eqs []equation) (scale, sigma float64, ok bool) {
	const (
		passes = 12   // after which the weights no longer matter; chosen by hand
		ridge  = 1e-6 // of the inward term, which texture does not have
	)
	r := list.Of(eqs, func(q equation) float64 { return q.e })
	k := byKind(eqs)[0]
	for pass := range passes {
		times, beyond := k.scatter(eqs, r)
		m := newNormal(lateralTerms)
		m.a[lateralTerms*lateralTerms-1] = ridge
		weights := make([]float64, len(eqs))
		for i, q := range eqs {
			weights[i] = trusted(r[i], times*q.v+beyond, pass)
			m.add(q.row[:lateralTerms], q.e, weights[i])
		}
		x, ok := m.solve()
		if !ok {
			return 0, 0, false
		}
		for i, q := range eqs {
			r[i] = q.e
			for k, v := range x {
				r[i] -= v * q.row[k]
			}
		}
		scale = x[0]
		if pass == passes-1 {
			inv := inverse(m.a, lateralTerms)
			scores := f.scores(eqs, weights, r)
			if len(scores) <= lateralTerms { // nothing is left to tell an error by
				return 0, 0, false
			}
			// Frames of one take show the same performer, and do not make it smaller.
			sigma = math.Max(math.Sqrt(inv[0][0]*float64(len(f.l.frames))), robust.Sandwich(inv[:1], scores)[0])
		}
	}
	return scale, sigma, sigma < mostLateral && math.Abs(scale) < mostLateral
}

// scores returns those of the cells that have equations, in order: what the light does to the
// edges of a cell, in all frames, hangs together.
func (f *fit) scores(eqs []equation, weights, residuals []float64) (list [][]float64) {
	of := make([][]float64, f.cells())
	for i, q := range eqs {
		if of[q.cell] == nil {
			of[q.cell] = make([]float64, lateralTerms)
		}
		for k := range lateralTerms {
			of[q.cell][k] += weights[i] * residuals[i] * q.row[k]
		}
	}
	return slices.DeleteFunc(of, func(s []float64) bool { return s == nil })
}

// mostLateral bounds what is taken for lateral color: a scale less 1 far beyond any lens.
const mostLateral = 0.05

// Corrector returns what brings red and blue to green's scale in plates of w by h pixels. It
// resamples by Lanczos3: with Bicubic, which moves detail by less than it is asked to, an eighth of
// the displacement stayed.
func (l LateralColor) Corrector(w, h int) *Corrector {
	scaled := func(s float64) *Resampler {
		g := Identity(w, h)
		g.Homography = [9]float64{1 + s, 0, -s * g.Center[0], 0, 1 + s, -s * g.Center[1], 0, 0, 1}
		return Lanczos3.NewResampler(g)
	}
	return &Corrector{scaled(l.Red), scaled(l.Blue)}
}

// A Corrector takes lateral color out of color plates. It is safe for concurrent use.
type Corrector struct{ red, blue *Resampler }

// RGB replaces red and blue of the plate by ones at green's scale. It panics where the plate has
// another size than the corrector.
func (c *Corrector) RGB(f *plate.RGB) {
	for i, r := range map[int]*Resampler{0: c.red, 2: c.blue} {
		f.Pix[i] = r.Gray(nil, &plate.Gray{W: f.W, H: f.H, Pix: f.Pix[i]}).Pix
	}
}

// correct takes lateral color out of the level's color plates.
func (l *level) correct(c LateralColor) {
	by := c.Corrector(l.w, l.h)
	for i := range l.frames {
		f := plate.RGB{W: l.w, H: l.h, Pix: l.frames[i].color}
		by.RGB(&f)
		l.frames[i].color = f.Pix
	}
}
