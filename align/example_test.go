package align_test

import (
	"context"
	"encoding/json"
	"fmt"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// The band camera looks into a mirror: what is at the left of the color plate is at the right of
// the band plate.
func ExampleGeometry_Map() {
	g := align.Identity(1920, 1080)
	g.Mirror = true
	x, y := g.Map(100, 40)
	fmt.Println(x, y)
	fmt.Println(g.Inverse(x, y))
	// Output:
	// 1819 40
	// 100 40
}

func ExampleGeometry_Inverse() {
	g := align.NewGeometry(1920, 1080, 960, 540)
	fmt.Println(g.Inverse(100, 50))
	// Output: 200.5 100.5
}

func ExampleGeometry_MarshalJSON() {
	data, err := json.Marshal(align.NewGeometry(1920, 1080, 960, 540))
	fmt.Println(string(data), err)
	// Output: {"color_size":[1920,1080],"band_size":[960,540],"mirror":false,"homography":[0.5,0,-0.25,0,0.5,-0.25,0,0,1],"radial":[0,0],"center":[959.5,539.5]} <nil>
}

func ExampleGeometry_UnmarshalJSON() {
	var g align.Geometry
	err := json.Unmarshal([]byte(`{"color_size": [8, 4], "band_size": [8, 4], "homography": [1, 0, 0, 1, 0, 0, 0, 0, 1]}`), &g)
	fmt.Println(err)
	// Output: geometry: the homography is singular: it maps the frame onto a line
}

// A geometry as pairs of points, for another program.
func ExampleGeometry_Grid() {
	data, err := json.Marshal(align.Identity(101, 51).Grid(2)[1:3])
	fmt.Println(string(data), err)
	// Output: [{"color":[100,0],"band":[100,0]},{"color":[0,50],"band":[0,50]}] <nil>
}

func ExampleGeometry_Density() {
	across, down := align.NewGeometry(1920, 1080, 1280, 540).Density()
	fmt.Printf("%.3f %.3f\n", across, down)
	// Output: 0.667 0.500
}

func ExampleBlur() {
	f := &plate.Gray{W: 5, H: 1, Pix: []float32{0, 0, 1, 0, 0}}
	align.Blur(f, 0.5)
	fmt.Println(f.Pix)
	// Output: [0 0.25 0.5 0.25 0]
}

func ExampleRMS() {
	a := align.Identity(1920, 1080)
	b := a
	b.Homography[2] = 0.25 // a quarter of a pixel to the right
	fmt.Println(align.RMS(a, b))
	// Output: 0.25
}

func ExampleFitHomography() {
	h, err := align.FitHomography(
		[][2]float64{{0, 0}, {1, 0}, {1, 1}, {0, 1}},
		[][2]float64{{1, 1}, {1.5, 0.5}, {1.5, 2}, {1, 4}})
	fmt.Printf("%.3f %v\n", h, err)
	// Output: [2.000 0.000 1.000 0.000 3.000 1.000 1.000 0.000 1.000] <nil>
}

func ExampleResampler() {
	g := align.Identity(4, 1)
	g.Homography[2] = 0.5 // between the pixels
	r := align.NewResampler(g)

	band := &plate.Gray{W: 4, H: 1, Pix: []float32{0, 0, 1, 1}}
	fmt.Println(r.Gray(nil, band).Pix)
	fmt.Println(r.Valid().Pix)
	// Output:
	// [-0.0625 0.5 1.0625 1]
	// [1 1 1 1]
}

func ExampleFromFootage() {
	// A rig whose true geometry is known: mirrored, and moved by 6.5 and -4 pixels.
	truth := align.Identity(320, 180)
	truth.Homography[2], truth.Homography[5] = 6.5, -4
	truth.Mirror = true
	sim := simulate.New(simulate.Cutouts{Seed: 1}, 320, 180, 320, 180, truth, simulate.DemoFaults(), 1)
	var pairs []align.Pair
	for _, i := range []int{0, 30} {
		shot := sim.Frame(i)
		pairs = append(pairs, align.Pair{Color: shot.Color, Band: shot.Band})
	}

	e, err := align.FromFootage(context.Background(), pairs, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("mirrored:", e.Geometry.Mirror)
	fmt.Println("model:", e.Model)
	fmt.Println("within a tenth of a pixel:", align.RMS(e.Geometry, truth) < 0.1)
	// Output:
	// mirrored: true
	// model: shift
	// within a tenth of a pixel: true
}

func ExampleResidual() {
	g := align.Identity(320, 180)
	shot := simulate.New(simulate.Cutouts{}, 320, 180, 320, 180, g, simulate.DemoFaults(), 1).Frame(0)
	pairs := []align.Pair{{Color: shot.Color, Band: shot.Band}}
	right, err := align.Residual(context.Background(), pairs, g)
	if err != nil {
		fmt.Println(err)
		return
	}
	g.Homography[2] = 2 // two pixels off
	wrong, err := align.Residual(context.Background(), pairs, g)
	fmt.Println(right < 0.3, wrong > 3*right, err)
	// Output: true true <nil>
}

// The band camera's lens is out of focus by 2 pixels.
func ExampleSoftnessDifference() {
	g := align.Identity(320, 180)
	shot := simulate.New(simulate.Cutouts{}, 320, 180, 320, 180, g, simulate.Faults{LensBlur: 0.8, BandBlur: 2}, 1).Frame(0)
	s, err := align.SoftnessDifference(context.Background(), []align.Pair{{Color: shot.Color, Band: shot.Band}}, g)
	fmt.Printf("the band plate is softer by %.0f px %v\n", s.Difference, err)
	// Output: the band plate is softer by 2 px <nil>
}

// A color camera whose lens shows red larger than green, and blue smaller.
func ExampleFindLateralColor() {
	const w, h = 320, 180
	g := align.Identity(w, h)
	shot := simulate.New(simulate.Cutouts{}, w, h, w, h, g, simulate.Faults{LensBlur: 0.8, ReadNoise: 0.005}, 1).Frame(0)
	align.LateralColor{Red: -0.002, Blue: 0.002}.Corrector(w, h).RGB(shot.Color)
	l, err := align.FindLateralColor(context.Background(), []align.Pair{{Color: shot.Color, Band: shot.Band}}, g)
	fmt.Printf("red %+.3f, blue %+.3f, told: %v %v\n", l.Red, l.Blue, l.Told(w, h), err)
	// Output: red +0.002, blue -0.002, told: true <nil>
}
