// Command gatedtwice shows the classic mistake. The color plate was shot against a screen that is
// black in it, so it is the foreground already multiplied by alpha. On the left it is added as it
// is; on the right it has been multiplied by alpha once more, and whatever is not solid goes dark:
// hair, steam, glass, net. Below, the outlined part of either picture enlarged.
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
	out := flag.String("out", "gatedtwice.png", "the picture to write, .png or .tif")
	flag.Parse()
	if err := run(*out); err != nil {
		log.Fatal(err)
	}
	fmt.Printf("the foreground as it is (left) and multiplied by alpha once more (right): %s\n", *out)
}

func run(out string) error {
	const w, h, gap = 640, 360, 4 // of a panel, and between panels
	once, twice, err := composites(2*w, 2*h)
	if err != nil {
		return err
	}
	whole, err := composite.NewFitter(once.W, once.H, w, h, composite.Fit{})
	if err != nil {
		return err
	}
	// To bring a point of the picture, given in parts of it, to the middle of an enlarged panel.
	const x, y, scale = 0.26, 0.56, 4
	part, err := composite.NewFitter(once.W, once.H, w, h, composite.Fit{
		Scale: scale, OffsetX: scale * (0.5 - x), OffsetY: scale * (0.5 - y),
	})
	if err != nil {
		return err
	}
	sheet := plate.NewRGB(w+gap+w, h+gap+h)
	for i, picture := range []*plate.RGB{once, twice} {
		panel, err := whole.RGB(nil, picture)
		if err != nil {
			return err
		}
		outline(panel, w*(x-0.5/scale), h*(y-0.5/scale), w/scale, h/scale)
		sheet.Paste(panel, i*(w+gap), 0)
		if panel, err = part.RGB(panel, picture); err != nil {
			return err
		}
		sheet.Paste(panel, i*(w+gap), h+gap)
	}
	return plate.Write(out, sheet, &plate.WriteOptions{Curve: plate.SRGB, Depth: 8})
}

// composites makes the picture from the foreground as it is and from the foreground multiplied once
// more.
func composites(w, h int) (once, twice *plate.RGB, err error) {
	const frame = 24
	foreground, transmission := simulate.Pier{}.Draw(frame, w, h)
	background := simulate.Pier{}.Background(frame, w, h)
	if once, err = composite.HoldOut(nil, foreground, transmission, background); err != nil {
		return nil, nil, err
	}
	for _, plane := range foreground.Pix {
		for i := range plane {
			plane[i] *= 1 - transmission.Pix[i] // the mistake
		}
	}
	twice, err = composite.HoldOut(foreground, foreground, transmission, background)
	return once, twice, err
}

// outline draws the edge of a rectangle, in white.
func outline(f *plate.RGB, left, top, width, height float64) {
	x0, y0 := int(left), int(top)
	x1, y1 := int(left+width), int(top+height)
	for c := range f.Pix {
		for y := y0; y <= y1; y++ {
			for x := x0; x <= x1; x++ {
				if x == x0 || x == x1 || y == y0 || y == y1 {
					f.Pix[c][y*f.W+x] = 1
				}
			}
		}
	}
}
