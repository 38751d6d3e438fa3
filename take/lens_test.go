package take

import (
	"math"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
)

// The lens does to reference plates what it does to frames, and leaves what it is given alone.
func TestLensOnPlates(t *testing.T) {
	f := plate.NewRGB(64, 48)
	for c := range f.Pix {
		for i := range f.Pix[c] {
			if i%64 >= 32 {
				f.Pix[c][i] = 1
			}
		}
	}
	kept := f.Clone()
	l := lens{color: 1, fringes: align.LateralColor{Red: 0.01}.Corrector(64, 48)}
	out := l.ofColor(f)
	for c := range f.Pix {
		for i, v := range f.Pix[c] {
			if v != kept.Pix[c][i] {
				t.Fatalf("channel %d of the plate was changed", c)
			}
		}
	}
	// An edge through the middle stays there, and gets the slope of a Gaussian of one pixel: 1 over
	// the root of 2 pi.
	row := out.Pix[1][24*64:]
	if mid, slope := (row[31]+row[32])/2, row[32]-row[31]; math.Abs(float64(mid)-0.5) > 1e-6 || math.Abs(float64(slope)-0.3989) > 0.03 {
		t.Errorf("the edge is %.3f in its middle, slope %.3f", mid, slope)
	}
	if none := (&lens{}); none.ofFrame() || none.ofColor(f) != f || none.ofColor(nil) != nil || none.ofBand(nil) != nil {
		t.Error("a lens that does nothing does something")
	}
}
