package take

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
)

func TestLensInARecipe(t *testing.T) {
	for _, text := range []string{`"auto"`, `"none"`, `1.25`, `-0.5`} {
		var m MatchSoftness
		if err := json.Unmarshal([]byte(text), &m); err != nil {
			t.Errorf("match_softness %s: %v", text, err)
		} else if back, err := json.Marshal(m); err != nil || string(back) != text {
			t.Errorf("match_softness %s comes back as %s (%v)", text, back, err)
		}
	}
	for _, text := range []string{`"auto"`, `"none"`, `[0.0005,-0.00031]`} {
		var l LateralColor
		if err := json.Unmarshal([]byte(text), &l); err != nil {
			t.Errorf("lateral_color %s: %v", text, err)
		} else if back, err := json.Marshal(l); err != nil || string(back) != text {
			t.Errorf("lateral_color %s comes back as %s (%v)", text, back, err)
		}
	}
	for _, text := range []string{`"soft"`, `6`, `"nan"`, `[1]`, `true`} {
		if err := json.Unmarshal([]byte(text), new(MatchSoftness)); err == nil || !strings.Contains(err.Error(), "match_softness") {
			t.Errorf("match_softness %s: %v, want an error that names it", text, err)
		}
	}
	for _, text := range []string{`"some"`, `[0.1,0]`, `[0.001]`, `0.001`, `"nan,0"`} {
		if err := json.Unmarshal([]byte(text), new(LateralColor)); err == nil || !strings.Contains(err.Error(), "lateral_color") {
			t.Errorf("lateral_color %s: %v, want an error that names it", text, err)
		}
	}
	var r Recipe
	if data, err := json.Marshal(r); err != nil || strings.Contains(string(data), "softness") || strings.Contains(string(data), "lateral") {
		t.Errorf("a recipe that asks for nothing has %s (%v)", data, err)
	}
}

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
	if none := (&lens{}); none.works() || none.ofColor(f) != f || none.ofColor(nil) != nil || none.ofBand(nil) != nil {
		t.Error("a lens that does nothing does something")
	}
}
