package simulate_test

import (
	"fmt"
	"math"
	"testing"

	"example.com/twinplate/rig/simulate"
)

func TestRandomFaultsKeepToTheirRanges(t *testing.T) {
	for seed := range uint64(200) {
		f := simulate.RandomFaults(seed)
		noise := math.Sqrt(f.ReadNoise*f.ReadNoise + 1/f.PhotonNoise)
		for _, v := range []struct {
			name           string
			got, low, high float64
		}{
			{"unevenness", f.Unevenness, 0, 2}, {"drift", f.GainDrift, 0, 0.1}, {"noise", noise, 0.005, 0.02},
			{"m", max(f.Crosstalk[0], f.Crosstalk[1], f.Crosstalk[2]), 0, 0.05}, {"K", max(f.ScreenColor[0], f.ScreenColor[1], f.ScreenColor[2]), 0, 0.04},
			{"screen", f.ScreenLevel * (1 + f.GainDrift + f.GainFlicker), 0, 0.95},
		} {
			if v.got < v.low-1e-12 || v.got > v.high+1e-12 {
				t.Errorf("seed %d: %s is %v, and must be %v to %v", seed, v.name, v.got, v.low, v.high)
			}
		}
	}
}

// A backing is seen through the performer as the sodium screen is: C = D + P + t B.
func TestBacked(t *testing.T) {
	const w, h = 96, 54
	f := quiet()
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, f, 5)
	b := [3]float64{0.1, 0.6, 0.2}
	got, empty, truth := set.Backed(7, b), set.Backing(b), set.Frame(7).Truth
	for c := range 3 {
		for i, v := range got.Pix[c] {
			through := 1 - float64(truth.Alpha.Pix[i])
			want := f.DarkLevel + float64(truth.Foreground.Pix[c][i]) + through*(float64(empty.Pix[c][i])-f.DarkLevel)
			if math.Abs(float64(v)-want) > 2e-6 {
				t.Fatalf("channel %d, pixel %d: %v, want %v", c, i, v, want)
			}
		}
	}
}

// Glare adds light everywhere, and the most in the middle of the bright screen.
func TestGlare(t *testing.T) {
	const w, h = 96, 54
	f := quiet()
	f.Unevenness = 0
	without := simulate.New(flat(0, 1), w, h, w, h, nil, f, 5).CleanBand()
	f.Glare = 0.05
	with := simulate.New(flat(0, 1), w, h, w, h, nil, f, 5).CleanBand()
	middle, corner := with.Pix[27*w+48]-without.Pix[27*w+48], with.Pix[0]-without.Pix[0]
	// At the middle the Gaussian holds what lies within half the frame: erf(0.5/0.15/sqrt 2) by
	// erf(0.28125/0.15/sqrt 2), of 0.05 x 0.8.
	want := 0.05 * 0.8 * math.Erf(0.5/0.15/math.Sqrt2) * math.Erf(0.28125/0.15/math.Sqrt2)
	if math.Abs(float64(middle)-want) > 4e-4 || corner < 0.2*middle || corner > 0.5*middle {
		t.Errorf("in the middle %.5f, want %.5f; in the corner %.5f", middle, want, corner)
	}
}

// Spill from one side is strongest at that side and gone at the other.
func TestSpillSide(t *testing.T) {
	const w, h = 96, 54
	f := quiet()
	f.Unevenness, f.GainDrift, f.GainFlicker, f.Crosstalk = 0, 0, 0, [3]float64{}
	f.Spill, f.SpillSide = 0.1, 1
	band := simulate.New(flat(0.2, 0), w, h, w, h, nil, f, 5).Frame(0).Band
	left, right := float64(band.Pix[27*w])-f.DarkLevel, float64(band.Pix[27*w+w-1])-f.DarkLevel
	if math.Abs(right-0.08) > 0.001 || math.Abs(left) > 0.001 {
		t.Errorf("spill %.4f at the left and %.4f at the right, want 0 and 0.08", left, right)
	}
}

func ExampleSimulator_Backed() {
	set := simulate.New(simulate.Cutouts{}, 320, 180, 320, 180, nil, simulate.DemoFaults(), 1)
	green := [3]float64{0.05, 0.6, 0.1}
	plate, clean := set.Backed(0, green), set.Backing(green)
	fmt.Println(plate.Size(), clean.Size())
	// Output: (320,180) (320,180)
}

func ExampleRandomFaults() {
	f := simulate.RandomFaults(3)
	fmt.Println(f == simulate.RandomFaults(3), f.Unevenness <= 2)
	// Output: true true
}
