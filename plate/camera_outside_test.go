//go:build !js

package plate_test

import (
	"encoding/json"
	"math"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
)

// OpenColorIO's built-in transforms take a camera's codes to ACES2065-1 (AP0): all gray codes of 10
// bits, and the primaries at light of 1.
const cameraScript = `
import json, sys
import numpy as np
import PyOpenColorIO as ocio
out = {}
for ours, theirs in json.loads(sys.argv[1]).items():
    t = ocio.BuiltinTransform(style=theirs + "_to_ACES2065-1")
    cpu = ocio.Config.CreateRaw().getProcessor(t).getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE)
    gray = np.repeat(np.arange(1024, dtype=np.float32)[:, None] / 1023, 3, axis=1)
    patch = np.array(json.loads(sys.argv[2])[ours], dtype=np.float32)
    gray, patch = gray.copy(), patch.copy()
    cpu.applyRGB(gray)
    cpu.applyRGB(patch)
    out[ours] = {"Gray": gray.astype(float).tolist(), "Patch": patch.astype(float).tolist()}
print(json.dumps(out))
`

// ap0 are the primaries of ACES2065-1, SMPTE ST 2065-1.
var ap0 = plate.Primaries{Red: [2]float64{0.7347, 0.2653}, Green: [2]float64{0, 1}, Blue: [2]float64{0.0001, -0.077}, White: [2]float64{0.32168, 0.33767}}

func TestCamerasAsOpenColorIO(t *testing.T) {
	styles := map[string]string{
		"logc3-awg3": "ARRI_ALEXA-LOGC-EI800-AWG", "slog3-sgamut3": "SONY_SLOG3-SGAMUT3", "slog3-sgamut3cine": "SONY_SLOG3-SGAMUT3.CINE",
		"vlog-vgamut": "PANASONIC_VLOG-VGAMUT", "clog2-cgamut": "CANON_CLOG2-CGAMUT", "clog3-cgamut": "CANON_CLOG3-CGAMUT", "log3g10-rwg": "RED_LOG3G10-RWG",
	}
	patches := map[string][][3]float64{}
	for name := range styles {
		c, err := plate.CameraByName(name)
		if err != nil {
			t.Fatal(err)
		}
		dark, lit := c.Curve.FromLinear(0), c.Curve.FromLinear(0.5)
		patches[name] = [][3]float64{{lit, dark, dark}, {dark, lit, dark}, {dark, dark, lit}}
	}
	var got map[string]struct{ Gray, Patch [][3]float64 }
	var args [2]string
	for i, v := range []any{styles, patches} {
		text, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		args[i] = string(text)
	}
	outside.Python(t, cameraScript, &got, args[:]...)
	for name := range styles {
		c, _ := plate.CameraByName(name)
		// OpenColorIO has most curves as tables of 4096 values with lines between.
		for code, want := range got[name].Gray {
			light := c.Curve.ToLinear(float64(code) / 1023)
			if back := c.Curve.ToLinear(float64(code)/1023 + 1./(2*4096)); !(math.Abs(light-want[1]) <= 1e-5+2e-4*math.Abs(back)) {
				t.Errorf("%s: code %d is light of %v, OpenColorIO has %v", name, code, light, want[1])
				break
			}
		}
		m := c.Primaries.To(ap0)
		for i, patch := range got[name].Patch {
			for j, want := range patch {
				// Some matrices there are adapted to white by CAT02; ours are Bradford's (see Primaries.To).
				if got := 0.5 * float64(m[3*j+i]); !(math.Abs(got-want) <= 0.004) {
					t.Errorf("%s: primary %d has a value %d of %.5f in AP0, OpenColorIO has %.5f", name, i, j, got, want)
				}
			}
		}
	}
}
