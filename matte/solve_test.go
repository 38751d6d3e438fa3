package matte_test

import (
	"errors"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// modeled is a pixel row of the capture model, made by its two equations (see the package's
// documentation) from known P and t.
type modeled struct {
	ref       matte.References
	color     *plate.RGB
	band      *plate.Gray
	t         *plate.Gray
	p         *plate.RGB
	m         [3]float64
	gain      float64
	screenOff *plate.Gray // the band plate with the lamps off and the performer there: D + m.P
}

func model(w, h int, m [3]float64, gain float64) modeled {
	r := rand.New(rand.NewPCG(11, 7))
	random := func(scale float64) *plate.Gray {
		f := plate.NewGray(w, h)
		for i := range f.Pix {
			f.Pix[i] = float32(scale * r.Float64())
		}
		return f
	}
	random3 := func(scale float64) *plate.RGB {
		f := plate.NewRGB(w, h)
		for c := range 3 {
			f.Pix[c] = random(scale).Pix
		}
		return f
	}
	x := modeled{m: m, gain: gain, t: random(1), p: random3(0.8), screenOff: plate.NewGray(w, h)}
	dc, db, k, s := random3(0.02), random(0.02), random3(0.04), random(0.5)
	for i := range s.Pix {
		s.Pix[i] += 0.4
	}
	x.ref = matte.References{DarkColor: dc, DarkBand: db, CleanColor: k.Clone(), CleanBand: s.Clone()}
	x.color, x.band = plate.NewRGB(w, h), plate.NewGray(w, h)
	for i := range s.Pix {
		t, leak := float64(x.t.Pix[i]), 0.0
		for c := range 3 {
			x.ref.CleanColor.Pix[c][i] += dc.Pix[c][i]
			p := float64(x.p.Pix[c][i]) * (1 - t) // premultiplied
			x.p.Pix[c][i] = float32(p)
			x.color.Pix[c][i] = float32(float64(dc.Pix[c][i]) + p + gain*t*float64(k.Pix[c][i]))
			leak += m[c] * p
		}
		x.ref.CleanBand.Pix[i] += db.Pix[i]
		x.screenOff.Pix[i] = float32(float64(db.Pix[i]) + leak)
		x.band.Pix[i] = float32(float64(db.Pix[i]) + gain*t*float64(s.Pix[i]) + leak)
	}
	return x
}

func maxDifference(a, b []float32) (d float64) {
	for i := range a {
		d = max(d, math.Abs(float64(a[i]-b[i])))
	}
	return d
}

func TestSolveUndoesTheCaptureModel(t *testing.T) {
	for _, test := range []struct {
		name string
		m    [3]float64
		gain float64
	}{
		{"no crosstalk, lamps as in the clean plate", [3]float64{}, 1},
		{"set light in the band", [3]float64{0.05, 0.03, 0.01}, 1},
		{"lamps 10 % down", [3]float64{0.05, 0.03, 0.01}, 0.9},
		{"lamps 15 % up", [3]float64{0, 0.02, 0}, 1.15},
	} {
		t.Run(test.name, func(t *testing.T) {
			x := model(37, 23, test.m, test.gain)
			s, err := matte.NewSolver(37, 23, x.ref, &matte.SolverOptions{Crosstalk: test.m})
			if err != nil {
				t.Fatal(err)
			}
			got, err := s.Solve(nil, x.color, x.band, test.gain)
			if err != nil {
				t.Fatal(err)
			}
			// Float32 leaves about 1e-7 of full scale, times the division by a screen of 0.4.
			if d := maxDifference(got.Transmission.Pix, x.t.Pix); d > 2e-6 {
				t.Errorf("transmission is off by %g", d)
			}
			for c := range 3 {
				if d := maxDifference(got.Foreground.Pix[c], x.p.Pix[c]); d > 1e-6 {
					t.Errorf("foreground channel %d is off by %g", c, d)
				}
			}
		})
	}
}

// Smith and Blinn, Blue Screen Matting, SIGGRAPH 1996, theorem 4: with two backings B1 and B2,
// alpha = 1 - sum (C1 - C2)(B1 - B2) / sum (B1 - B2)^2. In the band the two backings are the lit
// and the dark screen; the one-shot solution must find the same alpha once it knows the crosstalk.
func TestSolveAgreesWithSmithAndBlinn(t *testing.T) {
	m := [3]float64{0.04, 0.02, 0.01}
	x := model(41, 19, m, 1)
	s, err := matte.NewSolver(41, 19, x.ref, &matte.SolverOptions{Crosstalk: m})
	if err != nil {
		t.Fatal(err)
	}
	got, err := s.Solve(nil, x.color, x.band, 1)
	if err != nil {
		t.Fatal(err)
	}
	alpha := matte.Alpha(nil, got.Transmission)
	for i := range alpha.Pix {
		backing := float64(x.ref.CleanBand.Pix[i] - x.ref.DarkBand.Pix[i])
		want := 1 - float64(x.band.Pix[i]-x.screenOff.Pix[i])*backing/(backing*backing)
		if math.Abs(float64(alpha.Pix[i])-want) > 2e-6 {
			t.Fatalf("pixel %d: alpha %v, triangulation has %v", i, alpha.Pix[i], want)
		}
	}
}

// One pixel worked by hand: N' = 0.50, S = 0.80, K = (0.02, 0.04, 0), m = (0.05, 0.025, 0), C' =
// (0.20, 0.10, 0.30), g = 1: t = (0.50 - 0.0125) / (0.80 - 0.002) = 0.610902, P = C' - t K =
// (0.187782, 0.075564, 0.30).
func TestSolveWorkedPixel(t *testing.T) {
	one := func(r, g, b float32) *plate.RGB {
		f := plate.NewRGB(1, 1)
		f.Fill(r, g, b)
		return f
	}
	gray := func(v float32) *plate.Gray {
		f := plate.NewGray(1, 1)
		f.Fill(v)
		return f
	}
	s, err := matte.NewSolver(1, 1, matte.References{CleanBand: gray(0.8), CleanColor: one(0.02, 0.04, 0)}, &matte.SolverOptions{Crosstalk: [3]float64{0.05, 0.025, 0}})
	if err != nil {
		t.Fatal(err)
	}
	got, err := s.Solve(nil, one(0.2, 0.1, 0.3), gray(0.5), 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []struct {
		name      string
		got, want float32
	}{
		{"t", got.Transmission.Pix[0], 0.610902},
		{"red", got.Foreground.Pix[0][0], 0.187782},
		{"green", got.Foreground.Pix[1][0], 0.075564},
		{"blue", got.Foreground.Pix[2][0], 0.3},
	} {
		if math.Abs(float64(v.got-v.want)) > 1e-6 {
			t.Errorf("%s is %v, want %v", v.name, v.got, v.want)
		}
	}
}

func TestClamp(t *testing.T) {
	clean, color, band := plate.NewGray(2, 1), plate.NewRGB(2, 1), plate.NewGray(2, 1)
	clean.Fill(0.5)
	color.Fill(-0.01, 0, 0)
	band.Pix = []float32{-0.05, 0.55}
	for _, test := range []struct {
		clamp       matte.Clamp
		first, last float32
		red         float32
	}{
		{matte.ClampTransmission, 0, 1, -0.01},
		{matte.ClampNone, -0.1, 1.1, -0.01},
		{matte.ClampAll, 0, 1, 0},
	} {
		s, err := matte.NewSolver(2, 1, matte.References{CleanBand: clean}, &matte.SolverOptions{Clamp: test.clamp})
		if err != nil {
			t.Fatal(err)
		}
		got, err := s.Solve(nil, color, band, 1)
		if err != nil {
			t.Fatal(err)
		}
		pix := got.Transmission.Pix
		if math.Abs(float64(pix[0]-test.first)) > 1e-6 || math.Abs(float64(pix[1]-test.last)) > 1e-6 || got.Foreground.Pix[0][0] != test.red {
			t.Errorf("clamp %d: t %v, red %v; want %v, %v and red %v", test.clamp, pix, got.Foreground.Pix[0][0], test.first, test.last, test.red)
		}
	}
}

func TestNoScreenKeepsTheForeground(t *testing.T) {
	clean, color, band := plate.NewGray(2, 1), plate.NewRGB(2, 1), plate.NewGray(2, 1)
	clean.Pix = []float32{0.8, 0} // the second pixel is outside the screen
	color.Fill(0.3, 0.3, 0.3)
	band.Fill(0.4)
	s, err := matte.NewSolver(2, 1, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	got, err := s.Solve(nil, color, band, 1)
	if err != nil {
		t.Fatal(err)
	}
	if got.Transmission.Pix[0] != 0.5 || got.Transmission.Pix[1] != 0 || s.Uncovered() != 0.5 {
		t.Errorf("t is %v and uncovered %v; want [0.5 0] and 0.5", got.Transmission.Pix, s.Uncovered())
	}
}

func TestSolverErrors(t *testing.T) {
	gray := func(w, h int, v float32) *plate.Gray {
		f := plate.NewGray(w, h)
		f.Fill(v)
		return f
	}
	nan := gray(4, 3, 0.5)
	nan.Pix[5] = float32(math.NaN())
	for _, test := range []struct {
		name string
		ref  matte.References
		opt  *matte.SolverOptions
		want string
	}{
		{"no clean band plate", matte.References{}, nil, "FitScreen"},
		{"an all-black clean plate", matte.References{CleanBand: gray(4, 3, 0)}, nil, "black"},
		{"a clean plate no brighter than the dark", matte.References{CleanBand: gray(4, 3, 0.1), DarkBand: gray(4, 3, 0.1)}, nil, "black"},
		{"another size", matte.References{CleanBand: gray(4, 4, 0.5)}, nil, "clean band plate is 4x4"},
		{"NaN", matte.References{CleanBand: nan}, nil, "pixel (1, 1) is NaN"},
		{"crosstalk of 2", matte.References{CleanBand: gray(4, 3, 0.5)}, &matte.SolverOptions{Crosstalk: [3]float64{0, 2, 0}}, "crosstalk 2 for green"},
	} {
		if _, err := matte.NewSolver(4, 3, test.ref, test.opt); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: %v, want an error with %q", test.name, err, test.want)
		}
	}
	s, err := matte.NewSolver(4, 3, matte.References{CleanBand: gray(4, 3, 0.5)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	var size *plate.SizeError
	if _, err := s.Solve(nil, plate.NewRGB(4, 3), gray(3, 3, 0), 1); !errors.As(err, &size) || size.Size != image.Pt(3, 3) {
		t.Errorf("a small band plate: %v", err)
	}
	if _, err := s.Solve(nil, plate.NewRGB(4, 3), nan, 1); err == nil || !strings.Contains(err.Error(), "band plate: value at pixel (1, 1) is NaN") {
		t.Errorf("NaN in the band plate: %v", err)
	}
	for _, g := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := s.Solve(nil, plate.NewRGB(4, 3), gray(4, 3, 0.2), g); err == nil {
			t.Errorf("gain %v was taken", g)
		}
	}
}

func TestSolveAllocatesNothingInSteadyState(t *testing.T) {
	x := model(64, 48, [3]float64{0.03, 0.02, 0.01}, 1)
	s, err := matte.NewSolver(64, 48, x.ref, nil)
	if err != nil {
		t.Fatal(err)
	}
	var dst matte.Solution
	if n := testing.AllocsPerRun(20, func() {
		if _, err := s.Solve(&dst, x.color, x.band, 1); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

func BenchmarkSolve(b *testing.B) {
	for _, size := range []image.Point{{1920, 1080}, {4096, 2160}} {
		b.Run(fmt.Sprintf("%dx%d", size.X, size.Y), func(b *testing.B) {
			x := model(size.X, size.Y, [3]float64{0.03, 0.02, 0.01}, 1)
			s, err := matte.NewSolver(size.X, size.Y, x.ref, nil)
			if err != nil {
				b.Fatal(err)
			}
			var dst matte.Solution
			b.SetBytes(int64(size.X * size.Y * 4 * 8)) // 4 planes in, 4 out
			for b.Loop() {
				if _, err := s.Solve(&dst, x.color, x.band, 1); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
