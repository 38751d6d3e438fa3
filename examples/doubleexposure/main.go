// Command doubleexposure shows what the hold-out matte is for. On the left the performer and the
// background are simply added, as on film exposed twice: P + B, and the kelp shines through the
// coat. On the right the background is first held out where the performer stands: P + t B.
package main

import (
	"flag"
	"fmt"
	"log"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

func main() {
	log.SetFlags(0)
	out := flag.String("out", "doubleexposure.png", "the picture to write, .png or .tif")
	flag.Parse()
	if err := run(*out); err != nil {
		log.Fatal(err)
	}
	fmt.Printf("a double exposure (left) and the same with the background held out (right): %s\n", *out)
}

func run(out string) error {
	const w, h, gap = 800, 450, 4
	double, held, err := expose(w, h)
	if err != nil {
		return err
	}
	both := plate.NewRGB(w+gap+w, h)
	both.Paste(double, 0, 0)
	both.Paste(held, w+gap, 0)
	return plate.Write(out, both, &plate.WriteOptions{Curve: plate.SRGB, Depth: 8})
}

// expose puts the performer and the background together in the two ways.
func expose(w, h int) (double, held *plate.RGB, err error) {
	const frame = 24
	foreground, transmission := simulate.Pier{}.Draw(frame, w, h)
	background := simulate.Pier{}.Background(frame, w, h)

	// Nothing held out: the whole background is let through.
	open := plate.NewGray(w, h)
	open.Fill(1)
	if double, err = composite.HoldOut(nil, foreground, open, background); err != nil {
		return nil, nil, err
	}
	held, err = composite.HoldOut(nil, foreground, transmission, background)
	return double, held, err
}
