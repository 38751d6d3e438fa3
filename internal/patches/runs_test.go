package patches

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Above finds what Find does, which goes from pixel to pixel.
func TestAbove(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for n := range 200 {
		w, h := 1+rng.IntN(40), 1+rng.IntN(40)
		plane := make([]float32, w*h)
		dense := rng.Float64()
		for i := range plane {
			switch {
			case rng.Float64() < dense:
				plane[i] = 1
			case i%50 == 7:
				plane[i] = float32(math.NaN())
			default:
				plane[i] = 0.5
			}
		}
		want, wantSizes := Find(w, h, func(i, _ int) bool { return plane[i] > 0.5 })
		runs, sizes := Above(w, h, plane, 0.5)
		got := make([]int32, w*h)
		for _, r := range runs {
			for i := r.From; i < r.To; i++ {
				got[i] = r.Patch
			}
		}
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("case %d, %dx%d: place %d is in patch %d, want %d", n, w, h, i, got[i], want[i])
			}
		}
		if len(sizes) != len(wantSizes) {
			t.Fatalf("case %d: %d patches, want %d", n, len(sizes)-1, len(wantSizes)-1)
		}
		for i, v := range sizes {
			if v != wantSizes[i] {
				t.Fatalf("case %d: patch %d has %d pixels, want %d", n, i, v, wantSizes[i])
			}
		}
	}
	if runs, sizes := Above(0, 0, nil, 0); len(runs) != 0 || Largest(sizes) != 0 {
		t.Errorf("nothing has %v, %v", runs, sizes)
	}
}
