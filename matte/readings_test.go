package matte_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

func TestFindFlicker(t *testing.T) {
	for _, test := range []struct {
		name                    string
		drift, flicker, cycles  float64
		noise                   float64
		frames, hole            int
		wantFrequency, wantSize float64
	}{
		{"steady lamps", 0, 0, 0, 0.0003, 48, 0, 0, 0},
		{"a slow drift alone", 0.08, 0, 0, 0.0003, 48, 0, 0, 0},
		{"a beat on a drift", 0.08, 0.02, 1 / 7.3, 0.0003, 48, 0, 1 / 7.3, 0.02},
		{"a weak beat in noise", 0, 0.002, 0.31, 0.0005, 96, 0, 0.31, 0.002},
		{"frames missing in the middle", 0.02, 0.02, 0.2, 0.0003, 40, 17, 0.2, 0.02},
		{"too few frames to tell", 0, 0.02, 0.2, 0.0003, 8, 0, 0, 0},
	} {
		r := rand.New(rand.NewPCG(1, 1))
		var numbers []int
		var gains []matte.Gain
		for i := range test.frames {
			n := 10 + i
			if test.hole > 0 && i > 20 {
				n += test.hole
			}
			g := 1 + test.drift*math.Sin(2*math.Pi*float64(n)/131) + test.flicker*math.Sin(2*math.Pi*test.cycles*float64(n)+1) + test.noise*r.NormFloat64()
			numbers, gains = append(numbers, n), append(gains, matte.Gain{Value: g, Sigma: test.noise})
		}
		f := matte.FindFlicker(numbers, gains)
		if math.Abs(f.Frequency-test.wantFrequency) > 0.004 || math.Abs(f.Amplitude-test.wantSize) > 0.1*test.wantSize {
			t.Errorf("%s: %+v", test.name, f)
		}
	}
	if f := matte.FindFlicker(nil, nil); f != (matte.Flicker{}) {
		t.Errorf("no frames: %+v", f)
	}
}

// Lamps on a magnetic ballast pulse at twice the mains frequency (common practice); the beats are
// worked by hand.
func TestAlias(t *testing.T) {
	for _, test := range []struct{ pulse, fps, want float64 }{{100, 24, 4}, {120, 24, 0}, {100, 25, 0}, {120, 25, 5}, {120, 23.976, 0.12}, {100, 30, 10}} {
		if got := matte.Alias(test.pulse, test.fps); math.Abs(got-test.want) > 1e-9 {
			t.Errorf("%v Hz at %v frames a second beats at %v Hz, want %v", test.pulse, test.fps, got, test.want)
		}
	}
}

func TestScreenAndWith(t *testing.T) {
	clean, band, color := plate.NewGray(2, 1), plate.NewGray(2, 1), plate.NewRGB(2, 1)
	clean.Pix = []float32{0.5, 0}
	band.Fill(0.6)
	s, err := matte.NewSolver(2, 1, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := s.Screen().Pix; got[0] != 0.5 || got[1] != 0 {
		t.Errorf("the screen is %v, want [0.5 0]", got)
	}
	for _, test := range []struct {
		solver *matte.Solver
		want   float32
	}{{s, 1}, {s.With(matte.ClampNone), 1.2}} {
		got, err := test.solver.Solve(nil, color, band, 1)
		if err != nil || math.Abs(float64(got.Transmission.Pix[0]-test.want)) > 1e-6 {
			t.Errorf("transmission %v, %v, want %v", got.Transmission.Pix, err, test.want)
		}
	}
}

// A beat of one cycle in five frames, by 2 %.
func ExampleFindFlicker() {
	var numbers []int
	var gains []matte.Gain
	for n := range 50 {
		numbers = append(numbers, n)
		gains = append(gains, matte.Gain{Value: 1 + 0.02*math.Sin(2*math.Pi*float64(n)/5), Sigma: 0.0002})
	}
	f := matte.FindFlicker(numbers, gains)
	fmt.Printf("at 25 frames a second %.1f Hz, by %.1f %%\n", 25*f.Frequency, 100*f.Amplitude)
	// Output: at 25 frames a second 5.0 Hz, by 2.0 %
}

// Lamps on 50 Hz mains pulse at 100 Hz.
func ExampleAlias() {
	fmt.Println(matte.Alias(100, 24), "Hz")
	// Output: 4 Hz
}
