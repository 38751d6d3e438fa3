// Command onepair composites one pair of plates: the smallest whole job. The pair is drawn, so that
// the program needs no files; with your own, read them by plate.ReadRGB and plate.ReadGray.
package main

import (
	"fmt"
	"log"

	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

func main() {
	const w, h = 960, 540
	set := simulate.New(simulate.Pier{}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	shot := set.Frame(24)

	solver, err := matte.NewSolver(w, h, matte.References{
		DarkColor: set.DarkColor(), DarkBand: set.DarkBand(), CleanColor: set.CleanColor(), CleanBand: set.CleanBand(),
	}, &matte.SolverOptions{Crosstalk: simulate.DemoFaults().Crosstalk})
	check(err)
	solution, err := solver.Solve(nil, shot.Color, shot.Band, shot.Truth.Gain)
	check(err)
	sum, err := composite.HoldOut(nil, solution.Foreground, solution.Transmission, simulate.Pier{}.Background(24, w, h))
	check(err)
	check(plate.Write("onepair.png", sum, &plate.WriteOptions{Curve: plate.SRGB, Depth: 8}))
	fmt.Println("the ferry hand among the kelp: onepair.png")
}

func check(err error) {
	if err != nil {
		log.Fatal(err)
	}
}
