//go:build !js

package matte

import (
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// scipy.optimize.nnls on random problems, half of whose unknowns should be below zero.
func TestNonNegativeAgainstSciPy(t *testing.T) {
	var tests []struct {
		A    [][]float64
		B, X []float64
	}
	outside.Python(t, `
import json, numpy as np
from scipy.optimize import nnls
rng = np.random.default_rng(3)
out = []
for k in range(60):
    n = 2 + k % 4
    a = rng.normal(size=(40, n)) if k % 2 else rng.random((40, n))
    b = a @ rng.normal(size=n) + 0.1 * rng.normal(size=40)
    out.append(dict(A=(a.T @ a).tolist(), B=(a.T @ b).tolist(), X=nnls(a, b)[0].tolist()))
print(json.dumps(out))
`, &tests)
	for k, test := range tests {
		for i, x := range nonNegative(test.A, test.B) {
			if math.Abs(x-test.X[i]) > 1e-9 {
				t.Errorf("problem %d, unknown %d: %v, SciPy has %v", k, i, x, test.X[i])
			}
		}
	}
}

// The screen's polynomial against numpy's least squares, on plates that are nothing but screen:
// then every block counts, and both fit the same logarithms.
func TestFitScreenAgainstNumpy(t *testing.T) {
	const w, h = 192, 108
	empty := simulate.New(bare{}, w, h, w, h, nil, simulate.Faults{Unevenness: 1.5, ReadNoise: 0.001}, 4)
	band := empty.Frame(0).Band
	got, err := FitScreen([]Sample{{Color: plate.NewRGB(w, h), Band: band}}, nil, nil, 4)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "band")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := binary.Write(f, binary.LittleEndian, band.Pix); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	var want []float64
	outside.Python(t, `
import sys, json, numpy as np
w, h, b = 192, 108, 2
n = np.fromfile(sys.argv[1], '<f4').reshape(h, w).astype(float)
level = np.log(n.reshape(h//b, b, w//b, b).mean((1, 3)))
y, x = np.mgrid[0:h//b, 0:w//b]
x = (2*(x*b + (b-1)/2) + 1 - w)/w
y = (2*(y*b + (b-1)/2) + 1 - h)/h
a = np.stack([x**(d-k) * y**k for d in range(5) for k in range(d+1)], -1).reshape(-1, 15)
print(json.dumps(np.linalg.lstsq(a, level.ravel(), rcond=None)[0].tolist()))
`, &want, path)
	// The pattern of tubes leaves residuals beyond three times the scatter, which are cut: the two
	// agree to that.
	terms, err2 := make([]float64, 15), 0.0
	for y := range h {
		for x := range w {
			powers(terms, 4, place(x, w), place(y, h))
			d := dot(terms, want) - dot(terms, got.Coefficients)
			err2 += d * d / (w * h)
		}
	}
	if rms := math.Sqrt(err2); rms > 2e-3 {
		t.Errorf("the two surfaces differ by %.5f RMS in the logarithm; ours %.4f, numpy's %.4f", rms, got.Coefficients, want)
	}
}

// bare is a set with nobody in it.
type bare struct{}

func (bare) Draw(_, w, h int) (*plate.RGB, *plate.Gray) {
	t := plate.NewGray(w, h)
	t.Fill(1)
	return plate.NewRGB(w, h), t
}
