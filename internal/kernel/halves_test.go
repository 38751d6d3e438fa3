package kernel

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/internal/half"
)

// Every value is half.FromFloat32's, but for those that a picture has no use for.
func TestHalves(t *testing.T) {
	inf, nan := float32(math.Inf(1)), float32(math.NaN())
	values := []float32{0, float32(math.Copysign(0, -1)), 65503, 65504, 65519, 65520, 1e30, -1e30, inf, -inf, nan, -nan, 6e-8, 2e-8, -2e-8, 6.1e-5, 0x1p-14}
	for i := range 1 << 16 { // those of every half, and what lies between two
		v := half.ToFloat32(uint16(i))
		next := half.ToFloat32(uint16(i + 1))
		values = append(values, v, (v+next)/2, math.Nextafter32((v+next)/2, inf), math.Nextafter32((v+next)/2, -inf))
	}
	r := rand.New(rand.NewPCG(1, 2))
	for range 1 << 16 {
		values = append(values, math.Float32frombits(r.Uint32()))
	}
	got := make([]uint32, len(values))
	Halves(got, values)
	for i, v := range values {
		want := half.FromFloat32(v)
		switch {
		case v != v:
			want = 0
		case want&0x7fff == 0x7c00:
			want--
		}
		if got[i] != uint32(want) {
			t.Fatalf("%v (%#x): %#x, want %#x", v, math.Float32bits(v), got[i], want)
		}
	}
}

func TestWeave(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, n := range lengths {
		var planes [4][]uint32
		for c := range planes {
			planes[c] = make([]uint32, n)
			for i := range n {
				planes[c][i] = r.Uint32() & 0xffff
			}
		}
		high, low := make([]uint32, n), make([]uint32, n)
		Weave(high, low, &planes)
		for i := range n {
			for c, p := range planes {
				if h, l := high[i]>>(8*c)&0xff, low[i]>>(8*c)&0xff; h<<8|l != p[i] {
					t.Fatalf("pixel %d of %d, plane %d: %#x and %#x, want %#x", i, n, c, h, l, p[i])
				}
			}
		}
	}
}
