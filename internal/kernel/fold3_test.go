package kernel

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Fold3's sums are those of its definition, added up one after the other.
func TestFold3(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{0, 1, 7, 81} {
		rows := make([][Columns]float64, n)
		var c [3][]float64
		for k := range c {
			c[k] = make([]float64, n)
		}
		var want [3][Columns]float64
		for i := range rows {
			for j := range rows[i] {
				rows[i][j] = rnd.NormFloat64()
			}
			for k := range c {
				c[k][i] = rnd.NormFloat64()
				for j, r := range rows[i] {
					want[k][j] += c[k][i] * r
				}
			}
		}
		got := [3][Columns]float64{{math.NaN()}, {math.NaN()}, {math.NaN()}}
		Fold3(&got, rows, &c)
		for k := range want {
			for j, w := range want[k] {
				if !(math.Abs(got[k][j]-w) < 1e-12) {
					t.Errorf("%d rows, sum %d of %d is %v, want %v", n, j, k, got[k][j], w)
				}
			}
		}
	}
}
