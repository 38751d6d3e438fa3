package matte_test

import (
	"fmt"
	"log"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

func pixel(r, g, b float32) *plate.RGB {
	f := plate.NewRGB(1, 1)
	f.Fill(r, g, b)
	return f
}

// One pixel worked by hand, after theorem 4 of Smith and Blinn 1996: foreground (0.2, 0.1, 0.05) premultiplied by
// alpha 0.5, before (0, 0.6, 0.1) and (0.1, 0.1, 0.7). C1 = (0.2, 0.4, 0.1), C2 = (0.25, 0.15, 0.4);
// C1-C2 = (-0.05, 0.25, -0.3), B1-B2 = (-0.1, 0.5, -0.6): 0.005+0.125+0.18 over 0.01+0.25+0.36 is 0.31/0.62.
func TestTriangulateWorkedPixel(t *testing.T) {
	s, err := matte.Triangulate(pixel(0.2, 0.4, 0.1), pixel(0.25, 0.15, 0.4), pixel(0, 0.6, 0.1), pixel(0.1, 0.1, 0.7))
	if err != nil {
		t.Fatal(err)
	}
	if got := s.Transmission.Pix[0]; math.Abs(float64(got)-0.5) > 1e-6 {
		t.Errorf("transmission %v, want 0.5", got)
	}
	for c, want := range []float64{0.2, 0.1, 0.05} {
		if got := s.Foreground.Pix[c][0]; math.Abs(float64(got)-want) > 1e-6 {
			t.Errorf("foreground channel %d: %v, want %v", c, got, want)
		}
	}
}

// Without noise triangulation is exact, costume in the backing's color and all.
func TestTriangulateFindsTheTruth(t *testing.T) {
	const w, h = 240, 135
	set := simulate.New(simulate.Cutouts{Seed: 2}, w, h, w, h, nil, simulate.Faults{LensBlur: 0.8, Unevenness: 0.5}, 2)
	green, blue := [3]float64{0.05, 0.6, 0.1}, [3]float64{0.05, 0.1, 0.6}
	s, err := matte.Triangulate(set.Backed(4, green), set.Backed(4, blue), set.Backing(green), set.Backing(blue))
	if err != nil {
		t.Fatal(err)
	}
	truth := set.Frame(4).Truth
	if d := maxDifference(matte.Alpha(nil, s.Transmission).Pix, truth.Alpha.Pix); d > 1e-5 {
		t.Errorf("alpha is off by %g", d)
	}
	if d := maxDifference(s.Foreground.Pix[1], truth.Foreground.Pix[1]); d > 1e-5 {
		t.Errorf("green is off by %g", d)
	}
}

func TestColorDifference(t *testing.T) {
	for _, test := range []struct {
		name    string
		color   *plate.RGB
		clean   *plate.RGB
		backing matte.Backing
		t       float64
	}{
		{"open green backing", pixel(0.1, 0.6, 0.1), pixel(0.1, 0.6, 0.1), matte.GreenBacking, 1},
		{"a gray coat", pixel(0.3, 0.3, 0.3), pixel(0.1, 0.6, 0.1), matte.GreenBacking, 0},
		{"gray smoke, half of it", pixel(0.15, 0.4, 0.15), pixel(0.1, 0.6, 0.1), matte.GreenBacking, 0.5},
		{"a green patch is taken for backing", pixel(0.1, 0.4, 0.1), pixel(0.1, 0.6, 0.1), matte.GreenBacking, 0.6},
		{"open blue backing", pixel(0.1, 0.1, 0.6), pixel(0.1, 0.1, 0.6), matte.BlueBacking, 1},
		{"the same green patch before blue", pixel(0.1, 0.4, 0.1), pixel(0.1, 0.1, 0.6), matte.BlueBacking, 0},
	} {
		s, err := matte.ColorDifference(test.color, test.clean, test.backing)
		if err != nil {
			t.Fatal(err)
		}
		if got := float64(s.Transmission.Pix[0]); math.Abs(got-test.t) > 1e-6 {
			t.Errorf("%s: transmission %v, want %v", test.name, got, test.t)
		}
	}
}

func TestBackingErrors(t *testing.T) {
	a := pixel(0, 0.5, 0)
	if _, err := matte.Triangulate(a, a, a, a); err == nil || !strings.Contains(err.Error(), "alike") {
		t.Errorf("one backing twice: %v", err)
	}
	if _, err := matte.Triangulate(a, a, a, plate.NewRGB(2, 1)); err == nil || !strings.Contains(err.Error(), "second backing") {
		t.Errorf("another size: %v", err)
	}
	nan := pixel(float32(math.NaN()), 0, 0)
	if _, err := matte.ColorDifference(nan, a, matte.GreenBacking); err == nil || !strings.Contains(err.Error(), "color plate") {
		t.Errorf("NaN: %v", err)
	}
	if _, err := matte.ColorDifference(a, plate.NewRGB(2, 1), matte.GreenBacking); err == nil {
		t.Error("a clean plate of another size was taken")
	}
}

func ExampleTriangulate() {
	s, err := matte.Triangulate(pixel(0.2, 0.4, 0.1), pixel(0.25, 0.15, 0.4), pixel(0, 0.6, 0.1), pixel(0.1, 0.1, 0.7))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("alpha %.2f\n", matte.Alpha(nil, s.Transmission).Pix[0])
	// Output: alpha 0.50
}

// Gray smoke before a green backing: half of it shows through.
func ExampleColorDifference() {
	s, err := matte.ColorDifference(pixel(0.15, 0.4, 0.15), pixel(0.1, 0.6, 0.1), matte.GreenBacking)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("transmission %.2f, foreground %.2f\n", s.Transmission.Pix[0], s.Foreground.Pix[0][0])
	// Output: transmission 0.50, foreground 0.10
}
