package matte_test

import (
	"encoding/json"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"golang.org/x/image/vector"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

func outline(frame int, at ...float64) matte.Outline {
	o := matte.Outline{Frame: frame}
	for i := 0; i+1 < len(at); i += 2 {
		o.Corners = append(o.Corners, matte.Corner{X: at[i], Y: at[i+1]})
	}
	return o
}

// The coverage of a polygon sums to its area, by the shoelace formula, wherever it lies between the
// pixels; a feather does not change the sum.
func TestRegionArea(t *testing.T) {
	const w, h = 160, 90
	for _, at := range [][]float64{
		{0.2, 0.2, 0.8, 0.2, 0.8, 0.8, 0.2, 0.8},
		{0.2013, 0.3007, 0.7123, 0.2511, 0.6017, 0.7779, 0.3301, 0.6919},
		{0.5, 0.1, 0.62, 0.7, 0.31, 0.33},
	} {
		area := 0.
		for i := 0; i < len(at); i += 2 {
			j := (i + 2) % len(at)
			area += (at[i]*at[j+1] - at[j]*at[i+1]) * w * h / 2
		}
		for _, feather := range []float64{0, 1, 3, 9} {
			r := matte.Region{Effect: matte.Outside, Feather: feather, Keys: []matte.Outline{outline(0, at...)}}
			c, err := r.Cover(w, h, 5)
			if err != nil {
				t.Fatal(err)
			}
			sum := 0.
			for _, v := range c.Pix {
				sum += float64(v)
			}
			if !(math.Abs(sum/math.Abs(area)-1) < 0.001) {
				t.Errorf("%v with feather %v: the coverage sums to %.3f, the area is %.3f", at, feather, sum, math.Abs(area))
			}
		}
	}
}

// Package vector of golang.org/x/image covers the same outlines alike: within what its float32 are
// off by, far from the left. Some lie half outside, and one crosses itself.
func TestRegionAsVector(t *testing.T) {
	const w, h = 700, 90
	r := rand.New(rand.NewPCG(8, 9))
	for range 40 {
		var at []float64
		for range 3 + r.IntN(5) {
			at = append(at, 1.6*r.Float64()-0.3, 1.6*r.Float64()-0.3)
		}
		region := matte.Region{Effect: matte.Outside, Keys: []matte.Outline{outline(0, at...)}}
		got, err := region.Cover(w, h, 0)
		if err != nil {
			t.Fatal(err)
		}
		z := vector.NewRasterizer(w, h)
		z.MoveTo(float32(at[0]*w), float32(at[1]*h))
		for i := 2; i < len(at); i += 2 {
			z.LineTo(float32(at[i]*w), float32(at[i+1]*h))
		}
		z.ClosePath()
		want := image.NewAlpha16(image.Rect(0, 0, w, h))
		z.Draw(want, want.Rect, image.Opaque, image.Point{})
		for i, v := range got.Pix {
			if x, y := i%w, i/w; math.Abs(float64(v)-float64(want.Alpha16At(x, y).A)/0xffff) > 0.003 {
				t.Fatalf("%v: pixel %d, %d is covered by %v, and package vector has %v", at, x, y, v, float64(want.Alpha16At(x, y).A)/0xffff)
			}
		}
	}
}

// The border of a feathered region is a Gaussian's: a tenth and nine tenths are so many pixels
// apart as the feather says, and the half is where the outline is.
func TestRegionFeather(t *testing.T) {
	const w, h = 400, 40
	for _, feather := range []float64{2, 5, 12, 40, 90} {
		r := matte.Region{Effect: matte.Solid, Feather: feather, Keys: []matte.Outline{outline(0, -3, -9, 0.5, -9, 0.5, 9, -3, 9)}}
		c, err := r.Cover(w, h, 0)
		if err != nil {
			t.Fatal(err)
		}
		sigma := feather / 2.563 // the normal distribution's tenth is 1.2816 standard deviations from its middle
		for x := range w {
			want := 0.5 * math.Erfc((float64(x)+0.5-w/2)/(sigma*math.Sqrt2))
			if got := float64(c.Pix[20*w+x]); !(math.Abs(got-want) < 1e-4) {
				t.Errorf("feather %v: %v pixels beyond the outline the coverage is %.4f, want %.4f", feather, float64(x)+0.5-w/2, got, want)
			}
		}
	}
}

func TestRegionKeys(t *testing.T) {
	r := matte.Region{Effect: matte.Open, First: 5, Last: 40, Keys: []matte.Outline{outline(10, 0, 0, 0.2, 0, 0.2, 1, 0, 1), outline(20, 0.4, 0, 0.6, 0, 0.6, 1, 0.4, 1)}}
	for _, row := range []struct {
		frame int
		left  float64
		holds bool
	}{{4, 0, false}, {5, 0, true}, {10, 0, true}, {15, 0.2, true}, {18, 0.32, true}, {20, 0.4, true}, {40, 0.4, true}, {41, 0, false}} {
		corners, ok := r.At(row.frame)
		if ok != row.holds || ok && math.Abs(corners[0].X-row.left) > 1e-12 {
			t.Errorf("frame %d: %v, %v; want %v, %v", row.frame, corners, ok, row.left, row.holds)
		}
		c, err := r.Cover(100, 10, row.frame)
		if err != nil || (c == nil) == row.holds {
			t.Errorf("frame %d: %v, %v", row.frame, c, err)
		}
		if c != nil && math.Abs(float64(c.Pix[500+int(100*row.left)+10])-1) > 1e-6 {
			t.Errorf("frame %d: the middle is covered by %v", row.frame, c.Pix[500+int(100*row.left)+10])
		}
	}
}

func TestRegionRefuses(t *testing.T) {
	good := outline(1, 0, 0, 1, 0, 1, 1)
	for _, row := range []struct {
		r    matte.Region
		want string
	}{
		{matte.Region{Effect: "gone", Keys: []matte.Outline{good}}, `its effect is "gone", and must be outside, solid, open or unspilled`},
		{matte.Region{Effect: matte.Solid}, "0 outlines"},
		{matte.Region{Effect: matte.Solid, Name: "lamp", Keys: []matte.Outline{outline(1, 0, 0, 1, 1)}}, `region "lamp": its outline at frame 1 has 2 corners`},
		{matte.Region{Effect: matte.Solid, Keys: []matte.Outline{good, good}}, "frames must rise"},
		{matte.Region{Effect: matte.Solid, Keys: []matte.Outline{good, outline(2, 0, 0, 1, 0, 1, 1, 0, 1)}}, "as many as the first"},
		{matte.Region{Effect: matte.Solid, Feather: math.NaN(), Keys: []matte.Outline{good}}, "feather is NaN"},
		{matte.Region{Effect: matte.Solid, Keys: []matte.Outline{outline(1, 0, 0, math.Inf(1), 0, 1, 1)}}, "corner 2 at +Inf"},
		{matte.Region{Effect: matte.Solid, First: 9, Last: 3, Keys: []matte.Outline{good}}, "frames 9 to 3"},
	} {
		if _, err := matte.NewRegions(10, 10, []matte.Region{row.r}); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%v\nwant %q in it", err, row.want)
		}
	}
}

// What each effect makes of a pixel, whole and by half, with a screen that shines into the color
// camera by 0.1 where nothing stands before it.
func TestImpose(t *testing.T) {
	const w, h = 4, 1
	solver := func() *matte.Solver {
		clean, leak := plate.NewGray(w, h), plate.NewRGB(w, h)
		clean.Fill(0.8)
		leak.Fill(0.1, 0.1, 0.1)
		s, err := matte.NewSolver(w, h, matte.References{CleanBand: clean, CleanColor: leak}, nil)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}()
	color, band := plate.NewRGB(w, h), plate.NewGray(w, h)
	color.Fill(0.35, 0.35, 0.35) // transmission 0.5: 0.05 of it is the screen's
	band.Fill(0.4)
	// Of the four pixels the first two are covered, the third by half.
	half := outline(0, -1, -1, 2.5/4, -1, 2.5/4, 2, -1, 2)
	for _, row := range []struct {
		effect   matte.RegionEffect
		gain     float64
		t, f     [3]float32 // whole, half, not
		changing float64
	}{
		{matte.Outside, 1, [3]float32{1, 0.75, 0.5}, [3]float32{0, 0.15, 0.3}, 0.75},
		{matte.Solid, 1, [3]float32{0, 0.25, 0.5}, [3]float32{0.35, 0.325, 0.3}, 0.75},
		{matte.Open, 1, [3]float32{1, 0.75, 0.5}, [3]float32{0.25, 0.275, 0.3}, 0.75},
	} {
		solution, err := solver.Solve(nil, color, band, row.gain)
		if err != nil {
			t.Fatal(err)
		}
		regions, err := matte.NewRegions(w, h, []matte.Region{{Effect: row.effect, Keys: []matte.Outline{half}}})
		if err != nil {
			t.Fatal(err)
		}
		did, err := solver.Impose(solution, color, row.gain, regions, 1)
		if err != nil || did.Part != row.changing {
			t.Errorf("%s: %v of the frame, %v; want %v", row.effect, did.Part, err, row.changing)
		}
		for k, x := range []int{0, 2, 3} {
			gotT, gotF := solution.Transmission.Pix[x], solution.Foreground.Pix[1][x]
			if math.Abs(float64(gotT-row.t[k])) > 1e-5 || math.Abs(float64(gotF-row.f[k])) > 1e-5 {
				t.Errorf("%s, pixel %d: transmission %v, foreground %v; want %v, %v", row.effect, x, gotT, gotF, row.t[k], row.f[k])
			}
		}
	}
	// A hand that is drawn solid comes back, though a larger region before it took it away.
	solution, err := solver.Solve(nil, color, band, 1)
	if err != nil {
		t.Fatal(err)
	}
	both, err := matte.NewRegions(w, h, []matte.Region{{Effect: matte.Outside, Keys: []matte.Outline{half}}, {Effect: matte.Solid, Keys: []matte.Outline{half}}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := solver.Impose(solution, color, 1, both, 1); err != nil || solution.Transmission.Pix[0] != 0 || solution.Foreground.Pix[0][0] != 0.35 {
		t.Errorf("solid after outside: transmission %v, foreground %v, %v", solution.Transmission.Pix[0], solution.Foreground.Pix[0][0], err)
	}
	other, err := matte.NewRegions(w+1, h, []matte.Region{{Effect: matte.Solid, Keys: []matte.Outline{half}}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := solver.Impose(solution, color, 1, other, 1); err == nil || !strings.Contains(err.Error(), "5x1") {
		t.Errorf("regions for another size: %v", err)
	}
}

// A lamp beside the screen is taken out of the picture, and the region goes into a file and back.
func ExampleSolver_Impose() {
	clean, band, color := plate.NewGray(8, 4), plate.NewGray(8, 4), plate.NewRGB(8, 4)
	clean.Fill(0.8)
	color.Fill(0.9, 0.9, 0.7) // the lamp, everywhere
	solver, err := matte.NewSolver(8, 4, matte.References{CleanBand: clean}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	solution, err := solver.Solve(nil, color, band, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	var lamp matte.Region
	text := `{"name": "lamp", "effect": "outside", "keys": [{"frame": 0, "corners": [{"x": 0, "y": 0}, {"x": 0.5, "y": 0}, {"x": 0.5, "y": 1}, {"x": 0, "y": 1}]}]}`
	if err := json.Unmarshal([]byte(text), &lamp); err != nil {
		fmt.Println(err)
		return
	}
	regions, err := matte.NewRegions(8, 4, []matte.Region{lamp})
	if err != nil {
		fmt.Println(err)
		return
	}
	did, err := solver.Impose(solution, color, 1, regions, 1)
	fmt.Printf("%.2f of the frame, %v; transmission %.0f at the left and %.0f at the right\n", did.Part, err, solution.Transmission.Pix[0], solution.Transmission.Pix[7])
	// Output: 0.50 of the frame, <nil>; transmission 1 at the left and 0 at the right
}
