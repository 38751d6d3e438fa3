package main

import (
	"fmt"
	"text/tabwriter"

	"example.com/twinplate/plate"
)

// curves lists the transfer curves and cameras that the other commands know.
type curves struct{}

func (curves) Help() string {
	return "Each with the code, of 10 bits, that black, a gray card of 18 % and a white of 90 % have. A recording whose gray card has another code was made with another curve, or was exposed otherwise."
}

func (curves) Run(t *terminal) error {
	w := tabwriter.NewWriter(t.stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	row := func(name string, c plate.Curve) {
		code := func(light float64) int { return int(1023*c.FromLinear(light) + 0.5) }
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t\n", name, code(0), code(0.18), code(0.9))
	}
	fmt.Fprintln(w, "curve\tblack\t18 %\t90 %\t")
	known := map[plate.Curve]bool{}
	for _, c := range plate.Cameras() {
		known[c.Curve] = true
	}
	for _, c := range plate.Curves() {
		if !known[c] {
			row(c.Name(), c)
		}
	}
	fmt.Fprintln(w, "\t\t\t\t\ncamera\tblack\t18 %\t90 %\t")
	for _, c := range plate.Cameras() {
		row(c.Name, c.Curve)
	}
	return w.Flush()
}
