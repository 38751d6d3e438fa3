// Command twofiles composites one pair of plates, color.png and band.png, over background.png and
// writes comp.png, all in the folder that it runs in. The two cameras need not be in line, and no
// other plate is needed; the background has the color plate's size. For all frames of a take, see
// wholetake.
package main

import (
	"context"
	"log"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

func main() {
	color, band := must(plate.ReadRGB("color.png", plate.SRGB, nil)), must(plate.ReadGray("band.png", plate.SRGB, nil, nil))
	found := must(align.FromFootage(context.Background(), []align.Pair{{Color: color, Band: band}}, nil))
	band = align.NewResampler(found.Geometry).Gray(nil, band) // as the color camera sees it
	ready := must(matte.Prepare([]matte.Sample{{Color: color, Band: band}}, matte.References{}, nil))
	log.Printf("warnings: %q", append(found.Warnings, ready.Warnings...))
	s := must(ready.Solver.Solve(nil, color, band, 1)) // against its own lamps
	background := must(plate.ReadRGB("background.png", plate.SRGB, nil))
	comp := must(composite.HoldOut(nil, s.Foreground, s.Transmission, background))
	must(comp, plate.Write("comp.png", comp, &plate.WriteOptions{Curve: plate.SRGB}))
}

func must[T any](v T, err error) T {
	if err != nil {
		log.Fatal(err)
	}
	return v
}
