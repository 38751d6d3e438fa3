package matte

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/plate"
)

// A mean over squares is what it is by definition, at the borders and where the square is larger
// than the frame, too.
func TestBoxMean(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 2))
	for _, size := range [][2]int{{1, 1}, {2, 1}, {1, 7}, {5, 3}, {16, 9}, {200, 101}} {
		for _, r := range []int{1, 2, 3, 9, 27} {
			t.Run(fmt.Sprintf("%dx%d, %d", size[0], size[1], r), func(t *testing.T) {
				f := plate.NewGray(size[0], size[1])
				for i := range f.Pix {
					f.Pix[i] = random.Float32()
				}
				got := boxMean(f, r)
				for y := range f.H {
					for x := range f.W {
						sum, n := 0.0, 0.0
						for j := max(y-r, 0); j <= min(y+r, f.H-1); j++ {
							for i := max(x-r, 0); i <= min(x+r, f.W-1); i++ {
								sum += float64(f.Pix[j*f.W+i])
								n++
							}
						}
						if v := float64(got.Pix[y*f.W+x]); math.Abs(v-sum/n) > 1e-6 { // the rounding of float32
							t.Fatalf("(%d, %d) has a mean of %v, want %v", x, y, v, sum/n)
						}
					}
				}
			})
		}
	}
}

// Equations that do not settle an unknown leave it at 0, whichever of two alike that is, and one of
// any sign is not held at 0.
func TestNonNegative(t *testing.T) {
	for _, test := range []struct {
		name   string
		a      [][]float64
		b      []float64
		signed []int
		want   []float64
	}{
		{"one", [][]float64{{4}}, []float64{2}, nil, []float64{0.5}},
		{"below 0", [][]float64{{4}}, []float64{-2}, nil, []float64{0}},
		{"of any sign", [][]float64{{4}}, []float64{-2}, []int{0}, []float64{-0.5}},
		{"one of two held", [][]float64{{2, 1}, {1, 2}}, []float64{3, 0}, nil, []float64{1.5, 0}},
		{"both", [][]float64{{2, 1}, {1, 2}}, []float64{3, 3}, nil, []float64{1, 1}},
		{"both, of any sign", [][]float64{{2, 1}, {1, 2}}, []float64{3, 0}, []int{0, 1}, []float64{2, -1}},
		{"two alike", [][]float64{{1, 1}, {1, 1}}, []float64{2, 2}, []int{0, 1}, []float64{0, 2}},
		{"of unlike units", [][]float64{{1e12, 1}, {1, 1e-6}}, []float64{1e12, 2}, nil, []float64{(1e6 - 2) / (1e6 - 1.), 1e12 / (1e6 - 1.)}},
		{"nothing", [][]float64{{0, 0}, {0, 0}}, []float64{0, 0}, nil, []float64{0, 0}},
	} {
		t.Run(test.name, func(t *testing.T) {
			got := nonNegative(test.a, test.b, test.signed...)
			for i, want := range test.want {
				if math.Abs(got[i]-want) > 1e-9*math.Max(1, math.Abs(want)) { // rounding, of numbers that are six digits apart
					t.Errorf("got %v, want %v", got, test.want)
				}
			}
		})
	}
}
