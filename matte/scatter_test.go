package matte_test

import (
	"fmt"
	"log"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A plainSet is half screen, half performer of one color, with a straight edge a third of the way
// along the frame, whose bend a lens has blurred. Noise is added to the band plate: white, or the
// means of it over squares of so many pixels.
type plainSet struct {
	sd    float64 // of the band plate's noise
	block int     // pixels
	shift float64 // of the band plate's edge, in pixels
}

const plainW, plainH = 320, 180

func (p plainSet) frames(t testing.TB) (*matte.Solver, []matte.Sample) {
	clean := plate.NewGray(plainW, plainH)
	clean.Fill(0.8)
	solver, err := matte.NewSolver(plainW, plainH, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(5, 5))
	var frames []matte.Sample
	for range 2 {
		f := matte.Sample{Color: plate.NewRGB(plainW, plainH), Band: plate.NewGray(plainW, plainH)}
		for y := range plainH {
			for x := range plainW {
				edge := func(shift float64) float64 {
					return 0.5 * (1 + math.Erf((float64(x)-shift-plainW/3-0.2*float64(y))/1.2))
				}
				i := y*plainW + x
				for c, v := range []float64{0.5, 0.4, 0.3} {
					f.Color.Pix[c][i] = float32(v * (1 - edge(0)))
				}
				f.Band.Pix[i] = float32(0.8 * edge(p.shift))
			}
		}
		block := max(p.block, 1)
		for y := 0; y < plainH; y += block {
			for x := 0; x < plainW; x += block {
				e := float32(p.sd * random.NormFloat64())
				for yy := y; yy < min(y+block, plainH); yy++ {
					for xx := x; xx < min(x+block, plainW); xx++ {
						f.Band.Pix[yy*plainW+xx] += e
					}
				}
			}
		}
		frames = append(frames, f)
	}
	return solver, frames
}

// What Bound finds is what was put in: noise that the model knows adds nothing, noise in blocks is
// correlated, and an edge that is displaced is so many pixels off.
func TestBound(t *testing.T) {
	for _, row := range []struct {
		name       string
		set        plainSet
		given      matte.Noise
		correlated float64 // standard deviation
		edge       float64
	}{
		{"nothing", plainSet{}, matte.Noise{}, 0, 0},
		{"white noise, known", plainSet{sd: 0.01}, matte.Noise{Read: 0.01}, 0, 0},
		{"noise in blocks of 8, unknown", plainSet{sd: 0.01, block: 8}, matte.Noise{Read: 0.001}, 0.01, 0},
		{"an edge displaced by 0.3 pixels, of which half is seen", plainSet{sd: 0.002, shift: 0.3}, matte.Noise{Read: 0.002}, 0, 0.15},
	} {
		t.Run(row.name, func(t *testing.T) {
			solver, frames := row.set.frames(t)
			n, found, err := solver.Bound(frames, matte.Noise{}, row.given)
			if err != nil {
				t.Fatal(err)
			}
			// A cell of the core has few blocks, and its own mean is taken off; and what hangs
			// together over eight pixels bends the edge too.
			if math.Abs(n.CorrelatedRead-row.correlated) > 0.2*row.correlated+0.05*row.given.Read+1e-6 {
				t.Errorf("correlated %.5f, want %.5f", n.CorrelatedRead, row.correlated)
			}
			if row.set.block == 0 && math.Abs(n.Edge-row.edge) > 0.2*row.edge+0.02 {
				t.Errorf("edge %.3f pixels, want %.3f", n.Edge, row.edge)
			}
			if math.Abs(found.Open-row.set.sd) > 0.1*row.set.sd+1e-6 || math.Abs(found.Core-row.set.sd) > 0.2*row.set.sd+1e-6 {
				t.Errorf("open screen %.5f and core %.5f, want %.5f", found.Open, found.Core, row.set.sd)
			}
		})
	}
	// A model with too much in the dark comes down to what the core has, and stays at the screen.
	solver, frames := plainSet{sd: 0.004}.frames(t)
	given := matte.Noise{Read: 0.008, Kept: 0.5}
	if n, _, err := solver.Bound(frames, matte.Noise{}, given); err != nil || math.Abs(math.Sqrt(n.Variance(0))-0.004) > 0.0002 || math.Abs(n.Variance(0.8)/given.Variance(0.8)-1) > 0.05 {
		t.Errorf("too much in the dark: %+v, standard deviations of %.5f there and %.5f at the screen (%v)", n, math.Sqrt(n.Variance(0)), math.Sqrt(n.Variance(0.8)), err)
	}
	// Frames that show nothing say nothing.
	solver, frames = plainSet{}.frames(t)
	for _, f := range frames {
		f.Band.Fill(0)
	}
	n, found, err := solver.Bound(frames, matte.Noise{}, matte.Noise{Read: 0.01})
	if err != nil || n != (matte.Noise{Read: 0.01}) || !math.IsNaN(found.Open) || !math.IsNaN(found.Edge) {
		t.Errorf("no screen: %+v, %+v, %v", n, found, err)
	}
	if _, _, err := solver.Bound(frames, matte.Noise{}, matte.Noise{Edge: -1}); err == nil {
		t.Error("no error for a negative edge")
	}
}

// A performer of 24 by 32 pixels in a frame of 960 by 540 lets 1 % of the screen through: of a core
// this small every pixel is looked at, and the level is said.
func TestBoundOfASmallCore(t *testing.T) {
	const w, h, lift = 960, 540, 0.008
	clean := plate.NewGray(w, h)
	clean.Fill(0.8)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: clean}, nil)
	if err != nil {
		t.Fatal(err)
	}
	f := matte.Sample{Color: plate.NewRGB(w, h), Band: clean.Clone()}
	for y := 300; y < 332; y++ {
		for x := 500; x < 524; x++ {
			f.Band.Pix[y*w+x] = lift
		}
	}
	n, found, err := solver.Bound([]matte.Sample{f}, matte.Noise{}, matte.Noise{})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(n.Level-lift) > 0.01*lift || math.Abs(found.Level-lift) > 0.01*lift {
		t.Errorf("a level of %.5f, and found %.5f; want %.3f", n.Level, found.Level, lift)
	}
}

// A codec has left a band plate without grain, and blocks of 8 pixels in its place.
func ExampleSolver_Bound() {
	solver, frames := plainSet{sd: 0.01, block: 8}.frames(nil)
	band := matte.Noise{Read: 0.001} // by neighboring pixels
	band, _, err := solver.Bound(frames, matte.Noise{}, band)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("in the dark: white %.3f, hanging together %.2f\n", band.Read, band.CorrelatedRead)
	// Output: in the dark: white 0.001, hanging together 0.01
}

// Smoke that no histogram tells from the screen lowers the gain by less than the error that is
// stated, and without smoke that error is small.
func TestGainUnderAThinVeil(t *testing.T) {
	for _, row := range []struct {
		veil, most float64
	}{{0, 1e-3}, {0.004, 4e-3}, {0.01, 1e-2}} {
		solver, frames := plainSet{sd: 0.01}.frames(t)
		f := frames[0]
		for i := range f.Band.Pix {
			if i/plainW < plainH/2 {
				f.Band.Pix[i] *= float32(1 - row.veil)
			}
		}
		g, err := solver.Gain(f)
		if err != nil {
			t.Fatal(err)
		}
		if e := math.Abs(g.Value - 1); e > 2*g.Sigma || g.Sigma > row.most || g.Veil > g.Sigma {
			t.Errorf("a veil of %v: the gain is off by %.5f, stated %.5f with %.5f for a veil", row.veil, e, g.Sigma, g.Veil)
		}
	}
}

// A plate rebuilt from a smoky take is up to 3 % too dark where the smooth screen, as its other
// side shows, is right within half a percent.
func ExampleClean_Veiled() {
	c := matte.Clean{Off: 0.005, Veil: 0.018}
	fmt.Println(c.Veiled())
	// Output: true
}

// What is not known of m is in sigma, in proportion to the performer's own light, by hand: a
// standard error of 1 % of red at 0.5 over a screen of 0.8 and a gain of 0.9 is 0.005 / 0.72; open
// screen has none of it. Errors of m that the light beside it makes up for are none where the
// performer is as bright as those they were measured on: here 0.005 of full scale at 0.5.
func TestSigmaOfAnUncertainCrosstalk(t *testing.T) {
	clean, cleanColor := plate.NewGray(2, 1), plate.NewRGB(2, 1)
	clean.Fill(0.8)
	copy(cleanColor.Pix[0], []float32{0.02, 0.02})
	s, err := matte.NewSolver(2, 1, matte.References{CleanBand: clean, CleanColor: cleanColor}, nil)
	if err != nil {
		t.Fatal(err)
	}
	f := matte.Sample{Color: plate.NewRGB(2, 1), Band: plate.NewGray(2, 1)}
	copy(f.Color.Pix[0], []float32{0.5, 0.9 * 0.02})
	f.Band.Pix[1] = 0.9 * 0.8
	for _, row := range []struct {
		name       string
		covariance [4][4]float64
		want       float64
	}{
		{"m alone", [4][4]float64{{1e-4}}, 0.005 / 0.72},
		{"m, and the light beside it", [4][4]float64{{1e-4, 0, 0, -5e-5}, {}, {}, {-5e-5, 0, 0, 2.5e-5}}, 0},
	} {
		sigma, err := s.Sigma(nil, f, 0.9, matte.Noise{}, matte.Noise{Crosstalk: row.covariance})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(sigma.Pix[0])-row.want) > 1e-6 || math.Abs(float64(sigma.Pix[1])) > 1e-5 {
			t.Errorf("%s: %v, want %.5f on the performer and 0 beside them", row.name, sigma.Pix, row.want)
		}
	}
	if _, err := s.Sigma(nil, f, 0.9, matte.Noise{}, matte.Noise{Crosstalk: [4][4]float64{{-1}}}); err == nil {
		t.Error("no error for a negative variance")
	}
}
