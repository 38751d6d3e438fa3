package scene

import (
	"math"

	"example.com/twinplate/internal/list"
)

// point is a place in scene units.
type point struct{ x, y float64 }

// knots returns n+1 knots, of the numbers from 0 to n.
func knots(n int, at func(j float64) knot) []knot {
	return list.Of(list.To(n+1), func(j int) knot { return at(float64(j)) })
}

// through returns a smooth curve through knots, n pieces to each span: a Catmull-Rom spline.
func through(k []knot, n int) []knot {
	out := make([]knot, 0, (len(k)-1)*n+1)
	for i := 0; i+1 < len(k); i++ {
		a, b, c, d := k[max(i-1, 0)], k[i], k[i+1], k[min(i+2, len(k)-1)]
		for j := range n {
			t := float64(j) / float64(n)
			out = append(out, knot{bend(a.x, b.x, c.x, d.x, t), bend(a.y, b.y, c.y, d.y, t), mix(b.r, c.r, t)})
		}
	}
	return append(out, k[len(k)-1])
}

// outline returns the smooth closed curve through points, n pieces to each span.
func outline(p []point, n int) []point {
	out := make([]point, 0, len(p)*n)
	for i := range p {
		a, b, c, d := p[(i+len(p)-1)%len(p)], p[i], p[(i+1)%len(p)], p[(i+2)%len(p)]
		for j := range n {
			t := float64(j) / float64(n)
			out = append(out, point{bend(a.x, b.x, c.x, d.x, t), bend(a.y, b.y, c.y, d.y, t)})
		}
	}
	return out
}

func bend(a, b, c, d, t float64) float64 {
	return b + t/2*(c-a+t*(2*a-5*b+4*c-d+t*(3*b-3*c+d-a)))
}

// span is how many sides of a polygon are looked at together: as many as a spline's piece has.
const span = 7

// inside returns the signed distance from a place to a closed polygon, negative inside it. Sides
// are passed over by the boxes that they lie in.
func inside(p []point) func(x, y float64) float64 {
	type side struct{ x, y, y0, ex, ey, square float64 } // its end, its start's y, from end to start, and its length's square
	sides := make([]side, len(p))
	boxes := make([]box, (len(p)+span-1)/span)
	b := p[len(p)-1]
	for i, a := range p {
		ex, ey := b.x-a.x, b.y-a.y
		sides[i] = side{a.x, a.y, b.y, ex, ey, ex*ex + ey*ey}
		if i%span == 0 {
			boxes[i/span] = nowhere
		}
		boxes[i/span] = boxes[i/span].add(a.x, a.y).add(b.x, b.y)
		b = a
	}
	return func(x, y float64) float64 {
		first, nearest := 0, math.Inf(1)
		for k, b := range boxes {
			if d := b.square(x, y); d < nearest {
				first, nearest = k, d
			}
		}
		d2, in := math.Inf(1), false
		for k := range boxes {
			// The nearest box's sides are first, so that hardly any other is near enough.
			switch k {
			case 0:
				k = first
			case first:
				k = 0
			}
			b := &boxes[k]
			near := b.square(x, y) < d2*(1+1e-9) // both are rounded
			level := b.y0 <= y && y <= b.y1
			if !near && !level {
				continue
			}
			for _, s := range sides[k*span : min((k+1)*span, len(sides))] {
				wx, wy := x-s.x, y-s.y
				if near {
					t := 0.0
					if s.square > 0 {
						t = clamp((wx*s.ex + wy*s.ey) / s.square)
					}
					ox, oy := wx-t*s.ex, wy-t*s.ey
					d2 = min(d2, ox*ox+oy*oy)
				}
				if (s.y > y) != (s.y0 > y) && x < s.x+s.ex*wy/s.ey {
					in = !in
				}
			}
		}
		if in {
			return -math.Sqrt(d2)
		}
		return math.Sqrt(d2)
	}
}

// limb returns the signed distance from (x, y) to the union of round cones along knots.
func limb(k []knot, x, y float64) float64 {
	d := math.Inf(1)
	for i := 1; i < len(k); i++ {
		a, b := k[i-1], k[i]
		dx, dy := b.x-a.x, b.y-a.y
		t := clamp(((x-a.x)*dx + (y-a.y)*dy) / (dx*dx + dy*dy + 1e-12))
		d = min(d, math.Hypot(x-a.x-t*dx, y-a.y-t*dy)-mix(a.r, b.r, t))
	}
	return d
}

// join is the smaller of a and b, with the corner between them rounded over a distance k.
func join(a, b, k float64) float64 {
	h := max(k-math.Abs(a-b), 0) / k
	return min(a, b) - h*h*k/4
}

func around(p []point) box {
	b := nowhere
	for _, q := range p {
		b = b.add(q.x, q.y)
	}
	return b
}

func aroundKnots(k []knot) box {
	b, r := nowhere, 0.0
	for _, q := range k {
		b, r = b.add(q.x, q.y), max(r, q.r)
	}
	return b.grow(r)
}
