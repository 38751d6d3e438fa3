package main

import (
	"math"
	"path/filepath"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// The mistake takes t P from every pixel: nothing where the performer is solid or absent, and half
// the light of an edge that is half the performer's.
func TestComposites(t *testing.T) {
	const w, h = 320, 180
	once, twice, err := composites(w, h)
	if err != nil {
		t.Fatal(err)
	}
	foreground, transmission := simulate.Pier{}.Draw(24, w, h)
	edges, lost, light := 0, 0.0, 0.0
	for i, through := range transmission.Pix {
		for c := range once.Pix {
			p := foreground.Pix[c][i]
			d := once.Pix[c][i] - twice.Pix[c][i]
			if math.Abs(float64(d-through*p)) > 1e-6 {
				t.Fatalf("pixel (%d, %d): darker by %v, want t P = %v", i%w, i/w, d, through*p)
			}
			if through > 0.25 && through < 0.75 {
				edges++
				lost += float64(d)
				light += float64(p)
			}
		}
	}
	if edges == 0 || lost < 0.25*light {
		t.Errorf("the edges (%d values) lose %v of the performer's light there, %v", edges, lost, light)
	}
}

func TestRun(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out.png")
	if err := run(out); err != nil {
		t.Fatal(err)
	}
	picture, err := plate.ReadRGB(out, plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	// In the enlarged panels below, the right one is darker.
	var sum [2]float64
	for i, v := range picture.Pix[0] {
		if x, y := i%picture.W, i/picture.W; y > picture.H/2+4 {
			sum[2*x/picture.W] += float64(v)
		}
	}
	if sum[1] > 0.98*sum[0] {
		t.Errorf("the red of the panel gated twice adds to %v, and of the other to %v", sum[1], sum[0])
	}
}
