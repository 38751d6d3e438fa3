package matte

import (
	"math"
	"testing"
)

// A screen's model is the exponential of its polynomial, term by term, to the rounding of a
// float32; where that goes beyond what a Solver takes it is held.
func TestScreenGrayIsTheExponential(t *testing.T) {
	for _, steep := range []float64{0, 0.5, 4, 40} {
		for _, size := range [][2]int{{1, 1}, {7, 5}, {64, 3}} {
			s := &Screen{W: size[0], H: size[1], Order: 4, Coefficients: []float64{-0.3, steep, -0.5 * steep, 0.2, -0.1, -0.2, steep / 3, 0.05, 0.02, -0.01, 0.04, -0.03, 0.02, -0.05, 0.01}}
			got := s.Gray()
			terms := make([]float64, len(s.Coefficients))
			for i, v := range got.Pix {
				powers(terms, s.Order, place(i%s.W, s.W), place(i/s.W, s.H))
				want := min(max(math.Exp(dot(terms, s.Coefficients)), leastScreen), mostScreen)
				if math.Abs(float64(v)/want-1) > 6.1e-8 { // half of a float32's last digit, and float64's own
					t.Fatalf("%v, slope %v, pixel %d: %v, want %v", size, steep, i, v, want)
				}
			}
		}
	}
	lost := &Screen{W: 3, H: 1, Coefficients: []float64{math.NaN()}}
	for _, v := range lost.Gray().Pix {
		if v == v {
			t.Errorf("a polynomial that is no number gives %v", v)
		}
	}
}

func BenchmarkScreenGray(b *testing.B) {
	s := &Screen{W: 1920, H: 1080, Order: 4, Coefficients: []float64{-0.4, 0.1, -0.1, -0.3, 0.05, -0.2, 0.02, 0.01, 0, 0.03, 0.01, 0, -0.02, 0, 0.01}}
	for b.Loop() {
		s.Gray()
	}
}
