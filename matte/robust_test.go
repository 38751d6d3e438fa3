package matte_test

import (
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/internal/test/odd"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// oddTake is two frames of a take and its reference plates, all of one size.
type oddTake struct {
	w, h                  int
	frames                []matte.Sample
	darkColor, clean      *plate.RGB
	darkBand, screen      *plate.Gray
	background            *plate.RGB
	random                *rand.Rand
	gain                  float64
	crosstalk             [3]float64
	colorNoise, bandNoise matte.Noise
}

func (o *oddTake) solver() (*matte.Solver, error) {
	return matte.NewSolver(o.w, o.h, matte.References{DarkColor: o.darkColor, DarkBand: o.darkBand, CleanColor: o.clean, CleanBand: o.screen}, &matte.SolverOptions{Crosstalk: o.crosstalk})
}

// moderate reports whether all values are such that their squares and sums are in the range of
// float32.
func moderate(planes ...[]float32) bool {
	for _, p := range planes {
		for _, v := range p {
			if !(math.Abs(float64(v)) < 1e12) {
				return false
			}
		}
	}
	return true
}

// An estimator is all that it takes to call what the package offers: it returns the numbers that
// must be finite.
type estimator struct {
	name string
	call func(o *oddTake) ([]float64, error)
}

// withSolver is the call of what a Solver offers.
func withSolver(call func(o *oddTake, s *matte.Solver) ([]float64, error)) func(o *oddTake) ([]float64, error) {
	return func(o *oddTake) ([]float64, error) {
		s, err := o.solver()
		if err != nil {
			return nil, err
		}
		return call(o, s)
	}
}

// withSolution is the call of what looks at the solution of the first frame.
func withSolution(call func(o *oddTake, s *matte.Solver, solved *matte.Solution) ([]float64, error)) func(o *oddTake) ([]float64, error) {
	return withSolver(func(o *oddTake, s *matte.Solver) ([]float64, error) {
		solved, err := s.With(matte.ClampNone).Solve(nil, o.frames[0].Color, o.frames[0].Band, o.gain)
		if err != nil {
			return nil, err
		}
		return call(o, s, solved)
	})
}

func numbersOf(s *matte.Solution) []float64 {
	return odd.Floats(s.Transmission.Pix, s.Foreground.Pix[0], s.Foreground.Pix[1], s.Foreground.Pix[2])
}

func spillNumbers(t *plate.Gray) []float64 {
	s := matte.FindSpill(t)
	if s.Core < 0 || s.Core > 1 || s.Share < 0 || s.Share > 1 || s.Side < -1 || s.Side > 1 {
		return []float64{math.NaN()}
	}
	if !moderate(t.Pix) {
		return nil
	}
	return append(odd.Floats(s.Map.Pix), s.Core, s.Mean, s.Low, s.High, s.Share, s.Side)
}

var estimators = []estimator{
	{"NewSolver", withSolver(func(_ *oddTake, s *matte.Solver) ([]float64, error) {
		return append(odd.Floats(s.Screen().Pix), s.Uncovered()), nil
	})},
	{"Solve", withSolution(func(_ *oddTake, s *matte.Solver, solved *matte.Solution) ([]float64, error) {
		return append(numbersOf(solved), odd.Floats(solved.RGBA().A)...), nil
	})},
	{"Frame", withSolver(func(o *oddTake, s *matte.Solver) ([]float64, error) {
		f, err := s.Frame(o.gain)
		if err != nil {
			return nil, err
		}
		t, out := make([]float32, o.w), [3][]float32{make([]float32, o.w), make([]float32, o.w), make([]float32, o.w)}
		var numbers []float64
		for y := range o.h {
			if !f.CompRow(t, out, o.frames[0].Color.Row(y), o.frames[0].Band.Pix[y*o.w:(y+1)*o.w], o.background.Row(y), y) {
				return nil, matte.NotFinite(o.frames[0].Color, o.frames[0].Band)
			}
			numbers = append(numbers, odd.Floats(t, out[0], out[1], out[2])...)
		}
		return numbers, nil
	})},
	{"Gain", withSolver(func(o *oddTake, s *matte.Solver) ([]float64, error) {
		g, err := s.Gain(o.frames[0])
		return []float64{g.Value, g.Sigma}, err
	})},
	{"Sigma", withSolver(func(o *oddTake, s *matte.Solver) ([]float64, error) {
		sigma, err := s.Sigma(nil, o.frames[0], o.gain, o.colorNoise, o.bandNoise)
		if err != nil {
			return nil, err
		}
		if !moderate(o.frames[0].Band.Pix, o.frames[0].Color.Pix[0], o.frames[0].Color.Pix[1], o.frames[0].Color.Pix[2], o.screen.Pix, s.Screen().Pix) {
			return nil, nil
		}
		return odd.Floats(sigma.Pix), nil
	})},
	{"Pixel", withSolver(func(o *oddTake, s *matte.Solver) ([]float64, error) {
		p, err := s.Pixel(o.frames[0], o.gain, o.colorNoise, o.bandNoise, o.random.IntN(o.w), o.random.IntN(o.h))
		return []float64{p.Transmission, p.Foreground[0], p.Foreground[1], p.Foreground[2]}, err
	})},
	{"Limit", withSolution(func(o *oddTake, s *matte.Solver, solved *matte.Solution) ([]float64, error) {
		did, err := s.Limit(solved, o.gain, matte.Limits{Floor: 0.1, Ceiling: 0.9})
		return append(odd.Floats(solved.Transmission.Pix), did.Floored, did.Opened, did.MeanMoved, did.Most), err
	})},
	{"Tidy", withSolution(func(o *oddTake, s *matte.Solver, solved *matte.Solution) ([]float64, error) {
		sigma, err := s.Sigma(nil, o.frames[0], o.gain, o.colorNoise, o.bandNoise)
		if err != nil {
			return nil, err
		}
		certain, err := s.Tidy(solved, sigma, o.gain)
		return append(odd.Floats(solved.Transmission.Pix), certain), err
	})},
	{"Crosstalk", withSolver(func(o *oddTake, s *matte.Solver) ([]float64, error) {
		c, err := s.Crosstalk(o.frames)
		return append(c.M[:], c.Lift), err
	})},
	{"EstimateGlare", withSolver(func(o *oddTake, s *matte.Solver) ([]float64, error) {
		g, err := s.EstimateGlare(o.frames, 0)
		return []float64{g.Strength}, err
	})},
	{"ScreenColor", withSolver(func(o *oddTake, s *matte.Solver) ([]float64, error) {
		k, err := s.ScreenColor(o.frames)
		if err != nil {
			return nil, err
		}
		f := k.CleanColor(o.screen, o.darkColor)
		if !moderate(o.screen.Pix, k32(k)) {
			return k.Ratio[:], nil
		}
		return append(odd.Floats(f.Pix[0], f.Pix[1], f.Pix[2]), k.Ratio[:]...), nil
	})},
	{"FitScreen", func(o *oddTake) ([]float64, error) {
		s, err := matte.FitScreen(o.frames, o.darkColor, o.darkBand, 0)
		if err != nil {
			return nil, err
		}
		return append(odd.Floats(s.Gray().Pix), s.Coverage, s.Scatter), nil
	}},
	{"CleanFromTake", func(o *oddTake) ([]float64, error) {
		c, err := matte.CleanFromTake(o.frames, &matte.Screen{W: o.w, H: o.h, Coefficients: []float64{math.Log(0.8)}}, o.darkBand)
		if err != nil {
			return nil, err
		}
		return append(odd.Floats(c.Band.Pix), c.Seen, c.Sigma), nil
	}},
	{"FindSpill", func(o *oddTake) ([]float64, error) { return spillNumbers(o.frames[0].Band), nil }},
	{"FindSpill of a matte", withSolution(func(_ *oddTake, _ *matte.Solver, solved *matte.Solution) ([]float64, error) {
		return spillNumbers(solved.Transmission), nil
	})},
	{"NoiseOfTake", func(o *oddTake) ([]float64, error) {
		n, err := matte.NoiseOfTake([]*plate.Gray{o.frames[0].Band, o.frames[1].Band}, o.darkBand)
		return []float64{n.Read, n.PerSignal}, err
	}},
	{"PhotonTransfer", func(o *oddTake) ([]float64, error) {
		n, err := matte.PhotonTransfer([][2]*plate.Gray{{o.frames[0].Band, o.frames[1].Band}}, o.darkBand)
		return []float64{n.Read, n.PerSignal}, err
	}},
	{"BandWeights", func(o *oddTake) ([]float64, error) {
		w := matte.BandWeights(o.frames[0].Color)
		return odd.Floats(w[:]), nil
	}},
	{"Compare", func(o *oddTake) ([]float64, error) {
		e, err := matte.Compare(o.frames[0].Band, o.frames[1].Band, nil)
		if !moderate(o.frames[0].Band.Pix, o.frames[1].Band.Pix) {
			return nil, err
		}
		return []float64{e.SAD, e.MSE, e.RMSE, e.Gradient, e.Connectivity}, err
	}},
	{"ColorDifference", func(o *oddTake) ([]float64, error) {
		s, err := matte.ColorDifference(o.frames[0].Color, o.clean, matte.GreenBacking)
		if err != nil || !moderate(o.frames[0].Color.Pix[:]...) || !moderate(o.clean.Pix[:]...) {
			return nil, err
		}
		return numbersOf(s), nil
	}},
	{"Triangulate", func(o *oddTake) ([]float64, error) {
		s, err := matte.Triangulate(o.frames[0].Color, o.frames[1].Color, o.clean, o.background)
		if err != nil || !moderate(o.frames[0].Color.Pix[:]...) || !moderate(o.frames[1].Color.Pix[:]...) || !moderate(o.clean.Pix[:]...) {
			return nil, err
		}
		return numbersOf(s), nil
	}},
	{"Glare.Remove", func(o *oddTake) ([]float64, error) {
		f, err := matte.Glare{Strength: 0.05}.Remove(nil, o.frames[0].Band, o.darkBand)
		if err != nil || !moderate(o.frames[0].Band.Pix) {
			return nil, err
		}
		return odd.Floats(f.Pix), nil
	}},
	{"FindFlicker", func(o *oddTake) ([]float64, error) {
		var gains []matte.Gain
		var numbers []int
		for i, v := range o.frames[0].Band.Pix[:min(len(o.frames[0].Band.Pix), 24)] {
			gains = append(gains, matte.Gain{Value: float64(v), Sigma: 0.001})
			numbers = append(numbers, 1000+i)
		}
		f := matte.FindFlicker(numbers, gains)
		return []float64{f.Frequency, f.Chance}, nil
	}},
}

func k32(k *matte.ScreenColor) (v []float32) {
	for _, list := range k.Coefficients {
		for _, c := range list {
			v = append(v, float32(c))
		}
	}
	return v
}

// Whatever the frames, each estimator returns a result or an error: it does not panic, nor hang,
// nor return numbers that are none.
func TestOddFrames(t *testing.T) {
	even := odd.Pictures[1]
	for k, picture := range append(odd.Pictures[:len(odd.Pictures):len(odd.Pictures)], odd.NotFinite...) {
		for i, size := range odd.Sizes {
			w, h := size.X, size.Y
			for _, part := range []string{"all", "band", "color", "screen", "transmission"} {
				if turn := (k + i) % 3; turn != 0 && (w*h > 1100 || part != "transmission" || tier.Quick()) || tier.Quick() && (k+i)%9 != 0 || w*h > 1100 && part != "transmission" {
					continue // for the time that it takes
				}
				name := fmt.Sprintf("%s as %s, %dx%d", picture, part, w, h)
				random := odd.Random(name)
				o := &oddTake{w: w, h: h, random: random, gain: 1, crosstalk: [3]float64{0.01, 0.005, 0}, colorNoise: matte.Noise{Read: 1e-3, PerSignal: 1e-4},
					bandNoise: matte.Noise{Read: 1e-3, PerSignal: 1e-4}, darkColor: plate.NewRGB(w, h), darkBand: plate.NewGray(w, h), clean: plate.NewRGB(w, h),
					screen: even.Gray(w, h, random), background: odd.Pictures[0].RGB(w, h, random)}
				for range 2 {
					f := matte.Sample{Color: odd.Pictures[0].RGB(w, h, random), Band: even.Gray(w, h, random)}
					switch part {
					case "all":
						f = matte.Sample{Color: picture.RGB(w, h, random), Band: picture.Gray(w, h, random)}
						o.darkColor, o.darkBand, o.clean, o.screen = picture.RGB(w, h, random), picture.Gray(w, h, random), picture.RGB(w, h, random), picture.Gray(w, h, random)
					case "band":
						f.Band = picture.Gray(w, h, random)
					case "color":
						f.Color = picture.RGB(w, h, random)
					case "screen":
						o.screen = picture.Gray(w, h, random)
					default:
						f.Color, f.Band = picture.Plates(w, h, 0.2, random)
					}
					o.frames = append(o.frames, f)
				}
				for _, e := range estimators {
					odd.Try(t, e.name+" of "+name, func(context.Context) ([]float64, error) { return e.call(o) })
				}
			}
		}
	}
}

// The beat of gains is found in any order of frames, with others far away, within bounded time.
func TestFlickerOfFewAmongMany(t *testing.T) {
	var numbers []int
	var gains []matte.Gain
	random := odd.Random("flicker")
	for i := range 60 {
		numbers = append(numbers, 59-i)
		gains = append(gains, matte.Gain{Value: 1 + 0.02*math.Sin(2*math.Pi*0.2*float64(59-i)) + 0.001*random.NormFloat64(), Sigma: 0.001})
	}
	for i := range 20 {
		numbers, gains = append(numbers, (i+1)<<40), append(gains, matte.Gain{Value: 1, Sigma: 0.001})
	}
	var f matte.Flicker
	odd.Try(t, "FindFlicker", func(context.Context) ([]float64, error) {
		f = matte.FindFlicker(numbers, gains)
		return nil, nil
	})
	if math.Abs(f.Frequency-0.2) > 0.005 || math.Abs(f.Amplitude-0.02) > 0.001 {
		t.Errorf("%+v, and the beat is one of 0.2 cycles a frame and 0.02", f)
	}
}

// Plates of another size are named in an error by all that return one.
func TestOddSizes(t *testing.T) {
	const w, h = 6, 4
	even := odd.Pictures[1]
	for _, other := range []image.Point{{X: 5, Y: 4}, {X: 7, Y: 4}, {X: 6, Y: 3}, {X: 6, Y: 5}, {X: 1, Y: 1}, {}} {
		random := odd.Random(fmt.Sprint(other))
		wrong, wrongColor := plate.NewGray(other.X, other.Y), plate.NewRGB(other.X, other.Y)
		right, rightColor := even.Gray(w, h, random), even.RGB(w, h, random)
		s, err := matte.NewSolver(w, h, matte.References{CleanBand: right, CleanColor: rightColor}, nil)
		if err != nil {
			t.Fatal(err)
		}
		solution := func() *matte.Solution {
			return &matte.Solution{Transmission: right.Clone(), Foreground: rightColor.Clone()}
		}
		wrongSolution := &matte.Solution{Transmission: wrong, Foreground: wrongColor}
		bent := solution()
		bent.Foreground = wrongColor
		limits := matte.Limits{Floor: 0.1}
		for _, samples := range [][]matte.Sample{{{Color: wrongColor, Band: right}}, {{Color: rightColor, Band: wrong}}} {
			for _, e := range []struct {
				name string
				call func() error
			}{
				{"Solve", func() error { _, err := s.Solve(nil, samples[0].Color, samples[0].Band, 1); return err }},
				{"Gain", func() error { _, err := s.Gain(samples[0]); return err }},
				{"Sigma", func() error { _, err := s.Sigma(nil, samples[0], 1, matte.Noise{}, matte.Noise{}); return err }},
				{"Pixel", func() error { _, err := s.Pixel(samples[0], 1, matte.Noise{}, matte.Noise{}, 5, 3); return err }},
				{"Crosstalk", func() error { _, err := s.Crosstalk(samples); return err }},
				{"EstimateGlare", func() error { _, err := s.EstimateGlare(samples, 0); return err }},
				{"ScreenColor", func() error { _, err := s.ScreenColor(samples); return err }},
				{"FitScreen", func() error {
					_, err := matte.FitScreen([]matte.Sample{{Color: rightColor, Band: right}, samples[0]}, nil, nil, 0)
					return err
				}},
				{"FitScreen, dark", func() error {
					_, err := matte.FitScreen([]matte.Sample{{Color: rightColor, Band: right}}, wrongColor, wrong, 0)
					return err
				}},
				{"CleanFromTake", func() error {
					_, err := matte.CleanFromTake(samples, &matte.Screen{W: w, H: h, Coefficients: []float64{0}}, nil)
					return err
				}},
				{"CleanFromTake, dark", func() error {
					_, err := matte.CleanFromTake([]matte.Sample{{Color: rightColor, Band: right}}, &matte.Screen{W: w, H: h, Coefficients: []float64{0}}, wrong)
					return err
				}},
				{"Limit", func() error { _, err := s.Limit(wrongSolution, 1, limits); return err }},
				{"Limit, foreground", func() error { _, err := s.Limit(bent, 1, limits); return err }},
				{"Tidy", func() error { _, err := s.Tidy(wrongSolution, wrong, 1); return err }},
				{"Tidy, sigma", func() error { _, err := s.Tidy(solution(), wrong, 1); return err }},
				{"Tidy, foreground", func() error { _, err := s.Tidy(bent, right, 1); return err }},
				{"Compare", func() error { _, err := matte.Compare(right, wrong, nil); return err }},
				{"Compare, region", func() error { _, err := matte.Compare(right, right, &matte.CompareOptions{Region: wrong}); return err }},
				{"ColorDifference", func() error { _, err := matte.ColorDifference(rightColor, wrongColor, matte.BlueBacking); return err }},
				{"Triangulate", func() error { _, err := matte.Triangulate(rightColor, rightColor, rightColor, wrongColor); return err }},
				{"Remove", func() error { _, err := matte.Glare{Strength: 0.1}.Remove(nil, right, wrong); return err }},
				{"NoiseOfTake", func() error { _, err := matte.NoiseOfTake([]*plate.Gray{right}, wrong); return err }},
				{"PhotonTransfer", func() error { _, err := matte.PhotonTransfer([][2]*plate.Gray{{right, wrong}}, nil); return err }},
			} {
				odd.Try(t, fmt.Sprintf("%s, %v", e.name, other), func(context.Context) ([]float64, error) {
					if err := e.call(); err == nil {
						t.Errorf("%s takes plates of %v beside plates of %dx%d", e.name, other, w, h)
					}
					return nil, nil
				})
			}
		}
	}
}

// An estimator, chosen by a byte, is given frames of whatever sizes and pixels.
func FuzzEstimators(f *testing.F) {
	f.Add([]byte{180, 20, 181}, uint8(40), uint8(30), uint8(0), uint8(3))
	f.Add([]byte{180, 20, 181, 255, 250}, uint8(13), uint8(1), uint8(1), uint8(3))
	for i := range estimators {
		pixels := make([]byte, 700)
		random := odd.Random(estimators[i].name)
		for k := range pixels {
			pixels[k] = byte(20 + random.IntN(2)*150 + random.IntN(9))
		}
		f.Add(pixels, uint8(150), uint8(90), uint8(6), uint8(i))
	}
	f.Fuzz(func(t *testing.T, pixels []byte, w, h, mode, which uint8) {
		if w == 0 || h == 0 {
			return
		}
		b := &odd.Bytes{Data: pixels, Wild: mode&1 != 0, Side: 1 + int(mode>>1&15)}
		size := image.Pt(int(w), int(h))
		o := &oddTake{w: size.X, h: size.Y, random: odd.Random("fuzz"), gain: 1, crosstalk: [3]float64{0.01, 0.005, 0}, colorNoise: matte.Noise{Read: 1e-3, PerSignal: 1e-4},
			bandNoise: matte.Noise{Read: 1e-3, PerSignal: 1e-4}, darkColor: plate.NewRGB(size.X, size.Y), darkBand: plate.NewGray(size.X, size.Y)}
		for range 2 {
			o.frames = append(o.frames, matte.Sample{Band: b.Gray(size.X, size.Y), Color: b.RGB(size.X, size.Y)})
		}
		o.screen, o.clean, o.background = odd.Pictures[1].Gray(size.X, size.Y, o.random), plate.NewRGB(size.X, size.Y), plate.NewRGB(size.X, size.Y)
		if mode&32 != 0 {
			o.screen, o.clean = b.Gray(size.X, size.Y), b.RGB(size.X, size.Y)
		}
		if mode&64 != 0 {
			o.darkBand, o.darkColor = b.Gray(size.X, size.Y), b.RGB(size.X, size.Y)
		}
		e := estimators[int(which)%len(estimators)]
		odd.Try(t, e.name, func(context.Context) ([]float64, error) { return e.call(o) })
	})
}
