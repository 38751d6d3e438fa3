package align

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// The pieces of edge lie where the geometry puts them, to what Residual says, and within both
// plates.
func TestPieces(t *testing.T) {
	g := mirrored(moved(320, 180, 6, -4))
	e, err := FromFootage(t.Context(), cutoutPairs(g, plainFaults, 2, 2), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(e.Pieces) < 60 {
		t.Fatalf("%d pieces", len(e.Pieces))
	}
	square, x := 0.0, 0.0
	for _, p := range e.Pieces {
		bx, by := e.Geometry.Map(p.Color[0], p.Color[1])
		d := math.Hypot(p.Band[0]-bx, p.Band[1]-by)
		square, x = square+d*d, x+p.Band[0]-bx
		if p.Color[0] < 0 || p.Color[0] > 319 || p.Color[1] < 0 || p.Color[1] > 179 || d > 5 {
			t.Errorf("%v, and the geometry has (%.1f, %.1f)", p, bx, by)
		}
	}
	n := float64(len(e.Pieces))
	// Not weighted, as Residual is.
	if rms := math.Sqrt(square / n); rms > 5*e.Residual || rms == 0 || math.Abs(x/n) > 0.1 {
		t.Errorf("%.3f px RMS over the pieces, the residual is %.3f; %.3f px in the mean along x", rms, e.Residual, x/n)
	}
	var chosen bool
	for i, m := range e.Models {
		chosen = chosen || m.Model == e.Model
		if i > 0 && m.Parameters <= e.Models[i-1].Parameters {
			t.Errorf("the models are not in rising order: %v", e.Models)
		}
	}
	if why := e.Why(); !chosen || !strings.Contains(why, "Schwarz") {
		t.Errorf("%s of %v: %q", e.Model, e.Models, why)
	}
	if why := (&Estimate{Model: Affine}).Why(); why != "" {
		t.Errorf("nothing was compared: %q", why)
	}
}

func ExampleEstimate_Why() {
	e := Estimate{Model: Affine, Models: []ModelFit{{Shift, 2, 6120}, {Similarity, 4, 5980}, {Affine, 6, 5211}, {Homography, 8, 5219}, {Radial, 9, 5224}}}
	fmt.Println(e.Why())
	// Output: it has the least of Schwarz's criterion; simpler ones are worse (shift by 909, similarity by 769); richer ones fit no better for their parameters (homography by 8, radial by 13)
}

// Where the edges alone would have put a geometry, and what the costume's texture made of that.
func ExampleTexture_Words() {
	t := Texture{Patches: 812, Bias: [2]float64{-0.16, 0}, Sigma: 0.03, Doubt: 9}
	fmt.Println(t.Words())
	// Output: the costume's texture, seen through the crosstalk, was used in 812 places; the performer's edges alone lie 0.16 px off it (-0.16, +0.00), as light from one side makes them: the geometry follows the texture
}

// How far a geometry is to be believed, where only the scale along x is doubtful: by one part in
// 10000.
func ExampleEstimate_Sigma() {
	e := Estimate{Geometry: Identity(1920, 1080)}
	e.Covariance[0][0] = 1e-4 * 1e-4
	fmt.Printf("%.3f px at the left, %.3f px in the middle, %.3f px at the right\n", e.Sigma(0, 540), e.Sigma(960, 540), e.Sigma(1919, 540))
	// Output: 0.000 px at the left, 0.096 px in the middle, 0.192 px at the right
}

// Another place is right with a chance of 1 %, and would be 20 pixels to the side: what the
// geometry may be off by has that, and what it may be off by here has not.
func ExampleEstimate_SigmaHere() {
	g := Identity(1920, 1080)
	e := Estimate{Geometry: g}
	e.Covariance[2][2] = 0.05 * 0.05
	g.Homography[2] += 20
	e.doubt([]rival{{finalist{fit: &fit{g: g}}, 0.01}})
	fmt.Printf("%.2f px, %.2f px here\n", e.Sigma(960, 540), e.SigmaHere(960, 540))
	// Output: 2.00 px, 0.05 px here
}

// One frame says nothing of shutters.
func ExampleRolling_Words() {
	fmt.Println(Rolling{}.Words())
	// Output: the performer is seen in one frame alone, which does not tell whether the rows of the two cameras are of the same instants: if they are not, the geometry has what that does to what moves, and is this frame's alone
}

// A woven scene has a costume with a pattern, some ten pixels wide in a small frame.
type woven struct{ simulate.Scene }

func (s woven) Draw(i, w, h int) (*plate.RGB, *plate.Gray) {
	p, t := s.Scene.Draw(i, w, h)
	for y := range h {
		for x := range w {
			u, v := float64(x)/float64(w), float64(y)/float64(w)
			k := float32(1 + 0.4*math.Sin(130*u+40*math.Sin(9*v+float64(i)))*math.Sin(110*v+3*math.Sin(17*u)))
			for c := range 3 {
				p.Pix[c][y*w+x] *= k
			}
		}
	}
	return p, t
}

// The stated error holds: with every fault on, the true error is within three of it at 95 % of the
// frame's points; and it is of some use, being at the edges neither far below the true error nor
// far above it. That is where the costume has texture; a plain one leaves open what the light does
// to edges, and the stated error says so.
func TestSigmaCovers(t *testing.T) {
	tier.InTest(t)
	const w, h = 800, 450
	takes := 1
	if tier.All() {
		takes = 4
	}
	quiet := hardFaults // texture is a hundredth of the light: noise of 1 % of full scale would hide that of a small frame
	quiet.ReadNoise = 0.003
	var points, within, found, stated float64
	plain, err := FromFootage(t.Context(), cutoutPairs(moved(w, h, 6, -4), hardFaults, 100, 2), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range plain.Pieces {
		if s := plain.Sigma(p.Color[0], p.Color[1]); s < 0.09 || s > 0.15 {
			t.Errorf("a plain costume: %.3f px stated at %v, want the 0.1 that light from one side may do", s, p.Color)
			break
		}
	}
	for i := range uint64(takes) {
		g := randomRig(rand.New(rand.NewPCG(i, 60)), w, h, w, h, Radial)
		pairs, alpha := footage(woven{simulate.Cutouts{Seed: 100 + i}}, g, quiet, 100+i, 2)
		e, err := FromFootage(t.Context(), pairs, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range g.Grid(17) {
			x, y := e.Geometry.Map(p.Color[0], p.Color[1])
			points++
			if math.Hypot(x-p.Band[0], y-p.Band[1]) <= 3*e.Sigma(p.Color[0], p.Color[1]) {
				within++
			}
		}
		d := edgeRMS(g, e.Geometry, alpha)
		s := 0.0
		for _, p := range e.Pieces {
			v := e.Sigma(p.Color[0], p.Color[1])
			s += v * v / float64(len(e.Pieces))
		}
		t.Logf("take %d: %.3f px at the edges, stated %.3f; %s; warnings %q", i, d, math.Sqrt(s), e.Texture.Words(), e.Warnings)
		found, stated = found+d*d, stated+s
	}
	t.Logf("%.1f %% of the points within three sigmas; at the edges %.3f px RMS, stated %.3f", 100*within/points, math.Sqrt(found/float64(takes)), math.Sqrt(stated/float64(takes)))
	if ratio := math.Sqrt(stated / found); within < 0.95*points || ratio < 0.5 || ratio > 3 {
		t.Errorf("within three sigmas at %.1f %% of the points, want 95; the stated error is %.2f times the true one, want 0.5 to 3", 100*within/points, ratio)
	}
}

// What clips is found, and noise at the top of a bright costume is not taken for it.
func TestClipped(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	const w, h = 64, 48
	bright := plane{w, h, make([]float32, w*h)}
	for i := range bright.pix {
		bright.pix[i] = float32(0.8 + 0.01*r.NormFloat64())
	}
	for i, v := range clipped(bright) {
		if v {
			t.Fatalf("noise about 0.8 clips in square %d", i)
		}
	}
	for y := 20; y < 26; y++ {
		for x := 8; x < 24; x++ {
			bright.pix[y*w+x] = 1 + float32(0.0005*r.NormFloat64()) // a dark plate was taken off
		}
	}
	f := frame{burnt: [3][]bool{clipped(bright)}}
	for _, at := range [][2]int{{8, 20}, {23, 25}, {16, 22}} {
		if !f.isBurnt(w, at[0], at[1]) {
			t.Errorf("%v is clipped, and was not found", at)
		}
	}
	if f.isBurnt(w, 40, 22) || f.isBurnt(w, 16, 40) {
		t.Error("places are said to clip that do not")
	}
}
