package scene

import (
	"math"

	"example.com/twinplate/internal/parallel"
)

// A relief is a body seen from the front: its outline and the lie of its surface, on a grid in
// scene units that does not depend on the picture's size.
type relief struct {
	b    box
	w, h int
	cell []surface
}

// surface is what a relief knows about a place.
type surface struct {
	d          float32 // signed distance to the outline, negative inside
	z          float32 // height towards the viewer
	nx, ny, nz float32 // normal
	ao         float32 // how open it is to light from all around, 0 to 1
}

const grid = 1.0 / 420 // the side of a relief's cell

// body makes the relief of what lies inside dist, a signed distance, rounded off from its outline
// over the radius round, with bumps added to its height; b is a box around it.
func body(b box, round float64, dist, bumps func(x, y float64) float64) *relief {
	b = b.grow(6 * grid)
	r := &relief{b: b, w: int((b.x1-b.x0)/grid) + 2, h: int((b.y1-b.y0)/grid) + 2}
	n := r.w * r.h
	r.cell = make([]surface, n)
	d := make([]float32, n)
	parallel.Each(r.h, func(y int) {
		for x := range r.w {
			v := float32(dist(b.x0+float64(x)*grid, b.y0+float64(y)*grid))
			d[y*r.w+x], r.cell[y*r.w+x].d = v, v
		}
	})
	for range 3 { // the distance has a crease down the middle
		d = r.blurred(d, 3)
	}
	z := make([]float32, n)
	parallel.Parts(r.h, func(y0, y1 int) {
		for i := y0 * r.w; i < y1*r.w; i++ {
			t := clamp(-float64(d[i]) / round)
			v := round * math.Sqrt(1-(1-t)*(1-t))
			if t > 0 && bumps != nil {
				v += bumps(b.x0+float64(i%r.w)*grid, b.y0+float64(i/r.w)*grid) * ease(min(1, t*4))
			}
			z[i] = float32(v)
		}
	})
	low := r.blurred(r.blurred(z, 7), 7)
	tight := r.blurred(z, 2)
	parallel.Each(r.h, func(y int) {
		for x := range r.w {
			i := y*r.w + x
			xa, xb := max(x-1, 0), min(x+1, r.w-1)
			ya, yb := max(y-1, 0), min(y+1, r.h-1)
			gx := float64(z[y*r.w+xb]-z[y*r.w+xa]) / (2 * grid)
			gy := float64(z[yb*r.w+x]-z[ya*r.w+x]) / (2 * grid)
			l := 1 / math.Sqrt(1+gx*gx+gy*gy)
			s := &r.cell[i]
			s.z, s.nx, s.ny, s.nz = z[i], float32(-gx*l), float32(-gy*l), float32(l)
			inner := step(0, 0.03, -float64(s.d)) // beyond the outline there is nothing to shade it
			s.ao = float32(clamp(1 - inner*(26*max(0, float64(low[i]-z[i]))+55*max(0, float64(tight[i]-z[i])))))
		}
	})
	return r
}

// blurred returns v averaged over squares of 2k+1 cells.
func (r *relief) blurred(v []float32, k int) []float32 {
	mid, out := make([]float32, len(v)), make([]float32, len(v))
	f := 1 / float32(2*k+1)
	for y := range r.h {
		row := v[y*r.w : (y+1)*r.w]
		var s float32
		for x := -k; x <= k; x++ {
			s += row[min(max(x, 0), r.w-1)]
		}
		for x := range r.w {
			mid[y*r.w+x] = s * f
			s += row[min(x+k+1, r.w-1)] - row[max(x-k, 0)]
		}
	}
	sum := make([]float32, r.w)
	for y := -k; y <= k; y++ {
		for x, m := range mid[min(max(y, 0), r.h-1)*r.w:][:r.w] {
			sum[x] += m
		}
	}
	for y := range r.h {
		add, sub := mid[min(y+k+1, r.h-1)*r.w:][:r.w], mid[max(y-k, 0)*r.w:][:r.w]
		for x := range sum {
			out[y*r.w+x] = sum[x] * f
			sum[x] += add[x] - sub[x]
		}
	}
	return out
}

// at returns the surface at (x, y), which lies in the relief's box.
func (r *relief) at(x, y float64) surface {
	x, y = (x-r.b.x0)/grid, (y-r.b.y0)/grid
	ix, iy := min(max(int(x), 0), r.w-2), min(max(int(y), 0), r.h-2)
	u, v := float32(x)-float32(ix), float32(y)-float32(iy)
	i := iy*r.w + ix
	a, b, c, d := &r.cell[i], &r.cell[i+1], &r.cell[i+r.w], &r.cell[i+r.w+1]
	wa, wb, wc, wd := (1-u)*(1-v), u*(1-v), (1-u)*v, u*v
	return surface{
		d:  wa*a.d + wb*b.d + wc*c.d + wd*d.d,
		z:  wa*a.z + wb*b.z + wc*c.z + wd*d.z,
		nx: wa*a.nx + wb*b.nx + wc*c.nx + wd*d.nx,
		ny: wa*a.ny + wb*b.ny + wc*c.ny + wd*d.ny,
		nz: wa*a.nz + wb*b.nz + wc*c.nz + wd*d.nz,
		ao: wa*a.ao + wb*b.ao + wc*c.ao + wd*d.ao,
	}
}

// look is how a material looks at a place: its reflectance, how glossy it is (0 to 1), and how its
// own grain tilts the normal.
type look struct {
	albedo rgb
	gloss  float64
	tx, ty float64
	shade  float64 // of what stands before it: 0 none, 1 black
}

// body paints a relief under the night's lights.
func (c *canvas) body(r *relief, n *night, material func(x, y float64, s surface) look) {
	c.paint(r.b, func(x, y float64) (rgb, float64) {
		s := r.at(x, y)
		a := c.cover(float64(s.d))
		if a == 0 {
			return rgb{}, 0
		}
		m := material(x, y, s)
		return n.light(x, y, float64(s.z), float64(s.nx)+m.tx, float64(s.ny)+m.ty, float64(s.nz), m.albedo, m.gloss, float64(s.ao)*(1-m.shade)), a
	})
}
