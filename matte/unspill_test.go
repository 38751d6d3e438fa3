package matte_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// spilled returns the solution of a performer, a disk with a soft edge before the screen, on whom
// light falls that grows from 1 % at the left to 3 % at the right; and the true transmission.
func spilled(t *testing.T, clamp matte.Clamp) (solver *matte.Solver, s *matte.Solution, truth *plate.Gray) {
	t.Helper()
	const w, h, noise = 480, 270, 0.002
	clean, screen := plate.NewGray(w, h), plate.NewRGB(w, h)
	clean.Fill(0.8)
	screen.Fill(0.02, 0.01, 0)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: clean, CleanColor: screen}, &matte.SolverOptions{Clamp: clamp})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(3, 9))
	band, color := plate.NewGray(w, h), plate.NewRGB(w, h)
	truth = plate.NewGray(w, h)
	for y := range h {
		for x := range w {
			i := y*w + x
			d := math.Hypot(float64(x-240), float64(y-135))
			open := min(max((d-90)/6, 0), 1)
			truth.Pix[i] = float32(open)
			spill := 0.01 + 0.02*float64(x)/w
			band.Pix[i] = float32(0.8 * (open + (1-open)*spill + noise*r.NormFloat64()))
			for c := range 3 {
				color.Pix[c][i] = float32((1-open)*0.3 + open*float64(screen.Pix[c][i]))
			}
		}
	}
	if s, err = solver.Solve(nil, color, band, 1); err != nil {
		t.Fatal(err)
	}
	return solver, s, truth
}

// Spill comes off the core, and off the edge in proportion; the screen and the noise stay; the
// foreground loses no light of the screen's that is not there.
func TestTakeSpill(t *testing.T) {
	solver, s, truth := spilled(t, matte.ClampNone)
	before := matte.Solution{Transmission: s.Transmission.Clone(), Foreground: s.Foreground.Clone()}
	taken, err := solver.TakeSpill(s, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(taken.Mean-0.02) > 0.001 || math.Abs(taken.Scatter-0.002) > 0.0003 || math.Abs(taken.Part-math.Pi*96*96/480/270) > 0.005 || math.Abs(taken.Sigmas()-10) > 2 {
		t.Errorf("%+v, %.1f sigmas", taken, taken.Sigmas())
	}
	for _, part := range []struct {
		name     string
		from, to float64 // transmission
		bias     float64
	}{{"core", 0, 0, 3e-4}, {"edge", 0.05, 0.95, 1e-3}, {"screen", 1, 1, 1e-4}} {
		var was, is, color, scatter, n float64
		for i, v := range truth.Pix {
			if v := float64(v); v >= part.from && v <= part.to {
				was += float64(before.Transmission.Pix[i]) - v
				d := float64(s.Transmission.Pix[i]) - v
				is += d
				scatter += d * d
				color += float64(s.Foreground.Pix[0][i]) - 0.3*(1-v)
				n++
			}
		}
		t.Logf("%s: off by %.5f, then by %.5f with a scatter of %.5f; red by %.6f", part.name, was/n, is/n, math.Sqrt(scatter/n), color/n)
		if math.Abs(is/n) > part.bias || math.Sqrt(scatter/n) > 0.0025 || math.Abs(color/n) > 2e-5 {
			t.Errorf("%s: off by %.5f, was %.5f; scatter %.5f, red off by %.6f", part.name, is/n, was/n, math.Sqrt(scatter/n), color/n)
		}
	}
}

// Within a region alone, in proportion to how much it covers; nothing where there is no core.
func TestTakeSpillWhere(t *testing.T) {
	solver, s, _ := spilled(t, matte.ClampTransmission)
	half := plate.NewGray(480, 270)
	for i := range half.Pix {
		if i%480 < 240 {
			half.Pix[i] = 1
		}
	}
	if _, err := solver.TakeSpill(s, 1, half); err != nil {
		t.Fatal(err)
	}
	left, right := 0., 0.
	for y := 110; y < 160; y++ {
		for x := range 60 {
			left += float64(s.Transmission.Pix[y*480+170+x]) / 3000
			right += float64(s.Transmission.Pix[y*480+250+x]) / 3000
		}
	}
	if left > 0.0015 || math.Abs(right-0.0217) > 0.002 {
		t.Errorf("left %.4f, right %.4f", left, right)
	}
	nobody := &matte.Solution{Transmission: plate.NewGray(480, 270), Foreground: plate.NewRGB(480, 270)}
	nobody.Transmission.Fill(1)
	if taken, err := solver.TakeSpill(nobody, 1, nil); err != nil || taken != (matte.SpillTaken{}) || nobody.Transmission.Pix[99] != 1 {
		t.Errorf("nobody: %+v, %v", taken, err)
	}
	if _, err := solver.TakeSpill(s, 1, plate.NewGray(2, 2)); err == nil {
		t.Error("a region of another size was taken")
	}
}

// A regions' list takes spill off before the others act, whatever its place in it.
func TestUnspilledRegion(t *testing.T) {
	solver, s, _ := spilled(t, matte.ClampNone)
	color := s.Foreground.Clone()
	all := []matte.Outline{{Corners: []matte.Corner{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}, {X: 0, Y: 1}}}}
	half := []matte.Outline{{Corners: []matte.Corner{{X: 0.5, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}, {X: 0.5, Y: 1}}}}
	regions, err := matte.NewRegions(480, 270, []matte.Region{{Effect: matte.Solid, Keys: half}, {Effect: matte.Unspilled, Keys: all}})
	if err != nil {
		t.Fatal(err)
	}
	did, err := solver.Impose(s, color, 1, regions, 1)
	if err != nil {
		t.Fatal(err)
	}
	if did.Part != 1 || math.Abs(did.Spill.Mean-0.02) > 0.001 {
		t.Errorf("%+v", did)
	}
	if v := s.Transmission.Pix[135*480+300]; v != 0 {
		t.Errorf("solid: %v", v)
	}
	sum := 0.
	for x := 170; x < 230; x++ {
		sum += float64(s.Transmission.Pix[135*480+x]) / 60
	}
	if math.Abs(sum) > 0.001 {
		t.Errorf("unspilled: %v", sum)
	}
}

func ExampleSolver_TakeSpill() {
	clean, band, color := plate.NewGray(96, 54), plate.NewGray(96, 54), plate.NewRGB(96, 54)
	clean.Fill(0.8)
	band.Fill(0.016) // a performer who fills the frame lets 2 % through: that is spill
	solver, err := matte.NewSolver(96, 54, matte.References{CleanBand: clean}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	s, err := solver.Solve(nil, color, band, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	taken, err := solver.TakeSpill(s, 1, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f of %.0f %% of the frame; left %.3f\n", taken.Mean, 100*taken.Part, s.Transmission.Pix[0])
	// Output: 0.020 of 100 % of the frame; left 0.000
}

// The sum of each row in one pass, without a plane of the foreground.
func ExampleSolver_SpillRows() {
	const w, h = 96, 54
	clean, band, color, sea := plate.NewGray(w, h), plate.NewGray(w, h), plate.NewRGB(w, h), plate.NewRGB(w, h)
	clean.Fill(0.8)
	band.Fill(0.016) // a black performer who fills the frame lets 2 % through: that is spill
	sea.Fill(0.1, 0.2, 0.4)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: clean}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	s, err := solver.Solve(nil, color, band, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	frame, err := solver.Frame(1)
	if err != nil {
		fmt.Println(err)
		return
	}
	rows, err := solver.SpillRows(s.Transmission, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	with, without := plate.NewRGB(w, h), plate.NewRGB(w, h)
	t := make([]float32, w)
	for y := range h {
		b := band.Pix[y*w : (y+1)*w]
		if !frame.CompRow(t, with.Row(y), color.Row(y), b, sea.Row(y), y) || !rows.CompRow(&frame, t, without.Row(y), color.Row(y), b, sea.Row(y), y) {
			fmt.Println("row", y, "is not finite")
		}
	}
	fmt.Printf("blue of the sea in the performer: %.3f with spill, %.3f without\n", with.Pix[2][0], without.Pix[2][0])
	// Output: blue of the sea in the performer: 0.008 with spill, 0.000 without
}
