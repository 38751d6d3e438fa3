package matte

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// nonNegative returns the x >= 0 that makes x'Ax/2 - b'x least: least squares by its normal
// equations, over all choices of what is held at zero. It is for a handful of unknowns. Those
// listed in signed may have any sign.
func nonNegative(a [][]float64, b []float64, signed ...int) []float64 {
	n := len(b)
	best := make([]float64, n)
	least := 0.0 // of x = 0
	for set := 1; set < 1<<n; set++ {
		var free []int
		for i := range n {
			if set>>i&1 == 1 {
				free = append(free, i)
			}
		}
		sub := mat.NewSymDense(len(free), nil)
		rhs := mat.NewVecDense(len(free), nil)
		for p, i := range free {
			rhs.SetVec(p, b[i])
			for q, j := range free[p:] {
				sub.SetSym(p, p+q, a[i][j])
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(sub) {
			continue
		}
		var sol mat.VecDense
		if chol.SolveVecTo(&sol, rhs) != nil {
			continue
		}
		x := make([]float64, n)
		inside, value := true, 0.0
		for p, i := range free {
			x[i] = sol.AtVec(p)
			inside = inside && (x[i] >= 0 || slices.Contains(signed, i))
			value -= b[i] * x[i] / 2 // at the minimum x'Ax = b'x
		}
		if inside && value < least {
			least, best = value, x
		}
	}
	return best
}

// sandwich returns the standard errors of least squares whose errors may hang together within
// groups but not between them: the roots of the diagonal of A^-1 M A^-1, with A the normal matrix
// and M the sum over the groups of the outer product of their scores (White 1980, Liang and Zeger
// 1986; not checked against the source). They are infinite where A has no inverse.
func sandwich(a [][]float64, scores [][]float64) []float64 {
	n := len(a)
	out := make([]float64, n)
	for i := range out {
		out[i] = math.Inf(1)
	}
	sym := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			sym.SetSym(i, j, a[i][j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(sym) || len(scores) < 2 {
		return out
	}
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return out
	}
	clear(out)
	for _, g := range scores {
		for i := range n {
			d := 0.0
			for j := range n {
				d += inv.At(i, j) * g[j]
			}
			out[i] += d * d
		}
	}
	for i := range out {
		out[i] = math.Sqrt(out[i] * float64(len(scores)) / float64(len(scores)-1))
	}
	return out
}
