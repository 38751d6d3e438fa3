package matte_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A costume is a rectangle of patches before a screen of 0.8, in two frames, with light of the
// costume in the band by m.
type costume struct {
	x, y, w, h int           // pixels
	patch      int           // pixels of a patch's side
	colors     [4][3]float64 // of the patches, each of which has one by its random number
	odd        float64       // standard deviation of what a patch has in the band beside m . C
	noise      float64       // of the band plate
}

var costumeM = [3]float64{0.02, 0.012, 0.004}

func (c costume) frames(t testing.TB, random *rand.Rand) (*matte.Solver, []matte.Sample) {
	clean := plate.NewGray(plainW, plainH)
	clean.Fill(0.8)
	solver, err := matte.NewSolver(plainW, plainH, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	across := c.w/c.patch + 1
	colors, odd := make([][3]float64, across*(c.h/c.patch+1)), make([]float64, across*(c.h/c.patch+1))
	for k := range colors {
		colors[k], odd[k] = c.colors[random.IntN(4)], c.odd*random.NormFloat64()
	}
	frames := make([]matte.Sample, 2)
	for n := range frames {
		f := matte.Sample{Color: plate.NewRGB(plainW, plainH), Band: plate.NewGray(plainW, plainH)}
		for i := range f.Band.Pix {
			x, y := i%plainW-c.x-3*n, i/plainW-c.y
			light := 0.8
			if x >= 0 && x < c.w && y >= 0 && y < c.h {
				k := y/c.patch*across + x/c.patch
				light = odd[k]
				for p, v := range colors[k] {
					f.Color.Pix[p][i] = float32(v)
					light += costumeM[p] * v
				}
			}
			f.Band.Pix[i] = float32(light + c.noise*random.NormFloat64())
		}
		frames[n] = f
	}
	return solver, frames
}

// predicted returns the error of the light that a performer of this color has in the band, and its
// standard error: m and the light beside it, together.
func predicted(c matte.Crosstalk, color [3]float64) (e, sigma float64) {
	p := [4]float64{color[0], color[1], color[2], 1}
	e = c.Lift
	for k, v := range color {
		e += (c.M[k] - costumeM[k]) * v
	}
	square := 0.0
	for i := range p {
		for j := range p {
			square += c.Covariance[i][j] * p[i] * p[j]
		}
	}
	return e, math.Sqrt(square)
}

var gray = [3]float64{0.5, 0.4, 0.3}

// A performer of whom hardly a pixel is five pixels from the edge tells m by those that are nearer:
// not how one color's light is shared among the channels, but the light itself, to a thousandth
// where 1.5 % of it, about 0.01, is usual. Of one whom nothing is two pixels inside of nothing is
// known.
func TestCrosstalkOfASmallPerformer(t *testing.T) {
	tier.InTest(t)
	random := rand.New(rand.NewPCG(3, 3))
	c := costume{x: 150, y: 80, w: 16, h: 20, patch: 40, colors: [4][3]float64{gray, gray, gray, gray}, noise: 0.003}
	squares := 0.0
	const draws = 20
	for range draws {
		solver, frames := c.frames(t, random)
		m, err := solver.Crosstalk(frames)
		if err != nil {
			t.Fatal(err)
		}
		e, sigma := predicted(m, gray)
		squares += e * e / (sigma * sigma)
		if sigma > 0.001 {
			t.Fatalf("the light of the costume is known to %.5f", sigma)
		}
	}
	if z := math.Sqrt(squares / draws); !(z > 0.6 && z < 1.6) {
		t.Errorf("the error is %.2f of the stated one", z)
	}
	// One who is a single part has no scatter between parts: then what is usual is stated.
	told := 0
	for side := 6; side <= 16; side++ {
		c.w, c.h = side, side
		solver, frames := c.frames(t, random)
		frames = slices.Concat(frames, frames, frames)
		m, err := solver.Crosstalk(frames)
		if errors.Is(err, matte.ErrNoCore) {
			continue
		} else if err != nil {
			t.Fatal(err)
		}
		told++
		for _, v := range append(m.Sigma[:], m.Covariance[3][3], m.PedestalSigma) {
			if !(v >= 0 && v <= 0.016) {
				t.Errorf("%d pixels across: standard errors %v, of the lift %v", side, m.Sigma, m.PedestalSigma)
			}
		}
	}
	if told < 3 {
		t.Errorf("of performers of 6 to 16 pixels %d tell anything", told)
	}
	c.w, c.h = 4, 20
	solver, frames := c.frames(t, random)
	if _, err := solver.Crosstalk(frames); !errors.Is(err, matte.ErrNoCore) {
		t.Errorf("four pixels across: %v", err)
	}
}

// A costume's reflectance at the line is no mixture of what it is in red, green and blue: each patch
// is off by something of its own. The standard errors have that, though every pixel of a patch
// repeats it, the patches are few, and parts of the performer share patches.
func TestCrosstalkOfAnOddCostume(t *testing.T) {
	tier.InTest(t)
	random := rand.New(rand.NewPCG(4, 4))
	c := costume{x: 80, y: 20, w: 140, h: 140, patch: 28, noise: 0.002, odd: 0.002,
		colors: [4][3]float64{{0.6, 0.2, 0.1}, {0.2, 0.5, 0.2}, {0.3, 0.3, 0.6}, gray}}
	var squares [3]float64
	const draws = 30
	for range draws {
		solver, frames := c.frames(t, random)
		m, err := solver.Crosstalk(frames)
		if err != nil {
			t.Fatal(err)
		}
		for k := range squares {
			e := (m.M[k] - costumeM[k]) / m.Sigma[k]
			squares[k] += e * e
		}
	}
	for k, s := range squares {
		z := math.Sqrt(s / draws)
		t.Logf("channel %d: the error is %.2f of the stated one", k, z)
		if !(z > 0.7 && z < 1.5) {
			t.Errorf("channel %d: the error is %.2f of the stated one", k, z)
		}
	}
}
