package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

type register struct {
	plates
	ChartColor string `help:"Color plate of the printed sheet of twinplate chart, instead of --color: a file, a folder, or a quoted glob." placeholder:"PATH"`
	ChartBand  string `help:"Band plate of it, likewise." placeholder:"PATH"`
	Out        string `help:"File for the geometry (JSON), for comp --geometry." placeholder:"F.json" required:""`
	JSON       bool   `name:"json" help:"Print one JSON object instead of text."`
}

func (register) Help() string {
	return examples(
		"twinplate register --color color --band band --out geometry.json",
		"twinplate register --color color --band band --clean-band clean.png --frames 1-48 --out geometry.json --json",
		"twinplate register --chart-color chart_color.png --chart-band chart_band.png --out geometry.json") +
		"\n\nThe file has the geometry, and under \"points\" the places in the band plate of a 5x5 grid over the color plate, in pixels, pixel centers at whole numbers. From a chart it also has the expected error of the geometry, in band pixels: \"sigma_px\" is the root of its mean square over the frame, \"sigma_worst_px\" its largest; and \"covariance\", 12 rows of 12, of the homography's first eight numbers, the two radial terms and their center."
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
	*chartFigures
}

// chartFigures is what a chart tells besides.
type chartFigures struct {
	Sigma      float64         `json:"sigma_px"`
	SigmaWorst float64         `json:"sigma_worst_px"`
	Corners    int             `json:"corners"`
	Outliers   int             `json:"outliers"`
	Coverage   float64         `json:"coverage"`
	Covariance [12][12]float64 `json:"covariance"`
}

func newChartFigures(e *align.ChartEstimate) *chartFigures {
	f := &chartFigures{Corners: len(e.Corners), Outliers: e.Outliers, Coverage: e.Coverage, Covariance: e.Covariance}
	grid := e.Geometry.Grid(17)
	for _, p := range grid {
		s := e.Sigma(p.Color[0], p.Color[1])
		f.Sigma += s * s / float64(len(grid))
		f.SigmaWorst = max(f.SigmaWorst, s)
	}
	f.Sigma = math.Sqrt(f.Sigma)
	return f
}

func (c *register) Run(t *terminal) error {
	var r take.Recipe
	c.into(&r)
	if err := r.Check(); err != nil {
		return usageError{err}
	}
	if c.ChartColor != "" || c.ChartBand != "" {
		if c.ChartColor == "" || c.ChartBand == "" || r.Color != "" || r.Band != "" {
			return usageError{errors.New("--chart-color and --chart-band go together, and stand in for --color and --band")}
		}
		r.Color, r.Band = c.ChartColor, c.ChartBand
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
	var found take.Registration
	var figures *chartFigures
	if c.ChartColor != "" {
		e, err := opened.FromChart(t.ctx)
		if err != nil {
			return err
		}
		found = take.Registration{Geometry: e.Geometry, Residual: e.Residual, Model: "chart", Warnings: e.Warnings}
		figures = newChartFigures(e)
	} else if found, err = opened.Register(t.ctx); err != nil {
		return err
	}
	report := registerReport{found.Geometry.Mirror, found.Residual, found.Model, found.Geometry, found.Geometry.Grid(5), orEmpty(found.Warnings), orEmpty(opened.Notes()), figures}
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
	if figures != nil {
		t.printf("chart        %d corners and %d outliers; expected error %.3f px RMS over the frame, %.3f at worst\n", figures.Corners, figures.Outliers, figures.Sigma, figures.SigmaWorst)
	}
	for _, n := range opened.Notes() {
		t.printf("note         %s\n", n)
	}
	t.printf("written to   %s\n", c.Out)
	return nil
}
