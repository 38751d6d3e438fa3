package kernel

import (
	"math/rand/v2"
	"testing"
)

func TestVideo(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	v := Video{Luma: [2]float32{299.2, 28000.5}, Chroma: [2]float32{292.6, -37448}, Red: 1.5748, Blue: 1.8556, Green: [2]float32{-0.1873, -0.4681}, Most: 1<<17 - 1}
	for _, n := range lengths {
		var in [3][]float32
		for c := range in {
			in[c] = make([]float32, n)
			for i := range n {
				in[c][i] = 256 * r.Float32() // beyond both ends of the table, too
				if i%7 == 0 {
					in[c][i] *= 3
				}
			}
		}
		var got [3][]int32
		for c := range got {
			got[c] = make([]int32, n)
		}
		v.Places(got[0], got[1], got[2], in[0], in[1], in[2])
		for i := range n {
			y := float64(v.Luma[0])*float64(in[0][i]) + float64(v.Luma[1])
			u := float64(v.Chroma[0])*float64(in[1][i]) + float64(v.Chroma[1])
			w := float64(v.Chroma[0])*float64(in[2][i]) + float64(v.Chroma[1])
			for c, x := range [3]float64{y + float64(v.Red)*w, y + float64(v.Green[0])*u + float64(v.Green[1])*w, y + float64(v.Blue)*u} {
				want := min(max(x, 0), float64(v.Most))
				if d := float64(got[c][i]) - want; d > 0.1 || d < -1.1 { // rounding of sums of 2^18 in float32
					t.Fatalf("pixel %d of %d, %d: %d, want %v", i, n, c, got[c][i], want)
				}
			}
		}
	}
}
