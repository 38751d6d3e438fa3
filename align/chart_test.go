package align

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// A chartView is how a chart is seen by the two cameras of a test.
type chartView struct {
	side   float64 // of a square, in color pixels, at the frame's middle
	turn   float64 // degrees
	tilt   float64 // how much nearer the right edge of the frame is than its middle, as a part
	dx, dy float64 // of the chart's middle from the frame's, in color pixels
	blur   float64 // sigma of the lens, in pixels
	noise  float64 // standard deviation, in full scale
	fall   float64 // how much darker the light is in the frame's corner, as a part
	plain  bool    // the chart has no dots
}

var usualView = chartView{side: 80, turn: 4, tilt: 0.12, dx: 30, dy: -20, blur: 0.8, noise: 0.01, fall: 0.5}

// draw photographs a chart. The light of a pixel is the product of two blurred steps, which is what
// a Gaussian lens makes of edges that are straight and at right angles, with a pixel's own area as
// a part of the blur.
func (v chartView) draw(c Chart, g Geometry, seed uint64) Pair {
	sin, cos := math.Sincos(v.turn * math.Pi / 180)
	half := float64(g.ColorW) / 2
	sheet := func(x, y float64) (u, w float64) { // squares from the chart's first corner
		x, y = x-g.Center[0]-v.dx, y-g.Center[1]-v.dy
		z := 1 + v.tilt*x/half
		x, y = x/z/v.side, y/z/v.side
		return cos*x + sin*y + float64(c.Columns)/2, -sin*x + cos*y + float64(c.Rows)/2
	}
	shoot := func(w, h int, place func(x, y float64) (float64, float64), tint float64, seed uint64) *plate.Gray {
		f := plate.NewGray(w, h)
		sigma := math.Sqrt(v.blur*v.blur + 1.0/12)
		parallel.Parts(h, func(from, to int) {
			for y := from; y < to; y++ {
				r := rand.New(rand.NewPCG(seed, uint64(y)))
				for x := range w {
					px, py := place(float64(x), float64(y))
					u, q := sheet(px, py)
					u2, q2 := sheet(place(float64(x)+0.5, float64(y)))
					u3, q3 := sheet(place(float64(x), float64(y)+0.5))
					// Squares to a pixel.
					su, sq := 2*math.Hypot(u2-u, u3-u), 2*math.Hypot(q2-q, q3-q)
					value := 0.05 + 0.75*reflectance(c, u, q, su*sigma, sq*sigma, v.plain)
					cx, cy := (float64(x)/float64(w)-0.5)*2, (float64(y)/float64(h)-0.5)*2
					value *= tint * (1 - v.fall*(cx*cx+cy*cy+0.4*cx)/2.4)
					f.Pix[y*w+x] = float32(value + v.noise*r.NormFloat64())
				}
			}
		})
		return f
	}
	p := Pair{Color: plate.NewRGB(g.ColorW, g.ColorH)}
	for k, tint := range []float64{1, 0.9, 0.7} {
		p.Color.Pix[k] = shoot(g.ColorW, g.ColorH, func(x, y float64) (float64, float64) { return x, y }, tint, seed*4+uint64(k)).Pix
	}
	p.Band = shoot(g.BandW, g.BandH, g.Inverse, 0.8, seed*4+3)
	return p
}

// reflectance is the chart's, 0 to 1, blurred by su and sv squares.
func reflectance(c Chart, u, v, su, sv float64, plain bool) float64 {
	step := func(x, s float64) float64 { return 0.5 * (1 + math.Erf(x/s/math.Sqrt2)) }
	// +1 and -1 in turn along one axis, blurred.
	wave := func(x, s float64) float64 {
		k := math.Floor(x)
		sign := 1.0
		if int(k)&1 != 0 {
			sign = -1
		}
		return sign * (1 - 2*step(k-x, s) - 2*step(x-k-1, s))
	}
	inside := step(u, su) * step(float64(c.Columns)-u, su) * step(v, sv) * step(float64(c.Rows)-v, sv)
	black := (1 + wave(u, su)*wave(v, sv)) / 2
	i, j := int(math.Floor(u)), int(math.Floor(v))
	if !plain && c.Dot(i, j) {
		r := math.Hypot(u-float64(i)-0.5, v-float64(j)-0.5)
		black += step(dotRadius-r, math.Max(su, sv)) * (1 - 2*black)
	}
	return 1 - black*inside
}

func a3(t testing.TB) Chart {
	c, err := NewChart(420, 297, 0)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestFromChart(t *testing.T) {
	chart := a3(t)
	for i, row := range []struct {
		name           string
		w, h, bw, bh   int
		model          string
		change         func(*chartView)
		frame, covered float64 // bounds: pixels RMS over the frame, and the least coverage
		warning        string  // "" for none
	}{
		{"1920x1080, over the frame's edge", 1920, 1080, 1920, 1080, Radial, func(v *chartView) { v.side = 110 }, 0.03, 0.95, ""},
		{"a chart that almost fills the frame", 960, 540, 960, 540, Radial, func(v *chartView) { v.side = 44 }, 0.05, 0.9, ""},
		{"upside down", 960, 540, 960, 540, Radial, func(v *chartView) { v.side, v.turn = 50, 184 }, 0.05, 0.9, ""},
		{"on its side", 960, 540, 960, 540, Radial, func(v *chartView) { v.side, v.turn = 60, 88 }, 0.05, 0.8, ""},
		{"a band plate of half the size", 960, 540, 480, 270, Radial, func(v *chartView) { v.side = 50 }, 0.05, 0.9, ""},
		{"a band plate of 1.5 times the size", 640, 360, 960, 540, Radial, func(v *chartView) { v.side = 36 }, 0.06, 0.9, ""},
		{"soft and noisy", 960, 540, 960, 540, Radial, func(v *chartView) { v.side, v.blur, v.noise = 50, 2.5, 0.03 }, 0.1, 0.9, "the expected error reaches"},
		{"lit from one side, by three stops", 960, 540, 960, 540, Radial, func(v *chartView) { v.side, v.fall = 50, 0.85 }, 0.06, 0.8, ""},
		{"no distortion at all", 960, 540, 960, 540, Similarity, func(v *chartView) { v.side = 50 }, 0.05, 0.9, ""},
		{"squares of 14 pixels", 320, 180, 320, 180, Homography, func(v *chartView) { v.side = 14.5; v.dx, v.dy = 0, 0 }, 0.1, 0.9, "the expected error reaches"},
	} {
		if tier.Quick() && row.w > 700 {
			continue // slow under the race detector
		}
		if late := row.name == "upside down" || row.name == "no distortion at all"; late && !tier.All() {
			continue
		}
		view := usualView
		row.change(&view)
		g := randomRig(rand.New(rand.NewPCG(uint64(i), 7)), row.w, row.h, row.bw, row.bh, row.model)
		e, err := FromChart(t.Context(), []Pair{view.draw(chart, g, uint64(i))})
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		frame := RMS(g, e.Geometry)
		t.Logf("%s: %.4f pixels RMS, residual %.4f from %d corners (%d outliers), coverage %.2f", row.name, frame, e.Residual, len(e.Corners), e.Outliers, e.Coverage)
		if e.Geometry.Mirror != g.Mirror {
			t.Errorf("%s: mirror is %v, want %v", row.name, e.Geometry.Mirror, g.Mirror)
		}
		if !(frame <= row.frame) || e.Coverage < row.covered || !warned(e.Warnings, row.warning) {
			t.Errorf("%s: %.4f pixels RMS over the frame, want %v; coverage %.2f, want %v; warnings %q", row.name, frame, row.frame, e.Coverage, row.covered, e.Warnings)
		}
		if share := withinSigmas(e, g); share < 0.95 {
			t.Errorf("%s: the true error is within three sigmas at %.2f of the frame", row.name, share)
		}
	}
}

// warned reports whether the one warning begins as it should, or none is there.
func warned(got []string, want string) bool {
	if want == "" {
		return len(got) == 0
	}
	return len(got) == 1 && strings.HasPrefix(got[0], want)
}

// withinSigmas is the part of the frame where the true error is within three of the stated sigmas.
func withinSigmas(e *ChartEstimate, g Geometry) float64 {
	n, in := 0.0, 0.0
	for _, p := range g.Grid(17) {
		x, y := e.Geometry.Map(p.Color[0], p.Color[1])
		n++
		if math.Hypot(x-p.Band[0], y-p.Band[1]) <= 3*e.Sigma(p.Color[0], p.Color[1]) {
			in++
		}
	}
	return in / n
}

// A chart in one corner says little about the other, and the estimate must know; a second pair
// mends it.
func TestFromChartInOneCorner(t *testing.T) {
	tier.InTest(t)
	chart := a3(t)
	g := randomRig(rand.New(rand.NewPCG(3, 3)), 960, 540, 960, 540, Radial)
	corner := usualView
	corner.side, corner.dx, corner.dy = 18, -260, -120
	pairs := []Pair{corner.draw(chart, g, 1)}
	one, err := FromChart(t.Context(), pairs)
	if err != nil {
		t.Fatal(err)
	}
	if len(one.Warnings) == 0 || one.Sigma(930, 510) < 5*one.Sigma(220, 150) {
		t.Errorf("warnings %q; sigma %.3f in the far corner, %.3f on the chart", one.Warnings, one.Sigma(930, 510), one.Sigma(220, 150))
	}
	if share := withinSigmas(one, g); share < 0.95 {
		t.Errorf("the true error is within three sigmas at %.2f of the frame", share)
	}
	for i, d := range [][2]float64{{260, -120}, {260, 120}, {-260, 120}} {
		corner.dx, corner.dy = d[0], d[1]
		pairs = append(pairs, corner.draw(chart, g, uint64(i+2)))
	}
	four, err := FromChart(t.Context(), pairs)
	if err != nil {
		t.Fatal(err)
	}
	if frame := RMS(g, four.Geometry); frame > 0.05 || len(four.Warnings) > 0 {
		t.Errorf("four pairs: %.3f pixels RMS over the frame, warnings %q", frame, four.Warnings)
	}
}

func TestFromChartFails(t *testing.T) {
	chart := a3(t)
	g := Identity(480, 270)
	small := usualView
	small.side, small.dx, small.dy = 26, 0, 0
	good := small.draw(chart, g, 1)
	small.plain = true
	plain := small.draw(chart, g, 1)
	for _, row := range []struct {
		name string
		pair Pair
		is   error
		says string
	}{
		{"an empty color plate", Pair{plate.NewRGB(480, 270), good.Band}, ErrNoChart, "the color plate"},
		{"an empty band plate", Pair{good.Color, plate.NewGray(480, 270)}, ErrNoChart, "the band plate"},
		{"a performer and no chart", cutoutPairs(g, plainFaults, 1, 1)[0], ErrNoChart, "no checkerboard"},
		{"a checkerboard without dots", plain, ErrChartAmbiguous, "twinplate chart"},
	} {
		_, err := FromChart(t.Context(), []Pair{row.pair})
		if !errors.Is(err, row.is) || !strings.Contains(fmt.Sprint(err), row.says) {
			t.Errorf("%s: %v, want %q and %v", row.name, err, row.says, row.is)
		}
	}
	if _, err := FromChart(t.Context(), nil); err == nil {
		t.Error("no pairs: no error")
	}
}

func TestNewChartFails(t *testing.T) {
	for _, row := range [][3]float64{{0, 297, 0}, {420, math.NaN(), 0}, {420, 297, 100}, {420, 297, -1}, {420, 297, 0.5}, {math.Inf(1), 297, 0}, {420, 297, math.Inf(1)}} {
		if c, err := NewChart(row[0], row[1], row[2]); err == nil {
			t.Errorf("%v: %+v, and no error", row, c)
		}
	}
}

func ExampleFromChart() {
	// Two cameras see a chart on A3; the second sees it in a mirror.
	chart, err := NewChart(420, 297, 0)
	if err != nil {
		panic(err)
	}
	g := Identity(480, 270)
	g.Mirror = true
	view := chartView{side: 24, blur: 0.8, noise: 0.01}
	pair := view.draw(chart, g, 1)

	e, err := FromChart(context.Background(), []Pair{pair})
	if err != nil {
		panic(err)
	}
	fmt.Println("mirrored:", e.Geometry.Mirror)
	fmt.Println("right to a tenth of a pixel:", RMS(e.Geometry, g) < 0.1)
	fmt.Println("and known to be:", e.Sigma(240, 135) < 0.1)
	// Output:
	// mirrored: true
	// right to a tenth of a pixel: true
	// and known to be: true
}

func ExampleNewChart() {
	c, err := NewChart(420, 297, 20)
	if err != nil {
		panic(err)
	}
	fmt.Printf("%d by %d squares of %g mm\n", c.Columns, c.Rows, c.Square)
	m, err := c.Image(100)
	if err != nil {
		panic(err)
	}
	fmt.Println(m.Bounds().Max)
	// Output:
	// 19 by 13 squares of 20 mm
	// (1654,1169)
}
