package matte

import (
	"image"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// The core by its definition: a pixel that has no mean of three by three pixels above openFrom in
// the square around it, as far as that is in the frame.
func TestCoreByItsDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	for n := range 60 {
		w, h := 30+rng.IntN(60), 20+rng.IntN(60)
		if n == 0 {
			w, h = 700, 200 // for which the rows are shared out, and r is 7
		}
		f := plate.NewGray(w, h)
		f.Fill(float32(n % 3 / 2)) // open, or with the performer all over
		for range 3 {
			box := image.Rect(rng.IntN(w+20)-10, rng.IntN(h+20)-10, rng.IntN(w+20)-10, rng.IntN(h+20)-10)
			v := rng.Float32()
			for y := range h {
				for x := range w {
					if image.Pt(x, y).In(box) {
						f.Pix[y*w+x] = v * v
					}
				}
			}
		}
		for range n % 4 {
			f.Pix[rng.IntN(len(f.Pix))] = 8 * rng.Float32()
		}
		r, size := max(w/100, 3), 0
		smooth := boxMean(f, 1)
		c := findCore(f)
		for y := range h {
			for x := range w {
				want := true
				for v := max(y-r, 0); v <= min(y+r, h-1); v++ {
					for u := max(x-r, 0); u <= min(x+r, w-1); u++ {
						want = want && smooth.Pix[v*w+u] <= openFrom
					}
				}
				at := image.Pt(x, y)
				if got := at.In(c.at) && c.row(y)[x-c.at.Min.X]; got != want {
					t.Fatalf("frame %d of %dx%d: %v is in the core: %v, want %v", n, w, h, at, got, want)
				}
				if want {
					size++
				}
			}
		}
		if c.size != size {
			t.Errorf("frame %d: a core of %d pixels, want %d", n, c.size, size)
		}
	}
}

// The spots by their definition: at each place of the grid in the core the median of the grid's
// other places in the core, in the square around it.
func TestSpotsByTheirDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 12))
	for n := range 30 {
		w, h := 60+rng.IntN(200), 40+rng.IntN(150)
		if n == 0 {
			w, h = 900, 400 // for which the grid is not the pixels'
		}
		f := plate.NewGray(w, h)
		for i := range f.Pix {
			f.Pix[i] = 0.3 * rng.Float32() * float32(i%w) / float32(w)
			if n%3 == 0 {
				f.Pix[i] = float32(rng.IntN(3)) / 10 // many alike
			}
		}
		for range n % 5 {
			f.Pix[rng.IntN(len(f.Pix))] = 20
		}
		c := findCore(f)
		if c.size == 0 {
			continue
		}
		smooth := boxMean(f, 1)
		square := 2 * max(w/100, 3)
		apart := max(square/6, 1)
		reach := square / apart * apart
		want := 0
		for y := c.top; y < h; y += c.step {
			for x := c.left; x < w; x += c.step {
				inside := func(x, y int) bool { return image.Pt(x, y).In(c.at) && c.row(y)[x-c.at.Min.X] }
				if !inside(x, y) {
					continue
				}
				var values []float32
				for v := y - reach; v <= y+reach; v += apart {
					for u := x - reach; u <= x+reach; u += apart {
						if inside(u, v) {
							values = append(values, smooth.Pix[v*w+u])
						}
					}
				}
				if want >= len(c.spots) || c.spots[want] != (spot{x, y, robust.Median(values)}) {
					t.Fatalf("frame %d of %dx%d: spot %d is not the median at %d, %d", n, w, h, want, x, y)
				}
				want++
			}
		}
		if want != len(c.spots) {
			t.Errorf("frame %d: %d spots, want %d", n, len(c.spots), want)
		}
	}
}
