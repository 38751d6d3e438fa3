// Command finishedshot makes a shot of a take whose screen covers the middle 60 % of the frame,
// with a stand and a lamp beside it, 2 % of the lamps' light on the performer, and a filter that
// has taken color from the color camera. On the left the plain sum; on the right the same with the
// screen's extent found, the spill taken off, the color given back, and the background graded and
// out of focus.
package main

import (
	"flag"
	"fmt"
	"log"
	"math"
	"math/rand/v2"

	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
	"example.com/twinplate/rig/simulate"
)

func main() {
	log.SetFlags(0)
	out := flag.String("out", "finishedshot.png", "the picture to write, .png or .tif")
	flag.Parse()
	words, err := run(*out)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s\nbefore (left) and after (right): %s\n", words, *out)
}

const w, h = 640, 360 // of a panel

func run(out string) (words string, err error) {
	filter, err := filtered()
	if err != nil {
		return "", err
	}
	color, band, clean := plates(filter)
	background := simulate.Pier{}.Background(24, w, h)
	solver, err := matte.NewSolver(w, h, matte.References{CleanBand: clean}, nil)
	if err != nil {
		return "", err
	}
	solution, err := solver.Solve(nil, color, band, 1)
	if err != nil {
		return "", err
	}
	before, err := composite.HoldOut(nil, solution.Foreground, solution.Transmission, background)
	if err != nil {
		return "", err
	}

	extent, err := solver.Extent([]matte.Sample{{Color: color, Band: band}})
	if err != nil {
		return "", err
	}
	taken, err := solver.TakeSpill(solution, 1, nil)
	if err != nil {
		return "", err
	}
	if err := extent.Beyond(solution); err != nil {
		return "", err
	}
	// The matrix is found from a chart; here its patches are what the rig's spectra make of the
	// CIE's test samples.
	foreground, err := composite.NewGrader(composite.Grade{Matrix: &filter.Matrix})
	if err != nil {
		return "", err
	}
	if err := foreground.Foreground(solution.Foreground, solution.Transmission); err != nil {
		return "", err
	}
	fitter, err := composite.NewFitter(w, h, w, h, composite.Fit{Scale: 1.1, Softness: 2})
	if err != nil {
		return "", err
	}
	if background, err = fitter.RGB(nil, background); err != nil {
		return "", err
	}
	less := 0.8
	behind, err := composite.NewGrader(composite.Grade{Exposure: -0.5, Saturation: &less})
	if err != nil {
		return "", err
	}
	behind.Frame(background)
	after, err := composite.HoldOut(nil, solution.Foreground, solution.Transmission, background)
	if err != nil {
		return "", err
	}

	const gap = 4
	sheet := plate.NewRGB(w+gap+w, h)
	sheet.Paste(before, 0, 0)
	sheet.Paste(after, w+gap, 0)
	words = fmt.Sprintf("the screen covers %.0f %% of the frame; spill of %.1f %% was taken off, %.0f times the noise; the filter's color: %v, then %v", 100*extent.Part, 100*taken.Mean, taken.Sigmas(), filter.Before, filter.After)
	return words, plate.Write(out, sheet, &plate.WriteOptions{Curve: plate.SRGB, Depth: 8})
}

// filtered returns what gives back the color that the example rig's filter takes, in tungsten
// light.
func filtered() (plate.Match, error) {
	setup, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		return plate.Match{}, err
	}
	setup.Lights = []rig.SetLight{{Name: "key", Illuminant: "A", Lux: 800}}
	return setup.FilterMatch(nil)
}

// plates draws the color plate, through the filter, and the band plates with and without the
// performer.
func plates(filter plate.Match) (color *plate.RGB, band, clean *plate.Gray) {
	color, open := simulate.Pier{}.Draw(24, w, h)
	band, clean = plate.NewGray(w, h), plate.NewGray(w, h)
	random := rand.New(rand.NewPCG(1, 1))
	for i, t := range open.Pix {
		x, y := float64(i%w)/w, float64(i/w)/h
		light, wall := float32(0.8*(1-0.3*math.Abs(x-0.5))), float32(0)
		if x < 0.2 || x > 0.8 {
			light, wall = 0.002, 0.06+0.03*float32(y) // with a little of the lamps' light
			if math.Abs(x-0.1) < 0.006 {
				light, wall = 0, 0.004 // a stand
			}
			if math.Hypot(x-0.9, (y-0.25)*h/w) < 0.03 {
				light, wall = 0.02, 2.5 // a lamp's head
			}
		}
		clean.Pix[i] = light
		band.Pix[i] = light*t + 0.8*0.02*(1-t) + 0.001*float32(random.NormFloat64())
		for c := range 3 {
			color.Pix[c][i] += t * wall
		}
	}
	// The filter is the matrix the other way round.
	back := plate.Invert(filter.Matrix)
	grader, err := composite.NewGrader(composite.Grade{Matrix: &back})
	if err != nil {
		log.Fatal(err)
	}
	grader.Frame(color)
	return color, band, clean
}
