package simulate

import (
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
	"math"
)

// glareWidth is the standard deviation of the band lens's glare, in parts of the frame's width.
const glareWidth = 0.15

// glare adds the light that the band lens spreads: Faults.Glare times the frame's own light, less
// the pedestal, through a Gaussian of glareWidth. No light comes from outside the frame. The blur
// is computed on tiles, which are far smaller than it is wide.
func (r *Simulator) glare(f *plate.Gray) {
	if r.f.Glare == 0 {
		return
	}
	tile := max(f.W/64, 1)
	w, h := (f.W+tile-1)/tile, (f.H+tile-1)/tile
	sum := make([]float64, w*h)
	for y := range f.H {
		for x := range f.W {
			sum[y/tile*w+x/tile] += float64(f.Pix[y*f.W+x]) - r.f.DarkLevel
		}
	}
	// Each tile's light falls off by a Gaussian from its own middle; the outer tiles may be
	// narrower.
	middle := func(k, n int) float64 { return (float64(k*tile) + float64(min((k+1)*tile, n)-1)) / 2 }
	sigma := glareWidth * float64(f.W)
	weights := func(n, tiles int) []float64 {
		v := make([]float64, n*tiles)
		for i := range n {
			for k := range tiles {
				d := (float64(i) - middle(k, n)) / sigma
				v[i*tiles+k] = math.Exp(-d*d/2) / (sigma * math.Sqrt(2*math.Pi))
			}
		}
		return v
	}
	across, down := weights(f.W, w), weights(f.H, h)
	parallel.Parts(f.H, func(y0, y1 int) {
		line := make([]float64, w)
		for y := y0; y < y1; y++ {
			clear(line)
			for k := range h {
				v := down[y*h+k]
				for x := range line {
					line[x] += v * sum[k*w+x]
				}
			}
			for x := range f.W {
				s := 0.0
				for k, v := range line {
					s += v * across[x*w+k]
				}
				f.Pix[y*f.W+x] += float32(r.f.Glare * s)
			}
		}
	})
}
