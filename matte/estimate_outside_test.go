//go:build !js

package matte

import (
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/outside"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
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

// The screen's polynomial against numpy's least squares, on plates that are nothing but screen: then every
// block counts, and both fit the same logarithms.
func TestFitScreenAgainstNumpy(t *testing.T) {
	const w, h = 192, 108
	empty := rig.NewSimulator(bare{}, w, h, w, h, nil, rig.Faults{Unevenness: 1.5, ReadNoise: 0.001}, 4)
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
	// The pattern of tubes leaves residuals beyond three times the scatter, which are cut: the two agree to that.
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

// photograph is a rig.Scene of one of the photographs that come with scikit-image: its own colors, seen through a
// matte made of its brightness, and moved with the frames. The photograph has 384x216 pixels.
type photograph struct{ pix []float32 }

const photoW, photoH = 384, 216

func (s photograph) Draw(i, w, h int) (*plate.RGB, *plate.Gray) {
	p, t := plate.NewRGB(w, h), plate.NewGray(w, h)
	for y := range h {
		for x := range w {
			// Bilinear, so that the photograph is no staircase at twice its size.
			u := float64(x)*photoW/float64(w) - 14*float64(i)
			v := float64(y) * photoH / float64(h)
			var c [4]float64
			x0, y0 := int(math.Floor(u)), int(math.Floor(v))
			for dy := range 2 {
				for dx := range 2 {
					weight := (1 - math.Abs(u-float64(x0+dx))) * (1 - math.Abs(v-float64(y0+dy)))
					at := 4 * (min(y0+dy, photoH-1)*photoW + ((x0+dx)%photoW+photoW)%photoW)
					for k := range c {
						c[k] += weight * float64(s.pix[at+k])
					}
				}
			}
			j := y*w + x
			t.Pix[j] = float32(1 - c[3])
			for k := range 3 {
				p.Pix[k][j] = float32(c[k] * c[3])
			}
		}
	}
	return p, t
}

// Real photographs as performers: everything estimated, without clean plates, near the noise floor.
func TestPhotographedPerformers(t *testing.T) {
	dir := t.TempDir()
	var names []string
	outside.Python(t, `
import sys, json, numpy as np, scipy.ndimage as nd
from skimage import data, transform, filters
out = []
for name, p in [('astronaut', data.astronaut()), ('coffee', data.coffee()), ('chelsea', data.chelsea())]:
    p = p[:, :, :3].astype(float) / 255
    h = min(p.shape[0], p.shape[1]*9//16)
    p = transform.resize(p[:h, :h*16//9], (216, 384), anti_aliasing=True) ** 2.2
    y = p.mean(2)
    # A matte with solid parts, soft edges and fine detail, open over a good half of the frame.
    a = np.clip((nd.gaussian_filter(y, 1) - np.quantile(y, 0.62)) * 12 + 0.5, 0, 1)
    np.dstack([p, a]).astype('<f4').tofile('%s/%s' % (sys.argv[1], name))
    out.append(name)
print(json.dumps(out))
`, &names, dir)
	for k, name := range names {
		t.Run(name, func(t *testing.T) {
			scene := photograph{pix: make([]float32, 4*photoW*photoH)}
			f, err := os.Open(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			if err := binary.Read(f, binary.LittleEndian, scene.pix); err != nil {
				t.Fatal(err)
			}
			faults := rig.RandomFaults(uint64(k) + 1)
			set := rig.NewSimulator(scene, photoW, photoH, photoW, photoH, nil, faults, 1)
			dark := References{DarkColor: set.DarkColor(), DarkBand: set.DarkBand()}
			var frames []Sample
			var truth []rig.Truth
			for i := range 12 {
				shot := set.Frame(2 * i)
				frames, truth = append(frames, Sample{shot.Color, shot.Band}), append(truth, shot.Truth)
			}
			screen, err := FitScreen(frames, dark.DarkColor, dark.DarkBand, 0)
			if err != nil {
				t.Fatal(err)
			}
			clean, err := CleanFromTake(frames, screen, dark.DarkBand)
			if err != nil {
				t.Fatal(err)
			}
			ref := dark
			ref.CleanBand = clean.Band
			solver, err := NewSolver(photoW, photoH, ref, nil)
			if err != nil {
				t.Fatal(err)
			}
			color, err := solver.ScreenColor(frames)
			if err != nil {
				t.Fatal(err)
			}
			ref.CleanColor = color.CleanColor(LessGray(nil, clean.Band, dark.DarkBand), dark.DarkColor)
			if solver, err = NewSolver(photoW, photoH, ref, nil); err != nil {
				t.Fatal(err)
			}
			m, err := solver.Crosstalk(frames)
			if err != nil {
				t.Fatal(err)
			}
			if solver, err = NewSolver(photoW, photoH, ref, &Options{Crosstalk: m.M, Clamp: ClampNone}); err != nil {
				t.Fatal(err)
			}
			noise := Noise{Read: faults.ReadNoise, PerSignal: 1 / faults.PhotonNoise}
			var sum, floor float64
			for i, frame := range frames[:4] {
				g, err := solver.Gain(frame)
				if err != nil {
					t.Fatal(err)
				}
				got, err := solver.Solve(nil, frame.Color, frame.Band, g.Value)
				if err != nil {
					t.Fatal(err)
				}
				sigma, err := solver.Sigma(nil, frame, g.Value, noise, noise)
				if err != nil {
					t.Fatal(err)
				}
				for j, v := range got.Transmission.Pix {
					d := float64(1-v) - float64(truth[i].Alpha.Pix[j])
					sum += d * d
					floor += float64(sigma.Pix[j]) * float64(sigma.Pix[j])
				}
			}
			ratio := math.Sqrt(sum / floor)
			t.Logf("%.3f times the noise floor; seen %.2f; m off by %.4f %.4f %.4f", ratio, clean.Seen, m.M[0]-faults.Crosstalk[0], m.M[1]-faults.Crosstalk[1], m.M[2]-faults.Crosstalk[2])
			if ratio > 1.5 {
				t.Errorf("without clean plates the error is %.3f times the noise floor", ratio)
			}
		})
	}
}
