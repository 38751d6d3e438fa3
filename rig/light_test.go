package rig_test

import (
	"math"
	"strings"
	"testing"

	"example.com/twinplate/rig"
)

// The published coordinates are those of CIE 015:2018 for the 2 degree observer, to four places.
func TestChromaticity(t *testing.T) {
	for _, row := range []struct {
		name string
		x, y float64
	}{
		{"A", 0.4476, 0.4075}, {"D65", 0.3127, 0.3290}, {"FL2", 0.3721, 0.3751}, {"FL11", 0.3805, 0.3769}, {"HP1", 0.5330, 0.4150},
		{"LED-B1", 0.4560, 0.4078}, {"LED-B2", 0.4357, 0.4012}, {"LED-B3", 0.3756, 0.3723}, {"LED-B4", 0.3422, 0.3502}, {"LED-B5", 0.3118, 0.3236},
		{"LED-BH1", 0.4474, 0.4066}, {"LED-RGB1", 0.4557, 0.4211}, {"LED-V1", 0.4548, 0.4044}, {"LED-V2", 0.3781, 0.3775},
	} {
		l, err := rig.Illuminant(strings.ToLower(row.name))
		if err != nil {
			t.Fatal(err)
		}
		// Tables in steps of 5 nm, with straight lines between, move the coordinates of lamps with
		// narrow lines.
		if x, y := l.Chromaticity(); math.Abs(x-row.x) > 0.0015 || math.Abs(y-row.y) > 0.0015 {
			t.Errorf("%s: %.4f, %.4f, published %.4f, %.4f", row.name, x, y, row.x, row.y)
		}
	}
	if got := len(rig.Illuminants()); got != 14 {
		t.Errorf("%d illuminants", got)
	}
	if _, err := rig.Illuminant("E"); err == nil || !strings.Contains(err.Error(), "LED-RGB1") {
		t.Errorf("no such illuminant: %v", err)
	}
}

func TestSodiumLampIsOnTheLocus(t *testing.T) {
	// The spectrum locus at 589 nm: the observer's values there in ISO/CIE 11664-1, as coordinates.
	line := rig.Light{Lines: []rig.Line{{NM: 589, Power: 1}}}
	sum := 1.0180064 + 0.7691547 + 0.001146667
	if x, y := line.Chromaticity(); math.Abs(x-1.0180064/sum) > 1e-9 || math.Abs(y-0.7691547/sum) > 1e-9 {
		t.Errorf("589 nm: %.5f, %.5f", x, y)
	}
	// Between the coordinates of 588.995 and 589.592 nm, for straight lines in the table; the faint
	// lines move it by less than 0.001.
	lamp := rig.SodiumLamp()
	if x, y := lamp.Chromaticity(); math.Abs(x-0.5704) > 0.0012 || math.Abs(y-0.4290) > 0.0012 {
		t.Errorf("lamp: %.4f, %.4f", x, y)
	}
	if p := lamp.Through(); math.Abs(p-1) > 1e-12 {
		t.Errorf("power %v", p)
	}
	// NIST: D2 is twice as strong as D1, and 568.8 nm has 0.7 % of it.
	at := map[float64]float64{}
	for _, l := range lamp.Lines {
		at[l.NM] = l.Power
	}
	if r := at[rig.SodiumD2] / at[rig.SodiumD1]; math.Abs(r-2) > 1e-9 {
		t.Errorf("D2 over D1: %v", r)
	}
	if r := at[568.8205] / at[rig.SodiumD2]; math.Abs(r-0.007) > 1e-9 {
		t.Errorf("568.8 nm over D2: %v", r)
	}
	// 683 lm/W at 555 nm; the observer there is 1 (ISO/CIE 11664-1).
	if got := (rig.Light{Lines: []rig.Line{{NM: 555, Power: 2}}}).Lumens(); math.Abs(got-2*683) > 1e-6 {
		t.Errorf("2 W at 555 nm: %v lm", got)
	}
}

// At equal luminous flux, red, green and blue diodes put less power about the line than phosphor
// diodes and tungsten do. The tables are the CIE's (CIE 015:2018); the ratios follow from them.
func TestSetLightsInTheBand(t *testing.T) {
	band := func(name string) float64 {
		l, err := rig.Illuminant(name)
		if err != nil {
			t.Fatal(err)
		}
		return l.Scale(1 / l.Lumens()).Through(rig.Filter{Kind: "pass", Center: 589.2, Width: 10, Peak: 1, Order: 8, Blocking: 6})
	}
	rgb := band("LED-RGB1")
	for _, row := range []struct {
		name  string
		ratio float64 // LED-RGB1 over it, over a box of 10 nm, by straight sums over the CIE's tables in another program
	}{{"LED-B1", 0.4694}, {"LED-B3", 0.5595}, {"A", 0.5604}, {"LED-BH1", 0.6957}} {
		got := rgb / band(row.name)
		t.Logf("in 10 nm about the line, LED-RGB1 has %.3f of %s", got, row.name)
		if got >= 1 || math.Abs(got-row.ratio) > 0.002 {
			t.Errorf("LED-RGB1 over %s: %.4f, want %.4f", row.name, got, row.ratio)
		}
	}
}

func TestSpectrum(t *testing.T) {
	s := rig.Spectrum{{400, 0}, {500, 1}, {600, 0}}
	for _, row := range []struct {
		nm, want float64
	}{{399, 0}, {400, 0}, {450, 0.5}, {500, 1}, {575, 0.25}, {600, 0}, {601, 0}} {
		if got := s.At(row.nm); math.Abs(got-row.want) > 1e-12 {
			t.Errorf("at %v nm: %v, want %v", row.nm, got, row.want)
		}
	}
	o := rig.Spectrum{{450, 2}, {550, 4}}
	for name, row := range map[string][2]float64{
		"sum within both":        {s.Plus(o).At(500), 4},
		"sum outside one":        {s.Plus(o).At(425), 0.25},
		"a light is its area":    {rig.Light{Spectrum: s}.Through(), 100},
		"twice that":             {rig.Light{Spectrum: s.Scale(2)}.Through(), 200},
		"behind half the light":  {rig.Light{Spectrum: s}.Through(rig.Spectrum{{300, 0.5}, {900, 0.5}}), 50},
		"a line behind the same": {rig.Light{Lines: []rig.Line{{NM: 589, Power: 3}}}.Through(rig.Spectrum{{300, 0.5}, {900, 0.5}}), 1.5},
	} {
		if math.Abs(row[0]-row[1]) > 1e-9 {
			t.Errorf("%s: %v, want %v", name, row[0], row[1])
		}
	}
}

func TestReadSpectrum(t *testing.T) {
	for _, row := range []struct {
		name, in, want string // want: what the error says, or nothing
	}{
		{"a heading row and spaces", "nm,T\n 500, 0.5\n600,0.75,more\n", ""},
		{"a comment", "# measured\n500,0.5\n600,0.75\n", ""},
		{"one column", "500\n", "2 columns|columns"},
		{"words", "500,0.5\n600,high\n", "row 2"},
		{"falling wavelengths", "600,0.5\n500,0.5\n", "must rise"},
		{"a negative value", "500,0.5\n600,-1\n", "0 or more"},
		{"not a number", "500,NaN\n600,1\n", "0 or more"},
		{"one row", "500,1\n", "2 to"},
		{"meters", "5e-7,1\n6e-7,1\n", "100 to 5000"},
		{"nothing", "", "2 to"},
	} {
		s, err := rig.ReadSpectrum(strings.NewReader(row.in))
		if row.want == "" {
			if err != nil || s.At(600) != 0.75 {
				t.Errorf("%s: %v, %v", row.name, s, err)
			}
			continue
		}
		said := false
		for _, w := range strings.Split(row.want, "|") {
			said = said || err != nil && strings.Contains(err.Error(), w)
		}
		if !said {
			t.Errorf("%s: %v, want %q", row.name, err, row.want)
		}
	}
}
