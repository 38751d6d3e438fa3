package plate_test

import (
	"math"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// The values that the cameras' makers print beside their formulas: 10-bit codes of black, of 18 %
// gray and of 90 % white, or the code value of 18 % gray.
func TestCameraCurveValues(t *testing.T) {
	for _, row := range []struct {
		source      string
		curve       plate.Curve
		light, code float64
		within      float64
	}{
		{"ARRI, Log C for EI 800: 18 % gray", plate.LogC3, 0.18, 0.391007, 1e-6},
		{"ARRI, Log C for EI 800: black", plate.LogC3, 0, 0.092809, 1e-9},
		{"ARRI, LogC4 specification: 18 % gray", plate.LogC4, 0.18, 0.2784, 5e-5},
		{"ARRI, LogC4 specification: black is code 95 of 1023", plate.LogC4, 0, 95. / 1023, 1e-12},
		{"Sony, S-Log3 technical summary: black", plate.SLog3, 0, 95. / 1023, 1e-12},
		{"Sony, S-Log3 technical summary: 18 %, code 420", plate.SLog3, 0.18, 420. / 1023, 1e-9},
		{"Sony, S-Log3 technical summary: 90 %, code 598", plate.SLog3, 0.9, 598. / 1023, 0.5 / 1023},
		{"Panasonic, V-Log manual: black, code 128", plate.VLog, 0, 128. / 1023, 0.5 / 1023},
		{"Panasonic, V-Log manual: 18 %, code 433", plate.VLog, 0.18, 433. / 1023, 0.5 / 1023},
		{"Panasonic, V-Log manual: 90 %, code 602 (not checked against the source)", plate.VLog, 0.9, 602. / 1023, 1. / 1023},
		{"Canon, Input Transform 202007: black of Canon Log 2", plate.CLog2, 0, 0.092864125, 1e-12},
		{"Canon, Input Transform 202007: black of Canon Log 3", plate.CLog3, 0, 0.12512219, 1e-12},
		{"RED, white paper on Log3G10: 18 % gray is a third", plate.Log3G10, 0.18, 1. / 3, 1e-6},
		{"RED, white paper on Log3G10: ten stops above gray is 1", plate.Log3G10, 184.32, 1, 1e-5},
		{"RED, white paper on Log3G10: code value 0", plate.Log3G10, -0.01, 0, 1e-12},
		{"Blackmagic Generation 5 Color Science: 18 % gray", plate.Film5, 0.18, 0.38356164383561653, 1e-9},
		{"Nikon, N-Log specification: 18 %, code 372", plate.NLog, 0.18, 372. / 1023, 0.5 / 1023},
		{"Nikon, N-Log specification: the segments' end, code 452", plate.NLog, 0.328, 452. / 1023, 0.5 / 1023},
		{"Fujifilm, F-Log data sheet: black, code 95", plate.FLog, 0, 95. / 1023, 0.5 / 1023},
		{"Fujifilm, F-Log data sheet: 18 %, code 470", plate.FLog, 0.18, 470. / 1023, 0.5 / 1023},
		{"Fujifilm, F-Log data sheet: 90 %, code 705", plate.FLog, 0.9, 705. / 1023, 0.5 / 1023},
		{"Fujifilm, F-Log2 data sheet: black, code 95", plate.FLog2, 0, 95. / 1023, 0.5 / 1023},
		{"Fujifilm, F-Log2 data sheet: 18 %, code 400", plate.FLog2, 0.18, 400. / 1023, 0.5 / 1023},
		{"Fujifilm, F-Log2 data sheet: 90 %, code 570", plate.FLog2, 0.9, 570. / 1023, 0.5 / 1023},
		{"DJI, white paper on D-Log: black", plate.DLog, 0, 0.0929, 1e-12},
		{"colour-science's log_encoding_DJIDLog: 18 % gray", plate.DLog, 0.18, 0.3987645561893306, 1e-9},
		{"colour-science's log_encoding_LLog: 18 % gray", plate.LLog, 0.18, 0.43531390404392656, 1e-9},
		{"colour-science's log_encoding_AppleLogProfile: 18 % gray", plate.AppleLog, 0.18, 0.48827245852686763, 1e-9},
		{"Apple Log Profile White Paper: R0 is code value 0", plate.AppleLog, -0.05641088, 0, 1e-12},
	} {
		if got := row.curve.FromLinear(row.light); !(math.Abs(got-row.code) <= row.within) {
			t.Errorf("%s: %s of light %v is %v (code %.2f), want %v within %v", row.source, row.curve.Name(), row.light, got, 1023*got, row.code, row.within)
		}
	}
}

// Where a maker's segments meet, the rounded constants leave no more than a few millionths, but for
// N-Log, F-Log and L-Log, whose documentation states it.
func TestCameraCurveSteps(t *testing.T) {
	for _, row := range []struct {
		curve       plate.Curve
		cut, within float64
	}{
		{plate.LogC3, 0.010591, 2e-6}, {plate.LogC4, -0.018057, 1e-6}, {plate.SLog3, 0.01125, 1e-7}, {plate.VLog, 0.01, 1e-6},
		{plate.CLog2, 0, 1e-12}, {plate.CLog3, 0.9 * 0.014, 1e-6}, {plate.CLog3, -0.9 * 0.014, 1e-6}, {plate.Log3G10, -0.01, 1e-12},
		{plate.Film5, 0.005, 1e-7}, {plate.NLog, 0.328, 1.3e-4}, {plate.FLog, 0.00089, 1.1e-4}, {plate.FLog2, 0.000889, 3e-6},
		{plate.DLog, 0.0078, 3e-6}, {plate.LLog, 0.006, 9.1e-4}, {plate.AppleLog, 0.01, 1e-6},
	} {
		d := 1e-9
		if step := row.curve.FromLinear(row.cut+d) - row.curve.FromLinear(row.cut-d); !(math.Abs(step) <= row.within+2e-7) {
			t.Errorf("%s steps by %.2g at light %v, want %g at most", row.curve.Name(), step, row.cut, row.within)
		}
	}
}

func TestCameraByName(t *testing.T) {
	names := map[string]bool{}
	for _, c := range plate.Cameras() {
		if names[c.Name] {
			t.Errorf("%s twice", c.Name)
		}
		names[c.Name] = true
		if got, err := plate.CameraByName(" " + strings.ToUpper(c.Name)); err != nil || got != c {
			t.Errorf("%s: %v, %v", c.Name, got.Name, err)
		}
		if got := c.Curve.Name() + "-" + c.Primaries.Name(); got != c.Name {
			t.Errorf("%s is of %s", c.Name, got)
		}
	}
	if c, err := plate.CameraByName("vlog"); err != nil || c.Name != "vlog-vgamut" {
		t.Errorf("vlog: %v, %v", c.Name, err)
	}
	if _, err := plate.CameraByName("vlag"); err == nil || !strings.Contains(err.Error(), "known: logc3-awg3, logc4-awg4, slog3-sgamut3, ") {
		t.Errorf("vlag: %v", err)
	}
}
