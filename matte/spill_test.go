package matte_test

import (
	"fmt"
	"image"
	"log"
	"math"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

func TestGlare(t *testing.T) {
	tier.InTest(t)
	for _, strength := range []float64{0, 0.01, 0.04} {
		f := simulate.DemoFaults()
		f.Glare = strength
		s, ref := set(f, 5)
		solver, err := matte.NewSolver(480, 270, ref, nil)
		if err != nil {
			t.Fatal(err)
		}
		frames, _ := sample(s, 0, 10, 20, 30, 40)
		g, err := solver.EstimateGlare(frames, 0)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%.4f +- %.4f, truth %.4f", g.Strength, g.Sigma, strength)
		if d := math.Abs(g.Strength - strength); d > 3*g.Sigma+0.0005 || g.Sigma > 0.006 {
			t.Errorf("strength %.4f, standard error %.4f, truth %.4f", g.Strength, g.Sigma, strength)
		}
	}
}

// With the strength known, removal gives the plate of a lens without glare.
func TestGlareRemove(t *testing.T) {
	f := simulate.DemoFaults()
	f.ReadNoise, f.PhotonNoise, f.Bits = 0, 0, 0
	without, ref := set(f, 5)
	f.Glare = 0.05
	with, _ := set(f, 5)
	want := without.Frame(3).Band
	seen := with.Frame(3).Band
	got, err := matte.Glare{Strength: 0.05}.Remove(nil, seen, ref.DarkBand)
	if err != nil {
		t.Fatal(err)
	}
	before, after := maxDifference(want.Pix, seen.Pix), maxDifference(want.Pix, got.Pix)
	if before < 0.01 || after > 2e-4 {
		t.Errorf("off by %.5f before the removal and %.5f after", before, after)
	}
	if _, err := (matte.Glare{Strength: 2}).Remove(nil, seen, nil); err == nil {
		t.Error("a strength of 2 was taken")
	}
}

func TestFindSpill(t *testing.T) {
	tier.InTest(t)
	for _, test := range []struct {
		name               string
		spill, side        float64
		lowSide, highSide  float64
		lowShare, highSare float64
	}{
		{"none", 0, 0, -1, 1, 0, 0.02},
		{"all around", 0.06, 0, -0.35, 0.35, 0.95, 1},
		{"from the left", 0.12, -1, -1, -0.02, 0.5, 1},
		{"from the right", 0.12, 1, 0.02, 1, 0.5, 1},
	} {
		f := simulate.DemoFaults()
		f.Crosstalk, f.Spill, f.SpillSide = [3]float64{}, test.spill, test.side
		const w, h = 480, 270
		s := simulate.New(wall{}, w, h, w, h, nil, f, 1)
		solver, err := matte.NewSolver(w, h, matte.References{DarkColor: s.DarkColor(), DarkBand: s.DarkBand(), CleanBand: s.CleanBand()}, nil)
		if err != nil {
			t.Fatal(err)
		}
		shot := s.Frame(0)
		got, err := solver.Solve(nil, shot.Color, shot.Band, shot.Truth.Gain)
		if err != nil {
			t.Fatal(err)
		}
		p := matte.FindSpill(got.Transmission)
		if p.Side < test.lowSide || p.Side > test.highSide || p.Share < test.lowShare || p.Share > test.highSare || p.Core < 0.2 {
			t.Errorf("%s: side %.2f, share %.2f, core %.2f, mean %.4f", test.name, p.Side, p.Share, p.Core, p.Mean)
		}
	}
	open := plate.NewGray(64, 48)
	open.Fill(1)
	if p := matte.FindSpill(open); p.Core != 0 || p.Mean != 0 {
		t.Errorf("nobody there: %+v", p)
	}
}

// Gaps between planks and strands are not spill, however many; a veil of the same mean transmission
// is.
func TestGapsAreNotSpill(t *testing.T) {
	const w, h = 640, 360
	gaps, veil := plate.NewGray(w, h), plate.NewGray(w, h)
	mean := 0.0
	for i := range gaps.Pix {
		if x := i % w; x%24 < 4 {
			gaps.Pix[i] = 0.3
		}
		mean += float64(gaps.Pix[i]) / float64(w*h)
	}
	veil.Fill(float32(mean))
	if p := matte.FindSpill(gaps); p.Core < 0.9 || p.Share > 0.01 || p.Mean > 0.001 {
		t.Errorf("gaps: core %.2f, share %.3f, mean %.4f", p.Core, p.Share, p.Mean)
	}
	if p := matte.FindSpill(veil); p.Share < 0.99 || math.Abs(p.Mean-mean) > 1e-3 {
		t.Errorf("a veil of %.3f: share %.3f, mean %.4f", mean, p.Share, p.Mean)
	}
}

// The smallest core is read wherever it is, at each width of the squares and distance of their
// grid.
func TestFindSpillOfASmallCore(t *testing.T) {
	tier.InTest(t)
	const spill = 0.04
	for _, w := range []int{100, 640, 1000, 1920, 2400} {
		margin := max(w/100, 3) + 1 // of the performer that is not core
		for _, core := range []image.Point{{X: 1, Y: 1}, {X: 2, Y: 1}, {X: 1, Y: 3}, {X: 5, Y: 5}} {
			for phase := range 7 {
				size := core.Add(image.Pt(2*margin, 2*margin))
				at := image.Pt(w/3+phase, 3+phase*5%7)
				f := plate.NewGray(w, size.Y+12)
				for i := range f.Pix {
					f.Pix[i] = 1
					if image.Pt(i%w, i/w).In(image.Rectangle{Min: at, Max: at.Add(size)}) {
						f.Pix[i] = spill
					}
				}
				s := matte.FindSpill(f)
				if got := math.Round(s.Core * float64(len(f.Pix))); int(got) != core.X*core.Y || math.Abs(s.Mean-spill) > 1e-4 || s.Share != 1 {
					t.Errorf("a core of %v in a frame %d wide: %+v", core, w, matte.Spill{Core: got, Mean: s.Mean, Share: s.Share})
				}
			}
		}
	}
}

// wall is a solid performer, half the frame wide.
type wall struct{}

func (wall) Draw(_, w, h int) (*plate.RGB, *plate.Gray) {
	p, t := plate.NewRGB(w, h), plate.NewGray(w, h)
	for i := range t.Pix {
		if x := i % w; x < w/4 || x >= 3*w/4 {
			t.Pix[i] = 1
			continue
		}
		for c := range 3 {
			p.Pix[c][i] = 0.2
		}
	}
	return p, t
}

func TestLimit(t *testing.T) {
	clean, screen := plate.NewGray(5, 1), plate.NewRGB(5, 1)
	clean.Fill(0.8)
	screen.Fill(0.02, 0, 0)
	s, err := matte.NewSolver(5, 1, matte.References{CleanBand: clean, CleanColor: screen}, nil)
	if err != nil {
		t.Fatal(err)
	}
	solution := &matte.Solution{Transmission: &plate.Gray{W: 5, H: 1, Pix: []float32{0, 0.03, 0.5, 0.97, 1}}, Foreground: plate.NewRGB(5, 1)}
	did, err := s.Limit(solution, 1, matte.Limits{Floor: 0.06, Ceiling: 0.94, Knee: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	// Between the knees (t - floor) / (ceiling - floor).
	for i, want := range []float32{0, 0, 0.5, 1, 1} {
		if got := solution.Transmission.Pix[i]; math.Abs(float64(got-want)) > 1e-6 {
			t.Errorf("pixel %d: %v, want %v", i, got, want)
		}
	}
	// 0.03 of the screen's light is given back to the foreground of the second pixel.
	if got := solution.Foreground.Pix[0][1]; math.Abs(float64(got)-0.03*0.02) > 1e-8 {
		t.Errorf("foreground %v, want 0.0006", got)
	}
	if did.Floored != 0.2 || did.Opened != 0.2 || math.Abs(did.Most-0.03) > 1e-6 {
		t.Errorf("it says that it did %+v", did)
	}
	// The curve rises everywhere, and has no edge: slopes of neighbors differ little.
	line := &matte.Solution{Transmission: plate.NewGray(5, 1), Foreground: plate.NewRGB(5, 1)}
	var last, slope float64
	for k := range 2000 {
		line.Transmission.Fill(float32(k) / 2000)
		if _, err := s.Limit(line, 1, matte.Limits{Floor: 0.1, Ceiling: 0.9, Knee: 0.05}); err != nil {
			t.Fatal(err)
		}
		v := float64(line.Transmission.Pix[0])
		now := (v - last) * 2000
		if k > 0 && (now < -1e-3 || math.Abs(now-slope) > 0.03) {
			t.Fatalf("at %.4f the slope goes from %.3f to %.3f", float64(k)/2000, slope, now)
		}
		last, slope = v, now
	}
	for _, bad := range []matte.Limits{{Floor: -0.1}, {Floor: 0.6}, {Ceiling: 0.3}, {Knee: 1}, {Floor: 0.5, Ceiling: 0.55}} {
		if _, err := s.Limit(solution, 1, bad); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
	if did, err := s.Limit(solution, 1, matte.Limits{}); err != nil || did != (matte.Limited{}) {
		t.Errorf("no limits did %+v, %v", did, err)
	}
}

// A performer with 4 % of the screen's light on the whole of the core.
func ExampleFindSpill() {
	t := plate.NewGray(64, 64)
	for i := range t.Pix {
		t.Pix[i] = 1
		if x := i % 64; x >= 16 && x < 48 {
			t.Pix[i] = 0.04
		}
	}
	s := matte.FindSpill(t)
	fmt.Printf("the core lets %.0f %% through, in %.0f %% of its area\n", 100*s.Mean, 100*s.Share)
	// Output: the core lets 4 % through, in 100 % of its area
}

func ExampleSolver_Limit() {
	clean := plate.NewGray(1, 1)
	clean.Fill(0.8)
	solver, err := matte.NewSolver(1, 1, matte.References{CleanBand: clean}, nil)
	if err != nil {
		log.Fatal(err)
	}
	solution := &matte.Solution{Transmission: plate.NewGray(1, 1), Foreground: plate.NewRGB(1, 1)}
	solution.Transmission.Fill(0.03)
	did, err := solver.Limit(solution, 1, matte.Limits{Floor: 0.05})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.2f; made more solid: %.0f %% of the frame\n", solution.Transmission.Pix[0], 100*did.Floored)
	// Output: 0.00; made more solid: 100 % of the frame
}

func ExampleGlare_Remove() {
	const w, h = 320, 180
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.Faults{Glare: 0.04}, 1)
	lens := matte.Glare{Strength: 0.04}
	clean, err := lens.Remove(nil, set.CleanBand(), nil)
	if err != nil {
		log.Fatal(err)
	}
	middle := h/2*w + w/2
	fmt.Printf("with glare %.3f, without %.3f\n", set.CleanBand().Pix[middle], clean.Pix[middle])
	// Output: with glare 0.830, without 0.800
}

// The lens's glare, kept apart from the crosstalk by where it is.
func ExampleSolver_EstimateGlare() {
	const w, h = 480, 270
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.Faults{Glare: 0.04, Crosstalk: [3]float64{0.03, 0.02, 0.01}}, 1)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: set.CleanBand()}, nil)
	if err != nil {
		log.Fatal(err)
	}
	var frames []matte.Sample
	for i := range 3 {
		shot := set.Frame(10 * i)
		frames = append(frames, matte.Sample{Color: shot.Color, Band: shot.Band})
	}
	g, err := solver.EstimateGlare(frames, 0)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.2f of the screen's light is spread over the frame\n", g.Strength)
	// Output: 0.04 of the screen's light is spread over the frame
}
