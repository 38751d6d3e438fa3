package align

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
)

// Every column of a matrix is transformed as the definition of the discrete transform has it, by
// each of the radices and several together.
func TestColumnsAreTransformed(t *testing.T) {
	const across = 3
	for _, n := range []int{1, 2, 3, 4, 5, 8, 12, 45, 60, 150} {
		r := rand.New(rand.NewPCG(1, uint64(n)))
		v := make([]complex128, n*across)
		for i := range v {
			v[i] = complex(r.NormFloat64(), r.NormFloat64())
		}
		want := make([]complex128, len(v))
		for k := range n {
			for y := range n {
				turn := cmplx.Rect(1, -2*math.Pi*float64(k*y%n)/float64(n))
				for x := range across {
					want[k*across+x] += turn * v[y*across+x]
				}
			}
		}
		got := slices.Clone(v)
		newDFT(n).columns(got, make([]complex128, len(v)), across)
		for i := range want {
			if d := cmplx.Abs(got[i] - want[i]); d > 1e-12*float64(n) {
				t.Fatalf("%d rows: value %d is %v off", n, i, d)
			}
		}
	}
}
