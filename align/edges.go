package align

import (
	"context"
	"math"
)

// tileSize is the width and height of the windows in which edges are measured, in pixels of the level.
const tileSize = 9

// minEdges is the least number of pieces of edge that a geometry is fitted to, and maxTiles bounds the work.
const (
	minEdges = 10
	maxTiles = 6000
)

// A tile is a window of a color plate with an edge in it.
type tile struct{ frame, x, y int }

// edges returns the windows of all frames in which the band plate, seen through g, has an edge.
func (l *level) edges(g Geometry) []tile {
	const step = 3
	nx, ny := l.w/tileSize, l.h/tileSize
	ox, oy := (l.w-nx*tileSize)/2, (l.h-ny*tileSize)/2
	per := nx * ny
	found := make([]bool, per*len(l.frames))
	spread(len(found), func(from, to int) {
		for i := from; i < to; i++ {
			f := &l.frames[i/per]
			if f.alphaNoise > 0.15 {
				continue
			}
			x0, y0 := ox+i%per%nx*tileSize, oy+i%per/nx*tileSize
			low, high := float32(2), float32(-2)
			for y := 1; y < tileSize; y += step {
				for x := 1; x < tileSize; x += step {
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
			list = append(list, tile{i / per, ox + i%per%nx*tileSize, oy + i%per/nx*tileSize})
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
func (l *level) measure(ctx context.Context, g Geometry, tiles []tile) ([]measurement, error) {
	ms := make([]measurement, len(tiles))
	spread(len(tiles), func(from, to int) {
		var s sampler
		for i := from; i < to && ctx.Err() == nil; i++ {
			ms[i] = s.measure(l, &g, tiles[i])
		}
	})
	return ms, ctx.Err()
}

// A sampler is the memory that measuring a tile takes.
type sampler struct {
	n          int
	alpha      [tileSize * tileSize]float64 // the band plate's alpha where g puts each pixel
	gx, gy     [tileSize * tileSize]float64 // and its slope, in band pixels of the level
	bend       [tileSize * tileSize]float64 // and its Laplacian
	dx, dy     [tileSize * tileSize]float64 // the pixel's position in the tile, -1 to 1
	color      [3][tileSize * tileSize]float64
	weight     [tileSize * tileSize]float64
	residual   [tileSize * tileSize]float64
	coordinate [tileSize * tileSize][2]float64
}

func (s *sampler) measure(l *level, g *Geometry, t tile) measurement {
	f := &l.frames[t.frame]
	m := measurement{frame: t.frame}
	s.n = 0
	for y := t.y; y < t.y+tileSize; y++ {
		for x := t.x; x < t.x+tileSize; x++ {
			bx, by := l.place(g, float64(x), float64(y))
			ix, iy := int(bx), int(by)
			if !(bx >= 1 && by >= 1 && ix < l.bw-2 && iy < l.bh-2) {
				continue
			}
			i := s.n
			s.alpha[i], s.gx[i], s.gy[i], s.bend[i] = cubicSlope(f.alpha[(iy-1)*l.bw+ix-1:], l.bw, bx-float64(ix), by-float64(iy))
			s.dx[i] = (2*float64(x-t.x) - tileSize + 1) / tileSize
			s.dy[i] = (2*float64(y-t.y) - tileSize + 1) / tileSize
			for c := range s.color {
				s.color[c][i] = float64(f.color[c][y*l.w+x])
			}
			s.coordinate[i] = [2]float64{float64(x), float64(y)}
			s.n++
		}
	}
	n := s.n
	if n < tileSize*tileSize/2 {
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

// channel adds what one channel says to m. The channel is modeled as
//
//	color = k + alpha (c0 + c1 dx + c2 dy)
//
// which is section 3's capture model, with both crosstalks, where the performer's own color varies linearly
// over the tile and the screen not at all. The noise of a pixel grows with alpha, by the texture that the
// model does not follow; it is estimated from the first of two fits. The displacement's normal equations are
// those of the model's slope with what the four parameters could explain projected out.
func (s *sampler) channel(m *measurement, pix []float64, colorNoise, alphaNoise float64) {
	n := len(pix)
	var beta [4]float64
	base := colorNoise * colorNoise
	texture := 0.0
	var a [16]float64
	for pass := range 2 {
		a = [16]float64{}
		var b [4]float64
		for i, v := range pix {
			al := s.alpha[i]
			w := 1.0
			if pass > 0 {
				w = 1 / (base + al*al*texture)
			}
			s.weight[i] = w
			row := [4]float64{1, al, al * s.dx[i], al * s.dy[i]}
			for j := range row {
				r := w * row[j]
				for k := range j + 1 {
					a[j*4+k] += r * row[k]
				}
				b[j] += r * v
			}
		}
		// The color is not expected to vary by more than itself.
		a[0] *= 1 + 1e-9
		for j := 1; j < 4; j++ {
			a[j*4+j] += 1e-3*a[5] + 1e-12
		}
		if !cholesky(a[:], 4) {
			return
		}
		substitute(a[:], 4, b[:])
		beta = b
		if pass == 0 {
			var up, down float64
			for i, v := range pix {
				al := s.alpha[i]
				r := v - beta[0] - al*(beta[1]+beta[2]*s.dx[i]+beta[3]*s.dy[i])
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
	var px, py, pb [4]float64
	for i := range n {
		al := s.alpha[i]
		color := beta[1] + beta[2]*s.dx[i] + beta[3]*s.dy[i]
		s.residual[i] = pix[i] - beta[0] - al*color
		w := s.weight[i]
		gx, gy, gb := w*color*s.gx[i], w*color*s.gy[i], w*color*s.bend[i]
		row := [4]float64{1, al, al * s.dx[i], al * s.dy[i]}
		for j, r := range row {
			px[j] += r * gx
			py[j] += r * gy
			pb[j] += r * gb
		}
	}
	substitute(a[:], 4, px[:])
	substitute(a[:], 4, py[:])
	substitute(a[:], 4, pb[:])
	for i := range n {
		al := s.alpha[i]
		color := beta[1] + beta[2]*s.dx[i] + beta[3]*s.dy[i]
		gx := color*s.gx[i] - px[0] - al*(px[1]+px[2]*s.dx[i]+px[3]*s.dy[i])
		gy := color*s.gy[i] - py[0] - al*(py[1]+py[2]*s.dx[i]+py[3]*s.dy[i])
		gb := color*s.bend[i] - pb[0] - al*(pb[1]+pb[2]*s.dx[i]+pb[3]*s.dy[i])
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
