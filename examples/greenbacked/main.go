// Command greenbacked holds the sodium matte against two others, on the same performer with the
// same noise: a plain color-difference matte before a green backing, which is what most people
// know, and triangulation from two backings, for which everything must be shot twice with nothing
// moved. It prints each one's error against the truth, in parts of the frame that hold different
// things, and writes a picture: the mattes above, and the composites over the kelp forest below.
package main

import (
	"flag"
	"fmt"
	"image"
	"log"
	"math"

	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

func main() {
	log.SetFlags(0)
	out := flag.String("out", "greenbacked.png", "the picture to write, .png or .tif")
	flag.Parse()
	rows, err := run(*out, 960, 540)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%-28s", "RMS error of alpha")
	for _, m := range methods {
		fmt.Printf("  %16s", m)
	}
	fmt.Println()
	for _, r := range rows {
		fmt.Printf("%-28s", r.part)
		for _, e := range r.errors {
			fmt.Printf("  %16.4f", e)
		}
		fmt.Println()
	}
	fmt.Printf("mattes and composites, in the same order: %s\n", *out)
}

var methods = []string{"sodium", "green difference", "two backings"}

// frame is the instant of the scene that is compared.
const frame = 15

// parts are what the frame shows where, in parts of its width and height.
var parts = []struct {
	name           string
	x0, y0, x1, y1 float64
}{
	{"the whole frame", 0, 0, 1, 1},
	{"hair", 0.25, 0.05, 0.37, 0.33},
	{"mesh: the net", 0.27, 0.36, 0.37, 0.72},
	{"glass: the float", 0.19, 0.44, 0.28, 0.66},
	{"steam", 0.52, 0.20, 0.64, 0.72},
	{"motion blur: the lantern", 0.64, 0.18, 0.76, 0.46},
	{"green and yellow costume", 0.35, 0.34, 0.50, 0.74},
}

type row struct {
	part   string
	errors [3]float64
}

func run(out string, w, h int) ([]row, error) {
	scene := simulate.Pier{Seed: 1}
	faults := simulate.DemoFaults()
	set := simulate.New(scene, w, h, w, h, nil, faults, 1)
	shot := set.Frame(frame)
	var solved [3]*matte.Solution
	var err error
	if solved[0], err = sodium(set, shot, w, h); err != nil {
		return nil, err
	}
	dark := set.DarkColor()
	less := func(f *plate.RGB) *plate.RGB { return matte.Subtract(f, f, dark) }
	green, blue := [3]float64{0.06, 0.5, 0.1}, [3]float64{0.05, 0.1, 0.5}
	before, empty := less(set.Backed(frame, green)), less(set.Backing(green))
	if solved[1], err = matte.ColorDifference(before, empty, matte.GreenBacking); err != nil {
		return nil, err
	}
	if solved[2], err = matte.Triangulate(before, less(set.Backed(frame, blue)), empty, less(set.Backing(blue))); err != nil {
		return nil, err
	}
	const gap = 4
	sheet := plate.NewRGB(3*w+2*gap, 2*h+gap)
	background := scene.Background(frame, w, h)
	var rows []row
	for _, p := range parts {
		rows = append(rows, row{part: p.name})
	}
	for k, s := range solved {
		alpha := matte.Alpha(nil, s.Transmission)
		for i, p := range parts {
			area := image.Rect(int(p.x0*float64(w)), int(p.y0*float64(h)), int(p.x1*float64(w)), int(p.y1*float64(h)))
			rows[i].errors[k] = rms(alpha, shot.Truth.Alpha, area)
		}
		sum, err := composite.HoldOut(nil, s.Foreground, s.Transmission, background)
		if err != nil {
			return nil, err
		}
		sheet.Paste(&plate.RGB{W: w, H: h, Pix: [3][]float32{alpha.Pix, alpha.Pix, alpha.Pix}}, k*(w+gap), 0)
		sheet.Paste(sum, k*(w+gap), h+gap)
	}
	return rows, plate.Write(out, sheet, &plate.WriteOptions{Curve: plate.SRGB, Depth: 8})
}

// sodium solves the shot with everything estimated that a crew would not know.
func sodium(set *simulate.Simulator, shot simulate.Shot, w, h int) (*matte.Solution, error) {
	ref := matte.References{DarkColor: set.DarkColor(), DarkBand: set.DarkBand(), CleanColor: set.CleanColor(), CleanBand: set.CleanBand()}
	solver, err := matte.NewSolver(w, h, ref, nil)
	if err != nil {
		return nil, err
	}
	sample := matte.Sample{Color: shot.Color, Band: shot.Band}
	m, err := solver.Crosstalk([]matte.Sample{sample})
	if err != nil {
		return nil, err
	}
	if solver, err = matte.NewSolver(w, h, ref, &matte.SolverOptions{Crosstalk: m.M}); err != nil {
		return nil, err
	}
	g, err := solver.Gain(sample)
	if err != nil {
		return nil, err
	}
	return solver.Solve(nil, shot.Color, shot.Band, g.Value)
}

func rms(a, b *plate.Gray, area image.Rectangle) float64 {
	sum := 0.0
	for y := area.Min.Y; y < area.Max.Y; y++ {
		for x := area.Min.X; x < area.Max.X; x++ {
			d := float64(a.Pix[y*a.W+x]) - float64(b.Pix[y*a.W+x])
			sum += d * d
		}
	}
	return math.Sqrt(sum / float64(area.Dx()*area.Dy()))
}
