package matte_test

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// set is a simulated take whose cameras are in line, so that only the matte is tested.
func set(f simulate.Faults, seed uint64) (*simulate.Simulator, matte.References) {
	const w, h = 480, 270
	s := simulate.New(simulate.Cutouts{Seed: seed}, w, h, w, h, nil, f, seed)
	return s, matte.References{DarkColor: s.DarkColor(), DarkBand: s.DarkBand(), CleanColor: s.CleanColor(), CleanBand: s.CleanBand()}
}

func faults(change func(*simulate.Faults)) simulate.Faults {
	f := simulate.DemoFaults()
	change(&f)
	return f
}

// seeds is how many sets a test tries: one where a build is slow, as with the race detector.
func seeds(n uint64) uint64 {
	if !tier.All() {
		return 1
	}
	return n
}

func sample(s *simulate.Simulator, frames ...int) (out []matte.Sample, truth []simulate.Truth) {
	for _, i := range frames {
		shot := s.Frame(i)
		out = append(out, matte.Sample{Color: shot.Color, Band: shot.Band})
		truth = append(truth, shot.Truth)
	}
	return out, truth
}

func TestGain(t *testing.T) {
	for _, test := range []struct {
		name   string
		faults simulate.Faults
	}{
		{"steady lamps", faults(func(f *simulate.Faults) { f.GainDrift, f.GainFlicker = 0, 0 })},
		{"drift and flicker", simulate.DemoFaults()},
		{"10 % drift, 2 % noise", faults(func(f *simulate.Faults) { f.GainDrift, f.ReadNoise = 0.1, 0.02 })},
		{"screen uneven by 2 stops", faults(func(f *simulate.Faults) { f.Unevenness = 2 })},
		{"strong crosstalk, not corrected", faults(func(f *simulate.Faults) { f.Crosstalk = [3]float64{0.05, 0.05, 0.05} })},
	} {
		t.Run(test.name, func(t *testing.T) {
			if test.name != "drift and flicker" {
				tier.InTest(t)
			}
			for seed := range seeds(2) {
				s, ref := set(test.faults, seed)
				solver, err := matte.NewSolver(480, 270, ref, nil)
				if err != nil {
					t.Fatal(err)
				}
				frames, truth := sample(s, 0, 13, 29)
				for k, f := range frames {
					g, err := solver.Gain(f)
					if err != nil {
						t.Fatal(err)
					}
					// A gain that is off by 0.2 % moves the open screen by 0.002 of full
					// transmission.
					if d := g.Value - truth[k].Gain; math.Abs(d) > 0.002 {
						t.Errorf("seed %d, sample %d: gain %.5f is off by %.5f (sigma %.5f, %d pixels)", seed, k, g.Value, d, g.Sigma, g.Pixels)
					}
				}
			}
		})
	}
}

// Of a large frame, strips give the gain: within three of the stated errors, and as near as the
// whole of a small frame does.
func TestGainOfLargeFrame(t *testing.T) {
	tier.InTest(t)
	const w, h = 1920, 1080
	for seed := range seeds(1) {
		s := simulate.New(simulate.Cutouts{Seed: seed}, w, h, w, h, nil, simulate.DemoFaults(), seed)
		solver, err := matte.NewSolver(w, h, matte.References{DarkColor: s.DarkColor(), DarkBand: s.DarkBand(), CleanColor: s.CleanColor(), CleanBand: s.CleanBand()}, nil)
		if err != nil {
			t.Fatal(err)
		}
		frames, truth := sample(s, 13)
		g, err := solver.Gain(frames[0])
		if err != nil {
			t.Fatal(err)
		}
		d := g.Value - truth[0].Gain
		t.Logf("seed %d: off by %+.6f, sigma %.6f, %d pixels", seed, d, g.Sigma, g.Pixels)
		if math.Abs(d) > 3*g.Sigma || math.Abs(d) > 0.001 || g.Pixels > w*h/2 {
			t.Errorf("seed %d: gain %.5f is off by %.5f (sigma %.5f, %d pixels)", seed, g.Value, d, g.Sigma, g.Pixels)
		}
	}
}

func TestGainWithoutScreen(t *testing.T) {
	_, ref := set(simulate.DemoFaults(), 1)
	solver, err := matte.NewSolver(480, 270, ref, nil)
	if err != nil {
		t.Fatal(err)
	}
	if g, err := solver.Gain(matte.Sample{Color: ref.DarkColor, Band: ref.DarkBand}); !errors.Is(err, matte.ErrNoScreen) {
		t.Errorf("with the lamps off: gain %v, error %v; want ErrNoScreen", g, err)
	}
}

func TestCrosstalk(t *testing.T) {
	for i, m := range [][3]float64{{0.03, 0.02, 0.006}, {0.05, 0, 0.01}, {0, 0, 0}, {0.01, 0.05, 0.03}} {
		if i > 0 && tier.Quick() {
			break
		}
		for seed := range seeds(2) {
			s, ref := set(faults(func(f *simulate.Faults) { f.Crosstalk = m }), seed)
			solver, err := matte.NewSolver(480, 270, ref, nil)
			if err != nil {
				t.Fatal(err)
			}
			frames, _ := sample(s, 0, 10, 20, 30, 40)
			got, err := solver.Crosstalk(frames)
			if err != nil {
				t.Fatal(err)
			}
			for c := range 3 {
				if d := got.M[c] - m[c]; math.Abs(d) > 0.004 || got.M[c] < 0 {
					t.Errorf("m %v, seed %d: %.4f, channel %d is off by %.4f (sigma %.5f, %d pixels)", m, seed, got.M, c, d, got.Sigma[c], got.Pixels)
				}
			}
		}
	}
}

// Spill is not taken for crosstalk, from wherever it falls, although the performer is lit from a
// side too.
func TestCrosstalkBesideSpill(t *testing.T) {
	tier.InTest(t)
	for _, side := range []float64{-1, 0, 1} {
		f := faults(func(f *simulate.Faults) { f.Spill, f.SpillSide = 0.1, side })
		const w, h = 400, 225
		s := simulate.New(simulate.Pier{Seed: 4, Frames: 20}, w, h, w, h, nil, f, 4)
		solver, err := matte.NewSolver(w, h, matte.References{DarkColor: s.DarkColor(), DarkBand: s.DarkBand(), CleanColor: s.CleanColor(), CleanBand: s.CleanBand()}, nil)
		if err != nil {
			t.Fatal(err)
		}
		frames, _ := sample(s, 0, 4, 8, 12, 16)
		got, err := solver.Crosstalk(frames)
		if err != nil {
			t.Fatal(err)
		}
		for c, m := range f.Crosstalk {
			if d := got.M[c] - m; math.Abs(d) > 0.01 {
				t.Errorf("spill from %g: m %.4f, channel %d is off by %.4f (sigma %.5f)", side, got.M, c, d, got.Sigma[c])
			}
		}
		// The spill on the core is a tenth of the screen's light beside it, or half of that in the
		// mean where it comes from one side.
		if got.Lift < 0.02 || got.Lift > 0.1 {
			t.Errorf("spill from %g: a lift of %.4f", side, got.Lift)
		}
	}
}

func TestCrosstalkOfAnEmptySet(t *testing.T) {
	_, ref := set(simulate.DemoFaults(), 1)
	solver, err := matte.NewSolver(480, 270, ref, nil)
	if err != nil {
		t.Fatal(err)
	}
	if m, err := solver.Crosstalk([]matte.Sample{{Color: ref.CleanColor, Band: ref.CleanBand}}); !errors.Is(err, matte.ErrNoCore) {
		t.Errorf("with nobody there: %v, %v; want ErrNoCore", m, err)
	}
}

func TestFitScreen(t *testing.T) {
	for _, stops := range []float64{1, 0, 2} {
		if stops != 1 && tier.Quick() {
			break
		}
		for seed := range seeds(2) {
			s, ref := set(faults(func(f *simulate.Faults) { f.Unevenness = stops }), seed)
			frames, truth := sample(s, 0, 12, 24, 36)
			got, err := matte.FitScreen(frames, ref.DarkColor, ref.DarkBand, 0)
			if err != nil {
				t.Fatal(err)
			}
			model := got.Gray()
			var sum float64
			for i, v := range model.Pix {
				s := float64(ref.CleanBand.Pix[i]-ref.DarkBand.Pix[i]) * truth[0].Gain
				r := float64(v)/s - 1
				sum += r * r
			}
			// The lamps' pattern of tubes is no low polynomial: 2 % is what it leaves.
			if rms := math.Sqrt(sum / float64(len(model.Pix))); rms > 0.02 {
				t.Errorf("%v stops, seed %d: the model is off by %.2f %% RMS (scatter %.4f, coverage %.2f)", stops, seed, 100*rms, got.Scatter, got.Coverage)
			}
		}
	}
}

func TestFitScreenWithoutOne(t *testing.T) {
	black := matte.Sample{Color: plate.NewRGB(320, 180), Band: plate.NewGray(320, 180)}
	if _, err := matte.FitScreen([]matte.Sample{black}, nil, nil, 0); !errors.Is(err, matte.ErrNoScreen) {
		t.Errorf("a black band plate: %v, want ErrNoScreen", err)
	}
	if _, err := matte.FitScreen([]matte.Sample{black}, nil, nil, 99); err == nil {
		t.Error("order 99 was taken")
	}
	if _, err := matte.FitScreen(nil, nil, nil, 0); err == nil {
		t.Error("no samples were taken")
	}
}

func TestScreenJSON(t *testing.T) {
	a := matte.Screen{W: 64, H: 36, Order: 1, Coefficients: []float64{-0.3, 0.1, -0.2}, Coverage: 0.7, Scatter: 0.01}
	data, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var b matte.Screen
	if err := json.Unmarshal(data, &b); err != nil {
		t.Fatal(err)
	}
	if d := maxDifference(a.Gray().Pix, b.Gray().Pix); d != 0 || b.Coverage != a.Coverage {
		t.Errorf("%+v came back as %+v", a, b)
	}
	for _, bad := range []string{`{"size":[0,4],"order":1,"coefficients":[0,0,0]}`, `{"size":[4,4],"order":2,"coefficients":[0,0,0]}`, `{"size":[4,4],"order":50}`} {
		if err := json.Unmarshal([]byte(bad), &b); err == nil || !strings.Contains(err.Error(), "screen") {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

func TestBandWeights(t *testing.T) {
	f := plate.NewRGB(20, 10)
	f.Fill(0.6, 0.3, 0)
	if w := matte.BandWeights(f); math.Abs(float64(w[0])-2./3) > 1e-6 || math.Abs(float64(w[1])-1./3) > 1e-6 || w[2] != 0 {
		t.Errorf("weights %v for a screen of (0.6, 0.3, 0); want (2/3, 1/3, 0)", w)
	}
	f.Fill(0, 0, 0)
	if w := matte.BandWeights(f); w[0]+w[1]+w[2] != 1 {
		t.Errorf("weights %v of a black plate do not add up to 1", w)
	}
}

// noiseFloor is sigma_t of the package's documentation, as RMS over a frame: the photon-transfer
// relation of EMVA 1288 (variance = read noise squared + signal over full well) for both cameras,
// without the resampling.
func noiseFloor(f simulate.Faults, ref matte.References, truth simulate.Truth) float64 {
	variance := func(signal float64) float64 { return f.ReadNoise*f.ReadNoise + max(signal, 0)/f.PhotonNoise }
	var sum float64
	for i, alpha := range truth.Alpha.Pix {
		t := 1 - float64(alpha)
		s := float64(ref.CleanBand.Pix[i] - ref.DarkBand.Pix[i])
		leak, noise, mk := 0.0, 0.0, 0.0
		for c, m := range f.Crosstalk {
			p := float64(truth.Foreground.Pix[c][i])
			k := float64(ref.CleanColor.Pix[c][i] - ref.DarkColor.Pix[c][i])
			leak += m * p
			mk += m * k
			noise += m * m * variance(p+truth.Gain*t*k)
		}
		noise += variance(truth.Gain*t*s + leak)
		d := truth.Gain * (s - mk)
		sum += noise / (d * d)
	}
	return math.Sqrt(sum / float64(len(truth.Alpha.Pix)))
}

// With the geometry known and everything else estimated, the matte sits on the noise floor.
func TestMatteAgainstTheNoiseFloor(t *testing.T) {
	f := simulate.DemoFaults()
	for seed := range seeds(4) {
		s, ref := set(f, seed)
		solver, err := matte.NewSolver(480, 270, ref, nil)
		if err != nil {
			t.Fatal(err)
		}
		frames, truth := sample(s, 0, 15, 30, 45)
		m, err := solver.Crosstalk(frames)
		if err != nil {
			t.Fatal(err)
		}
		if solver, err = matte.NewSolver(480, 270, ref, &matte.SolverOptions{Crosstalk: m.M, Clamp: matte.ClampNone}); err != nil {
			t.Fatal(err)
		}
		for k, frame := range frames {
			g, err := solver.Gain(frame)
			if err != nil {
				t.Fatal(err)
			}
			got, err := solver.Solve(nil, frame.Color, frame.Band, g.Value)
			if err != nil {
				t.Fatal(err)
			}
			e, err := matte.Compare(truth[k].Alpha, matte.Alpha(nil, got.Transmission), nil)
			if err != nil {
				t.Fatal(err)
			}
			floor := noiseFloor(f, ref, truth[k])
			t.Logf("seed %d, sample %d: RMSE %.5f, floor %.5f, ratio %.3f", seed, k, e.RMSE, floor, e.RMSE/floor)
			if e.RMSE > 1.10*floor {
				t.Errorf("seed %d, sample %d: RMSE %.5f is %.3f times the noise floor", seed, k, e.RMSE, e.RMSE/floor)
			}
		}
	}
}

// Of a large frame about half a million pixels are asked for, no row twice; a value that is not
// finite, or a plate of another size, is an error that says so.
func TestGainByRows(t *testing.T) {
	const w, h = 2000, 1100
	clean, band, color := plate.NewGray(w, h), plate.NewGray(w, h), plate.NewRGB(w, h)
	clean.Fill(0.8)
	band.Fill(0.6)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	asked := map[int]int{}
	rows := func(row []float32, y int) {
		asked[y]++
		copy(row, band.Pix[y*w:])
	}
	const few = 1 << 16
	if g, err := solver.GainByRows(color, few, rows); err != nil || math.Abs(g.Value-0.75) > 1e-6 || len(asked)*w < few*3/4 || len(asked)*w > 2*few {
		t.Errorf("of %d pixels %+v, %v; %d were asked for", few, g, err, len(asked)*w)
	}
	clear(asked)
	g, err := solver.GainByRows(color, matte.GainPixels, rows)
	if err != nil || math.Abs(g.Value-0.75) > 1e-6 {
		t.Errorf("%+v, %v", g, err)
	}
	if n := len(asked) * w; n < 1<<19 || n > 1<<20 {
		t.Errorf("%d pixels were asked for", n)
	}
	for y, n := range asked {
		if n != 1 || y < 0 || y >= h {
			t.Errorf("row %d was asked for %d times", y, n)
		}
	}
	if whole, err := solver.Gain(matte.Sample{Color: color, Band: band}); err != nil || whole != g {
		t.Errorf("of the whole plate %+v, %v; by rows %+v", whole, err, g)
	}
	for y := range asked {
		band.Pix[y*w+7] = float32(math.NaN())
		break
	}
	if _, err := solver.GainByRows(color, matte.GainPixels, rows); !errors.Is(err, matte.ErrNotFinite) {
		t.Errorf("%v", err)
	}
	if _, err := solver.Gain(matte.Sample{Color: color, Band: band}); err == nil || !strings.Contains(err.Error(), "band plate") {
		t.Errorf("%v", err)
	}
	if _, err := solver.Gain(matte.Sample{Color: color, Band: plate.NewGray(w, 3)}); err == nil || !strings.Contains(err.Error(), "2000x3") {
		t.Errorf("%v", err)
	}
	if _, err := solver.GainByRows(plate.NewRGB(w, 3), matte.GainPixels, rows); err == nil {
		t.Error("a color plate of another size has a gain")
	}
}

func BenchmarkGain(b *testing.B) {
	const w, h = 1920, 1080
	s := simulate.New(simulate.Cutouts{Seed: 1}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	solver, err := matte.NewSolver(w, h, matte.References{DarkColor: s.DarkColor(), DarkBand: s.DarkBand(), CleanColor: s.CleanColor(), CleanBand: s.CleanBand()}, nil)
	if err != nil {
		b.Fatal(err)
	}
	frames, _ := sample(s, 13)
	for b.Loop() {
		if _, err := solver.Gain(frames[0]); err != nil {
			b.Fatal(err)
		}
	}
}
