package kernel

import (
	"math/rand/v2"
	"testing"
)

func TestFloats(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 42))
	for _, n := range lengths {
		for _, size := range []int{1, 2} {
			for _, step := range []int{1, 2} {
				src := randomBytes(r, max(0, (n-1)*size*step+size))
				dst := make([]float32, n)
				Floats(dst, src, size, step)
				for i, v := range dst {
					want := int(src[i*size*step])
					if size == 2 {
						want |= int(src[i*size*step+1]) << 8
					}
					if v != float32(want) {
						t.Fatalf("%d values of %d bytes, every %d: number %d is %v, want %d", n, size, step, i, v, want)
					}
				}
			}
		}
	}
}

func TestLook(t *testing.T) {
	r := rand.New(rand.NewPCG(43, 44))
	var table [TableSize]float32
	for i := range table {
		table[i] = float32(i)
	}
	for _, n := range lengths {
		for _, step := range []int{1, 2} {
			places := make([]int32, n)
			for i := range places {
				places[i] = int32(r.Uint32())
			}
			dst := make([]float32, n*step)
			Look(dst, step, places, &table)
			for i, v := range dst {
				want := float32(0) // what is between is left alone
				if i%step == 0 {
					want = float32(uint32(places[i/step]) % TableSize)
				}
				if v != want {
					t.Fatalf("%d places, every %d: value %d is %v, want %v", n, step, i, v, want)
				}
			}
		}
	}
}

func TestMix(t *testing.T) {
	r := rand.New(rand.NewPCG(45, 46))
	for _, n := range lengths {
		a, b, dst := noise(r, n), noise(r, n), noise(r, n)
		Mix(dst, a, b, 0.25)
		for i, v := range dst {
			if want := a[i] + float32(0.25*(b[i]-a[i])); v != want {
				t.Fatalf("value %d of %d is %v, want %v", i, n, v, want)
			}
		}
	}
}

func TestCodes(t *testing.T) {
	r := rand.New(rand.NewPCG(47, 48))
	var t8 [1 << 8]float32
	var t16 [1 << 16]float32
	for i := range t16 {
		t16[i] = float32(i)
	}
	copy(t8[:], t16[:])
	for _, n := range lengths {
		line := randomBytes(r, 6*n)
		code := func(size, i int) float32 {
			if size == 1 {
				return float32(line[i])
			}
			return float32(int(line[2*i])<<8 | int(line[2*i+1]))
		}
		for _, size := range []int{1, 2} {
			gray, three := make([]float32, n), [3][]float32{make([]float32, n), make([]float32, n), make([]float32, n)}
			if size == 1 {
				Codes8(gray, line, &t8)
				Threes8(three[0], three[1], three[2], line, &t8)
			} else {
				Codes16(gray, line, &t16)
				Threes16(three[0], three[1], three[2], line, &t16)
			}
			for i := range n {
				if gray[i] != code(size, i) {
					t.Fatalf("gray, pixel %d of %d, %d bytes: %v, want %v", i, n, size, gray[i], code(size, i))
				}
				for c := range three {
					if three[c][i] != code(size, 3*i+c) {
						t.Fatalf("color %d, pixel %d of %d, %d bytes: %v, want %v", c, i, n, size, three[c][i], code(size, 3*i+c))
					}
				}
			}
		}
	}
}
