package matte_test

import (
	"encoding/json"
	"fmt"
	"log"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// Everything estimated from the take, with no clean plate at all: K, m and the gains within their
// own standard errors, and the matte near the noise floor.
func TestTakeWithoutCleanPlates(t *testing.T) {
	tier.InTest(t)
	for seed := range seeds(2) {
		f := simulate.RandomFaults(seed)
		s, ref := set(f, seed)
		frames, truth := sample(s, 0, 6, 12, 18, 24, 30, 36, 42)
		screen, err := matte.FitScreen(frames, ref.DarkColor, ref.DarkBand, 0)
		if err != nil {
			t.Fatal(err)
		}
		clean, err := matte.CleanFromTake(frames, screen, ref.DarkBand)
		if err != nil {
			t.Fatal(err)
		}
		if clean.Seen < 0.95 || clean.Frames != len(frames) {
			t.Errorf("seed %d: %.2f of the frame seen in %d frames", seed, clean.Seen, clean.Frames)
		}
		mine := matte.References{DarkColor: ref.DarkColor, DarkBand: ref.DarkBand, CleanBand: clean.Band}
		solver, err := matte.NewSolver(480, 270, mine, nil)
		if err != nil {
			t.Fatal(err)
		}
		k, err := solver.ScreenColor(frames)
		if err != nil {
			t.Fatal(err)
		}
		if k.Order != 0 {
			t.Errorf("seed %d: K is as the screen, and a field of order %d was fitted", seed, k.Order)
		}
		for c := range 3 {
			if d := k.Ratio[c] - f.ScreenColor[c]/f.ScreenLevel; math.Abs(d) > 4*k.Sigma[c] || math.Abs(d) > 6e-5 {
				t.Errorf("seed %d: K of channel %d is off by %.2g, %.1f times its standard error", seed, c, d, d/k.Sigma[c])
			}
		}
		mine.CleanColor = k.CleanColor(matte.SubtractGray(nil, clean.Band, ref.DarkBand), ref.DarkColor)
		if solver, err = matte.NewSolver(480, 270, mine, nil); err != nil {
			t.Fatal(err)
		}
		m, err := solver.Crosstalk(frames)
		if err != nil {
			t.Fatal(err)
		}
		for c := range 3 {
			if d := m.M[c] - f.Crosstalk[c]; math.Abs(d) > 4*m.Sigma[c] || math.Abs(d) > 0.002 {
				t.Errorf("seed %d: m of channel %d is off by %.2g, %.1f times its standard error", seed, c, d, d/m.Sigma[c])
			}
		}
		if solver, err = matte.NewSolver(480, 270, mine, &matte.SolverOptions{Crosstalk: m.M, Clamp: matte.ClampNone}); err != nil {
			t.Fatal(err)
		}
		for i, frame := range frames[:3] {
			g, err := solver.Gain(frame)
			if err != nil {
				t.Fatal(err)
			}
			got, err := solver.Solve(nil, frame.Color, frame.Band, g.Value)
			if err != nil {
				t.Fatal(err)
			}
			e, err := matte.Compare(truth[i].Alpha, matte.Alpha(nil, got.Transmission), nil)
			if err != nil {
				t.Fatal(err)
			}
			if floor := noiseFloor(f, ref, truth[i]); e.RMSE > 1.05*floor {
				t.Errorf("seed %d, sample %d: RMSE %.5f is %.3f times the noise floor", seed, i, e.RMSE, e.RMSE/floor)
			}
		}
	}
}

// What is never seen is filled by the screen's shape.
func TestCleanFromTakeFillsHoles(t *testing.T) {
	f := simulate.DemoFaults()
	f.GainDrift, f.GainFlicker = 0, 0
	s, ref := set(f, 2)
	frames, _ := sample(s, 0) // one frame: behind the performer nothing is seen
	screen, err := matte.FitScreen(frames, ref.DarkColor, ref.DarkBand, 0)
	if err != nil {
		t.Fatal(err)
	}
	clean, err := matte.CleanFromTake(frames, screen, ref.DarkBand)
	if err != nil {
		t.Fatal(err)
	}
	if clean.Seen > 0.95 || clean.Seen < 0.3 {
		t.Errorf("%.2f of the frame seen in one frame", clean.Seen)
	}
	var sum float64
	for i, v := range clean.Band.Pix {
		d := float64(v-ref.DarkBand.Pix[i])/float64(ref.CleanBand.Pix[i]-ref.DarkBand.Pix[i]) - 1
		sum += d * d
	}
	// The pattern of tubes, 4 % deep, is all that the filling cannot know.
	if rms := math.Sqrt(sum / float64(len(clean.Band.Pix))); rms > 0.015 {
		t.Errorf("the rebuilt plate is off by %.2f %% RMS", 100*rms)
	}
}

func TestScreenColorField(t *testing.T) {
	f := simulate.DemoFaults()
	f.CornerLeak = 1 // twice as much in the corners
	s, ref := set(f, 3)
	solver, err := matte.NewSolver(480, 270, ref, nil)
	if err != nil {
		t.Fatal(err)
	}
	frames, _ := sample(s, 0, 10, 20, 30)
	k, err := solver.ScreenColor(frames)
	if err != nil {
		t.Fatal(err)
	}
	if k.Order != 2 {
		t.Fatalf("K doubles toward the corners, and order %d was fitted", k.Order)
	}
	got := k.CleanColor(matte.SubtractGray(nil, ref.CleanBand, ref.DarkBand), ref.DarkColor)
	var sum, size float64
	for i, v := range got.Pix[1] {
		d := float64(v - ref.CleanColor.Pix[1][i])
		sum += d * d
		size += float64(ref.CleanColor.Pix[1][i] - ref.DarkColor.Pix[1][i])
	}
	n := float64(len(got.Pix[1]))
	// The plate that it is held against has a noise of 0.0005 itself.
	if rms := math.Sqrt(sum / n); rms > 0.05*size/n {
		t.Errorf("green K is off by %.5f RMS, and is %.4f in the mean", rms, size/n)
	}
}

func TestScreenColorJSON(t *testing.T) {
	a := matte.ScreenColor{Ratio: [3]float64{0.01, 0.02, 0}, Coefficients: [3][]float64{{0.01}, {0.02}, {0}}}
	data, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var b matte.ScreenColor
	if err := json.Unmarshal(data, &b); err != nil || b.Coefficients[1][0] != 0.02 || b.Ratio != a.Ratio {
		t.Errorf("%s came back as %+v, %v", data, b, err)
	}
	for _, bad := range []string{`{"order":2,"coefficients":[[0],[0],[0]]}`, `{"order":9}`, `[]`} {
		if err := json.Unmarshal([]byte(bad), &b); err == nil || !strings.Contains(err.Error(), "screen color") {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

// Nobody shot a clean plate, and the performer moves: every part of the screen is open in some
// frame.
func ExampleCleanFromTake() {
	const w, h = 480, 270
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.Faults{Unevenness: 1, ReadNoise: 0.005}, 1)
	var frames []matte.Sample
	for i := range 6 {
		shot := set.Frame(6 * i)
		frames = append(frames, matte.Sample{Color: shot.Color, Band: shot.Band})
	}
	screen, err := matte.FitScreen(frames, nil, nil, 0)
	if err != nil {
		log.Fatal(err)
	}
	clean, err := matte.CleanFromTake(frames, screen, nil)
	if err != nil {
		log.Fatal(err)
	}
	middle := h/2*w + w/2
	fmt.Printf("seen in %.0f %% of the frame; in the middle %.2f, truth %.2f\n", 100*clean.Seen, clean.Band.Pix[middle], set.CleanBand().Pix[middle])
	// Output: seen in 99 % of the frame; in the middle 0.80, truth 0.80
}

// The screen's light in the color camera, from the places where nobody stands.
func ExampleSolver_ScreenColor() {
	const w, h = 480, 270
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.Faults{ScreenColor: [3]float64{0.016, 0.024, 0}}, 1)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: set.CleanBand()}, nil)
	if err != nil {
		log.Fatal(err)
	}
	shot := set.Frame(0)
	k, err := solver.ScreenColor([]matte.Sample{{Color: shot.Color, Band: shot.Band}})
	if err != nil {
		log.Fatal(err)
	}
	clean := k.CleanColor(plate.NewGray(w, h), nil)
	fmt.Printf("K is %.3f of the screen; the plate has %d x %d pixels\n", k.Ratio, clean.W, clean.H)
	// Output: K is [0.020 0.030 0.000] of the screen; the plate has 480 x 270 pixels
}
