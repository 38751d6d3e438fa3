package rig_test

import (
	"fmt"
	"log"
	"math"
	"strings"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
	"example.com/twinplate/rig/simulate"
)

func ExampleSetup_Plan() {
	setup, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		log.Fatal(err)
	}
	setup.Band.Shutter = 180 // at 24 frames a second and 50 Hz
	plan, err := setup.Plan()
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(plan.Summary())
	r := plan.Readings.Named("flicker")
	fmt.Printf("%s: %.0f %s. %s\n", r.Verdict, *r.Value, r.Unit, r.Advice)
	// Output:
	// This rig will give a matte; 2 things could be better.
	// watch: 6 % peak to peak. Set both shutters to 172.8° (1/50 s), or run the lamps on electronic ballasts.
}

func ExampleShiftedBy() {
	fmt.Printf("a filter for 592.5 nm passes %.1f nm at 15 degrees\n", 592.5*rig.ShiftedBy(15, 2))
	// Output: a filter for 592.5 nm passes 587.5 nm at 15 degrees
}

func ExampleIlluminant() {
	rgb, err := rig.Illuminant("LED-RGB1")
	if err != nil {
		log.Fatal(err)
	}
	tungsten, err := rig.Illuminant("A")
	if err != nil {
		log.Fatal(err)
	}
	band := rig.Filter{Kind: "pass", Center: 592.5, Width: 14}
	perLumen := func(l rig.Light) float64 { return l.Through(band) / l.Lumens() }
	fmt.Printf("red, green and blue diodes put %.2f of tungsten's light into the band\n", perLumen(rgb)/perLumen(tungsten))
	// Output: red, green and blue diodes put 0.58 of tungsten's light into the band
}

func ExampleSodiumLamp() {
	fmt.Printf("%.0f lumens to a watt\n", rig.SodiumLamp().Lumens())
	// Output: 524 lumens to a watt
}

func ExampleReadSpectrum() {
	s, err := rig.ReadSpectrum(strings.NewReader("nm,transmission\n580,0.1\n590,0.9\n600,0.1\n"))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.2f\n", s.At(585))
	// Output: 0.50
}

func ExampleLamp_Illuminance() {
	lamp := rig.Lamp{Z: 4, Direction: [3]float64{0, 0, -1}, Candela: 100}
	fmt.Printf("%.2f lux below it, %.2f lux 3 m aside\n", lamp.Illuminance(0, 0), lamp.Illuminance(3, 0))
	// Output: 6.25 lux below it, 3.20 lux 3 m aside
}

func ExampleSafeShutters() {
	fmt.Printf("%.1f\n", rig.SafeShutters(24, 50))
	// Output: [86.4 172.8 259.2 345.6]
}

func ExampleRipple() {
	amplitude, beat := rig.Ripple(24, 180, 50, 0.7)
	fmt.Printf("%.1f %% at %.0f Hz\n", 100*amplitude, beat)
	// Output: 2.8 % at 4 Hz
}

func ExampleSideFactor() {
	for _, d := range []float64{1, 4} {
		fmt.Printf("%.3f at %v m\n", rig.SideFactor(6, 3.4, d), d)
	}
	// Output:
	// 0.281 at 1 m
	// 0.044 at 4 m
}

func ExampleEdgeShift() {
	fmt.Printf("%.2f px\n", rig.EdgeShift(0.05, 0.8))
	// Output: 0.10 px
}

func ExampleEdgeBlur() {
	fmt.Printf("%.2f px\n", rig.EdgeBlur(0.05, 0.8))
	// Output: 0.57 px
}

func ExampleFocusTolerance() {
	fmt.Printf("%.2f m\n", rig.FocusTolerance(0.57, 5.5, 40, 2.8, 5))
	// Output: 0.54 m
}

func ExampleCodeNoise() {
	fmt.Printf("one part in %.0f\n", math.Round(1/rig.CodeNoise(plate.Linear, 8, 1)))
	// Output: one part in 883
}

func ExamplePlan_Simulator() {
	setup, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		log.Fatal(err)
	}
	plan, err := setup.Plan()
	if err != nil {
		log.Fatal(err)
	}
	sim := plan.Simulator(simulate.Pier{}, 128, 68, 128, 68, nil, 1)
	fmt.Println(sim.Frame(1).Band.Size())
	// Output: (128,68)
}

func ExampleCautions() {
	fmt.Println(rig.Cautions()[1])
	// Output: Sodium burns on contact with water when a tube breaks.
}

func ExampleSodiumLine() {
	fmt.Printf("%.2f nm\n", rig.SodiumLine())
	// Output: 589.19 nm
}

func ExampleSodiumColor() {
	c := rig.SodiumColor()
	fmt.Printf("%.2f %.2f %.2f\n", c[0], c[1], c[2])
	// Output: 1.00 0.22 0.00
}

// What the example rig's filter takes from the color camera, and what a matrix gives back.
func ExampleSetup_FilterMatch() {
	setup, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		log.Fatal(err)
	}
	m, err := setup.FilterMatch(nil)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.1f, then %.1f of CIEDE2000 in the mean\n", m.Before.Mean, m.After.Mean)
	// Output: 1.3, then 0.6 of CIEDE2000 in the mean
}
