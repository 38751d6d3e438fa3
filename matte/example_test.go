package matte_test

import (
	"fmt"
	"log"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// A clean band plate of 0.8, and a pixel of steam that lets three quarters of it through.
func ExampleSolver_Solve() {
	clean, band, color := plate.NewGray(1, 1), plate.NewGray(1, 1), plate.NewRGB(1, 1)
	clean.Fill(0.8)
	band.Fill(0.6)
	color.Fill(0.05, 0.06, 0.07)

	solver, err := matte.NewSolver(1, 1, matte.References{CleanBand: clean}, nil)
	if err != nil {
		log.Fatal(err)
	}
	s, err := solver.Solve(nil, color, band, 1)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("transmission %.2f, alpha %.2f\n", s.Transmission.Pix[0], matte.Alpha(nil, s.Transmission).Pix[0])
	fmt.Printf("foreground, already premultiplied: %.2f %.2f %.2f\n", s.Foreground.Pix[0][0], s.Foreground.Pix[1][0], s.Foreground.Pix[2][0])
	// Output:
	// transmission 0.75, alpha 0.25
	// foreground, already premultiplied: 0.05 0.06 0.07
}

// The lamps at nine tenths, from a band plate that is made row by row as the estimate asks for it.
func ExampleSolver_GainByRows() {
	clean := plate.NewGray(64, 36)
	clean.Fill(0.8)
	solver, err := matte.NewSolver(64, 36, matte.References{CleanBand: clean}, nil)
	if err != nil {
		log.Fatal(err)
	}
	g, err := solver.GainByRows(plate.NewRGB(64, 36), matte.GainPixels, func(row []float32, y int) {
		for x := range row {
			row[x] = 0.72
		}
	})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("gain %.2f from %d pixels\n", g.Value, g.Pixels)
	// Output: gain 0.90 from 2304 pixels
}

// What a simulated set knows of itself, estimated from its plates.
func ExampleSolver_Crosstalk() {
	const w, h = 480, 270
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	solver, err := matte.NewSolver(w, h, matte.References{
		DarkColor: set.DarkColor(), DarkBand: set.DarkBand(), CleanColor: set.CleanColor(), CleanBand: set.CleanBand(),
	}, nil)
	if err != nil {
		log.Fatal(err)
	}
	var frames []matte.Sample
	for i := range 3 {
		shot := set.Frame(10 * i)
		frames = append(frames, matte.Sample{Color: shot.Color, Band: shot.Band})
	}
	m, err := solver.Crosstalk(frames)
	if err != nil {
		log.Fatal(err)
	}
	g, err := solver.Gain(frames[0])
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("m %.2f %.2f %.2f, truth %.2f\n", m.M[0], m.M[1], m.M[2], simulate.DemoFaults().Crosstalk)
	fmt.Printf("gain %.2f, truth %.2f\n", g.Value, set.Frame(0).Truth.Gain)
	// Output:
	// m 0.03 0.02 0.01, truth [0.03 0.02 0.01]
	// gain 0.97, truth 0.97
}

// Nobody shot a plate without the performer: what is missing is found in a few frames, and each
// frame is then solved.
func ExamplePrepare() {
	const w, h = 480, 270
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	var frames []matte.Sample
	var truths []simulate.Truth
	for i := range 3 {
		shot := set.Frame(10 * i)
		frames = append(frames, matte.Sample{Color: shot.Color, Band: shot.Band})
		truths = append(truths, shot.Truth)
	}
	ready, err := matte.Prepare(frames, matte.References{}, nil)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("m %.2f %.2f %.2f, truth %.2f\n", ready.Crosstalk[0], ready.Crosstalk[1], ready.Crosstalk[2], simulate.DemoFaults().Crosstalk)
	for k, f := range frames {
		gain, err := ready.Solver.Gain(f) // against the first frame's lamps
		if err != nil {
			log.Fatal(err)
		}
		s, err := ready.Solver.Solve(nil, f.Color, f.Band, gain.Value)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("gain %.2f, truth %.2f; alpha's mean %.2f, truth %.2f\n", gain.Value, truths[k].Gain/truths[0].Gain,
			mean(matte.Alpha(nil, s.Transmission)), mean(truths[k].Alpha))
	}
	// Output:
	// m 0.03 0.02 0.01, truth [0.03 0.02 0.01]
	// gain 1.00, truth 1.00; alpha's mean 0.10, truth 0.10
	// gain 1.01, truth 1.00; alpha's mean 0.11, truth 0.11
	// gain 1.06, truth 1.06; alpha's mean 0.11, truth 0.11
}

func mean(f *plate.Gray) float64 {
	sum := 0.0
	for _, v := range f.Pix {
		sum += float64(v)
	}
	return sum / float64(len(f.Pix))
}

// Nobody shot a clean band plate: the screen is modeled from what is seen of it.
func ExampleFitScreen() {
	const w, h = 320, 180
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.Faults{Unevenness: 1}, 1)
	var frames []matte.Sample
	for i := range 3 {
		shot := set.Frame(10 * i)
		frames = append(frames, matte.Sample{Color: shot.Color, Band: shot.Band})
	}
	screen, err := matte.FitScreen(frames, nil, nil, 0)
	if err != nil {
		log.Fatal(err)
	}
	model, clean := screen.Gray(), set.CleanBand()
	middle := h/2*w + w/2
	fmt.Printf("in the middle %.1f, and a clean plate has %.1f\n", model.Pix[middle], clean.Pix[middle])
	// Output:
	// in the middle 0.8, and a clean plate has 0.8
}

// The sodium line in a sensor's red and green channels, and none in blue.
func ExampleBandWeights() {
	band := plate.NewRGB(4, 4)
	band.Fill(0.6, 0.3, 0)
	fmt.Printf("%.2f\n", matte.BandWeights(band))
	// Output: [0.67 0.33 0.00]
}
