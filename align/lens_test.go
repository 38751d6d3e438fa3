package align

import (
	"errors"
	"math"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// Red and blue of simulated plates are scaled about the middle.
func TestLateralColor(t *testing.T) {
	tier.InTest(t)
	const w, h = 480, 270
	g := NewGeometry(w, h, w, h)
	for i, want := range []LateralColor{{}, {Red: 0.001, Blue: -0.0012}} {
		pairs, alpha := footage(simulate.Cutouts{Seed: uint64(i)}, g, hardFaults, uint64(i), 2)
		aberration := LateralColor{Red: 1/(1+want.Red) - 1, Blue: 1/(1+want.Blue) - 1}.Corrector(w, h)
		for _, p := range pairs {
			aberration.RGB(p.Color)
		}
		e, err := FromFootage(t.Context(), pairs, nil)
		if err != nil {
			t.Fatal(err)
		}
		l := e.LateralColor
		red, blue := (l.Red-want.Red)/l.RedSigma, (l.Blue-want.Blue)/l.BlueSigma
		if !(math.Abs(red) < 3) || !(math.Abs(blue) < 3) || l.RedSigma > 2e-4 || l.BlueSigma > 3e-4 {
			t.Errorf("%+v, want %v and %v (%.1f and %.1f standard errors)", l, want.Red, want.Blue, red, blue)
		}
		if told := l.Told(w, h); told != (want.Red != 0) {
			t.Errorf("%+v: told %v", l, told)
		}
		// The geometry is green's.
		if edge := edgeRMS(g, e.Geometry, alpha); edge > 0.06 || e.Model == Radial {
			t.Errorf("%.3f pixels RMS at the edges, model %s", edge, e.Model)
		}
		if alone, err := FindLateralColor(t.Context(), pairs, g); err != nil || math.Abs(alone.Red-l.Red) > l.RedSigma {
			t.Errorf("by the true geometry %+v (%v), in registration %+v", alone, err, l)
		}
	}
	black := []Pair{{plate.NewRGB(64, 64), plate.NewGray(64, 64)}}
	if _, err := FindLateralColor(t.Context(), black, Identity(64, 64)); !errors.Is(err, ErrNoSilhouettes) {
		t.Errorf("black plates: %v, want ErrNoSilhouettes", err)
	}
}

// A wave that red shows at another scale is brought back to green's; green stays as it is.
func TestCorrector(t *testing.T) {
	const w, h = 96, 64
	l := LateralColor{Red: 0.01, Blue: -0.02}
	f, want := plate.NewRGB(w, h), plate.NewRGB(w, h)
	for i := range f.Pix[0] {
		x, y := float64(i%w)-float64(w-1)/2, float64(i/w)-float64(h-1)/2
		for c, s := range [3]float64{l.Red, 0, l.Blue} {
			wave := func(x, y float64) float32 { return float32(0.5 + 0.2*math.Sin(0.3*x)*math.Cos(0.25*y)) }
			f.Pix[c][i], want.Pix[c][i] = wave(x/(1+s), y/(1+s)), wave(x, y)
		}
	}
	l.Corrector(w, h).RGB(f)
	for c := range f.Pix {
		for i, v := range f.Pix[c] {
			x, y := i%w, i/w
			if x > 2 && y > 2 && x < w-3 && y < h-3 && math.Abs(float64(v-want.Pix[c][i])) > 2e-3 {
				t.Fatalf("channel %d at (%d, %d) is %.4f, want %.4f", c, x, y, v, want.Pix[c][i])
			}
		}
	}
	if red, blue := l.Corner(w, h); math.Abs(red-0.01*math.Hypot(95, 63)/2) > 1e-9 || math.Abs(blue+2*red) > 1e-9 {
		t.Errorf("in the corner %v and %v pixels", red, blue)
	}
}
