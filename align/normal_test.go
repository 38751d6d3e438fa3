package align

import (
	"math"
	"testing"

	"example.com/twinplate/internal/kernel"
)

// Three solutions at once are those of one at a time, and both solve the equations, by the meaning of the word: A x = b.
func TestSubstitute3(t *testing.T) {
	const n = 3
	a := []float64{
		4, 1, -2,
		1, 5, 0.5,
		-2, 0.5, 3,
	}
	b := [3][kernel.Columns]float64{{1, 2, 3}, {-1, 0, 7}, {0.25, -8, 0}}
	factor := append([]float64(nil), a...)
	if !cholesky(factor, n) {
		t.Fatal("not positive definite")
	}
	three := b
	substitute3(factor, n, &three)
	for c := range b {
		one := b[c]
		substitute(factor, n, one[:n])
		for i := range n {
			v, w := 0.0, 0.0
			for j := range n {
				v += a[i*n+j] * one[j]
				w += a[i*n+j] * three[c][j]
			}
			if math.Abs(v-b[c][i]) > 1e-12 || math.Abs(w-b[c][i]) > 1e-12 {
				t.Errorf("equation %d of %d: %v and %v, want %v", i, c, v, w, b[c][i])
			}
		}
	}
}
