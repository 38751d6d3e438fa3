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
