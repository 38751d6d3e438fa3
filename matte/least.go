package matte

import (
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/robust"
)

// leastPivot is the part of a matrix's diagonal that elimination must leave there: what is less is
// rounding of float64, 2^-53 of each product, and settles nothing.
const leastPivot = 1e-15

// nonNegative returns the x >= 0 that makes x'Ax/2 - b'x least: least squares by its normal
// equations, over all choices of what is held at zero. It is for a handful of unknowns. Those
// listed in signed may have any sign, and so are never held where the equations settle them.
func nonNegative(a [][]float64, b []float64, signed ...int) []float64 {
	n := len(b)
	memory := make([]float64, n*n+2*n)
	best, x, factor := memory[:n], memory[n:2*n], memory[2*n:]
	free := make([]int, 0, n)
	least := 0.0 // of x = 0
	always := 0
	for _, i := range signed {
		always |= 1 << i
	}
	anySign := always
	for set := 1<<n - 1; set > 0; set-- {
		if set&always != always {
			if least < 0 {
				continue
			}
			always = 0 // nothing was settled yet
		}
		free = free[:0]
		for i := range n {
			if set>>i&1 == 1 {
				free = append(free, i)
			}
		}
		if !settle(x, factor, a, b, free) {
			continue
		}
		inside, value := true, 0.0
		for _, i := range free {
			inside = inside && (x[i] >= 0 || anySign>>i&1 == 1)
			value -= b[i] * x[i] / 2 // at the minimum x'Ax = b'x
		}
		if inside && value < least {
			least, best, x = value, x, best
		}
	}
	return best
}

// settle solves the equations Ax = b of the free unknowns, all others being 0, by Cholesky's
// factorization of A, a symmetric matrix of which it reads the upper triangle. It reports whether
// they have one solution. Factor is memory for as many values as A has.
func settle(x, factor []float64, a [][]float64, b []float64, free []int) bool {
	clear(x)
	n := len(free)
	for p, i := range free { // row p of the lower triangle, and of its solution
		row := factor[p*n : (p+1)*n]
		for q, j := range free[:p+1] {
			v := a[j][i]
			for k, f := range factor[q*n : q*n+q] {
				v -= f * row[k]
			}
			if q < p {
				row[q] = v / factor[q*n+q]
			} else if v > leastPivot*a[i][i] {
				row[p] = math.Sqrt(v)
			} else {
				return false
			}
		}
		v := b[i]
		for q, j := range free[:p] {
			v -= row[q] * x[j]
		}
		x[i] = v / row[p]
	}
	for p := n - 1; p >= 0; p-- {
		i := free[p]
		x[i] /= factor[p*n+p]
		for q, j := range free[:p] {
			x[j] -= factor[p*n+q] * x[i]
		}
	}
	return true
}

// settleAll is settle of all unknowns.
func settleAll(a [][]float64, b []float64) (x []float64, ok bool) {
	n := len(b)
	x = make([]float64, n)
	return x, settle(x, make([]float64, n*n), a, b, list.By(n, func(i int) int { return i }))
}

// inverted returns the inverse of a symmetric, positive matrix, or nil where there is none.
func inverted(a [][]float64) [][]float64 {
	inverse := list.Rows[float64](len(a), len(a))
	for i := range inverse {
		one := make([]float64, len(a))
		one[i] = 1
		var ok bool
		if inverse[i], ok = settleAll(a, one); !ok {
			return nil
		}
	}
	return inverse
}

// sandwich returns the standard errors of least squares by their normal matrix and the scores of
// groups of equations, as robust.Sandwich has them. They are infinite where the matrix has no
// inverse.
func sandwich(a [][]float64, scores [][]float64) []float64 {
	inverse := inverted(a)
	if inverse == nil {
		return slices.Repeat([]float64{math.Inf(1)}, len(a))
	}
	return robust.Sandwich(inverse, scores)
}

// A part is what one group of rows gives to the normal equations: its share of the matrix, and of
// the product with the errors that the fit leaves.
type part struct {
	a     [][]float64 // nil where the group has no rows
	score []float64
}

// jackknife returns the covariance of least squares whose errors may hang together within groups
// but not between them, from what changes when each group is left out in turn (Efron and Stein
// 1981; Bell and McCaffrey 2002 have why the sandwich is too small where groups are few; not
// checked against the source). A is the normal matrix of all. What one group alone tells has an
// infinite variance.
func jackknife(a [][]float64, parts []part) [][]float64 {
	n := len(a)
	out := list.Rows[float64](n, n)
	groups := 0.0
	rest := list.Rows[float64](n, n)
	for _, g := range parts {
		if g.a == nil {
			continue
		}
		groups++
		for i := range n {
			for j := range n {
				rest[i][j] = a[i][j] - g.a[i][j]
			}
		}
		d, ok := settleAll(rest, g.score)
		if !ok {
			groups = 0
			break
		}
		for i := range n {
			for j := range n {
				out[i][j] += d[i] * d[j]
			}
		}
	}
	for i := range n {
		for j := range n {
			if groups >= 2 {
				out[i][j] *= (groups - 1) / groups
			} else if i == j {
				out[i][j] = math.Inf(1)
			}
		}
	}
	return out
}
