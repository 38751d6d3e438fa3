//go:build !js

package take_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/take"
)

// sRGB by its own exponents, IEC 61966-2-1, as a file in the Common LUT Format.
const srgbTransform = `<ProcessList id="a" compCLFversion="3"><Exponent inBitDepth="32f" outBitDepth="32f" style="monCurveFwd"><ExponentParams exponent="2.4" offset="0.055"/></Exponent></ProcessList>`

// A transform that is a curve gives what the curve gives; it is known to a saved recipe and to the
// log.
func TestTransforms(t *testing.T) {
	r := record(t, 1)
	r.recipe.Crosstalk = take.Choice[[3]float64]{Mode: "none"}
	r.recipe.ColorCurve, r.recipe.BackgroundCurve, r.recipe.OutputCurve = "srgb", "srgb", "srgb"
	wantComp, wantForeground, _ := results(t, r.recipe)
	file := filepath.Join(r.dir, "srgb.clf")
	if err := os.WriteFile(file, []byte(srgbTransform), 0o666); err != nil {
		t.Fatal(err)
	}
	through := r.recipe
	through.ColorCurve, through.BackgroundCurve = "", ""
	through.ColorTransform, through.BackgroundTransform = file, file
	comp, foreground, _ := results(t, through)
	near(t, "comp", comp, wantComp, 1e-4)
	near(t, "foreground", foreground, wantForeground, 1e-4)

	saved, out := filepath.Join(r.dir, "saved.json"), filepath.Join(r.dir, "out")
	job := prepare(t, through)
	if err := job.Recipe(nil).Save(saved); err != nil {
		t.Fatal(err)
	}
	again, err := take.ReadRecipe(saved)
	if err != nil || again.ColorTransform != file {
		t.Fatalf("the saved recipe has %q, %v", again.ColorTransform, err)
	}
	if _, err := job.Run(context.Background(), &take.RunOptions{Out: out}); err != nil {
		t.Fatal(err)
	}
	if report, err := prepare(t, again).Run(context.Background(), &take.RunOptions{Out: out}); err != nil || report.Kept != 1 {
		t.Errorf("once more: %+v, %v", report, err)
	}
	if err := os.WriteFile(file, []byte(strings.Replace(srgbTransform, "2.4", "2.3", 1)), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := prepare(t, again).Run(context.Background(), &take.RunOptions{Out: out}); !errors.As(err, new(*take.OccupiedError)) {
		t.Errorf("by another transform: %v", err)
	}

	both := through
	both.ColorCurve = "slog3"
	if err := both.Check(); err == nil || !strings.Contains(err.Error(), "give one of the two") {
		t.Errorf("with a curve: %v", err)
	}
	none := through
	none.BandTransform = none.Background
	if _, err := take.Open(none); err == nil || !strings.Contains(err.Error(), none.Background) {
		t.Errorf("a picture as a transform: %v", err)
	}
}
