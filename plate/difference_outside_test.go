//go:build !js

package plate_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
)

const differenceScript = `
import json, sys
import numpy as np
from skimage import color
given = json.loads(sys.argv[1])
a, b = np.array(given["A"]), np.array(given["B"])
m = np.array(given["XYZ"]).reshape(3, 3)
white = m.sum(axis=1)
def lab(rgb):
    f = (rgb @ m.T) / white
    f = np.where(f > 0.008856451679035631, np.cbrt(f), 7.787037037037037 * f + 16 / 116)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)
print(json.dumps({"Lab": lab(a).tolist(), "DeltaE": color.deltaE_ciede2000(lab(a), lab(b)).tolist()}))
`

// Differences as scikit-image has them, for colors near and far.
func TestDeltaEOutside(t *testing.T) {
	var given struct {
		A, B [][3]float64
		XYZ  [9]float64
	}
	given.XYZ = plate.PrimariesBT709.XYZ()
	r := rand.New(rand.NewPCG(9, 1))
	for i := range 300 {
		var a, b [3]float64
		for c := range a {
			a[c], b[c] = r.Float64(), r.Float64()
			if i%2 == 0 {
				b[c] = a[c] * (0.97 + 0.06*r.Float64())
			}
		}
		given.A, given.B = append(given.A, a), append(given.B, b)
	}
	text, err := json.Marshal(given)
	if err != nil {
		t.Fatal(err)
	}
	var want struct {
		Lab    [][3]float64
		DeltaE []float64
	}
	outside.Python(t, differenceScript, &want, string(text))
	p := plate.PrimariesBT709
	for i := range given.A {
		lab := p.Lab(given.A[i])
		for c := range lab {
			if math.Abs(lab[c]-want.Lab[i][c]) > 1e-9 {
				t.Fatalf("%v: Lab %v, want %v", given.A[i], lab, want.Lab[i])
			}
		}
		if got := plate.DeltaE(lab, p.Lab(given.B[i])); math.Abs(got-want.DeltaE[i]) > 1e-6 {
			t.Errorf("%v and %v: %v, scikit-image has %v", given.A[i], given.B[i], got, want.DeltaE[i])
		}
	}
}
