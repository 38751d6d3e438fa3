package simulate_test

import (
	"math"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

func luminance(f *plate.RGB) float64 {
	sum := 0.0
	for i := range f.Pix[0] {
		sum += 0.2126*float64(f.Pix[0][i]) + 0.7152*float64(f.Pix[1][i]) + 0.0722*float64(f.Pix[2][i]) // BT.709
	}
	return sum / float64(f.W*f.H)
}

func TestScenes(t *testing.T) {
	for _, row := range []struct {
		name              string
		s                 simulate.Scene
		coverLo, coverHi  float64
		lumaLo, lumaHi    float64
		partial, brightes float64
	}{
		{"pier", simulate.Pier{}, 0.20, 0.60, 0.02, 0.20, 0.02, 0.93},
		{"pier, another seed", simulate.Pier{Seed: 7}, 0.20, 0.60, 0.02, 0.20, 0.02, 0.93},
		{"cutouts", simulate.Cutouts{}, 0.10, 0.50, 0.02, 0.30, 0.02, 0.93},
	} {
		for _, i := range []int{0, 23} {
			const w, h = 320, 180
			p, tr := row.s.Draw(i, w, h)
			if p.W != w || p.H != h || tr.W != w || tr.H != h {
				t.Fatalf("%s: drew %dx%d and %dx%d, want %dx%d", row.name, p.W, p.H, tr.W, tr.H, w, h)
			}
			if err := p.CheckFinite(); err != nil {
				t.Fatalf("%s, frame %d: %v", row.name, i, err)
			}
			var cover, partial float64
			var tenths [10]int
			for k, v := range tr.Pix {
				if !(v >= 0 && v <= 1) {
					t.Fatalf("%s, frame %d, pixel %d: a transmission of %g", row.name, i, k, v)
				}
				cover += 1 - float64(v)
				if v > 0.02 && v < 0.98 {
					partial++
				}
				tenths[min(int(v*10), 9)]++
				for c := range p.Pix {
					if q := p.Pix[c][k]; q < 0 || float64(q) > row.brightes {
						t.Fatalf("%s, frame %d, pixel %d: light of %g", row.name, i, k, q)
					}
					if v == 1 && p.Pix[c][k] > 1e-6 {
						t.Fatalf("%s, frame %d, pixel %d: light where nothing hides the screen", row.name, i, k)
					}
				}
			}
			if cover /= w * h; cover < row.coverLo || cover > row.coverHi {
				t.Errorf("%s, frame %d: the performer covers %.2f of the frame", row.name, i, cover)
			}
			if partial /= w * h; partial < row.partial {
				t.Errorf("%s, frame %d: only %.3f of the frame is partly transparent", row.name, i, partial)
			}
			for k, n := range tenths {
				if n < 20 {
					t.Errorf("%s, frame %d: %d pixels with a transmission of %d/10 to %d/10", row.name, i, n, k, k+1)
				}
			}
			if l := luminance(p); l < row.lumaLo || l > row.lumaHi {
				t.Errorf("%s, frame %d: a mean luminance of %.3f", row.name, i, l)
			}
		}
	}
}

// A scene is the same at any size: a fine drawing averaged down is the coarse one, but for the
// finest lines.
func TestSameAtAnySize(t *testing.T) {
	const w, h = 320, 180
	for _, row := range []struct {
		name string
		s    simulate.Scene
	}{{"pier", simulate.Pier{}}, {"cutouts", simulate.Cutouts{}}} {
		_, coarse := row.s.Draw(5, w, h)
		_, fine := row.s.Draw(5, 2*w, 2*h)
		var sum, bias float64
		for i, v := range coarse.Pix {
			j := i/w*4*w + i%w*2
			f := (fine.Pix[j] + fine.Pix[j+1] + fine.Pix[j+2*w] + fine.Pix[j+2*w+1]) / 4
			sum += float64(v-f) * float64(v-f)
			bias += float64(v - f)
		}
		if rms := math.Sqrt(sum / (w * h)); rms > 0.03 {
			t.Errorf("%s: transmission drawn at two sizes differs by %.4f RMS", row.name, rms)
		}
		if bias /= w * h; math.Abs(bias) > 0.003 {
			t.Errorf("%s: transmission drawn at two sizes differs by %.4f in the mean", row.name, bias)
		}
	}
}

// The performer moves, by enough for the screen to be uncovered behind the edges.
func TestPierMoves(t *testing.T) {
	const w, h = 160, 90
	open, hidden := plate.NewGray(w, h), plate.NewGray(w, h)
	open.Fill(0)
	hidden.Fill(1)
	for i := 0; i < 48; i += 6 {
		_, tr := simulate.Pier{}.Draw(i, w, h)
		for k, v := range tr.Pix {
			open.Pix[k], hidden.Pix[k] = max(open.Pix[k], v), min(hidden.Pix[k], v)
		}
	}
	both := 0.0
	for k := range open.Pix {
		if open.Pix[k] > 0.9 && hidden.Pix[k] < 0.1 {
			both++
		}
	}
	if both /= w * h; both < 0.02 {
		t.Errorf("%.3f of the frame is open in one frame and hidden in another, want at least 0.02", both)
	}
}

// Cutouts leaves no large part of the frame always open, and none always hidden.
func TestCutoutsReachEverywhere(t *testing.T) {
	const w, h, tiles = 128, 72, 4
	moved := plate.NewGray(tiles, tiles)
	_, first := simulate.Cutouts{}.Draw(0, w, h)
	for i := 8; i < 48; i += 8 {
		_, tr := simulate.Cutouts{}.Draw(i, w, h)
		for k, v := range tr.Pix {
			at := k/w*tiles/h*tiles + k%w*tiles/w
			moved.Pix[at] = max(moved.Pix[at], float32(math.Abs(float64(v-first.Pix[k]))))
		}
	}
	for k, v := range moved.Pix {
		if v < 0.5 {
			t.Errorf("nothing moves in tile (%d, %d) of the frame's %d by %d", k%tiles, k/tiles, tiles, tiles)
		}
	}
}

func TestBackground(t *testing.T) {
	const w, h = 240, 135
	a, b := simulate.Pier{}.Background(0, w, h), simulate.Pier{}.Background(12, w, h)
	if err := a.CheckFinite(); err != nil {
		t.Fatal(err)
	}
	moved := 0.0
	var sum [3]float64
	for c := range a.Pix {
		for i, v := range a.Pix[c] {
			if v < 0 || v > 0.8 {
				t.Fatalf("plane %d, pixel %d: %g, want 0 to 0.8", c, i, v)
			}
			sum[c] += float64(v)
			moved += math.Abs(float64(v - b.Pix[c][i]))
		}
	}
	if l := luminance(a); l < 0.03 || l > 0.3 {
		t.Errorf("a mean luminance of %.3f", l)
	}
	if !(sum[0] < sum[1] && sum[0] < sum[2]) {
		t.Errorf("the sea's mean color is %v, and should be blue-green", sum)
	}
	if moved/(3*w*h) < 0.002 {
		t.Error("nothing moves under the sea")
	}
}
