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
