package matte_test

import (
	"fmt"
	"log"
	"math"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

func TestTidy(t *testing.T) {
	for seed := range seeds(3) {
		f := simulate.RandomFaults(seed)
		s, ref := set(f, seed)
		solver, err := matte.NewSolver(480, 270, ref, &matte.SolverOptions{Crosstalk: f.Crosstalk, Clamp: matte.ClampNone})
		if err != nil {
			t.Fatal(err)
		}
		shot := s.Frame(5)
		noise := matte.Noise{Read: f.ReadNoise, PerSignal: 1 / f.PhotonNoise}
		got, err := solver.Solve(nil, shot.Color, shot.Band, shot.Truth.Gain)
		if err != nil {
			t.Fatal(err)
		}
		sigma, err := solver.Sigma(nil, matte.Sample{Color: shot.Color, Band: shot.Band}, shot.Truth.Gain, noise, noise)
		if err != nil {
			t.Fatal(err)
		}
		was := got.Transmission.Clone()
		certain, err := solver.Tidy(got, sigma, shot.Truth.Gain)
		if err != nil {
			t.Fatal(err)
		}
		if certain < 0.4 {
			t.Errorf("seed %d: %.2f of the frame is certain", seed, certain)
		}
		var before, after float64
		for i, v := range got.Transmission.Pix {
			truth := 1 - float64(shot.Truth.Alpha.Pix[i])
			a, b := float64(was.Pix[i])-truth, float64(v)-truth
			before += a * a
			after += b * b
			moved := math.Abs(float64(v - was.Pix[i]))
			// Intermediate alpha is not touched.
			if truth > 5*float64(sigma.Pix[i]) && truth < 1-5*float64(sigma.Pix[i]) {
				if moved > 0 {
					t.Fatalf("seed %d, pixel %d: alpha %.3f was moved by %.4f, and sigma is %.4f", seed, i, 1-truth, moved, sigma.Pix[i])
				}
			}
		}
		if after > 0.4*before {
			t.Errorf("seed %d: the error falls to %.2f of what it was only", seed, math.Sqrt(after/before))
		}
	}
	if _, err := new(matte.Solver).Tidy(&matte.Solution{Transmission: plate.NewGray(2, 2)}, plate.NewGray(3, 2), 1); err == nil {
		t.Error("a sigma of another size was taken")
	}
}

func ExampleSolver_Tidy() {
	const w, h = 320, 180
	faults := simulate.Faults{ReadNoise: 0.01}
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, faults, 1)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: set.CleanBand()}, &matte.SolverOptions{Clamp: matte.ClampNone})
	if err != nil {
		log.Fatal(err)
	}
	shot := set.Frame(0)
	s, err := solver.Solve(nil, shot.Color, shot.Band, 1)
	if err != nil {
		log.Fatal(err)
	}
	noise := matte.Noise{Read: faults.ReadNoise}
	sigma, err := solver.Sigma(nil, matte.Sample{Color: shot.Color, Band: shot.Band}, 1, noise, noise)
	if err != nil {
		log.Fatal(err)
	}
	rmse := func() float64 {
		e, _ := matte.Compare(shot.Truth.Alpha, matte.Alpha(nil, s.Transmission), nil)
		return e.RMSE
	}
	before := rmse()
	if _, err := solver.Tidy(s, sigma, 1); err != nil {
		log.Fatal(err)
	}
	fmt.Println("less than three quarters of the error:", rmse() < before*3/4)
	// Output: less than three quarters of the error: true
}
