//go:build js

package main

import "example.com/twinplate/plate"

// A chart is one chart in two pictures, as `twinplate match` takes it: through the filter, and
// without.
type chart struct {
	Paths   [2]string        `json:"paths"`
	Corners [2][4][2]float64 `json:"corners"` // in parts of the pictures
	Columns int              `json:"columns"`
	Rows    int              `json:"rows"`
	Curve   string           `json:"curve"` // of both; "": as their tags say
}

// matched is what the page learns of a match.
type matched struct {
	plate.Match
	Doubt string `json:"doubt"`
}

func (c *chart) match() (*matched, error) {
	var curve *plate.Curve
	if c.Curve != "" {
		given, err := plate.CurveByName(c.Curve)
		if err != nil {
			return nil, err
		}
		curve = &given
	}
	var colors [2][][3]float64
	for i, path := range c.Paths {
		p, err := whole(path)
		if err != nil {
			return nil, err
		}
		corners := c.Corners[i]
		for k := range corners {
			corners[k][0] *= float64(p.Size().X)
			corners[k][1] *= float64(p.Size().Y)
		}
		colors[i], err = p.Patches(curve, corners, c.Columns, c.Rows)
		p.Close()
		if err != nil {
			return nil, err
		}
	}
	m, err := plate.FitMatrix(colors[0], colors[1], plate.PrimariesBT709)
	if err != nil {
		return nil, err
	}
	return &matched{m, m.Doubt()}, nil
}
