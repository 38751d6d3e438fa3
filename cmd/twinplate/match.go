package main

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/target"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// match finds what gives back the color that the filter takes.
type match struct {
	With    string `help:"A chart as the color camera sees it on the set, through filter and splitter." placeholder:"F"`
	Without string `help:"The same chart in the same place and light, without them; or as another camera sees it." placeholder:"F"`
	Curve   string `help:"Transfer curve of both. Default: what the files' tags say, or srgb." placeholder:"NAME|F.csv"`
	Corners string `help:"The outer corners of the patches in --with, in pixels: top left, top right, bottom right, bottom left." placeholder:"X,Y,X,Y,X,Y,X,Y"`
	Moved   string `help:"The same in --without, where the chart lies elsewhere in it." placeholder:"X,Y,X,Y,X,Y,X,Y"`
	Grid    string `help:"How many patches there are across and down." default:"6x4" placeholder:"CxR"`

	Rig     string `help:"A rig's file, as twinplate plan takes it, instead of pictures: the matrix is computed from its spectra." placeholder:"F.json"`
	Out     string `help:"Write the matrix and its errors to a file, for comp --foreground-grade matrix=F.json." placeholder:"F.json"`
	Replace bool   `help:"Overwrite a file that is there and no matrix."`
	JSON    bool   `name:"json" help:"Print one JSON object instead of text."`
}

func (match) Help() string {
	return examples(
		"twinplate match --with chart_set.png --without chart_bare.png --corners 310,200,1610,210,1600,880,320,870 --out match.json",
		"twinplate match --rig rig.json --out match.json",
		"twinplate comp take3 --background sea.png --out out --foreground-grade matrix=match.json") +
		"\n\nAny chart of colored patches in a grid will do, of a dozen at least, with a white one. Light it evenly by the set's own light. The screen's lamps are off, since their light is no color. " +
		"Errors are in CIEDE2000, where about 1 is just seen side by side: first with the exposure matched alone, then with the white matched too, then with the matrix. From a rig's file the colors are those of the CIE's test samples (CIE 13.3) and three grays."
}

var matchKind = target.Kind{Name: "a matrix of color", Is: target.Marked(`"matrix"`, `"balanced"`)}

func (c *match) Run(t *terminal) error {
	m, files, err := c.find()
	if err != nil {
		return err
	}
	if err := guard(c.Replace, take.Recipe{}, files...).Check(c.Out, matchKind); err != nil {
		return err
	}
	if c.Out != "" {
		if err := writeObject(c.Out, m); err != nil {
			return err
		}
	}
	if c.JSON {
		return t.object(m)
	}
	for i, heading := range []string{"matrix", "", ""} {
		t.printf("%-12s %8.4f %8.4f %8.4f\n", heading, m.Matrix[3*i], m.Matrix[3*i+1], m.Matrix[3*i+2])
	}
	t.printf("differences of %d colors, in CIEDE2000:\n", m.Samples)
	t.printf("  exposure matched alone   %v\n  white matched too        %v\n  with the matrix          %v\n", m.Before, m.Balanced, m.After)
	if doubt := m.Doubt(); doubt != "" {
		t.warnf("warning: %s", doubt)
	}
	if c.Out != "" {
		t.printf("written to %s\n", c.Out)
	}
	return nil
}

// find returns the matrix, and the files that it is from.
func (c *match) find() (m plate.Match, files []string, err error) {
	pictures := c.With != "" || c.Without != ""
	switch {
	case c.Rig != "" && pictures:
		return m, nil, usageError{errors.New("--rig and pictures of a chart: give one of them")}
	case c.Rig != "":
		setup, files, err := readSetup(c.Rig)
		if err == nil {
			m, err = setup.FilterMatch(nil)
		}
		if err != nil {
			err = fmt.Errorf("%s: %w", c.Rig, err)
		}
		return m, files, err
	case c.With == "" || c.Without == "":
		return m, nil, usageError{errors.New("--with and --without are missing, or --rig: see twinplate match --help")}
	}
	grid := strings.Split(c.Grid, "x")
	columns, err1 := strconv.Atoi(grid[0])
	rows, err2 := strconv.Atoi(grid[len(grid)-1])
	if len(grid) != 2 || err1 != nil || err2 != nil {
		return m, nil, usageError{fmt.Errorf("--grid %q: it must be like 6x4", c.Grid)}
	}
	corners, err := quadrilateral("--corners", c.Corners)
	if err != nil {
		return m, nil, err
	}
	moved := corners
	if c.Moved != "" {
		if moved, err = quadrilateral("--moved", c.Moved); err != nil {
			return m, nil, err
		}
	}
	var curve *plate.Curve
	if c.Curve != "" {
		given, err := plate.FindCurve(c.Curve)
		if err != nil {
			return m, nil, err
		}
		curve = &given
	}
	patches := func(path string, corners [4][2]float64) ([][3]float64, error) {
		p, err := plate.Disk{}.Open(path)
		if err != nil {
			return nil, err
		}
		defer p.Close()
		return p.Patches(curve, corners, columns, rows)
	}
	with, err := patches(c.With, corners)
	if err != nil {
		return m, nil, err
	}
	without, err := patches(c.Without, moved)
	if err != nil {
		return m, nil, err
	}
	m, err = plate.FitMatrix(with, without, plate.PrimariesBT709)
	return m, []string{c.With, c.Without}, err
}

func quadrilateral(flag, text string) (q [4][2]float64, err error) {
	if !list.Numbers(text, &q[0][0], &q[0][1], &q[1][0], &q[1][1], &q[2][0], &q[2][1], &q[3][0], &q[3][1]) {
		return q, usageError{fmt.Errorf("%s %q: it must be eight numbers, x and y of the corners: top left, top right, bottom right, bottom left", flag, text)}
	}
	return q, nil
}
