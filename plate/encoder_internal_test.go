package plate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The quick way to 8-bit codes is the same as the general one: at each place where the code changes, beside it, at the
// ends of what a float can be, and at random.
func TestCode8(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, c := range Curves() {
		e := NewEncoder(c, 8)
		try := func(key uint32) {
			l := fromOrderedBits(key)
			if got, want := e.code8(l), uint8(e.Code(l)); got != want {
				t.Fatalf("%s: the code of %v is %d, want %d", c.Name(), l, got, want)
			}
		}
		for _, key := range e.from {
			for d := range uint32(5) {
				try(key + d - 2)
			}
		}
		for _, l := range []float64{math.Inf(-1), math.Inf(1), math.NaN(), 0, math.Copysign(0, -1), math.MaxFloat32, -math.MaxFloat32, 1, math.SmallestNonzeroFloat32} {
			try(orderedBits(float32(l)))
		}
		for range 200000 {
			try(random.Uint32())
			try(orderedBits(random.Float32()))
		}
	}
}
