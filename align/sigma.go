package align

import (
	"fmt"
	"math"
)

// numbers are the twelve of a geometry, in the order of a Covariance: the homography's first eight
// elements, k1 and k2, and the center's x and y.
type numbers [12]float64

func (g Geometry) numbers() (v numbers) {
	copy(v[:8], g.Homography[:8])
	copy(v[8:10], g.Radial[:])
	copy(v[10:], g.Center[:])
	return v
}

// slopes returns the derivatives of Map's result at the color pixel (x, y) by the geometry's
// numbers.
func (g Geometry) slopes(x, y float64) (dx, dy numbers) {
	d := g.halfDiagonal()
	rx, ry := x-g.Center[0], y-g.Center[1]
	r2 := (rx*rx + ry*ry) / (d * d)
	s := r2 * (g.Radial[0] + r2*g.Radial[1])
	px, py := x+rx*s, y+ry*s
	h := &g.Homography
	w := 1 / (h[6]*px + h[7]*py + h[8])
	u, v := (h[0]*px+h[1]*py+h[2])*w, (h[3]*px+h[4]*py+h[5])*w
	dx = numbers{px * w, py * w, w, 0, 0, 0, -u * px * w, -u * py * w}
	dy = numbers{0, 0, 0, px * w, py * w, w, -v * px * w, -v * py * w}
	// The others move the point before the homography takes it.
	move := func(k int, mx, my float64) {
		dx[k] = ((h[0]-u*h[6])*mx + (h[1]-u*h[7])*my) * w
		dy[k] = ((h[3]-v*h[6])*mx + (h[4]-v*h[7])*my) * w
	}
	move(8, rx*r2, ry*r2)
	move(9, rx*r2*r2, ry*r2*r2)
	ds := 2 * (g.Radial[0] + 2*r2*g.Radial[1]) / (d * d) // of s, by half the square of the radius
	move(10, -s-rx*rx*ds, -ry*rx*ds)
	move(11, -rx*ry*ds, -s-ry*ry*ds)
	if g.Mirror {
		for k := range dx {
			dx[k] = -dx[k]
		}
	}
	return dx, dy
}

// expected returns the standard deviation of the distance between where g puts a color pixel and
// the true place, in band pixels.
func (g Geometry) expected(cov *[12][12]float64, x, y float64) float64 {
	dx, dy := g.slopes(x, y)
	v := 0.0
	for a := range cov {
		for b, c := range cov[a] {
			v += c * (dx[a]*dx[b] + dy[a]*dy[b])
		}
	}
	return math.Sqrt(math.Max(v, 0))
}

// worst returns the largest expected error over the color frame and where it is, and the root of
// its mean square.
func (g Geometry) worst(cov *[12][12]float64) (most float64, at [2]float64, rms float64) {
	grid := g.Grid(9)
	for _, p := range grid {
		s := g.expected(cov, p.Color[0], p.Color[1])
		if s > most {
			most, at = s, p.Color
		}
		rms += s * s / float64(len(grid))
	}
	return most, at, math.Sqrt(rms)
}

// transported returns the covariance j cov j', the columns of j being how the numbers change with
// each parameter.
func transported(j []numbers, cov [][]float64) (c [12][12]float64) {
	for a := range c {
		for b := range c {
			for k := range j {
				for l := range j {
					c[a][b] += j[k][a] * cov[k][l] * j[l][b]
				}
			}
		}
	}
	return c
}

func farWarning(most float64, at [2]float64, remedy string) string {
	return fmt.Sprintf("the expected error reaches %.2f pixels, at (%.0f, %.0f) of the color plate: %s", most, at[0], at[1], remedy)
}

// covariance returns that of the geometry that the fit found. It is that of the richest model
// allowed, whatever the model that was chosen: a term that was left out is not zero, but only known
// to be as near to zero as the plates and the preferences say.
func (f *fit) covariance() (c [12][12]float64) {
	sys := f.system(f.eqs, f.most, radialTerms, f.theta)
	m := sys.mixed(nil)
	if !cholesky(m.a, m.n) {
		return c
	}
	inv := inverse(m.a, m.n)
	// How the geometry's numbers change with each parameter.
	j := make([]numbers, len(sys.free))
	h := *f
	for k, way := range sys.free {
		up, down := f.theta, f.theta
		for i, v := range way {
			up[i] += step * v
			down[i] -= step * v
		}
		h.set(up)
		above := h.g
		h.set(down)
		j[k] = slope(above, h.g)
	}
	return transported(j, inv)
}
