package simulate_test

import (
	"fmt"

	"example.com/twinplate/align"
	"example.com/twinplate/rig/simulate"
)

func ExampleSimulator() {
	// A small take of the demo, the band camera seeing it mirrored by the splitter.
	g := align.Identity(160, 90)
	g.Mirror = true
	sim := simulate.New(simulate.Pier{}, 160, 90, 160, 90, g, simulate.DemoFaults(), 1)
	shot := sim.Frame(12)
	fmt.Println("color plate:", shot.Color.Size())
	fmt.Println("band plate:", shot.Band.Size())
	fmt.Println("the truth's matte:", shot.Truth.Alpha.Size())
	fmt.Println("clean band plate:", sim.CleanBand().Size())
	// Output:
	// color plate: (160,90)
	// band plate: (160,90)
	// the truth's matte: (160,90)
	// clean band plate: (160,90)
}

func ExampleFaults() {
	// One fault alone, to see what it does: sodium light on an opaque performer looks like
	// transparency.
	f := simulate.Faults{Spill: 0.1}
	shot := simulate.New(flat(0.2, 0), 8, 8, 8, 8, nil, f, 1).Frame(0)
	fmt.Printf("true alpha %.2f, but the band plate shows %.2f of the screen\n", shot.Truth.Alpha.Pix[0], shot.Band.Pix[0]/0.8)
	// Output: true alpha 1.00, but the band plate shows 0.10 of the screen
}

func ExampleDemoFaults() {
	f := simulate.DemoFaults()
	f.FrameOffset = 2 // and the band camera started two frames late
	fmt.Println(f.Unevenness, "stop,", f.Bits, "bits,", f.FrameOffset, "frames late")
	// Output: 1 stop, 16 bits, 2 frames late
}

func ExamplePier_Background() {
	fmt.Println(simulate.Pier{}.Background(0, 64, 36).Size())
	// Output: (64,36)
}

func ExampleCutouts() {
	p, t := simulate.Cutouts{Seed: 3}.Draw(0, 64, 36)
	fmt.Println(p.Size(), t.Size())
	// Output: (64,36) (64,36)
}

func ExampleSimulator_WithScreen() {
	// A screen that is lit from the left alone.
	left := func(x, y float64) float64 { return 1 - 0.5*x }
	clean := simulate.New(simulate.Cutouts{}, 64, 36, 64, 36, nil, simulate.Faults{ScreenLevel: 0.8}, 1).WithScreen(left, left).CleanBand()
	fmt.Printf("%.2f to %.2f\n", clean.Pix[0], clean.Pix[63])
	// Output: 0.80 to 0.40
}
