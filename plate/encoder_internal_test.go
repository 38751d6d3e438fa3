package plate

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/internal/kernel"
)

// The quick way to 8-bit codes is the same as the general one: at each place where the code changes, beside it, at the
// ends of what a float can be, and at random.
func TestCode8(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, c := range Curves() {
		e := NewEncoder(c, 8)
		try := func(key int32) {
			l := kernel.Ordered(key)
			if got, want := e.code8(l), uint8(e.Code(l)); got != want {
				t.Fatalf("%s: the code of %v is %d, want %d", c.Name(), l, got, want)
			}
		}
		for _, key := range e.codes.From[:e.full+2] {
			for d := range int32(5) {
				try(key + d - 2)
			}
		}
		for _, l := range []float64{math.Inf(-1), math.Inf(1), math.NaN(), 0, math.Copysign(0, -1), math.MaxFloat32, -math.MaxFloat32, 1, math.SmallestNonzeroFloat32} {
			try(kernel.Order(float32(l)))
		}
		for range 200000 {
			try(int32(random.Uint32()))
			try(kernel.Order(random.Float32()))
		}
	}
}

// Noise is not searched for what repeats, though half of it is 0, and what is flat is.
func TestDeflateTellsRunsFromNoise(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	const n = 1 << 18
	band := make([]byte, n)
	size := func() int { return len(new(deflater).deflate(band, true)) }
	if got := size(); got > n/100 {
		t.Errorf("%d bytes of 0 take %d", n, got)
	}
	for i := range band {
		band[i] = byte(random.IntN(2) * random.IntN(4))
	}
	// Five eighths are 0: with that and the block's end, the Huffman code has 1 bit for 0 and 3 bits for the others.
	if got, most := size(), n*18/80; got > most {
		t.Errorf("%d bytes of noise take %d, want %d at the most", n, got, most)
	}
	clear(band[:n/2])
	if got, most := size(), n*11/64; got >= most {
		t.Errorf("%d bytes, half of them flat, take %d, and Huffman codes alone %d", n, got, most)
	}
}

// The codes of a row are those of its values, which the curve itself agrees with: beside each place
// where the code changes, at the ends of what a float can be, and at random; and for a curve with a
// corner and a step, which no line is near to.
func TestCodesOfRow(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	cornered := newCurve("cornered", func(v float64) float64 {
		if v < 0.5 {
			return v * 1e-3
		}
		return v
	}, func(l float64) float64 {
		if l < 0.5e-3 {
			return l * 1e3
		}
		return max(l, 0.5)
	})
	for _, c := range append(Curves(), cornered) {
		for _, depth := range []int{8, 16} {
			e := NewEncoder(c, depth)
			var light []float32
			for _, key := range e.codes.From[:e.full+2] {
				for d := range int32(3) {
					light = append(light, kernel.Ordered(key+d-1))
				}
			}
			for _, l := range []float64{math.Inf(-1), math.Inf(1), math.NaN(), 0, math.Copysign(0, -1), math.MaxFloat32, -math.MaxFloat32, 1, math.SmallestNonzeroFloat32} {
				light = append(light, float32(l))
			}
			for range 10000 {
				light = append(light, math.Float32frombits(random.Uint32()), random.Float32())
			}
			codes := make([]float32, len(light))
			e.Row(codes, light)
			for i, l := range light {
				want := 0
				if l == l {
					want = e.holding(kernel.Order(l))
				}
				if got := int(e.Code(l)); got != want || codes[i] != float32(want)*(1/float32(e.full)) {
					t.Fatalf("%s, %d bits: the code of %v is %d, and in a row %v, want %d", c.Name(), depth, l, got, codes[i]*float32(e.full), want)
				}
			}
		}
	}
}
