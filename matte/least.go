package matte

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// nonNegative returns the x >= 0 that makes x'Ax/2 - b'x least: least squares by its normal equations, over
// all sixteen choices of what is held at zero.
func nonNegative(a [4][4]float64, b [4]float64) (best [4]float64) {
	least := 0.0 // of x = 0
	for set := 1; set < 16; set++ {
		var free []int
		for i := range 4 {
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
		var x [4]float64
		inside, value := true, 0.0
		for p, i := range free {
			x[i] = sol.AtVec(p)
			inside = inside && x[i] >= 0
			value -= b[i] * x[i] / 2 // at the minimum x'Ax = b'x
		}
		if inside && value < least {
			least, best = value, x
		}
	}
	return best
}

// inverseDiagonal returns element k, k of a's inverse, or infinity where a has none.
func inverseDiagonal(a [4][4]float64, k int) float64 {
	sym := mat.NewSymDense(4, nil)
	for i := range 4 {
		for j := i; j < 4; j++ {
			sym.SetSym(i, j, a[i][j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(sym) {
		return math.Inf(1)
	}
	unit := mat.NewVecDense(4, nil)
	unit.SetVec(k, 1)
	var sol mat.VecDense
	if chol.SolveVecTo(&sol, unit) != nil {
		return math.Inf(1)
	}
	return sol.AtVec(k)
}
