package align

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/stop"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

var (
	plainFaults = simulate.Faults{LensBlur: 0.8, ReadNoise: 0.005}
	// hardFaults are all the faults of a real set at once, with noise of 1 % of full scale in the
	// dark.
	hardFaults = simulate.Faults{
		Crosstalk: [3]float64{0.03, 0.02, 0.006}, ScreenColor: [3]float64{0.02, 0.03, 0.002},
		Unevenness: 1.5, GainDrift: 0.05, GainFlicker: 0.03, LensBlur: 0.8, ReadNoise: 0.01, PhotonNoise: 20000, DarkLevel: 0.02, Bits: 12,
	}
)

// footage simulates n pairs of a scene, a second apart, and returns them with the true alpha of
// each.
func footage(s simulate.Scene, g Geometry, f simulate.Faults, seed uint64, n int) (pairs []Pair, alpha []*plate.Gray) {
	sim := simulate.New(s, g.ColorW, g.ColorH, g.BandW, g.BandH, g, f, seed)
	for i := range n {
		shot := sim.Frame(24 * i)
		pairs = append(pairs, Pair{shot.Color, shot.Band})
		alpha = append(alpha, shot.Truth.Alpha)
	}
	return pairs, alpha
}

func cutoutPairs(g Geometry, f simulate.Faults, seed uint64, n int) []Pair {
	pairs, _ := footage(simulate.Cutouts{Seed: seed}, g, f, seed, n)
	return pairs
}

// edgeRMS is RMS over the pixels where alpha has an edge.
func edgeRMS(a, b Geometry, alpha []*plate.Gray) float64 {
	sum, n := 0.0, 0.0
	for _, f := range alpha {
		for y := 1; y < f.H-1; y++ {
			for x := 1; x < f.W-1; x++ {
				i := y*f.W + x
				gx, gy := f.Pix[i+1]-f.Pix[i-1], f.Pix[i+f.W]-f.Pix[i-f.W]
				if gx*gx+gy*gy < 0.02 {
					continue
				}
				x0, y0 := a.Map(float64(x), float64(y))
				x1, y1 := b.Map(float64(x), float64(y))
				sum += (x0-x1)*(x0-x1) + (y0-y1)*(y0-y1)
				n++
			}
		}
	}
	return math.Sqrt(sum / n)
}

// randomRig returns a rig with a shift of up to 4 % of the width, a turn of up to 3 degrees, a
// scale of up to 5 %, a keystone that moves each corner by up to 0.8 % of the width, and up to 1 %
// of radial distortion at the corner; as much of it as the model has.
func randomRig(r *rand.Rand, w, h, bw, bh int, model string) Geometry {
	u := func(a float64) float64 { return (2*r.Float64() - 1) * a }
	g := NewGeometry(w, h, bw, bh)
	m := modelIndex(model)
	a, s, keystone := 0.0, 1.0, 0.0
	if m >= 1 {
		a, s = u(3*math.Pi/180), 1+u(0.05)
	}
	if m >= 3 {
		keystone = 0.008 * float64(w)
	}
	tx, ty := u(0.04*float64(w)), u(0.025*float64(w))
	sin, cos := math.Sincos(a)
	var from, to [][2]float64
	for _, p := range g.Grid(2) {
		x, y := p.Color[0]-g.Center[0], p.Color[1]-g.Center[1]
		x, y = s*(cos*x-sin*y)+g.Center[0]+tx+u(keystone), s*(sin*x+cos*y)+g.Center[1]+ty+u(keystone)
		bx, by := g.Map(x, y)
		from, to = append(from, p.Color), append(to, [2]float64{bx, by})
	}
	h9, err := FitHomography(from, to)
	if err != nil {
		panic(err)
	}
	g.Homography = h9
	if m >= 4 {
		g.Radial = [2]float64{math.Copysign(0.005+r.Float64()*0.005, u(1)), 0}
	}
	g.Mirror = r.IntN(2) == 1
	return g
}

func TestFromFootage(t *testing.T) {
	const w, h = 480, 270
	for i, row := range []struct {
		name        string
		model       string
		faults      simulate.Faults
		bw, bh, n   int
		edge, frame float64 // the bounds, in band pixels
		late        bool    // make test-all's: more of what other rows have
	}{
		{"a shift, little noise", Shift, plainFaults, w, h, 2, 0.05, 0.05, false},
		{"similar frames, every fault", Similarity, hardFaults, w, h, 2, 0.08, 0.1, true},
		{"keystone, every fault", Homography, hardFaults, w, h, 2, 0.08, 0.1, false},
		{"keystone and radial, every fault", Radial, hardFaults, w, h, 2, 0.1, 0.15, true},
		{"keystone and radial, every fault, one pair", Radial, hardFaults, w, h, 1, 0.12, 0.25, false},
		{"a band plate of 3/4 the size", Homography, hardFaults, 360, 203, 2, 0.08, 0.1, false},
		{"a band plate of 1.5 times the size", Homography, hardFaults, 720, 405, 2, 0.1, 0.12, true},
		{"a soft band lens", Homography, with2(hardFaults, func(f *simulate.Faults) { f.BandBlur = 1.2 }), w, h, 2, 0.1, 0.12, false},
	} {
		if tier.Quick() && row.model != Radial || row.late && !tier.All() {
			continue
		}
		r := rand.New(rand.NewPCG(uint64(i), 20))
		g := randomRig(r, w, h, row.bw, row.bh, row.model)
		pairs, alpha := footage(simulate.Cutouts{Seed: uint64(i)}, g, row.faults, uint64(i), row.n)
		e, err := FromFootage(t.Context(), pairs, nil)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		edge, frame := edgeRMS(g, e.Geometry, alpha), RMS(g, e.Geometry)
		t.Logf("%s: %.3f pixels RMS at the edges, %.3f over the frame; model %s, residual %.3f, %d edges, match %.2f, margin %.2f", row.name, edge, frame, e.Model, e.Residual, e.Edges, e.Match, e.ParityMargin)
		if e.Geometry.Mirror != g.Mirror {
			t.Errorf("%s: mirror is %v, want %v (margin %v)", row.name, e.Geometry.Mirror, g.Mirror, e.ParityMargin)
		}
		if !(edge <= row.edge) || !(frame <= row.frame) {
			t.Errorf("%s: %.3f pixels RMS at the edges, want %v; %.3f over the frame, want %v", row.name, edge, row.edge, frame, row.frame)
		}
		if e.ParityMargin < 0.1 || len(e.Warnings) > 0 || e.Frames != row.n || e.Edges < 100 || e.Coverage < 0.5 {
			t.Errorf("%s: %d frames, %d edges, coverage %.2f, parity margin %.2f, warnings %q; nothing is wrong with this take", row.name, e.Frames, e.Edges, e.Coverage, e.ParityMargin, e.Warnings)
		}
		// The true geometry's residual, measured the same way, is about the same: the fit left
		// nothing over.
		if res, err := Residual(t.Context(), pairs, g); err != nil || math.Abs(res-e.Residual) > 0.1*res {
			t.Errorf("%s: the true geometry's residual is %.3f (%v), the estimate's %.3f", row.name, res, err, e.Residual)
		}
	}
}

func with2(f simulate.Faults, change func(*simulate.Faults)) simulate.Faults { change(&f); return f }

// What the plates have only more or less of must make no difference.
func TestFromFootageInvariant(t *testing.T) {
	tier.InTest(t)
	g := randomRig(rand.New(rand.NewPCG(4, 4)), 320, 180, 320, 180, Similarity)
	pairs := cutoutPairs(g, plainFaults, 4, 2)
	a, err := FromFootage(t.Context(), pairs, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := FromFootage(t.Context(), pairs, nil)
	if err != nil || a.Geometry != b.Geometry || a.Residual != b.Residual {
		t.Errorf("twice the same, %+v and %+v (%v)", a, b, err)
	}
	var scaled []Pair
	for i, p := range pairs {
		q := Pair{p.Color.Clone(), p.Band.Clone()}
		for c := range q.Color.Pix {
			for j := range q.Color.Pix[c] {
				q.Color.Pix[c][j] = 40*float32(c+1)*q.Color.Pix[c][j] + 3
			}
		}
		for j := range q.Band.Pix {
			q.Band.Pix[j] = 0.001*float32(i+1)*q.Band.Pix[j] + 2e-5
		}
		scaled = append(scaled, q)
	}
	c, err := FromFootage(t.Context(), scaled, nil)
	if err != nil || RMS(a.Geometry, c.Geometry) > 0.01 {
		t.Errorf("with other gains and offsets: %v, %.4f pixels away", err, RMS(a.Geometry, c.Geometry))
	}
	one, err := FromFootage(t.Context(), pairs, &FootageOptions{Mirror: parityOf(g)})
	if err != nil || one.ParityMargin != 0 || RMS(a.Geometry, one.Geometry) > 0.01 {
		t.Errorf("with the parity given: %+v (%v)", one, err)
	}
}

func parityOf(g Geometry) Mirror {
	if g.Mirror {
		return MirrorYes
	}
	return MirrorNo
}

// An empty frame among others does no harm.
func TestFromFootageEmptyFrame(t *testing.T) {
	g := mirrored(moved(320, 180, 7, 3))
	pairs := append(cutoutPairs(g, plainFaults, 6, 1), nobody(g, plainFaults))
	e, err := FromFootage(t.Context(), pairs, nil)
	if err != nil {
		t.Fatal(err)
	}
	if d := RMS(e.Geometry, g); d > 0.05 || e.Frames != 1 {
		t.Errorf("%.3f pixels off, from %d frames; want 0.05 from 1", d, e.Frames)
	}
}

// emptySet is a scene with nobody in it.
type emptySet struct{}

func (emptySet) Draw(_, w, h int) (*plate.RGB, *plate.Gray) {
	t := plate.NewGray(w, h)
	t.Fill(1)
	return plate.NewRGB(w, h), t
}

func nobody(g Geometry, f simulate.Faults) Pair {
	pairs, _ := footage(emptySet{}, g, f, 1, 1)
	return pairs[0]
}

// corner is a scene with what Cutouts draws, small, in the left quarter of the frame.
type corner struct{ of simulate.Scene }

func (s corner) Draw(i, w, h int) (*plate.RGB, *plate.Gray) {
	p, t := emptySet{}.Draw(i, w, h)
	sw, sh := w/3, h/3
	sp, st := s.of.Draw(i, sw, sh)
	for y := range sh {
		at := (y+h/4)*w + w/40
		copy(t.Pix[at:at+sw], st.Pix[y*sw:])
		for c := range p.Pix {
			copy(p.Pix[c][at:at+sw], sp.Pix[c][y*sw:])
		}
	}
	return p, t
}

// twoSided is a scene that is its own mirror image.
type twoSided struct{ of simulate.Scene }

func (s twoSided) Draw(i, w, h int) (*plate.RGB, *plate.Gray) {
	p, t := s.of.Draw(i, w, h)
	for y := range h {
		for x := range w / 2 {
			a, b := y*w+x, y*w+w-1-x
			t.Pix[b] = t.Pix[a]
			for c := range p.Pix {
				p.Pix[c][b] = p.Pix[c][a]
			}
		}
	}
	return p, t
}

func TestFromFootageWarnings(t *testing.T) {
	tier.InTest(t)
	g := randomRig(rand.New(rand.NewPCG(1, 5)), 480, 270, 480, 270, Similarity)
	pairs, alpha := footage(corner{simulate.Cutouts{Seed: 2}}, g, plainFaults, 2, 2)
	e, err := FromFootage(t.Context(), pairs, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(fmt.Sprint(e.Warnings), "only in the left part of the frame") || e.Coverage > 0.4 {
		t.Errorf("the performer in the left third: coverage %.2f, warnings %q", e.Coverage, e.Warnings)
	}
	if d := edgeRMS(g, e.Geometry, alpha); d > 0.12 {
		t.Errorf("the performer in the left third: %.3f pixels RMS at the edges, want 0.12", d)
	}
	t.Logf("the performer in the left third: %.3f pixels RMS at the edges, %.3f over the frame, %s", edgeRMS(g, e.Geometry, alpha), RMS(g, e.Geometry), e.Model)

	pairs, _ = footage(twoSided{simulate.Cutouts{Seed: 3}}, moved(320, 180, 5, 2), plainFaults, 3, 1)
	e, err = FromFootage(t.Context(), pairs, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(fmt.Sprint(e.Warnings), "check the parity") || e.ParityMargin > 0.05 {
		t.Errorf("a performer whose sides are alike: parity margin %v, warnings %q", e.ParityMargin, e.Warnings)
	}
}

func TestFromFootageErrors(t *testing.T) {
	g := Identity(320, 180)
	good := cutoutPairs(g, plainFaults, 1, 1)[0]
	other := cutoutPairs(g, plainFaults, 999, 1)[0]
	empty := nobody(g, hardFaults)
	noise := Pair{good.Color, noisePlate(320, 180, 4)}
	dark := Pair{good.Color, plate.NewGray(320, 180)}
	nan := Pair{good.Color, good.Band.Clone()}
	nan.Band.Pix[3] = float32(math.NaN())
	small := Pair{plate.NewRGB(31, 40), plate.NewGray(40, 40)}
	for _, row := range []struct {
		name  string
		pairs []Pair
		opt   *FootageOptions
		is    error
		want  string
	}{
		{"nothing", nil, nil, nil, "no pairs"},
		{"too many", make([]Pair, 65), nil, nil, "at most 64"},
		{"half a pair", []Pair{{Color: good.Color}}, nil, nil, "pair 0 lacks"},
		{"a tiny plate", []Pair{small}, nil, nil, "31x40"},
		{"two sizes", []Pair{good, small}, nil, nil, "one size"},
		{"not a number", []Pair{good, nan}, nil, nil, "band plate of pair 1: value at pixel (3, 0) is NaN"},
		{"an empty set", []Pair{empty, empty}, nil, ErrNoSilhouettes, "none of the 2 pairs"},
		{"a band plate of noise", []Pair{noise}, nil, ErrNoSilhouettes, ""},
		{"a black band plate", []Pair{dark}, nil, ErrNoSilhouettes, "black"},
		{"a black color plate", []Pair{{plate.NewRGB(320, 180), good.Band}}, nil, ErrNoSilhouettes, ""},
		{"plates of different moments", []Pair{{good.Color, other.Band}}, nil, ErrNoMatch, ""},
		{"a model there is not", []Pair{good}, &FootageOptions{Model: "projective"}, nil, `"projective"`},
		{"a rotation without bounds", []Pair{good}, &FootageOptions{MaxRotation: math.Inf(1)}, nil, "MaxRotation is +Inf"},
		{"a negative shift", []Pair{good}, &FootageOptions{MaxShift: -1}, nil, "MaxShift is -1"},
		{"no such parity", []Pair{good}, &FootageOptions{Mirror: 7}, nil, "Mirror is 7"},
	} {
		e, err := FromFootage(t.Context(), row.pairs, row.opt)
		if err == nil || !strings.Contains(err.Error(), row.want) || row.is != nil && !errors.Is(err, row.is) {
			t.Errorf("%s: %+v and the error %v, want one with %q", row.name, e, err, row.want)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := FromFootage(ctx, []Pair{good}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: %v", err)
	}
}

func TestResidual(t *testing.T) {
	g := randomRig(rand.New(rand.NewPCG(8, 8)), 320, 180, 320, 180, Homography)
	pairs := cutoutPairs(g, plainFaults, 8, 2)
	before := 0.0
	for i, off := range []float64{0, 0.25, 0.5, 1} {
		h := g
		h.Homography = mul3([9]float64{1, 0, off, 0, 1, off, 0, 0, 1}, g.Homography)
		r, err := Residual(t.Context(), pairs, h)
		if err != nil {
			t.Fatal(err)
		}
		// Off by as much along x as along y, an edge in any direction is off by that in the mean
		// square.
		if i == 0 && r > 0.2 || i > 0 && (r < 0.7*off || r > 1.3*off+0.2) || r < before {
			t.Errorf("off by %v: the residual is %.3f", off, r)
		}
		before = r
	}
	for _, row := range []struct {
		name string
		g    Geometry
		p    []Pair
		want string
	}{
		{"no geometry", Geometry{}, pairs, "at least 1x1"},
		{"another size", Identity(64, 64), pairs, "64x64"},
		{"nobody", g, []Pair{nobody(g, plainFaults)}, "no silhouettes"},
	} {
		if r, err := Residual(t.Context(), row.p, row.g); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v and the error %v, want one with %q", row.name, r, err, row.want)
		}
	}
}

// A performer who moves between the two exposures, each part of the frame another way: no geometry
// describes the edges, and the error that is stated grows with what is left over.
func TestFromFootageGrows(t *testing.T) {
	tier.InTest(t)
	const w, h = 480, 270
	g := NewGeometry(w, h, w, h)
	for _, row := range []struct {
		by    float64 // pixels
		grown bool
	}{{0, false}, {1.5, true}} {
		pairs, alpha := footage(simulate.Cutouts{Seed: 4}, g, hardFaults, 4, 2)
		for k := range pairs {
			band := pairs[k].Band
			moved := plate.NewGray(w, h)
			for y := range h {
				for x := range w {
					dx := row.by * math.Sin(float64(y)/9+float64(k))
					i := min(max(float64(x)+dx, 0), w-1.001)
					u := float32(i - math.Floor(i))
					p := band.Pix[y*w+int(i):]
					moved.Pix[y*w+x] = p[0]*(1-u) + p[1]*u
				}
			}
			pairs[k].Band = moved
		}
		e, err := FromFootage(t.Context(), pairs, nil)
		if err != nil {
			t.Fatal(err)
		}
		off, stated := edgeRMS(g, e.Geometry, alpha), e.edgeSigma()
		t.Logf("moved by %.1f pixels: residual %.2f, %.3f pixels RMS at the edges, stated %.3f", row.by, e.Residual, off, stated)
		if (e.Residual > soundResidual) != row.grown || off > 2*stated || row.grown && stated < 0.1 {
			t.Errorf("moved by %.1f pixels: residual %.2f, %.3f pixels RMS at the edges, stated %.3f, warnings %q", row.by, e.Residual, off, stated, e.Warnings)
		}
	}
	// By the ratio to what is sound, and not below it.
	for _, row := range []struct{ apart, by float64 }{{0.1, 1}, {soundResidual, 1}, {3 * soundResidual, 3}} {
		e := Estimate{Geometry: g}
		e.Covariance[2][2] = 0.01
		e.grow(row.apart)
		if got := e.Sigma(10, 20); math.Abs(got-0.1*row.by) > 1e-9 {
			t.Errorf("edges %.2f pixels apart: stated %v, want %v", row.apart, got, 0.1*row.by)
		}
	}
}

// Wherever a registration is stopped it returns the context's error.
func TestFromFootageStopped(t *testing.T) {
	tier.InTest(t)
	g := Identity(240, 136)
	pairs, more := cutoutPairs(g, simulate.Faults{}, 1, 2), cutoutPairs(g, simulate.Faults{}, 2, 2)
	stop.Everywhere(t, "FromFootage", func(ctx context.Context) error {
		_, err := FromFootage(ctx, pairs, &FootageOptions{More: func(context.Context) ([]Pair, error) { return more, nil }})
		return err
	})
}
