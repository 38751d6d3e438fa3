// Package scene draws the demo's pictures and a plain scene for tests, in linear light.
package scene

import (
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
	"math"
)

// A canvas is a picture being painted, front over back: premultiplied light p and transmission t.
//
// Scene units do not depend on its size: y goes from 0 at the top to 1 at the bottom, and x from 0
// to 16/9 over a frame of that shape; a wider or narrower one shows more or less at both sides.
type canvas struct {
	w, h   int
	px     float64 // a pixel's side, in scene units
	x0, y0 float64 // the center of the top left pixel
	p      *plate.RGB
	t      *plate.Gray

	// The stroke being drawn: coverage, and where it is more than 0, the place along the stroke and
	// across it.
	cov, along, nx, ny []float32
	touched            []int32
}

func newCanvas(w, h int) *canvas {
	px := 1 / float64(max(h, 1))
	c := &canvas{w: w, h: h, px: px, p: plate.NewRGB(w, h), t: plate.NewGray(w, h)}
	c.x0 = 8.0/9 - px*float64(w-1)/2
	c.y0 = px / 2
	c.t.Fill(1)
	return c
}

// box is a rectangle in scene units.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) grow(d float64) box { return box{b.x0 - d, b.y0 - d, b.x1 + d, b.y1 + d} }

func (b box) add(x, y float64) box {
	return box{min(b.x0, x), min(b.y0, y), max(b.x1, x), max(b.y1, y)}
}

// square returns the square of the distance from (x, y) to b, which is 0 in it.
func (b box) square(x, y float64) float64 {
	dx, dy := max(b.x0-x, 0, x-b.x1), max(b.y0-y, 0, y-b.y1)
	return dx*dx + dy*dy
}

var nowhere = box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}

// pixels returns the pixels whose centers lie in b: x0 <= x < x1, y0 <= y < y1.
func (c *canvas) pixels(b box) (x0, y0, x1, y1 int) {
	lo := func(v float64, n int) int { return int(math.Ceil(min(max(v, 0), float64(n)))) }
	x0, y0 = lo((b.x0-c.x0)/c.px, c.w), lo((b.y0-c.y0)/c.px, c.h)
	x1, y1 = lo((b.x1-c.x0)/c.px+1e-9, c.w), lo((b.y1-c.y0)/c.px+1e-9, c.h)
	return x0, y0, max(x0, x1), max(y0, y1)
}

// rgb is light, or a reflectance.
type rgb [3]float64

func (a rgb) plus(b rgb) rgb          { return rgb{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }
func (a rgb) times(s float64) rgb     { return rgb{a[0] * s, a[1] * s, a[2] * s} }
func (a rgb) by(b rgb) rgb            { return rgb{a[0] * b[0], a[1] * b[1], a[2] * b[2]} }
func (a rgb) to(b rgb, t float64) rgb { return a.plus(b.plus(a.times(-1)).times(t)) }

// over lays light of color l (not premultiplied) over pixel i with coverage a.
func (c *canvas) over(i int, l rgb, a float64) {
	if a <= 0 {
		return
	}
	k := float32(1 - a)
	for j := range l {
		c.p.Pix[j][i] = c.p.Pix[j][i]*k + float32(l[j]*a)
	}
	c.t.Pix[i] *= k
}

// paint calls f for each pixel center in b, from several goroutines; f returns the light and the
// coverage.
func (c *canvas) paint(b box, f func(x, y float64) (rgb, float64)) {
	x0, y0, x1, y1 := c.pixels(b)
	parallel.Parts(y1-y0, func(j0, j1 int) {
		for j := y0 + j0; j < y0+j1; j++ {
			y := c.y0 + float64(j)*c.px
			for i := x0; i < x1; i++ {
				l, a := f(c.x0+float64(i)*c.px, y)
				c.over(j*c.w+i, l, a)
			}
		}
	})
}

// wash is paint for what hardly changes within the given length: f is asked at the corners of
// squares of that side, and between them what it says is interpolated.
func (c *canvas) wash(b box, length float64, f func(x, y float64) (rgb, float64)) {
	side := int(length / c.px)
	if side < 2 {
		c.paint(b, f)
		return
	}
	x0, y0, x1, y1 := c.pixels(b)
	if x0 >= x1 || y0 >= y1 {
		return
	}
	across, down := (x1-x0-1)/side+2, (y1-y0-1)/side+2
	corners := make([][4]float64, across*down) // light with its coverage, and the coverage
	parallel.Parts(down, func(from, to int) {
		for k := from * across; k < to*across; k++ {
			l, a := f(c.x0+float64(x0+k%across*side)*c.px, c.y0+float64(y0+k/across*side)*c.px)
			corners[k] = [4]float64{l[0] * a, l[1] * a, l[2] * a, a}
		}
	})
	parallel.Parts(y1-y0, func(from, to int) {
		edge := make([][4]float64, across) // the corners of a row of squares, at this row of pixels
		for j := from; j < to; j++ {
			v := float64(j%side) / float64(side)
			above, below := corners[j/side*across:], corners[(j/side+1)*across:]
			for k := range edge {
				for n := range edge[k] {
					edge[k][n] = above[k][n] + v*(below[k][n]-above[k][n])
				}
			}
			at := (y0+j)*c.w + x0
			for i := range x1 - x0 {
				p, q := &edge[i/side], &edge[i/side+1]
				u := float64(i%side) / float64(side)
				a := p[3] + u*(q[3]-p[3])
				if a <= 0 {
					continue
				}
				k := float32(1 - a)
				for n := range c.p.Pix {
					c.p.Pix[n][at+i] = c.p.Pix[n][at+i]*k + float32(p[n]+u*(q[n]-p[n]))
				}
				c.t.Pix[at+i] *= k
			}
		}
	})
}

// cover returns how much of a pixel lies inside an edge at signed distance d (negative inside),
// seen head on.
func (c *canvas) cover(d float64) float64 { return clamp(0.5 - d/c.px) }

// line returns the coverage of a pixel at distance d from the middle of a line of half width r, be
// it ever so thin.
func (c *canvas) line(d, r float64) float64 {
	return clamp(0.5+(r-d)/c.px) - clamp(0.5-(r+d)/c.px)
}

// A knot is a point of a stroke's middle, and half the stroke's width there.
type knot struct{ x, y, r float64 }

// A shade is asked for light and opacity at a point, at the length s along a stroke; (nx, ny) is
// where the point lies across it, of length 0 in the middle and 1 at the edge.
type shade func(x, y, s, nx, ny float64) (rgb, float64)

// stroke draws a line through knots. A stroke covers itself only once.
func (c *canvas) stroke(k []knot, shade shade) {
	if c.cov == nil {
		n := c.w * c.h
		c.cov, c.along, c.nx, c.ny = make([]float32, n), make([]float32, n), make([]float32, n), make([]float32, n)
	}
	s := 0.0
	for i := 1; i < len(k); i++ {
		a, b := k[i-1], k[i]
		dx, dy := b.x-a.x, b.y-a.y
		l := math.Hypot(dx, dy)
		if l == 0 {
			continue
		}
		r := max(a.r, b.r) + c.px
		x0, y0, x1, y1 := c.pixels(box{min(a.x, b.x), min(a.y, b.y), max(a.x, b.x), max(a.y, b.y)}.grow(r))
		for j := y0; j < y1; j++ {
			py := c.y0 + float64(j)*c.px - a.y
			// Of a slanting piece, a row has the pixels within r of the line through it.
			i0, i1 := x0, x1
			if math.Abs(dy) > l/16 {
				middle, reach := (py*dx/dy+a.x-c.x0)/c.px, r*l/math.Abs(dy)/c.px
				i0, i1 = max(x0, int(middle-reach)), min(x1, int(middle+reach)+2)
			}
			for i := i0; i < i1; i++ {
				px := c.x0 + float64(i)*c.px - a.x
				t := clamp((px*dx + py*dy) / (l * l))
				ox, oy := px-t*dx, py-t*dy
				d2 := ox*ox + oy*oy
				if d2 >= r*r {
					continue
				}
				half := a.r + t*(b.r-a.r)
				cover := float32(c.line(math.Sqrt(d2), half))
				if cover == 0 {
					continue
				}
				at := j*c.w + i
				half = max(half, c.px/2)
				nx, ny := float32(ox/half), float32(oy/half)
				if c.cov[at] == 0 {
					c.touched = append(c.touched, int32(at))
				}
				if c.cov[at] == 0 || nx*nx+ny*ny < c.nx[at]*c.nx[at]+c.ny[at]*c.ny[at] {
					c.along[at], c.nx[at], c.ny[at] = float32(s+t*l), nx, ny // the nearest piece's middle
				}
				c.cov[at] = max(c.cov[at], cover)
			}
		}
		s += l
	}
	for _, at := range c.touched {
		x, y := c.x0+float64(int(at)%c.w)*c.px, c.y0+float64(int(at)/c.w)*c.px
		nx, ny := float64(c.nx[at]), float64(c.ny[at])
		if l := math.Hypot(nx, ny); l > 1 { // a pixel across the edge
			nx, ny = nx/l, ny/l
		}
		light, a := shade(x, y, float64(c.along[at]), nx, ny)
		c.over(int(at), light, a*float64(c.cov[at]))
		c.cov[at] = 0
	}
	c.touched = c.touched[:0]
}
