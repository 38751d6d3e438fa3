package main

import (
	"path/filepath"
	"testing"

	"example.com/twinplate/take"
)

// The flags for lenses go into the recipe, and --match-softness leaves a value that the recipe has.
func TestLensFlags(t *testing.T) {
	c := comp{MatchSoftness: new(true), LateralColor: new("0.0005,-0.0003")}
	r, err := c.recipe()
	if err != nil || r.MatchSoftness.Mode != "auto" || r.LateralColor != take.Given([2]float64{0.0005, -0.0003}) {
		t.Errorf("%+v, %+v, %v", r.MatchSoftness, r.LateralColor, err)
	}
	r.MatchSoftness = take.Given(-0.8)
	c = comp{MatchSoftness: new(true), Recipe: filepath.Join(t.TempDir(), "take.json")}
	if err := r.Save(c.Recipe); err != nil {
		t.Fatal(err)
	}
	back, err := c.recipe()
	if err != nil || back.MatchSoftness != r.MatchSoftness || back.LateralColor != r.LateralColor {
		t.Errorf("%+v, %+v, %v", back.MatchSoftness, back.LateralColor, err)
	}
	if code, _, errs := twinplate(t, "comp", "--color", "a", "--band", "b", "--out", "x", "--lateral-color", "much"); code != exitUsage {
		t.Errorf("exit code %d, %q", code, errs)
	}
}
