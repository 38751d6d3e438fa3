package matte_test

import (
	"errors"
	"fmt"
	"log"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// sensor is EMVA 1288's linear camera model: electrons by a Poisson process, a dark noise in electrons, and a
// gain K in digital numbers an electron; full scale is dn digital numbers.
type sensor struct {
	electronsDark, gain, dn float64
}

func (s sensor) expose(f *plate.Gray, level func(i int) float64, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 1288))
	for i := range f.Pix {
		electrons := level(i) * s.dn / s.gain
		// A Poisson variable of a large mean is close to normal; a small one is drawn by Knuth's product.
		n := math.Round(electrons + math.Sqrt(electrons)*r.NormFloat64())
		if electrons < 50 {
			n = -1
			for p := 1.0; p > math.Exp(-electrons); n++ {
				p *= r.Float64()
			}
		}
		f.Pix[i] = float32((n + s.electronsDark*r.NormFloat64()) * s.gain / s.dn)
	}
}

// EMVA 1288, release 4.0, section 2: sigma_y^2 = K^2 sigma_d^2 + K (mu_y - mu_y.dark). Over full scale that is a
// read noise of K sigma_d / DN and K / DN for each unit of light.
func TestPhotonTransfer(t *testing.T) {
	for _, test := range []struct {
		name   string
		sensor sensor
		levels []float64 // of the pairs; one pair of -1 is a ramp
	}{
		{"a quiet sensor of 20000 electrons, four levels", sensor{8, 4095.0 / 20000, 4095}, []float64{0, 0.2, 0.5, 0.9}},
		{"a small sensor of 4000 electrons, four levels", sensor{12, 4095.0 / 4000, 4095}, []float64{0, 0.2, 0.5, 0.9}},
		{"one pair of an uneven screen", sensor{20, 4095.0 / 5000, 4095}, []float64{-1}},
	} {
		t.Run(test.name, func(t *testing.T) {
			var pairs [][2]*plate.Gray
			for k, level := range test.levels {
				p := [2]*plate.Gray{plate.NewGray(400, 300), plate.NewGray(400, 300)}
				for j := range p {
					test.sensor.expose(p[j], func(i int) float64 {
						if level < 0 {
							return 0.02 + 0.9*float64(i%400)/400
						}
						return level
					}, uint64(10*k+j))
				}
				pairs = append(pairs, p)
			}
			got, err := matte.PhotonTransfer(pairs, nil)
			if err != nil {
				t.Fatal(err)
			}
			read, per := test.sensor.gain*test.sensor.electronsDark/test.sensor.dn, test.sensor.gain/test.sensor.dn
			// 120000 differences a pair give a variance to 0.4 %. Uneven light leaves more to the extrapolation to 0.
			tolerance := 0.02
			if len(pairs) == 1 {
				tolerance = 0.08
			}
			if math.Abs(got.Read/read-1) > tolerance || math.Abs(got.PerSignal/per-1) > tolerance {
				t.Errorf("read noise %.6f, want %.6f; variance for each unit of light %.8f, want %.8f", got.Read, read, got.PerSignal, per)
			}
		})
	}
}

// A lamp that flickers between the two frames of a pair is not noise.
func TestPhotonTransferTakesTheFlickerOut(t *testing.T) {
	s := sensor{8, 4095.0 / 20000, 4095}
	a, b := plate.NewGray(400, 300), plate.NewGray(400, 300)
	s.expose(a, func(int) float64 { return 0.5 }, 1)
	s.expose(b, func(int) float64 { return 0.55 }, 2)
	got, err := matte.PhotonTransfer([][2]*plate.Gray{{a, b}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := s.gain*s.gain*s.electronsDark*s.electronsDark/s.dn/s.dn + s.gain/s.dn*0.525
	if v := got.Variance(0.525); math.Abs(v/want-1) > 0.03 {
		t.Errorf("variance %.3g, want %.3g", v, want)
	}
}

func TestNoiseOfTake(t *testing.T) {
	for seed := range seeds(3) {
		f := simulate.RandomFaults(seed)
		s, ref := set(f, seed)
		frames, _ := sample(s, 0, 20, 40)
		var band, green []*plate.Gray
		for _, fr := range frames {
			band = append(band, fr.Band)
			green = append(green, &plate.Gray{W: fr.Color.W, H: fr.Color.H, Pix: fr.Color.Pix[1]})
		}
		got, err := matte.NoiseOfTake(band, ref.DarkBand)
		if err != nil {
			t.Fatal(err)
		}
		truth := matte.Noise{Read: f.ReadNoise, PerSignal: 1 / f.PhotonNoise}
		for _, level := range []float64{0.1, 0.3, 0.6} {
			if r := math.Sqrt(got.Variance(level) / truth.Variance(level)); math.Abs(r-1) > 0.06 {
				t.Errorf("seed %d, band at %.1f: the noise is %.3f times the truth", seed, level, r)
			}
		}
		// The color plate is mostly dark, and the performer has texture: only the dark is certain.
		if got, err = matte.NoiseOfTake(green, &plate.Gray{W: 480, H: 270, Pix: ref.DarkColor.Pix[1]}); err != nil {
			t.Fatal(err)
		}
		if r := math.Sqrt(got.Variance(0.02) / truth.Variance(0.02)); math.Abs(r-1) > 0.15 {
			t.Errorf("seed %d, green near black: the noise is %.3f times the truth", seed, r)
		}
	}
}

func TestNoiseErrors(t *testing.T) {
	small := plate.NewGray(8, 8)
	if _, err := matte.PhotonTransfer([][2]*plate.Gray{{small, small}}, nil); !errors.Is(err, matte.ErrNoNoise) {
		t.Errorf("64 pixels: %v, want ErrNoNoise", err)
	}
	if _, err := matte.NoiseOfTake([]*plate.Gray{plate.NewGray(400, 300)}, nil); !errors.Is(err, matte.ErrNoNoise) {
		t.Errorf("a black frame: %v, want ErrNoNoise", err)
	}
	if _, err := matte.PhotonTransfer([][2]*plate.Gray{{small, plate.NewGray(8, 9)}}, nil); err == nil {
		t.Error("a pair of two sizes was taken")
	}
}

// Sigma is the scatter of many solutions of the same frame.
func TestSigmaAgainstTheScatter(t *testing.T) {
	f := simulate.DemoFaults()
	f.GainDrift, f.GainFlicker = 0, 0
	m := f.Crosstalk
	still := frozen{simulate.Cutouts{Seed: 4}}
	const w, h, n = 160, 90, 60
	s := simulate.New(still, w, h, w, h, nil, f, 9)
	solver, err := matte.NewSolver(w, h, matte.References{DarkColor: s.DarkColor(), DarkBand: s.DarkBand(), CleanColor: s.CleanColor(), CleanBand: s.CleanBand()}, &matte.SolverOptions{Crosstalk: m, Clamp: matte.ClampNone})
	if err != nil {
		t.Fatal(err)
	}
	noise := matte.Noise{Read: f.ReadNoise, PerSignal: 1 / f.PhotonNoise}
	sum, sum2, predicted := make([]float64, w*h), make([]float64, w*h), make([]float64, w*h)
	for i := range n {
		shot := s.Frame(i)
		frame := matte.Sample{Color: shot.Color, Band: shot.Band}
		got, err := solver.Solve(nil, shot.Color, shot.Band, 1)
		if err != nil {
			t.Fatal(err)
		}
		sigma, err := solver.Sigma(nil, frame, 1, noise, noise)
		if err != nil {
			t.Fatal(err)
		}
		for j, v := range got.Transmission.Pix {
			sum[j] += float64(v)
			sum2[j] += float64(v) * float64(v)
			predicted[j] += float64(sigma.Pix[j]) * float64(sigma.Pix[j])
		}
	}
	var ratio float64
	for j := range sum {
		variance := (sum2[j] - sum[j]*sum[j]/n) / (n - 1)
		ratio += variance / (predicted[j] / n) / (w * h)
	}
	// 14400 pixels of 59 degrees of freedom each: a standard error of 0.15 %.
	if math.Abs(ratio-1) > 0.01 {
		t.Errorf("the variance of the solutions is %.4f times sigma squared", ratio)
	}
}

// frozen is a scene that does not move.
type frozen struct{ scene simulate.Scene }

func (f frozen) Draw(_, w, h int) (*plate.RGB, *plate.Gray) { return f.scene.Draw(0, w, h) }

func TestSigmaErrors(t *testing.T) {
	_, ref := set(simulate.DemoFaults(), 1)
	solver, err := matte.NewSolver(480, 270, ref, nil)
	if err != nil {
		t.Fatal(err)
	}
	frame := matte.Sample{Color: ref.CleanColor, Band: ref.CleanBand}
	if _, err := solver.Sigma(nil, frame, 1, matte.Noise{Read: -1}, matte.Noise{}); err == nil {
		t.Error("a read noise of -1 was taken")
	}
	if _, err := solver.Sigma(nil, frame, 0, matte.Noise{}, matte.Noise{}); err == nil {
		t.Error("a gain of 0 was taken")
	}
}

// A sensor of 10000 electrons, half of them filled, 1 % of full scale in the dark.
func ExampleNoise_Variance() {
	n := matte.Noise{Read: 0.01, PerSignal: 1.0 / 10000}
	fmt.Printf("%.4f of full scale\n", math.Sqrt(n.Variance(0.5)))
	// Output: 0.0122 of full scale
}

// Two frames of the lit, empty screen are enough: it is uneven, so they hold many levels.
func ExamplePhotonTransfer() {
	faults := simulate.Faults{Unevenness: 2, ReadNoise: 0.004, PhotonNoise: 8000}
	const w, h = 480, 270
	empty := simulate.New(nobody{}, w, h, w, h, nil, faults, 1)
	n, err := matte.PhotonTransfer([][2]*plate.Gray{{empty.Frame(0).Band, empty.Frame(1).Band}}, nil)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("at half of full scale %.3f\n", math.Sqrt(n.Variance(0.5)))
	// Output: at half of full scale 0.009
}

// nobody is an empty set.
type nobody struct{}

func (nobody) Draw(_, w, h int) (*plate.RGB, *plate.Gray) {
	t := plate.NewGray(w, h)
	t.Fill(1)
	return plate.NewRGB(w, h), t
}

func ExampleNoiseOfTake() {
	const w, h = 480, 270
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.Faults{ReadNoise: 0.004, PhotonNoise: 8000}, 1)
	n, err := matte.NoiseOfTake([]*plate.Gray{set.Frame(0).Band, set.Frame(20).Band}, nil)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("at half of full scale %.3f\n", math.Sqrt(n.Variance(0.5)))
	// Output: at half of full scale 0.009
}

func ExampleSolver_Sigma() {
	clean, band, color := plate.NewGray(1, 1), plate.NewGray(1, 1), plate.NewRGB(1, 1)
	clean.Fill(0.5)
	band.Fill(0.25)
	solver, err := matte.NewSolver(1, 1, matte.References{CleanBand: clean}, nil)
	if err != nil {
		log.Fatal(err)
	}
	noise := matte.Noise{Read: 0.003, PerSignal: 1.0 / 10000}
	sigma, err := solver.Sigma(nil, matte.Sample{Color: color, Band: band}, 1, noise, noise)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("alpha 0.5, give or take %.4f\n", sigma.Pix[0])
	// Output: alpha 0.5, give or take 0.0117
}
