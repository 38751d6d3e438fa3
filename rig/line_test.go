package rig_test

import (
	"math"
	"testing"

	"example.com/twinplate/rig"
)

func TestSodiumLine(t *testing.T) {
	for _, row := range []struct {
		name         string
		got, want, e float64
	}{
		{"D2 in air, NIST Atomic Spectra Database", rig.SodiumD2, 588.9950, 0},
		{"D1 in air, NIST Atomic Spectra Database", rig.SodiumD1, 589.5924, 0},
		{"the mean, weighted 2 to 1", rig.SodiumLine(), (2*588.9950 + 589.5924) / 3, 1e-9},
		{"the mean lies a third of the way from D2 to D1", rig.SodiumLine() - rig.SodiumD2, (589.5924 - 588.9950) / 3, 1e-9},
	} {
		if math.Abs(row.got-row.want) > row.e {
			t.Errorf("%s: %.5f nm, want %.5f", row.name, row.got, row.want)
		}
	}
}

func TestSodiumColor(t *testing.T) {
	c := rig.SodiumColor()
	if c[0] != 1 || c[2] != 0 {
		t.Errorf("the line is %v: its red should be the largest, and its blue out of gamut and clipped", c)
	}
	// From the primaries' chromaticities (ITU-R BT.709-6, item 1.3) and white D65, for the observer
	// at 589 nm (CIE 015, one-nanometer table).
	type v = [3]float64
	det := func(a, b, c v) float64 {
		return a[0]*(b[1]*c[2]-b[2]*c[1]) - b[0]*(a[1]*c[2]-a[2]*c[1]) + c[0]*(a[1]*b[2]-a[2]*b[1])
	}
	xyz := func(x, y float64) v { return v{x / y, 1, (1 - x - y) / y} }
	r, g, b, white := xyz(0.64, 0.33), xyz(0.30, 0.60), xyz(0.15, 0.06), xyz(0.3127, 0.3290)
	line := v{1.0180064, 0.7691547, 0.001146667}
	red := det(line, g, b) / det(white, g, b)
	green := det(r, line, b) / det(r, white, b)
	if math.Abs(c[1]-green/red) > 0.001 {
		t.Errorf("green over red is %.4f, want %.4f", c[1], green/red)
	}
}
