package rig

import (
	"math"
	"testing"

	"example.com/twinplate/plate"
)

// The CIE's test samples look as the standard says in daylight, by the approximate Munsell
// notations of CIE 13.3-1995, table 1 (as remembered; not checked against the source): the value is
// about a tenth of L*, and red ones are redder than the light, green ones greener.
func TestSamplesLookAsTheyShould(t *testing.T) {
	d65, _ := Illuminant("D65")
	white := d65.XYZ()
	wx, wy := d65.Chromaticity()
	for i, row := range []struct {
		value float64
		hue   string
	}{{6, "red"}, {6, ""}, {6, "green"}, {6, "green"}, {6, ""}, {6, ""}, {6, ""}, {6, "red"}, {4, "red"}, {8, ""}, {5, "green"}, {3, ""}, {8, "red"}, {4, "green"}} {
		seen := Light{Spectrum: table(d65.Spectrum, TestSamples()[i])}
		if l := 116*math.Cbrt(seen.XYZ()[1]/white[1]) - 16; math.Abs(l/10-row.value) > 0.8 {
			t.Errorf("TCS%02d has an L* of %.1f, want about %.0f", i+1, l, 10*row.value)
		}
		x, y := seen.Chromaticity()
		if row.hue == "red" && x-wx < 0.01 || row.hue == "green" && y-wy < 0.01 {
			t.Errorf("TCS%02d has x %.3f and y %.3f, and is no %s", i+1, x, y, row.hue)
		}
	}
}

// What the filter takes comes back within 1.5 of CIEDE2000 in the mean, for the CIE's samples that
// the matrix was fitted to and for surfaces that it has not seen, in daylight, tungsten light and
// that of diodes.
func TestFilterMatch(t *testing.T) {
	for _, light := range []string{"", "A", "D65", "LED-B3", "LED-RGB1"} {
		s, err := ParseSetup(PierSetup())
		if err != nil {
			t.Fatal(err)
		}
		if light != "" {
			s.Lights = []SetLight{{Name: "key", Illuminant: light, Lux: 800}}
		}
		m, err := s.FilterMatch(nil)
		if err != nil {
			t.Fatal(err)
		}
		with, without, err := s.Filtered(surfaces())
		if err != nil {
			t.Fatal(err)
		}
		unseen := m.Error(with, without, plate.PrimariesBT709)
		t.Logf("%-8s before %v; balanced %v; after %v; other surfaces %v; %.3f", light, m.Before, m.Balanced, m.After, unseen, m.Matrix)
		if m.After.Mean > 1.5 || unseen.Mean > 1.5 || m.After.Mean > m.Balanced.Mean {
			t.Errorf("%s: after %v, other surfaces %v", light, m.After, unseen)
		}
	}
}
