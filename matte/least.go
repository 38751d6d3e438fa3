package matte

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"example.com/twinplate/internal/robust"
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

// sandwich returns the standard errors of least squares by their normal matrix and the scores of
// groups of equations, as robust.Sandwich has them. They are infinite where the matrix has no
// inverse.
func sandwich(a [][]float64, scores [][]float64) []float64 {
	n := len(a)
	unknown := make([]float64, n)
	for i := range unknown {
		unknown[i] = math.Inf(1)
	}
	sym := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			sym.SetSym(i, j, a[i][j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(sym) {
		return unknown
	}
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return unknown
	}
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = mat.Row(nil, i, &inv)
	}
	return robust.Sandwich(rows, scores)
}
