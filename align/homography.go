package align

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// FitHomography returns the homography, row by row with its last element 1, that takes each point
// of from to the point of to with the same index, as nearly as can be: the normalized direct linear
// transform, which minimizes the algebraic distance (Hartley and Zisserman 2004, algorithm 4.2).
//
// It needs four points of which no three are on a line, or more; and returns an error where there
// are fewer, where they do not settle the homography, or where a coordinate is not finite.
func FitHomography(from, to [][2]float64) ([9]float64, error) {
	// Bounds of what is singular, some digits above rounding. Chosen by hand; not measured by
	// itself.
	const (
		freedom = 1e-12 // least of the second eigenvalue over the largest
		away    = 1e-12 // least of the last element over the largest
	)
	var none [9]float64
	if len(from) != len(to) {
		return none, fmt.Errorf("align: a homography from %d points to %d: each needs its counterpart", len(from), len(to))
	}
	if len(from) < 4 {
		return none, fmt.Errorf("align: a homography from %d points: it takes at least 4", len(from))
	}
	tf, err := normalize(from)
	if err != nil {
		return none, err
	}
	tt, err := normalize(to)
	if err != nil {
		return none, err
	}
	m := mat.NewSymDense(9, nil) // the sum of the outer products of the equations
	for i := range from {
		x, y := tf.apply(from[i])
		u, v := tt.apply(to[i])
		for _, row := range [2][9]float64{
			{0, 0, 0, -x, -y, -1, v * x, v * y, v},
			{x, y, 1, 0, 0, 0, -u * x, -u * y, -u},
		} {
			m.SymRankOne(m, 1, mat.NewVecDense(len(row), row[:]))
		}
	}
	// One direction is the answer. A second one as good means that the points leave a freedom.
	var eigen mat.EigenSym
	settled := eigen.Factorize(m, true)
	if settled {
		values := eigen.Values(nil) // ascending
		settled = !(values[1] < freedom*values[8])
	}
	if !settled {
		return none, fmt.Errorf("align: the %d points do not settle a homography: too many are on one line or in one place", len(from))
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	h := [9]float64(mat.Col(nil, 0, &vectors)) // of length 1
	if det := h[0]*(h[4]*h[8]-h[5]*h[7]) - h[1]*(h[3]*h[8]-h[5]*h[6]) + h[2]*(h[3]*h[7]-h[4]*h[6]); math.Abs(det) < singular {
		return none, fmt.Errorf("align: the %d points settle only a singular homography: three or more are on one line", len(from))
	}
	// Take the normalization back out: T'^-1 H T.
	h = mul3(tt.inverse(), mul3(h, tf.matrix()))
	norm := 0.0
	for _, v := range h {
		norm = math.Max(norm, math.Abs(v))
	}
	if math.Abs(h[8]) < away*norm {
		return none, errors.New("align: the homography sends the origin to infinity, and cannot be written with 1 as its last element")
	}
	return normalized(h), nil
}

// A similarity moves and scales points so that their centroid is the origin and their mean distance
// from it is the square root of 2.
type similarity struct{ s, x, y float64 }

func normalize(p [][2]float64) (similarity, error) {
	var cx, cy, d float64
	for i, q := range p {
		if s := q[0] + q[1]; math.IsNaN(s) || math.IsInf(s, 0) {
			return similarity{}, fmt.Errorf("align: point %d is (%v, %v), and must be finite", i, q[0], q[1])
		}
		cx += q[0] / float64(len(p))
		cy += q[1] / float64(len(p))
	}
	for _, q := range p {
		d += math.Hypot(q[0]-cx, q[1]-cy) / float64(len(p))
	}
	if d == 0 {
		return similarity{}, fmt.Errorf("align: all %d points are at (%v, %v)", len(p), cx, cy)
	}
	return similarity{math.Sqrt2 / d, cx, cy}, nil
}

func (t similarity) apply(p [2]float64) (x, y float64) { return (p[0] - t.x) * t.s, (p[1] - t.y) * t.s }

func (t similarity) matrix() [9]float64 {
	return [9]float64{t.s, 0, -t.s * t.x, 0, t.s, -t.s * t.y, 0, 0, 1}
}

func (t similarity) inverse() [9]float64 {
	return [9]float64{1 / t.s, 0, t.x, 0, 1 / t.s, t.y, 0, 0, 1}
}

// normalized returns h with 1 as its last element.
func normalized(h [9]float64) [9]float64 {
	for i := range h {
		h[i] /= h[8]
	}
	return h
}

// A unit is a place, which has the coordinates 0, and the lengths along both axes that are 1.
type unit struct{ sx, sy, x, y float64 }

// into is the matrix from pixels to such coordinates, and back the other way.
func (u unit) into() [9]float64 {
	return [9]float64{1 / u.sx, 0, -u.x / u.sx, 0, 1 / u.sy, -u.y / u.sy, 0, 0, 1}
}
func (u unit) back() [9]float64 { return [9]float64{u.sx, 0, u.x, 0, u.sy, u.y, 0, 0, 1} }

func mul3(a, b [9]float64) (c [9]float64) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				c[3*i+j] += a[3*i+k] * b[3*k+j]
			}
		}
	}
	return c
}
