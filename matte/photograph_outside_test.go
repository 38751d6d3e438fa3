//go:build !js

package matte_test

import (
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// photograph is a simulate.Scene of one of the photographs that come with scikit-image: its own colors,
// seen through a matte made of its brightness, and moved with the frames. The photograph has
// 384x216 pixels.
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
	tier.InTest(t)
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
			faults := simulate.RandomFaults(uint64(k) + 1)
			set := simulate.New(scene, photoW, photoH, photoW, photoH, nil, faults, 1)
			dark := matte.References{DarkColor: set.DarkColor(), DarkBand: set.DarkBand()}
			var frames []matte.Sample
			var truth []simulate.Truth
			for i := range 12 {
				shot := set.Frame(2 * i)
				frames, truth = append(frames, matte.Sample{Color: shot.Color, Band: shot.Band}), append(truth, shot.Truth)
			}
			screen, err := matte.FitScreen(frames, dark.DarkColor, dark.DarkBand, 0)
			if err != nil {
				t.Fatal(err)
			}
			clean, err := matte.CleanFromTake(frames, screen, dark.DarkBand)
			if err != nil {
				t.Fatal(err)
			}
			ref := dark
			ref.CleanBand = clean.Band
			solver, err := matte.NewSolver(photoW, photoH, ref, nil)
			if err != nil {
				t.Fatal(err)
			}
			color, err := solver.ScreenColor(frames)
			if err != nil {
				t.Fatal(err)
			}
			ref.CleanColor = color.CleanColor(matte.SubtractGray(nil, clean.Band, dark.DarkBand), dark.DarkColor)
			if solver, err = matte.NewSolver(photoW, photoH, ref, nil); err != nil {
				t.Fatal(err)
			}
			m, err := solver.Crosstalk(frames)
			if err != nil {
				t.Fatal(err)
			}
			if solver, err = matte.NewSolver(photoW, photoH, ref, &matte.SolverOptions{Crosstalk: m.M, Clamp: matte.ClampNone}); err != nil {
				t.Fatal(err)
			}
			ref = dark // what the cameras do, and not what was found
			ref.CleanColor, ref.CleanBand = set.CleanColor(), set.CleanBand()
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
				for j, v := range got.Transmission.Pix {
					d := float64(1-v) - float64(truth[i].Alpha.Pix[j])
					sum += d * d / (photoW * photoH)
				}
				floor += math.Pow(noiseFloor(faults, ref, truth[i]), 2)
			}
			ratio := math.Sqrt(sum / floor)
			t.Logf("%.3f times the noise floor; seen %.2f; m off by %.4f %.4f %.4f", ratio, clean.Seen, m.M[0]-faults.Crosstalk[0], m.M[1]-faults.Crosstalk[1], m.M[2]-faults.Crosstalk[2])
			if ratio > 1.1 {
				t.Errorf("without clean plates the error is %.3f times the noise floor", ratio)
			}
		})
	}
}
