package simulate_test

import (
	"math"
	"runtime"
	"sync"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// scene makes a simulate.Scene of a function of the frame's number and a place in it, 0 to 1 both ways.
type scene func(i int, x, y, px float64) (p [3]float64, t float64)

func (s scene) Draw(i, w, h int) (*plate.RGB, *plate.Gray) {
	p, t := plate.NewRGB(w, h), plate.NewGray(w, h)
	for k := range t.Pix {
		v, u := s(i, (float64(k%w)+0.5)/float64(w), (float64(k/w)+0.5)/float64(h), 1/float64(w))
		for c := range v {
			p.Pix[c][k] = float32(v[c])
		}
		t.Pix[k] = float32(u)
	}
	return p, t
}

// flat is the same everywhere.
func flat(p, t float64) scene {
	return func(int, float64, float64, float64) ([3]float64, float64) { return [3]float64{p, p, p}, t }
}

// quiet is the demo's set without its noise.
func quiet() simulate.Faults {
	f := simulate.DemoFaults()
	f.ReadNoise, f.PhotonNoise, f.Bits = 0, 0, 0
	return f
}

// The capture model: what the plates hold is what the truth and the clean plates say.
func TestModel(t *testing.T) {
	const w, h = 96, 54
	mirror := align.Identity(w, h)
	mirror.Mirror = true
	sharp := quiet()
	sharp.LensBlur = 0
	for _, row := range []struct {
		name string
		m    simulate.Mapping
		f    simulate.Faults
		band func(x int) int // the band column of a color column
	}{
		{"no fault at all", nil, simulate.Faults{}, func(x int) int { return x }},
		{"every fault but blur and noise", nil, sharp, func(x int) int { return x }},
		{"and blur", nil, quiet(), func(x int) int { return x }},
		{"and the splitter's mirror", mirror, quiet(), func(x int) int { return w - 1 - x }},
	} {
		sim := simulate.New(simulate.Cutouts{}, w, h, w, h, row.m, row.f, 5)
		shot := sim.Frame(7)
		cleanC, darkC, cleanB, darkB := sim.CleanColor(), sim.DarkColor(), sim.CleanBand(), sim.DarkBand()
		g := shot.Truth.Gain
		worst := 0.0
		for y := range h {
			for x := range w {
				i, j := y*w+x, y*w+row.band(x)
				tr := 1 - float64(shot.Truth.Alpha.Pix[i])
				n := float64(darkB.Pix[j]) + g*tr*float64(cleanB.Pix[j]-darkB.Pix[j])
				for c := range 3 {
					p := float64(shot.Truth.Foreground.Pix[c][i])
					n += row.f.Crosstalk[c] * p
					want := float64(darkC.Pix[c][i]) + p + g*tr*float64(cleanC.Pix[c][i]-darkC.Pix[c][i])
					worst = max(worst, math.Abs(want-float64(shot.Color.Pix[c][i])))
				}
				worst = max(worst, math.Abs(n-float64(shot.Band.Pix[j])))
			}
		}
		if worst > 2e-6 {
			t.Errorf("%s: the plates are off the model by %g", row.name, worst)
		}
	}
}

// The closed form of the capture model finds the truth again.
func TestClosedForm(t *testing.T) {
	const w, h = 96, 54
	f := quiet()
	sim := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, f, 9)
	shot := sim.Frame(3)
	cleanC, darkC, cleanB, darkB := sim.CleanColor(), sim.DarkColor(), sim.CleanBand(), sim.DarkBand()
	for i := range shot.Band.Pix {
		n, s := float64(shot.Band.Pix[i]-darkB.Pix[i]), float64(cleanB.Pix[i]-darkB.Pix[i])
		for c, m := range f.Crosstalk {
			n -= m * float64(shot.Color.Pix[c][i]-darkC.Pix[c][i])
			s -= m * float64(cleanC.Pix[c][i]-darkC.Pix[c][i])
		}
		if got, want := 1-n/(shot.Truth.Gain*s), float64(shot.Truth.Alpha.Pix[i]); math.Abs(got-want) > 1e-5 {
			t.Fatalf("pixel %d: alpha %g, want %g", i, got, want)
		}
	}
}

// The same arguments give the same shot, on any number of cores and from any number of goroutines.
func TestRepeatable(t *testing.T) {
	const w, h = 64, 36
	frame := func(seed uint64, i int) simulate.Shot {
		return simulate.New(simulate.Cutouts{Seed: 2}, w, h, w, h, nil, simulate.DemoFaults(), seed).Frame(i)
	}
	want := frame(1, 4)
	before := runtime.GOMAXPROCS(1)
	alone := frame(1, 4)
	runtime.GOMAXPROCS(before)
	sim := simulate.New(simulate.Cutouts{Seed: 2}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	var shots [4]simulate.Shot
	var wg sync.WaitGroup
	for k := range shots {
		wg.Go(func() { shots[k] = sim.Frame(4 + k%2) })
	}
	wg.Wait()
	for _, row := range []struct {
		name string
		got  simulate.Shot
		same bool
	}{
		{"on one core", alone, true},
		{"from several goroutines", shots[2], true},
		{"another frame", shots[1], false},
		{"another seed", frame(2, 4), false},
	} {
		same := true
		for i, v := range want.Band.Pix {
			same = same && v == row.got.Band.Pix[i] && want.Color.Pix[2][i] == row.got.Color.Pix[2][i]
		}
		if same != row.same {
			t.Errorf("%s: the plates are the same: %v, want %v", row.name, same, row.same)
		}
	}
	if noise := want.Color.Pix[0][0] - want.Color.Pix[1][0]; noise == 0 {
		t.Error("red and green have the same noise")
	}
}

// EMVA 1288's linear model: the variance is that of the dark plus the signal over the full well.
func TestNoise(t *testing.T) {
	const w, h = 200, 150
	for _, row := range []struct {
		name       string
		f          simulate.Faults
		p          float64
		mean, vari float64
	}{
		{"read noise in the dark", simulate.Faults{ReadNoise: 0.004, DarkLevel: 0.05}, 0, 0.05, 16e-6},
		{"photon noise of a bright plate", simulate.Faults{PhotonNoise: 10000}, 0.5, 0.5, 0.5e-4},
		{"both; the pedestal brings no photons", simulate.Faults{ReadNoise: 0.002, PhotonNoise: 20000, DarkLevel: 0.1}, 0.3, 0.4, 4e-6 + 0.3/20000},
		{"rounding to 8 bits adds a twelfth of a step squared", simulate.Faults{ReadNoise: 0.01, DarkLevel: 0.2, Bits: 8}, 0, 0.2, 1e-4 + 1.0/12/255/255},
	} {
		shot := simulate.New(flat(row.p, 0), w, h, 1, 1, nil, row.f, 3).Frame(0)
		var sum, sum2 float64
		for c := range 3 {
			for _, v := range shot.Color.Pix[c] {
				sum += float64(v)
				sum2 += float64(v) * float64(v)
			}
		}
		n := float64(3 * w * h)
		mean := sum / n
		vari := sum2/n - mean*mean
		if math.Abs(mean-row.mean) > 4*math.Sqrt(row.vari/n) {
			t.Errorf("%s: mean %g, want %g", row.name, mean, row.mean)
		}
		// The variance of a variance of n normal values is 2/n of its square.
		if math.Abs(vari/row.vari-1) > 4*math.Sqrt(2/n) {
			t.Errorf("%s: variance %g, want %g", row.name, vari, row.vari)
		}
	}
}

// The clean plates are means of 16 exposures.
func TestCleanPlates(t *testing.T) {
	const w, h = 160, 120
	f := simulate.Faults{ReadNoise: 0.008, DarkLevel: 0.02, ScreenColor: [3]float64{0.01, 0.02, 0.03}}
	sim := simulate.New(flat(0, 1), w, h, w, h, nil, f, 3)
	for _, row := range []struct {
		name string
		pix  []float32
		want float64
	}{
		{"clean red", sim.CleanColor().Pix[0], 0.03},
		{"clean blue", sim.CleanColor().Pix[2], 0.05},
		{"dark green", sim.DarkColor().Pix[1], 0.02},
		{"clean band", sim.CleanBand().Pix, 0.82},
		{"dark band", sim.DarkBand().Pix, 0.02},
	} {
		var sum, sum2 float64
		for _, v := range row.pix {
			sum += float64(v)
			sum2 += (float64(v) - row.want) * (float64(v) - row.want)
		}
		n := float64(len(row.pix))
		if got := sum / n; math.Abs(got-row.want) > 4*0.002/math.Sqrt(n) {
			t.Errorf("%s: mean %g, want %g", row.name, got, row.want)
		}
		if got := math.Sqrt(sum2 / n); math.Abs(got/0.002-1) > 4/math.Sqrt(2*n) {
			t.Errorf("%s: noise %g, want 0.008/4", row.name, got)
		}
	}
}

// The lamps: their gain is what the open screen shows, and stays within its two amplitudes.
func TestGain(t *testing.T) {
	f := simulate.Faults{GainDrift: 0.05, GainFlicker: 0.02}
	sim := simulate.New(flat(0, 1), 4, 4, 4, 4, nil, f, 8)
	low, high := math.Inf(1), math.Inf(-1)
	for i := range 140 {
		shot := sim.Frame(i)
		if got := float64(shot.Band.Pix[5]) / 0.8; math.Abs(got-shot.Truth.Gain) > 1e-6 {
			t.Fatalf("frame %d: the screen shows a gain of %g, the truth says %g", i, got, shot.Truth.Gain)
		}
		low, high = min(low, shot.Truth.Gain), max(high, shot.Truth.Gain)
	}
	if low < 0.93 || low > 0.95 || high > 1.07 || high < 1.05 {
		t.Errorf("the gain runs from %g to %g; amplitudes of 0.05 and 0.02 give about 0.93 to 1.07", low, high)
	}
}

func TestScreenFaults(t *testing.T) {
	const w, h = 161, 91
	at := func(f simulate.Faults, s scene, x, y int) float64 {
		return float64(simulate.New(s, w, h, w, h, nil, f, 1).Frame(0).Band.Pix[y*w+x])
	}
	for _, row := range []struct {
		name      string
		got, want float64
	}{
		{"level of its own", at(simulate.Faults{ScreenLevel: 0.5}, flat(0, 1), 3, 3), 0.5},
		{"center of an uneven screen", at(simulate.Faults{Unevenness: 2}, flat(0, 1), 80, 45), 0.8},
		{"spill on an opaque performer", at(simulate.Faults{Spill: 0.1}, flat(0.3, 0), 3, 3), 0.08},
		{"spill does not add to the open screen", at(simulate.Faults{Spill: 0.1}, flat(0, 1), 3, 3), 0.8},
		{"set light in the band", at(simulate.Faults{Crosstalk: [3]float64{0.1, 0.2, 0.05}}, flat(0.4, 0), 3, 3), 0.14},
	} {
		if math.Abs(row.got-row.want) > 1e-6 {
			t.Errorf("%s: %g, want %g", row.name, row.got, row.want)
		}
	}
	corner := at(simulate.Faults{Unevenness: 2}, flat(0, 1), 0, 0) / at(simulate.Faults{Unevenness: 2}, flat(0, 1), 80, 45)
	if stops := -math.Log2(corner); stops < 1.8 || stops > 2.2 {
		t.Errorf("the corner is %.2f stops below the center, want about 2", stops)
	}
}

func TestFrameOffset(t *testing.T) {
	const w, h = 64, 36
	f := quiet()
	inStep := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, f, 1)
	f.FrameOffset = 3
	late := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, f, 1)
	a, b := late.Frame(5), inStep.Frame(8)
	for i, v := range a.Band.Pix {
		if v != b.Band.Pix[i] {
			t.Fatalf("band pixel %d of frame 5, started 3 late, is %g; of frame 8 in step it is %g", i, v, b.Band.Pix[i])
		}
	}
	if c := inStep.Frame(5); a.Color.Pix[1][w*h/2] != c.Color.Pix[1][w*h/2] || a.Truth.Gain != c.Truth.Gain {
		t.Error("the color camera was started late as well")
	}
}

func TestBits(t *testing.T) {
	for _, bits := range []int{8, 10, 12, 16} {
		f := simulate.DemoFaults()
		f.Bits, f.ReadNoise, f.DarkLevel = bits, 0.3, 0 // so that both ends clip
		shot := simulate.New(simulate.Cutouts{}, 64, 36, 64, 36, nil, f, 1).Frame(0)
		top := math.Exp2(float64(bits)) - 1
		low, high := 1.0, 0.0
		for _, pix := range [][]float32{shot.Band.Pix, shot.Color.Pix[0], shot.Color.Pix[2]} {
			for _, v := range pix {
				code := float64(v) * top
				if math.Abs(code-math.Round(code)) > top*1e-7 {
					t.Fatalf("%d bits: %g is not a code value", bits, v)
				}
				low, high = min(low, float64(v)), max(high, float64(v))
			}
		}
		if low != 0 || high != 1 {
			t.Errorf("%d bits: values run from %g to %g, and should be clamped to 0 to 1", bits, low, high)
		}
	}
}

// disc is opaque inside a radius about a place, all in parts of the frame's width.
func disc(cx, cy, r, aspect float64) scene {
	return func(_ int, x, y, px float64) ([3]float64, float64) {
		a := min(max(0.5+(r-math.Hypot(x-cx, (y-cy)/aspect))/px, 0), 1)
		return [3]float64{a, a, a}, 1 - a
	}
}

// The band plate holds the disc where the mapping says: its centroid and its area are those of the
// mapped disc.
func TestGeometry(t *testing.T) {
	const w, h = 192, 108
	skewed := func(bw, bh int, mirror bool) simulate.Mapping {
		g := align.NewGeometry(w, h, bw, bh)
		g.Mirror = mirror
		g.Homography[1] += 0.03
		g.Homography[2] += 2.3
		g.Homography[3] -= 0.02
		g.Homography[5] -= 1.7
		g.Homography[6] = 1e-4
		g.Homography[7] = -2e-4
		g.Radial = [2]float64{0.04, -0.01}
		return g
	}
	for _, row := range []struct {
		name   string
		bw, bh int
		m      simulate.Mapping
		blur   float64
	}{
		{"identity", w, h, nil, 0},
		{"identity behind a lens", w, h, nil, 0.8},
		{"half size, edge to edge", w / 2, h / 2, nil, 0},
		{"a third of the size", w / 3, h / 3, nil, 0.8},
		{"one and a half times", w * 3 / 2, h * 3 / 2, nil, 0.8},
		{"keystone, shift and radial terms", w, h, skewed(w, h, false), 0},
		{"and the mirror", w, h, skewed(w, h, true), 0.8},
		{"and another size", 240, 135, skewed(240, 135, true), 0.8},
		{"and a smaller one", 120, 68, skewed(120, 68, true), 0.8},
	} {
		for _, at := range [][2]float64{{0.5, 0.5}, {0.31, 0.42}, {0.7203, 0.613}} {
			const r = 0.0723
			f := simulate.Faults{LensBlur: row.blur, ScreenLevel: 1}
			sim := simulate.New(disc(at[0], at[1], r, float64(w)/h), w, h, row.bw, row.bh, row.m, f, 1)
			var sum, sx, sy float64
			for i, v := range sim.Frame(0).Band.Pix {
				a := 1 - float64(v)
				sum += a
				sx += a * float64(i%row.bw)
				sy += a * float64(i/row.bw)
			}
			sx, sy = sx/sum, sy/sum
			m := row.m
			if m == nil {
				m = align.NewGeometry(w, h, row.bw, row.bh)
			}
			var area, wx, wy float64 // of the disc, mapped point by point
			const n = 120
			for k := range n * n {
				u, v := (float64(k%n)+0.5)/n*2-1, (float64(k/n)+0.5)/n*2-1
				if u*u+v*v > 1 {
					continue
				}
				x, y := at[0]*w-0.5+u*r*w, at[1]*h-0.5+v*r*w
				bx, by := m.Map(x, y)
				x1, y1 := m.Map(x+0.01, y)
				x2, y2 := m.Map(x, y+0.01)
				j := math.Abs((x1-bx)*(y2-by)-(x2-bx)*(y1-by)) / 1e-4 * (2 * r * w / n) * (2 * r * w / n)
				area += j
				wx += j * bx
				wy += j * by
			}
			wx, wy = wx/area, wy/area
			if d := math.Hypot(sx-wx, sy-wy); d > 0.01 {
				t.Errorf("%s, disc at %v: its centroid is at (%.3f, %.3f), want (%.3f, %.3f)", row.name, at, sx, sy, wx, wy)
			}
			if math.Abs(sum/area-1) > 0.005 {
				t.Errorf("%s, disc at %v: it covers %.1f pixels, want %.1f", row.name, at, sum, area)
			}
		}
	}
}

// The lens: the line spread's variance is that of the Gaussian, plus a sixteenth for the pixel's
// width: its two samples are a quarter of a pixel to each side of its center.
func TestLensBlur(t *testing.T) {
	const w, h = 64, 8
	edge := scene(func(_ int, x, _, px float64) ([3]float64, float64) {
		return [3]float64{}, min(max(0.5+(x-0.5)/px, 0), 1)
	})
	for _, row := range []struct {
		name        string
		blur, extra float64
	}{
		{"0.8 px", 0.8, 0},
		{"2 px", 2, 0},
		{"and the band lens's own", 0.8, 1.5},
	} {
		shot := simulate.New(edge, w, h, w, h, nil, simulate.Faults{LensBlur: row.blur, BandBlur: row.extra, ScreenLevel: 1}, 1).Frame(0)
		for _, side := range []struct {
			name string
			pix  []float32
			flip float64
			want float64
		}{
			{"truth", shot.Truth.Alpha.Pix, -1, row.blur * row.blur},
			{"band", shot.Band.Pix, 1, row.blur*row.blur + row.extra*row.extra},
		} {
			var sum, mean, vari float64
			for x := 1; x < w; x++ {
				d := side.flip * float64(side.pix[3*w+x]-side.pix[3*w+x-1])
				sum += d
				mean += d * float64(x)
				vari += d * float64(x) * float64(x)
			}
			mean /= sum
			// The difference of neighbors is as wide as the pixel once more.
			got := vari/sum - mean*mean - 2.0/16
			if math.Abs(mean-w/2) > 0.002 || math.Abs(math.Sqrt(got)-math.Sqrt(side.want)) > 0.02 {
				t.Errorf("%s, %s: the edge is at %.4f, sigma %.3f; want %d, %.3f", row.name, side.name, mean, math.Sqrt(got), w/2, math.Sqrt(side.want))
			}
		}
	}
}

func TestNewSimulatorPanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a band plate without pixels was taken")
		}
	}()
	simulate.New(simulate.Cutouts{}, 10, 10, 0, 10, nil, simulate.Faults{}, 1)
}
