package kernel

import (
	"math"
	"testing"
)

// quarters returns the codes of whole quarters, 0 to 3, whose lines are now the code and now one
// more; between 2/8 and 3/8 there is none.
func quarters() *Steps {
	c := &Steps{High: 0.75, From: []int32{math.MinInt32, Order(0.25), Order(0.5), Order(0.75), math.MaxInt32, math.MaxInt32}}
	for i := range Order(c.High)>>16 + 1 {
		v := Ordered(i << 16)
		line := [2]float32{float32(int(4*v) + int(i&1)), 1. / (1 << 18)}
		if v >= 0.25 && v < 0.375 {
			line = NoLine(4)
		}
		c.Lines = append(c.Lines, line)
	}
	return c
}

func TestSteps(t *testing.T) {
	inf, below := float32(math.Inf(1)), func(v float32) float32 { return math.Nextafter32(v, 0) }
	for v, want := range map[float32]int{
		float32(math.NaN()): 0, -inf: 0, -1: 0, 0: 0, 1e-30: 0, below(0.25): 0, 0.25: 4, below(0.375): 4,
		0.375: 1, below(0.5): 1, 0.5: 2, below(0.75): 2, 0.75: 3, 1: 3, inf: 3,
	} {
		if got := quarters().Code(v); got != want {
			t.Errorf("the code of %v is %d, want %d", v, got, want)
		}
	}
	for _, v := range []float32{0, -0.25, 1e-40, -1e-40, 3, -inf, inf} {
		if got := Ordered(Order(v)); got != v {
			t.Errorf("%v comes back as %v", v, got)
		}
	}
}
