package main

import (
	"encoding/json"
	"fmt"
	"io"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

type register struct {
	plates
	Out  string `help:"File for the geometry (JSON), for comp --geometry." placeholder:"F.json" required:""`
	JSON bool   `name:"json" help:"Print one JSON object instead of text."`
}

func (register) Help() string {
	return examples(
		"twinplate register --color color --band band --out geometry.json",
		"twinplate register --color color --band band --clean-band clean.png --frames 1-48 --out geometry.json --json") +
		"\n\nThe file has the geometry, and under \"points\" the places in the band plate of a 5x5 grid over the color plate, in pixels, pixel centers at whole numbers."
}

// registerReport is what register writes, and prints with --json.
type registerReport struct {
	Mirror   bool              `json:"mirror"`
	Residual float64           `json:"residual_px"`
	Model    string            `json:"model"`
	Geometry align.Geometry    `json:"geometry"`
	Points   []align.PointPair `json:"points"`
	Warnings []string          `json:"warnings"`
	Notes    []string          `json:"notes"`
}

func (c *register) Run(t *terminal) error {
	var r take.Recipe
	c.into(&r)
	if err := r.Check(); err != nil {
		return usageError{err}
	}
	for _, need := range []struct{ flag, value string }{{"--color", r.Color}, {"--band", r.Band}} {
		if need.value == "" {
			return usageError{fmt.Errorf("%s is missing: see twinplate register --help", need.flag)}
		}
	}
	opened, err := take.Open(r)
	if err != nil {
		return err
	}
	found, err := opened.Register(t.ctx)
	if err != nil {
		return err
	}
	report := registerReport{found.Geometry.Mirror, found.Residual, found.Model, found.Geometry, found.Geometry.Grid(5), orEmpty(found.Warnings), orEmpty(opened.Notes())}
	if err := plate.WriteAtomic(c.Out, func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(report)
	}); err != nil {
		return err
	}
	if c.JSON {
		return t.object(report)
	}
	printRegistration(t, found)
	for _, n := range opened.Notes() {
		t.printf("note         %s\n", n)
	}
	t.printf("written to   %s\n", c.Out)
	return nil
}
