package align

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/plate"
)

// textured returns the finest level of a pair in which a performer of random texture, or of random
// upright stripes, fills the middle of the frame, seen by the band plate through m, the band plate
// being moved.
func textured(t testing.TB, w, h int, m [3]float64, moved [2]float64, stripes bool) (*level, Geometry) {
	t.Helper()
	r := rand.New(rand.NewPCG(7, 1))
	color, band := plate.NewRGB(w, h), plate.NewGray(w, h)
	// Waves in radians a pixel, whose values between the pixels are known.
	const waves = 24
	var wave [3][waves][4]float64
	for c := range wave {
		for k := range wave[c] {
			wave[c][k] = [4]float64{r.NormFloat64() * 0.2, r.NormFloat64() * 0.2, r.Float64() * 2 * math.Pi, 0.08 * r.Float64()}
			if stripes { // as fine as the others are along both axes together
				wave[c][k][0] *= math.Sqrt2
				wave[c][k][1] = 0
			}
		}
	}
	at := func(c int, x, y float64) float64 {
		v := 0.5
		for _, q := range wave[c] {
			v += q[3] * math.Sin(q[0]*x+q[1]*y+q[2])
		}
		return v
	}
	inside := func(x, y float64) bool {
		return x > 0.2*float64(w) && x < 0.8*float64(w) && y > 0.2*float64(h) && y < 0.8*float64(h)
	}
	for y := range h {
		for x := range w {
			i := y*w + x
			band.Pix[i] = 0.8
			px, py := float64(x)-moved[0], float64(y)-moved[1]
			if inside(px, py) {
				band.Pix[i] = 0
			}
			for c := range 3 {
				if inside(float64(x), float64(y)) {
					color.Pix[c][i] = float32(at(c, float64(x), float64(y)) + 0.005*r.NormFloat64())
				}
				if inside(px, py) {
					band.Pix[i] += float32(m[c] * at(c, px, py))
				}
			}
			band.Pix[i] += float32(0.0005 * r.NormFloat64())
		}
	}
	s, err := newStack(t.Context(), []Pair{{color, band}}, maxWidth, allLevels)
	if err != nil {
		t.Fatal(err)
	}
	return s.levels[0], Identity(w, h)
}

// foundTexture finds the texture of a level in all of its core.
func foundTexture(t testing.TB, l *level, g Geometry) *textureFit {
	t.Helper()
	patterns, err := l.patterns(t.Context(), l.corePatches(&g, l.patchSize()), l.patchSize())
	if err != nil {
		t.Fatal(err)
	}
	f, err := l.findTexture(t.Context(), g, patterns, l.patchSize())
	if err != nil || f == nil {
		t.Fatalf("no texture: %v", err)
	}
	return f
}

// measuredTexture returns what the texture of a level says.
func measuredTexture(t *testing.T, l *level, g Geometry) []measurement {
	t.Helper()
	f := foundTexture(t, l, g)
	ms, err := f.measure(t.Context(), l, g)
	if err != nil {
		t.Fatal(err)
	}
	return ms
}

// A displacement of the band plate is found in the costume's texture, patch by patch, within what
// each patch states.
func TestTextureDisplaced(t *testing.T) {
	moved := [2]float64{0.15, -0.1}
	l, g := textured(t, 480, 270, [3]float64{0.03, 0.02, 0.01}, moved, false)
	var sum [2]float64
	n := 0.0
	for _, m := range measuredTexture(t, l, g) {
		d := m.info[0]*m.info[2] - m.info[1]*m.info[1]
		if !(d > 0) {
			continue
		}
		n++
		sum[0] += (m.info[2]*m.b[0] - m.info[1]*m.b[1]) / d
		sum[1] += (m.info[0]*m.b[1] - m.info[1]*m.b[0]) / d
	}
	for k, want := range moved {
		if got := sum[k] / n; n < 20 || math.Abs(got-want) > 0.01 {
			t.Errorf("along axis %d the mean of %v patches is displaced by %.3f pixels, want %.3f", k, n, got, want)
		}
	}
}

// Upright stripes tell a displacement along x, and say nothing of one along y.
func TestStripesDisplaced(t *testing.T) {
	const moved = 0.15
	l, g := textured(t, 480, 270, [3]float64{0.12, 0.08, 0.04}, [2]float64{moved, 0}, true)
	f := foundTexture(t, l, g)
	// Each round brings it nearer, as in a fit.
	for range 4 {
		ms, err := f.measure(t.Context(), l, g)
		if err != nil {
			t.Fatal(err)
		}
		sum, across, along := 0.0, 0.0, 0.0
		for _, m := range ms {
			sum += m.b[0]
			across += m.info[0]
			along += m.info[2]
		}
		if !(across > 0) || along > 0.1*across {
			t.Fatalf("stripes say %.3g across and %.3g along", across, along)
		}
		g.Homography[2] += sum / across
	}
	if got := g.Homography[2]; math.Abs(got-moved) > 0.02 {
		t.Errorf("stripes are displaced by %.3f pixels, want %v", got, moved)
	}
}

// The products of a patch with the band that withBand finds without the color's slopes are those
// with the slopes themselves.
func TestPatchWithBand(t *testing.T) {
	l, g := textured(t, 320, 180, [3]float64{0.03, 0.02, 0.01}, [2]float64{0.3, -0.2}, false)
	s := newPatchSampler(l.patchSize())
	patches := l.corePatches(&g, s.size)
	if len(patches) == 0 {
		t.Fatal("no patch in the core")
	}
	if !s.readBand(l, &g, patches[len(patches)/2]) {
		t.Fatal("the band plate does not have the patch")
	}
	pattern := s.pattern(l)
	_, got := s.withBand(l, &pattern)
	for c := range 3 {
		for k, v := range [][]float64{s.color[c], s.slope[c][0], s.slope[c][1]} {
			if want := sumProducts(v, s.band); math.Abs(got[3*k+c]-want) > 1e-5*math.Sqrt(sumProducts(v, v)*sumProducts(s.band, s.band)) {
				t.Errorf("channel %d, plane %d: %v, want %v", c, k, got[3*k+c], want)
			}
		}
	}
}

// What a round of a fit asks of the texture, at 1920x1080.
func BenchmarkTexture(b *testing.B) {
	l, g := textured(b, 1920, 1080, [3]float64{0.03, 0.02, 0.01}, [2]float64{0.3, -0.2}, false)
	f := foundTexture(b, l, g)
	b.Run("find", func(b *testing.B) {
		for b.Loop() {
			foundTexture(b, l, g)
		}
	})
	b.Run("measure", func(b *testing.B) {
		for b.Loop() {
			if _, err := f.measure(b.Context(), l, g); err != nil {
				b.Fatal(err)
			}
		}
	})
}
