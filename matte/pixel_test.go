package matte_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// Every pixel's numbers must be those that Solve and Sigma give the whole frame.
func TestPixelIsSolve(t *testing.T) {
	const w, h = 5, 3
	fill := func(f *plate.RGB, v ...float32) *plate.RGB {
		for c := range 3 {
			for i := range f.Pix[c] {
				f.Pix[c][i] = v[c] * (1 + 0.1*float32(i%w) - 0.07*float32(i/w))
			}
		}
		return f
	}
	gray := func(v float32) *plate.Gray {
		f := fill(plate.NewRGB(w, h), v, v, v)
		return &plate.Gray{W: w, H: h, Pix: f.Pix[1]}
	}
	color, band := fill(plate.NewRGB(w, h), 0.3, 0.2, 0.1), gray(0.35)
	ref := matte.References{
		DarkColor: fill(plate.NewRGB(w, h), 0.01, 0.011, 0.012), DarkBand: gray(0.02),
		CleanColor: fill(plate.NewRGB(w, h), 0.03, 0.025, 0.012), CleanBand: gray(0.7),
	}
	noise := matte.Noise{Read: 0.004, PerSignal: 0.0001}
	for _, row := range []struct {
		name string
		ref  matte.References
		opt  matte.SolverOptions
	}{
		{"everything there", ref, matte.SolverOptions{Crosstalk: [3]float64{0.03, 0.02, 0.01}}},
		{"a clean band plate alone", matte.References{CleanBand: ref.CleanBand}, matte.SolverOptions{Clamp: matte.ClampNone}},
	} {
		s, err := matte.NewSolver(w, h, row.ref, &row.opt)
		if err != nil {
			t.Fatal(err)
		}
		frame := matte.Sample{Color: color, Band: band}
		solved, err := s.Solve(nil, color, band, 1.03)
		if err != nil {
			t.Fatal(err)
		}
		sigma, err := s.Sigma(nil, frame, 1.03, noise, noise)
		if err != nil {
			t.Fatal(err)
		}
		for y := range h {
			for x := range w {
				p, err := s.Pixel(frame, 1.03, noise, noise, x, y)
				if err != nil {
					t.Fatal(err)
				}
				i := y*w + x
				if p.Transmission != float64(solved.Transmission.Pix[i]) || p.Sigma != float64(sigma.Pix[i]) || p.Foreground[1] != float64(solved.Foreground.Pix[1][i]) {
					t.Fatalf("%s, (%d, %d): %+v; Solve has t %v, P %v", row.name, x, y, p, solved.Transmission.Pix[i], solved.Foreground.Pix[1][i])
				}
				if again := (p.Band - p.Leak) / p.Screen; math.Abs(again-p.Measured) > 1e-12 || math.Abs(p.Measured-p.Transmission) > 1e-6 {
					t.Errorf("%s, (%d, %d): the numbers do not add up: %+v", row.name, x, y, p)
				}
				for c := range 3 {
					if d := p.Color[c] - p.Glow[c] - p.Foreground[c]; math.Abs(d) > 1e-6 {
						t.Errorf("%s, (%d, %d): C' - g t K is %v from P", row.name, x, y, d)
					}
				}
			}
		}
		if _, err := s.Pixel(frame, 1, noise, noise, w, 0); err == nil || !strings.Contains(err.Error(), "(5, 0)") {
			t.Errorf("a pixel beside the frame: %v", err)
		}
	}
}

func ExampleSolver_Pixel() {
	gray := func(v float32) *plate.Gray { f := plate.NewGray(1, 1); f.Fill(v); return f }
	color := plate.NewRGB(1, 1)
	color.Fill(0.3, 0.2, 0.1)
	s, err := matte.NewSolver(1, 1, matte.References{CleanBand: gray(0.8)}, nil)
	if err != nil {
		panic(err)
	}
	p, err := s.Pixel(matte.Sample{Color: color, Band: gray(0.2)}, 1, matte.Noise{}, matte.Noise{Read: 0.004}, 0, 0)
	if err != nil {
		panic(err)
	}
	fmt.Printf("%.2f / %.2f = %.2f +- %.3f\n", p.Band, p.Screen, p.Transmission, p.Sigma)
	// Output: 0.20 / 0.80 = 0.25 +- 0.005
}
