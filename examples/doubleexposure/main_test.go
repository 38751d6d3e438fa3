package main

import (
	"math"
	"path/filepath"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// Where the performer is solid, a double exposure is too bright by the whole background, and the
// held-out picture is the performer alone.
func TestExpose(t *testing.T) {
	const w, h = 160, 90
	double, held, err := expose(w, h)
	if err != nil {
		t.Fatal(err)
	}
	foreground, transmission := simulate.Pier{}.Draw(24, w, h)
	background := simulate.Pier{}.Background(24, w, h)
	solid := 0
	for i, through := range transmission.Pix {
		if through != 0 {
			continue
		}
		solid++
		for c := range held.Pix {
			if held.Pix[c][i] != foreground.Pix[c][i] {
				t.Fatalf("pixel (%d, %d): held out %v, and the performer is %v", i%w, i/w, held.Pix[c][i], foreground.Pix[c][i])
			}
			if extra := double.Pix[c][i] - held.Pix[c][i]; math.Abs(float64(extra-background.Pix[c][i])) > 1e-6 {
				t.Fatalf("pixel (%d, %d): the double exposure is brighter by %v, and the background is %v", i%w, i/w, extra, background.Pix[c][i])
			}
		}
	}
	if solid < w*h/20 {
		t.Errorf("only %d pixels of the performer are solid", solid)
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
	// The left half is the brighter one.
	var sum [2]float64
	for i, v := range picture.Pix[1] {
		sum[2*(i%picture.W)/picture.W] += float64(v)
	}
	if sum[0] < 1.1*sum[1] {
		t.Errorf("the double exposure's green adds to %v, and the held-out picture's to %v", sum[0], sum[1])
	}
}
