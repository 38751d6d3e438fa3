package robust

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// NumPy 1.24.2: numpy.quantile(v, q, method="nearest").
func TestQuantileAsNumPy(t *testing.T) {
	for q, want := range map[float64]float64{0: 0.5, 0.1: 1, 0.25: 3, 0.75: 8, 0.9: 11, 0.97: 13, 1: 13} {
		v := []float64{5, 1, 4, 2, 8, 9, 7, 3, 6, 0.5, 11, 13}
		if got := Quantile(v, q); got != want {
			t.Errorf("the quantile %v is %v, and NumPy has %v", q, got, want)
		}
	}
}

// The standard deviation that normal numbers were drawn with is found from the median of their
// sizes; the constant is held against gonum's distribution.
func TestSigma(t *testing.T) {
	if want := 1 / distuv.UnitNormal.Quantile(0.75); math.Abs(SigmaOfMAD-want) > 5e-5 {
		t.Errorf("SigmaOfMAD is %v, and the normal distribution has %v", SigmaOfMAD, want)
	}
	r := rand.New(rand.NewPCG(1, 2))
	v := make([]float32, 100001)
	for i := range v {
		v[i] = float32(math.Abs(r.NormFloat64())) * 0.3
	}
	// The median's error is 1.17 sigma over the root of n here.
	if got := Sigma(v); math.Abs(got-0.3) > 5*1.17*0.3/math.Sqrt(float64(len(v))) {
		t.Errorf("normal numbers of sigma 0.3 have %v", got)
	}
}

func TestFewValues(t *testing.T) {
	if Median[float32](nil) != 0 || Median([]int{3}) != 3 || Median([]int{4, 1, 3, 2}) != 3 || Nth([]int{4, 1, 3, 2}, 1) != 2 {
		t.Error("the median of few values is wrong")
	}
}

func TestSampled(t *testing.T) {
	for n := range 500 {
		v := make([]int, n)
		for i := range v {
			v[i] = i
		}
		some := Sampled(v, 100)
		if len(some) < min(n, 100) || len(some) >= 200 {
			t.Fatalf("of %d values %d are taken", n, len(some))
		}
		for i := 2; i < len(some); i++ {
			if some[i]-some[i-1] != some[1]-some[0] {
				t.Fatalf("of %d values those at %v are taken", n, some)
			}
		}
	}
}

// The mean's standard error, of which the textbook says the standard deviation over the root of n;
// copies that hang together say nothing more, and taken for independent they seem to.
func TestSandwich(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	const n, copies = 40, 5
	v := make([]float64, n)
	mean := 0.0
	for i := range v {
		v[i] = r.NormFloat64()
		mean += v[i] / n
	}
	square := 0.0
	var groups, apart [][]float64
	for _, x := range v {
		square += (x - mean) * (x - mean)
		groups = append(groups, []float64{copies * (x - mean)})
		for range copies {
			apart = append(apart, []float64{x - mean})
		}
	}
	want := math.Sqrt(square / (n - 1) / n)
	inverse := [][]float64{{1. / (n * copies)}}
	if got := Sandwich(inverse, groups)[0]; math.Abs(got/want-1) > 1e-12 {
		t.Errorf("the mean has a standard error of %v, want %v", got, want)
	}
	if got := Sandwich(inverse, apart)[0]; got > want/2 {
		t.Errorf("copies taken for independent: %v, of %v", got, want)
	}
	if got := Sandwich(inverse, groups[:1])[0]; !math.IsInf(got, 1) {
		t.Errorf("by one group %v, want that nothing is known", got)
	}
}

// Nth gives what sorting gives, in whatever order the values come, with equal ones, infinities and
// NaN among them.
func TestNthIsSorting(t *testing.T) {
	dice := rand.New(rand.NewPCG(1, 2))
	for n := 1; n < 400; n += 1 + n/9 {
		for kind := range 6 {
			v := make([]float32, n)
			for i := range v {
				switch kind {
				case 0:
					v[i] = float32(dice.NormFloat64())
				case 1:
					v[i] = float32(i)
				case 2:
					v[i] = float32(-i)
				case 3:
					v[i] = float32(dice.IntN(3))
				case 4:
					v[i] = 7
				default:
					v[i] = []float32{0, 1, float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1))}[dice.IntN(5)]
				}
			}
			want := slices.Sorted(slices.Values(v))
			for k := 0; k < n; k += 1 + n/17 {
				if got := Nth(slices.Clone(v), k); got != want[k] && (got == got || want[k] == want[k]) {
					t.Fatalf("%d values of kind %d: %v at %d, want %v", n, kind, got, k, want[k])
				}
			}
		}
	}
}
