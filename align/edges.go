package align

import (
	"context"
	"math"
)

// A shading says how the performer's own color may vary over a tile, the window in which an edge is measured.
type shading struct {
	size int     // width and height of a tile, in pixels of the level
	n    int     // how many parameters a channel has, the constant of the screen's color among them
	flat float64 // how strongly a color is held to be flat and dark: a part of what the tile says
}

// A color that slopes does for all fits but the last. Light that comes from one side makes a color that bends
// toward the edge, and with a sloping one the edge itself seems to move; but that leaves too little to tell a
// blur by, and needs a larger tile.
var (
	sloping = shading{9, 4, 1e-3}
	bending = shading{11, 7, 1e-4}
)

// largest is the greatest size of a tile, and shades the greatest number of parameters.
const (
	largest = 11
	shades  = 7
)

// minEdges is the least number of pieces of edge that a geometry is fitted to, and maxTiles bounds the work.
const (
	minEdges = 10
	maxTiles = 6000
)

// A tile is a window of a color plate with an edge in it.
type tile struct{ frame, x, y int }

// edges returns the windows of all frames in which the band plate, seen through g, has an edge.
func (l *level) edges(g Geometry, size int) []tile {
	const step = 3
	nx, ny := l.w/size, l.h/size
	ox, oy := (l.w-nx*size)/2, (l.h-ny*size)/2
	per := nx * ny
	found := make([]bool, per*len(l.frames))
	spread(len(found), func(from, to int) {
		for i := from; i < to; i++ {
			f := &l.frames[i/per]
			if f.alphaNoise > 0.15 {
				continue
			}
			x0, y0 := ox+i%per%nx*size, oy+i%per/nx*size
			low, high := float32(2), float32(-2)
			for y := 1; y < size; y += step {
				for x := 1; x < size; x += step {
					bx, by := l.place(&g, float64(x0+x), float64(y0+y))
					if !(bx >= 0 && by >= 0 && bx < float64(l.bw) && by < float64(l.bh)) {
						continue
					}
					a := f.alpha[int(by)*l.bw+int(bx)]
					low, high = min(low, a), max(high, a)
				}
			}
			found[i] = float64(high-low) > 0.15+6*f.alphaNoise
		}
	})
	var list []tile
	for i, v := range found {
		if v {
			list = append(list, tile{i / per, ox + i%per%nx*size, oy + i%per/nx*size})
		}
	}
	if n := len(list); n > maxTiles {
		for i := range maxTiles {
			list[i] = list[i*n/maxTiles]
		}
		list = list[:maxTiles]
	}
	return list
}

// A measurement is what one tile says about the geometry.
//
// info and b are the normal equations for the displacement e of the band plate's place, in band pixels of
// the level, that would bring the tile together: (info[0] info[1]; info[1] info[2]) e = b. They are in units
// of noise: info is the inverse of e's covariance were the noise white.
type measurement struct {
	frame  int
	x, y   float64 // where in the color plate: the edge's middle, in pixels of the level
	info   [3]float64
	b      [2]float64
	energy float64 // variance of alpha in the tile, times its pixels
	match  float64 // the part of the color's variance that alpha explains
	// What the tile says about the blur that would make alpha as soft as the color: soft[0] v = soft[1] for v,
	// half the blur's variance, in band pixels of the level, squared.
	soft [2]float64
	used bool // it had weight in the last fit
}

// measure measures all tiles.
func (l *level) measure(ctx context.Context, g Geometry, tiles []tile, h shading) ([]measurement, error) {
	ms := make([]measurement, len(tiles))
	spread(len(tiles), func(from, to int) {
		s := sampler{shading: h}
		for i := from; i < to && ctx.Err() == nil; i++ {
			ms[i] = s.measure(l, &g, tiles[i])
		}
	})
	return ms, ctx.Err()
}

// A sampler is the memory that measuring a tile takes.
type sampler struct {
	shading
	pixels     int
	alpha      [largest * largest]float64 // the band plate's alpha where g puts each pixel
	gx, gy     [largest * largest]float64 // and its slope, in band pixels of the level
	bend       [largest * largest]float64 // and its Laplacian
	dx, dy     [largest * largest]float64 // the pixel's position in the tile, -1 to 1
	color      [3][largest * largest]float64
	weight     [largest * largest]float64
	residual   [largest * largest]float64
	factor     [shades * shades]float64
	coordinate [largest * largest][2]float64
}

func (s *sampler) measure(l *level, g *Geometry, t tile) measurement {
	f := &l.frames[t.frame]
	m := measurement{frame: t.frame}
	s.pixels = 0
	size := float64(s.size)
	for y := t.y; y < t.y+s.size; y++ {
		for x := t.x; x < t.x+s.size; x++ {
			bx, by := l.place(g, float64(x), float64(y))
			ix, iy := int(bx), int(by)
			if !(bx >= 1 && by >= 1 && ix < l.bw-2 && iy < l.bh-2) {
				continue
			}
			i := s.pixels
			s.alpha[i], s.gx[i], s.gy[i], s.bend[i] = cubicSlope(f.alpha[(iy-1)*l.bw+ix-1:], l.bw, bx-float64(ix), by-float64(iy))
			s.dx[i] = (2*float64(x-t.x)+1)/size - 1
			s.dy[i] = (2*float64(y-t.y)+1)/size - 1
			for c := range s.color {
				s.color[c][i] = float64(f.color[c][y*l.w+x])
			}
			s.coordinate[i] = [2]float64{float64(x), float64(y)}
			s.pixels++
		}
	}
	n := s.pixels
	if n < s.size*s.size/2 {
		return m
	}

	// Where the edge is, and how much of it.
	var mean, square, slope float64
	for i := range n {
		mean += s.alpha[i]
		square += s.alpha[i] * s.alpha[i]
		e := s.gx[i]*s.gx[i] + s.gy[i]*s.gy[i]
		slope += e
		m.x += e * s.coordinate[i][0]
		m.y += e * s.coordinate[i][1]
	}
	mean /= float64(n)
	m.energy = square - float64(n)*mean*mean
	if !(slope > 0) || !(m.energy > 0.001*float64(n)) {
		return measurement{frame: t.frame}
	}
	m.x /= slope
	m.y /= slope

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
		explained += ca * ca / m.energy
		total += cc + 8*float64(n)*f.colorNoise[c]*f.colorNoise[c]
		s.channel(&m, pix, f.colorNoise[c], f.alphaNoise)
	}
	m.match = explained / total
	return m
}

// third is the mean square of dx and dy over a tile: less it, the squares have nothing of the constant.
const third = 1. / 3

// shape returns the model's columns at a pixel.
func (s *sampler) shape(i int) [shades]float64 {
	a, x, y := s.alpha[i], s.dx[i], s.dy[i]
	return [shades]float64{1, a, a * x, a * y, a * (x*x - third), a * x * y, a * (y*y - third)}
}

// shade returns the performer's color at a pixel.
func (s *sampler) shade(b *[shades]float64, i int) float64 {
	x, y := s.dx[i], s.dy[i]
	return b[1] + b[2]*x + b[3]*y + b[4]*(x*x-third) + b[5]*x*y + b[6]*(y*y-third)
}

// channel adds what one channel says to m. The channel is modeled as
//
//	color = k + alpha (c0 + c1 dx + c2 dy + c3 dx^2 + c4 dx dy + c5 dy^2)
//
// which is section 3's capture model, with both crosstalks, where the performer's own color varies by a
// polynomial of the second degree over the tile and the screen not at all: light that comes from one side
// makes a color that bends toward the edge, and with a flat color the edge itself would seem to move. The
// noise of a pixel grows with alpha, by the texture that the model does not follow; it is estimated from the
// first of two fits. The displacement's normal equations are those of the model's slope with what the
// parameters could explain projected out.
//
// The bending terms are for the last fits: they leave too little to tell a blur by.
func (s *sampler) channel(m *measurement, pix []float64, colorNoise, alphaNoise float64) {
	n, k := len(pix), s.shading.n
	factor := s.factor[:k*k]
	var beta [shades]float64
	base := colorNoise * colorNoise
	texture := 0.0
	for pass := range 2 {
		clear(factor)
		var b [shades]float64
		for i, v := range pix {
			al := s.alpha[i]
			w := 1.0
			if pass > 0 {
				w = 1 / (base + al*al*texture)
			}
			s.weight[i] = w
			row := s.shape(i)
			for j := range k {
				r := w * row[j]
				for q := range j + 1 {
					factor[j*k+q] += r * row[q]
				}
				b[j] += r * v
			}
		}
		factor[0] *= 1 + 1e-9
		prior := s.flat*factor[k+1] + 1e-12
		for j := 1; j < k; j++ {
			factor[j*k+j] += prior
		}
		if !cholesky(factor, k) {
			return
		}
		substitute(factor, k, b[:k])
		beta = b
		if pass == 0 {
			var up, down float64
			for i, v := range pix {
				al := s.alpha[i]
				r := v - beta[0] - al*s.shade(&beta, i)
				up += al * al * r * r
				down += al * al * al * al
			}
			if down > 0 {
				texture = up / down
			}
			base += beta[1] * beta[1] * (alphaNoise*alphaNoise + 0.03*0.03)
			texture = math.Max(texture, 0.02*0.02*beta[1]*beta[1])
		}
	}
	// Project the columns: the slope's two, and the Laplacian's.
	var px, py, pb [shades]float64
	for i := range n {
		al := s.alpha[i]
		col := s.shade(&beta, i)
		s.residual[i] = pix[i] - beta[0] - al*col
		w := s.weight[i]
		gx, gy, gb := w*col*s.gx[i], w*col*s.gy[i], w*col*s.bend[i]
		shape := s.shape(i)
		for j, r := range shape[:k] {
			px[j] += r * gx
			py[j] += r * gy
			pb[j] += r * gb
		}
	}
	substitute(factor, k, px[:k])
	substitute(factor, k, py[:k])
	substitute(factor, k, pb[:k])
	for i := range n {
		al := s.alpha[i]
		col := s.shade(&beta, i)
		gx := col*s.gx[i] - px[0] - al*s.shade(&px, i)
		gy := col*s.gy[i] - py[0] - al*s.shade(&py, i)
		gb := col*s.bend[i] - pb[0] - al*s.shade(&pb, i)
		w, r := s.weight[i], s.residual[i]
		m.info[0] += w * gx * gx
		m.info[1] += w * gx * gy
		m.info[2] += w * gy * gy
		m.b[0] += w * gx * r
		m.b[1] += w * gy * r
		m.soft[0] += w * gb * gb
		m.soft[1] += w * gb * r
	}
}

// cubicSlope returns the value, the slope and the Laplacian of the cubic interpolation between the 4 by 4
// pixels at the start of a, whose rows are w apart, at the fractions u and v between the second and third.
func cubicSlope(a []float32, w int, u, v float64) (value, dx, dy, bend float64) {
	x, xd, xb := cubicWeights64(u)
	y, yd, yb := cubicWeights64(v)
	for j := range 4 {
		r := a[j*w : j*w+4]
		p0, p1, p2, p3 := float64(r[0]), float64(r[1]), float64(r[2]), float64(r[3])
		s := x[0]*p0 + x[1]*p1 + x[2]*p2 + x[3]*p3
		value += y[j] * s
		dy += yd[j] * s
		dx += y[j] * (xd[0]*p0 + xd[1]*p1 + xd[2]*p2 + xd[3]*p3)
		bend += yb[j]*s + y[j]*(xb[0]*p0+xb[1]*p1+xb[2]*p2+xb[3]*p3)
	}
	return value, dx, dy, bend
}

// cubicWeights64 returns the weights of Keys 1981 with a = -1/2, and their first and second derivatives.
func cubicWeights64(t float64) (w, d, b [4]float64) {
	w = [4]float64{((-0.5*t+1)*t - 0.5) * t, (1.5*t-2.5)*t*t + 1, ((-1.5*t+2)*t + 0.5) * t, (0.5*t - 0.5) * t * t}
	d = [4]float64{(-1.5*t+2)*t - 0.5, (4.5*t - 5) * t, (-4.5*t+4)*t + 0.5, (1.5*t - 1) * t}
	b = [4]float64{-3*t + 2, 9*t - 5, -9*t + 4, 3*t - 1}
	return w, d, b
}
