package align

import (
	"context"
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
)

// A shading says how the performer's own color may vary over a tile, the window in which an edge is
// measured.
type shading struct {
	size int     // width and height of a tile, in pixels of the level
	n    int     // how many parameters a channel has, the constant of the screen's color among them
	flat float64 // how strongly a color is held to be flat and dark: a part of what the tile says
}

// uselessNoise is the standard deviation of a plate's noise, of the smoothed pictures and in parts
// of the screen's light or of a channel's highlight, from which a frame says nothing; chosen by
// hand.
const uselessNoise = 0.15

// A color that slopes does for all fits but the last, which looks closer: light that comes from one
// side makes a color that bends toward the edge, and with a sloping one the edge itself seems to
// move.
var (
	sloping = shading{largest, 4, 1e-3} // flat is chosen by hand in both
	bending = shading{largest, shades, 1e-4}
)

// largest is the greatest size of a tile, and shades the greatest number of parameters. A tile's
// size is chosen by hand.
const (
	largest = 9
	shades  = 7
)

// minEdges is the least number of pieces of edge that a geometry is fitted to, one for each of its
// parameters; and maxTiles and maxClose bound the work. They are chosen by hand.
const (
	minEdges = 10
	maxTiles = 2000
	maxClose = 6000 // in the last fits: with 10000 a fit takes a sixth longer and is no better (`proof --registration`)
)

// A tile is a window of a color plate with an edge in it.
type tile struct{ frame, x, y int }

// edges returns the windows of all frames in which the band plate, seen through g, has an edge.
func (l *level) edges(g Geometry, size int) []tile {
	const (
		step     = 3    // between the pixels that are looked at, which no edge slips through
		contrast = 0.15 // of alpha, the least that an edge has
		// Standard deviations of noise besides; the extremes of nine pixels differ by some 3.
		sure = 6
	)
	nx, ny := l.w/size, l.h/size
	ox, oy := (l.w-nx*size)/2, (l.h-ny*size)/2
	per := nx * ny
	found := make([]bool, per*len(l.frames))
	at := l.places(&g)
	parallel.Parts(len(found), func(from, to int) {
		for i := from; i < to; i++ {
			f := &l.frames[i/per]
			if f.alphaNoise > uselessNoise {
				continue
			}
			x0, y0 := ox+i%per%nx*size, oy+i%per/nx*size
			low, high := float32(2), float32(-2)
			for y := 1; y < size; y += step {
				for x := 1; x < size; x += step {
					bx, by := at.of(x0+x, y0+y)
					if !(bx >= 0 && by >= 0 && bx < float64(l.bw) && by < float64(l.bh)) {
						continue
					}
					k := int(by)*l.bw + int(bx)
					if a := f.alpha[k]; (a < low || a > high) && !l.off(k) {
						if a < low {
							low = a
						}
						if a > high {
							high = a
						}
					}
				}
			}
			found[i] = float64(high-low) > contrast+sure*f.alphaNoise
		}
	})
	var list []tile
	for i, v := range found {
		if v {
			list = append(list, tile{i / per, ox + i%per%nx*size, oy + i%per/nx*size})
		}
	}
	return list
}

// thinned returns at most n of the list, evenly spread.
func thinned[T any](list []T, n int) []T {
	if len(list) <= n {
		return list
	}
	some := make([]T, n)
	for i := range some {
		some[i] = list[i*len(list)/n]
	}
	return some
}

// centered moves the tiles to the middles of the edges in them: an edge in the middle has as much
// of the performer as of the screen about it to tell them by.
func (l *level) centered(g Geometry, tiles []tile, size int) []tile {
	// Pixels of a raster in which one tile is kept: two that are closer see the same.
	const apart = 3
	moved := make([]tile, len(tiles))
	at := l.places(&g)
	parallel.Parts(len(tiles), func(from, to int) {
		for i := from; i < to; i++ {
			t := tiles[i]
			a := l.frames[t.frame].alpha
			var sum, mx, my float32
			for y := t.y; y < t.y+size; y++ {
				for x := t.x; x < t.x+size; x++ {
					bx, by := at.of(x, y)
					if !(bx >= 1 && by >= 1 && bx < float64(l.bw-2) && by < float64(l.bh-2)) {
						continue
					}
					k := int(by+0.5)*l.bw + int(bx+0.5)
					if l.off(k) {
						continue
					}
					gx, gy := a[k+1]-a[k-1], a[k+l.bw]-a[k-l.bw]
					e := gx*gx + gy*gy
					sum += e
					mx += e * float32(x)
					my += e * float32(y)
				}
			}
			if sum > 0 {
				t.x, t.y = int(mx/sum+0.5)-size/2, int(my/sum+0.5)-size/2
			}
			t.x, t.y = max(0, min(t.x, l.w-size)), max(0, min(t.y, l.h-size))
			moved[i] = t
		}
	})
	list := moved[:0]
	seen := map[tile]bool{}
	for _, t := range moved {
		if near := (tile{t.frame, t.x / apart, t.y / apart}); !seen[near] {
			seen[near] = true
			list = append(list, t)
		}
	}
	return list
}

// A measurement is what one tile says about the geometry.
//
// info and b are the normal equations for the displacement e of the band plate's place, in band
// pixels of the level, that would bring the tile together: (info[0] info[1]; info[1] info[2]) e =
// b. They are in units of noise: info is the inverse of e's covariance were the noise white.
type measurement struct {
	frame int
	x, y  float64 // where in the color plate: the edge's middle, in pixels of the level
	info  [3]float64
	b     [2]float64
	// inward is the mean of alpha's slope over the mean of its size, in the band plate: of length 1
	// where the tile has one straight edge, and 0 where it has as much edge that faces one way as
	// the other.
	inward [2]float64
	// light is how the performer's light changes by the pixel inward, over what it is, in the first
	// two pixels from the edge: outward of it, it would change with where the edge is believed to
	// be, and the fit follow itself.
	light  float64
	energy float64 // variance of alpha in the tile, times its pixels
	match  float64 // the part of the color's variance that alpha explains
	// What the tile says about the blur that would make alpha as soft as the color: soft[0] v =
	// soft[1] for v, half the blur's variance, in band pixels of the level, squared.
	soft    [2]float64
	used    bool // it had weight in the last fit
	texture bool // it is of a patch of the core's texture, not of an edge
}

// measure measures all tiles. In the last fits, follow has what trust found of tiles before, and gets
// what it finds.
func (l *level) measure(ctx context.Context, g Geometry, tiles []tile, h shading, follow map[tile]float64) ([]measurement, error) {
	ms, found := make([]measurement, len(tiles)), make([]float64, len(tiles))
	parallel.Parts(len(tiles), func(from, to int) {
		s := sampler{shading: h}
		for i := from; i < to && ctx.Err() == nil; i++ {
			ms[i] = s.measure(l, &g, tiles[i], 0, 0)
			if h != bending {
				continue
			}
			var ok bool
			if found[i], ok = follow[tiles[i]]; !ok {
				found[i] = s.follows(l, &g, tiles[i], &ms[i])
			}
			ms[i].trust(found[i])
		}
	})
	if h == bending && follow != nil {
		for i, t := range tiles {
			follow[t] = found[i]
		}
	}
	return ms, ctx.Err()
}

// A sampler is the memory that measuring a tile takes.
type sampler struct {
	shading
	pixels  int
	at      [largest * largest]int32      // where the coefficients about each pixel's place are
	part    [largest * largest][2]float32 // and how far it is between them
	band    [largest * largest][4]float32 // the band plate's alpha there, its slope and its Laplacian
	alpha   [largest * largest]float64
	gx, gy  [largest * largest]float64                 // the slope, in band pixels of the level
	bend    [largest * largest]float64                 // the Laplacian
	nx, ny  [largest * largest]float64                 // the direction of the slope
	hx, hy  [largest * largest]float64                 // by how much the slopes in row change where alpha moves that way
	row     [largest * largest][kernel.Columns]float64 // the model's columns, of which the last is 0
	color   [3][largest * largest]float64
	left    [largest * largest]float64 // what the model leaves of a channel
	weight  [largest * largest]float64
	x, y    [largest * largest]float64               // the place in the tile, -1 to 1
	fourth  float64                                  // the sum of alpha to the fourth power
	plain   [kernel.Columns * kernel.Columns]float64 // the products of the columns, unweighted
	product [kernel.Columns * kernel.Columns]float64 // and weighted
	folded  [3][largest * largest]float64            // what columns are folded with
	first   [shades * shades]float64                 // the factor of plain, with the prior
	betas   [3][kernel.Columns]float64               // and what it gives for the channels
	factor  [shades * shades]float64
	probe   [3][2]float64  // the places of the edge, and of one and two pixels inward
	light   [3]float64     // the color there, added up over the channels
	own     [3]measurement // what each channel says: info, b and soft
}

// follows measures a tile again with the band plate moved by what it says, or by a part of a pixel
// at least, and returns the part of that movement by which what it says moved: 0 where it does not
// follow, which holds more than the model of an edge has.
func (s *sampler) follows(l *level, g *Geometry, t tile, m *measurement) float64 {
	const (
		least, most = 0.2, 0.6 // pixels of the level by which the plate is moved
		// Parts of that movement between which a tile that follows says it moved.
		lags, outruns = 0.5, 2
	) // chosen by hand; not measured by itself
	e, x, y, info := m.across()
	if !(info > 0) {
		return 0
	}
	d := math.Copysign(math.Max(least, math.Min(math.Abs(e), most)), e)
	n := s.measure(l, g, t, d*x, d*y)
	left := 0.0
	if info := x*x*n.info[0] + 2*x*y*n.info[1] + y*y*n.info[2]; info > 0 {
		left = (x*n.b[0] + y*n.b[1]) / info
	}
	if part := (e - left) / d; part > lags && part < outruns {
		return part
	}
	return 0
}

// trust takes over what a measurement and how its tile follows say together: nothing where it does
// not.
func (m *measurement) trust(follows float64) {
	e, x, y, info := m.across()
	if !(info > 0) {
		return
	}
	if follows == 0 {
		m.info = [3]float64{}
		return
	}
	e /= follows
	info *= follows * follows
	m.info = [3]float64{info * x * x, info * x * y, info * y * y}
	m.b = [2]float64{info * e * x, info * e * y}
}

// across returns the displacement across a tile's edge, the direction of it and how well it is
// known: the inverse of its variance were the noise white; 0 where there is none.
func (m *measurement) across() (e, x, y, info float64) {
	a, b, c := m.info[0], m.info[1], m.info[2]
	if !(a+c > 0) {
		return 0, 0, 0, 0
	}
	info = (a+c)/2 + math.Hypot((a-c)/2, b)
	y, x = math.Sincos(math.Atan2(2*b, a-c) / 2)
	return (x*m.b[0] + y*m.b[1]) / info, x, y, info
}

// measure measures a tile, the band plate moved by (mx, my).
func (s *sampler) measure(l *level, g *Geometry, t tile, mx, my float64) measurement {
	const (
		// Variance of alpha up to which a tile has no edge: a contrast of some 6 %; chosen by hand.
		flat = 1e-3
		// Standard deviations by which noise may seem to be variation of color; chosen by hand.
		noisy = 4
	)
	f := &l.frames[t.frame]
	m := measurement{frame: t.frame}
	half := float64(s.size) / 2
	// How the place in the band plate moves with that in the color plate, in half tiles.
	cx, cy := float64(t.x)+half-0.5, float64(t.y)+half-0.5
	px, py := l.place(g, cx, cy)
	dx, dy := l.displaced(t.frame, cy)
	px, py = px+mx+dx, py+my+dy
	jx, jy := l.jacobian(g, cx, cy)
	for i := range jx {
		jx[i] *= half
		jy[i] *= half
	}
	blur := l.blur / (half * half)
	n := 0
	for y := t.y; y < t.y+s.size; y++ {
		for x := t.x; x < t.x+s.size; x++ {
			u, v := (float64(x)-cx)/half, (float64(y)-cy)/half
			bx, by := px+u*jx[0]+v*jy[0], py+u*jx[1]+v*jy[1] // g is straight over so few pixels
			ix, iy := int(bx), int(by)
			if !(bx >= 1 && by >= 1 && ix < l.bw-2 && iy < l.bh-2) || l.off(iy*l.bw+ix) {
				continue
			}
			s.at[n], s.part[n] = int32((iy-1)*l.bw+ix-1), [2]float32{float32(bx - float64(ix)), float32(by - float64(iy))}
			s.x[n], s.y[n] = u, v
			k := y*l.w + x
			s.color[0][n], s.color[1][n], s.color[2][n] = float64(f.color[0][k]), float64(f.color[1][k]), float64(f.color[2][k])
			n++
		}
	}
	s.pixels = n
	if n < s.size*s.size/2 {
		return measurement{frame: t.frame}
	}
	kernel.Spline(s.band[:n], f.spline, l.bw, s.at[:n], s.part[:n])
	var mean, square, slope, length float64
	s.fourth = 0
	for i := range n {
		a, gx, gy, bend := float64(s.band[i][0]), float64(s.band[i][1]), float64(s.band[i][2]), float64(s.band[i][3])
		s.alpha[i], s.gx[i], s.gy[i], s.bend[i] = a, gx, gy, bend
		u, v := s.x[i], s.y[i]
		s.row[i] = shape(a, u, v, blur*(gx*jx[0]+gy*jx[1]), blur*(gx*jy[0]+gy*jy[1]))
		e := gx*gx + gy*gy
		steep := math.Sqrt(e)
		nx, ny := 0.0, 0.0
		if steep > 0 {
			nx, ny = gx/steep, gy/steep
		}
		s.nx[i], s.ny[i] = nx, ny
		s.hx[i], s.hy[i] = blur*bend*(nx*jx[0]+ny*jx[1]), blur*bend*(nx*jy[0]+ny*jy[1])

		// Where the edge is, and how much of it.
		mean += a
		square += a * a
		s.fourth += a * a * a * a
		slope += e
		m.x += e * u
		m.y += e * v
		length += steep
		m.inward[0] += gx
		m.inward[1] += gy
	}
	mean /= float64(n)
	m.energy = square - float64(n)*mean*mean
	if !(slope > 0) || !(m.energy > flat*float64(n)) {
		return measurement{frame: t.frame}
	}
	m.x, m.y = cx+half*m.x/slope, cy+half*m.y/slope
	m.inward[0] /= length
	m.inward[1] /= length
	nx, ny := m.inward[0]*jx[0]+m.inward[1]*jx[1], m.inward[0]*jy[0]+m.inward[1]*jy[1]
	if d := math.Hypot(nx, ny) * half; d > 0 {
		nx, ny = nx/d, ny/d // a pixel inward, in half tiles
	}
	for i, u := range [3]float64{0, 1, 2} {
		s.probe[i] = [2]float64{(m.x-float64(t.x)+0.5)/half - 1 + u*nx, (m.y-float64(t.y)+0.5)/half - 1 + u*ny}
	}
	s.light = [3]float64{}
	for i := range n {
		s.weight[i] = 1
	}
	kernel.Gram(s.plain[:], s.row[:n], 1, s.shading.n, s.weight[:])
	_, settled := s.solvable(s.first[:], &s.plain)
	if settled {
		kernel.Fold3(&s.betas, s.row[:n], &[3][]float64{s.color[0][:n], s.color[1][:n], s.color[2][:n]})
		substitute3(s.first[:], s.shading.n, &s.betas)
	}

	var explained, total float64
	for c := range s.color {
		var cm, cc, ca float64
		pix := s.color[c][:n]
		for i, v := range pix {
			cm += v
			cc += v * v
			ca += v * (s.alpha[i] - mean)
		}
		cc -= cm * cm / float64(n)
		v := f.colorNoise[c] * f.colorNoise[c]
		explained += ca*ca/m.energy/v - 1
		total += cc/v - float64(n) + noisy*math.Sqrt(float64(n))
		own := &s.own[c]
		*own = measurement{}
		if settled {
			s.channel(own, c, f.colorNoise[c], f.alphaNoise)
		}
		for i, v := range own.info {
			m.info[i] += v
		}
		for i := range m.b {
			m.b[i] += own.b[i]
			m.soft[i] += own.soft[i]
		}
	}
	m.match = max(0, min(explained/total, 1))
	if s.light[1] > 0 {
		m.light = (s.light[2] - s.light[0]) / (2 * s.light[1])
	}
	return m
}

// third is the mean square of a place over a tile: less it, the squares have nothing of the
// constant.
const third = 1. / 3

// shape returns the columns of the model where alpha is a and the place in the tile is (x, y), from
// -1 to 1; ex and ey are alpha's slopes by them, times the variance of the blur.
//
// A color that slopes is alpha times that slope before the lens, and not after it: a Gaussian blur
// of variance v makes x f(x) into x F(x) + v F'(x), F being f blurred. Without the second part,
// which looks just like alpha moved, the edge would seem to lie toward the side that is getting
// lighter.
func shape(a, x, y, ex, ey float64) [kernel.Columns]float64 {
	return [kernel.Columns]float64{1, a, a*x + ex, a*y + ey, a*(x*x-third) + 2*x*ex, a*x*y + x*ey + y*ex, a*(y*y-third) + 2*y*ey}
}

// shade returns the performer's color at a place of the tile.
func shade(b *[kernel.Columns]float64, x, y float64) float64 {
	return b[1] + b[2]*x + b[3]*y + b[4]*(x*x-third) + b[5]*x*y + b[6]*(y*y-third)
}

// solvable sets factor to Cholesky's of products of the columns with priors, which it returns; ok is
// false where they do not settle the parameters even so.
func (s *sampler) solvable(factor []float64, products *[kernel.Columns * kernel.Columns]float64) (prior [shades]float64, ok bool) {
	const (
		// Priors that keep the equations solvable, as parts of what the tile says of the screen's
		// color, and as a whole: far below any noise.
		constantPrior = 1e-9
		leastPrior    = 1e-12
	)
	k := s.shading.n
	for j := range k {
		copy(factor[j*k:j*k+j+1], products[j*kernel.Columns:])
	}
	flat := s.flat*factor[k+1] + leastPrior
	prior = [shades]float64{constantPrior * factor[0], flat, flat, flat, flat, flat, flat}
	for j := range k {
		factor[j*k+j] += prior[j]
	}
	return prior, cholesky(factor, k)
}

// channel adds what one channel says to m. The channel is modeled as
//
//	color = k + alpha (c0 + c1 x + c2 y + c3 x^2 + c4 x y + c5 y^2)
//
// which is package matte's capture model, with both crosstalks, where the performer's own color
// varies by a polynomial over the tile and the screen not at all; see shape for what the lens makes
// of it. The noise of a pixel grows with alpha, by the texture that the model does not follow; it
// is estimated from the first of two fits. The displacement's normal equations are those of the
// model's slope with what the parameters could explain projected out.
//
// The bending terms are for the last fits: they leave too little to tell a blur by.
func (s *sampler) channel(m *measurement, c int, colorNoise, alphaNoise float64) {
	const (
		// What every color is granted besides noise, in parts of itself, as standard deviations:
		// alpha's own error, and texture that the model does not follow. Chosen by hand; not
		// measured by itself.
		alphaError   = 0.03
		leastTexture = 0.02
	)
	k, n := s.shading.n, s.pixels
	pix, rows, left := s.color[c][:n], s.row[:n], s.left[:n]
	beta := s.betas[c]
	clear(beta[k:])
	kernel.Dots(left, rows, &beta)
	up := 0.0
	for i, v := range pix {
		r := s.alpha[i] * (v - left[i])
		up += r * r
	}
	texture := 0.0
	if s.fourth > 0 {
		texture = up / s.fourth
	}
	base := colorNoise*colorNoise + beta[1]*beta[1]*(alphaNoise*alphaNoise+alphaError*alphaError)
	texture = math.Max(texture, leastTexture*leastTexture*beta[1]*beta[1])
	for i, v := range pix {
		a := s.alpha[i]
		w := 1 / (base + a*a*texture)
		s.weight[i] = w
		s.folded[0][i] = w * v
	}
	kernel.Gram(s.product[:], rows, 1, k, s.weight[:])
	factor := s.factor[:k*k]
	prior, ok := s.solvable(factor, &s.product)
	if !ok {
		return
	}
	kernel.Fold(&beta, rows, s.folded[0][:])
	clear(beta[k:])
	substitute(factor, k, beta[:k])
	kernel.Dots(left, rows, &beta)
	for i, v := range pix {
		left[i] = v - left[i]
	}
	// In the middle of the edge, where alpha is a half and texture counts by its square.
	edge := shade(&beta, s.probe[0][0], s.probe[0][1])
	for i, p := range s.probe {
		s.light[i] += edge * shade(&beta, p[0], p[1]) / (base + texture/4)
	}
	// The columns to project, the slope's two and the Laplacian's: their products with each other
	// and with the residual.
	folded := [3][]float64{s.folded[0][:n], s.folded[1][:n], s.folded[2][:n]}
	sums := (&kernel.Window{
		X: s.x[:n], Y: s.y[:n], SlopeX: s.gx[:n], SlopeY: s.gy[:n], Bend: s.bend[:n],
		ToX: s.nx[:n], ToY: s.ny[:n], TurnX: s.hx[:n], TurnY: s.hy[:n], Left: left, Weight: s.weight[:n],
	}).Move(&folded, &beta)
	var fold [3][kernel.Columns]float64
	kernel.Fold3(&fold, rows, &folded)
	p := fold
	substitute3(factor, k, &p)
	// What projecting leaves of the products needs no second look at the pixels. With R the model's
	// columns, W the weights, D the prior and p = inverse(R'WR + D) R'Wc, c - R p and d - R q have
	// the product c'Wd - p'R'Wd - p'D q; and with the residual, to which R is orthogonal but for
	// the prior, c - R p has c'Wr - p'D beta.
	for i, v := range sums[:3] {
		m.info[i] += v
	}
	m.soft[0] += sums[3]
	m.b[0] += sums[4]
	m.b[1] += sums[5]
	m.soft[1] += sums[6]
	for j := range k {
		x, y, b := p[0][j], p[1][j], p[2][j]
		dx, dy, db := prior[j]*x, prior[j]*y, prior[j]*b
		m.info[0] -= x*fold[0][j] + dx*x
		m.info[1] -= x*fold[1][j] + dx*y
		m.info[2] -= y*fold[1][j] + dy*y
		m.b[0] -= dx * beta[j]
		m.b[1] -= dy * beta[j]
		m.soft[0] -= b*fold[2][j] + db*b
		m.soft[1] -= db * beta[j]
	}
}
