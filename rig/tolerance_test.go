package rig_test

import (
	"math"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
)

// normal is the normal distribution.
func normal(x float64) float64 { return (1 + math.Erf(x/math.Sqrt2)) / 2 }

// The tolerances give their error back, by the definition of a blurred edge.
func TestEdgeTolerances(t *testing.T) {
	for _, row := range [][2]float64{{0.02, 0.8}, {0.05, 0.8}, {0.05, 2}, {0.1, 1}} {
		alpha, sigma := row[0], row[1]
		shift, blur := rig.EdgeShift(alpha, sigma), rig.EdgeBlur(alpha, sigma)
		shifted, blurred := 0.0, 0.0
		for x := -10.0; x < 10; x += 0.001 {
			shifted = max(shifted, math.Abs(normal(x/sigma)-normal((x-shift)/sigma)))
			blurred = max(blurred, math.Abs(normal(x/sigma)-normal(x/math.Hypot(sigma, blur))))
		}
		// Both are to first order.
		if math.Abs(shifted-alpha) > 0.03*alpha || math.Abs(blurred-alpha) > 0.03*alpha {
			t.Errorf("alpha %v, sigma %v: a shift of %.3f px is %.4f, a blur of %.3f px %.4f", alpha, sigma, shift, shifted, blur, blurred)
		}
	}
}

func TestFocusTolerance(t *testing.T) {
	// The depth of field of the textbooks for a blur disc c = 4 sigma pitch: c N u (u - f) / f2 to
	// either side, to first order. 50 mm at f/2.8 and 5 m with a disc of 0.022 mm: 0.022e-3 * 2.8 *
	// 5 * 4.95 / 0.0025 = 0.60984 m.
	if got := rig.FocusTolerance(1, 5.5, 50, 2.8, 5); math.Abs(got-0.60984) > 1e-9 {
		t.Errorf("%v m", got)
	}
}

func TestCodeNoise(t *testing.T) {
	// Rounding has a variance of a twelfth of a step squared (EMVA 1288, release 4.0, section 2).
	if got, want := rig.CodeNoise(plate.Linear, 8, 1), 1/(255*math.Sqrt(12)); math.Abs(got-want) > 1e-12 {
		t.Errorf("linear: %v, want %v", got, want)
	}
	// A curve that is steep in the light has its coarsest step at the top.
	top := plate.SRGB.ToLinear(1) - plate.SRGB.ToLinear(1022.0/1023)
	if got := rig.CodeNoise(plate.SRGB, 10, 1); math.Abs(got-top/math.Sqrt(12)) > 1e-12 {
		t.Errorf("srgb: %v, want %v", got, top/math.Sqrt(12))
	}
	if rig.CodeNoise(plate.SRGB, 10, 0.2) >= rig.CodeNoise(plate.SRGB, 10, 1) {
		t.Error("darker light has finer steps by this curve")
	}
}
