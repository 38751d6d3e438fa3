package main

import (
	"cmp"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

type register struct {
	plates
	ChartColor string `help:"Color plate of the printed sheet of twinplate chart, instead of --color: a file, a folder, or a quoted glob." placeholder:"PATH"`
	ChartBand  string `help:"Band plate of it, likewise." placeholder:"PATH"`
	Out        string `help:"File for the geometry (JSON), for comp --geometry." placeholder:"F.json" required:""`
	Picture    string `help:"File for a picture (SVG) of how far the plates are still apart, and of the expected error, over the frame." placeholder:"F.svg"`
	Replace    bool   `help:"Overwrite files that are there and no geometry, or no picture of one."`
	JSON       bool   `name:"json" help:"Print one JSON object instead of text."`
}

func (register) Help() string {
	return examples(
		"twinplate register --color color --band band --out geometry.json --picture geometry.svg",
		"twinplate register --color color --band band --offset auto --frames 1-48 --out geometry.json --json",
		"twinplate register --color A003 --band B003 --fps 23.976 --out geometry.json",
		"twinplate register --chart-color chart_color.png --chart-band chart_band.png --out geometry.json") +
		"\n\nThe file has the geometry; \"points\", the places in the band plate of a 5x5 grid over the color plate, in pixels, pixel centers at whole numbers; " +
		"the expected error of the geometry in band pixels, \"sigma_px\" being the root of its mean square over the frame and \"sigma_worst_px\" its largest; " +
		"\"coverage\", the part of the frame that is near an edge or corner that was used; " +
		"and \"covariance\", 12 rows of 12, of the homography's first eight numbers, the two radial terms and their center. \"why\" says why the model was chosen.\n\n" +
		"With 16 frames in a row or more, the recordings' motion shows whether the paired frames are of the same instants: a warning says where they are not, and by how much the cameras' shutters are out of step."
}

// registerReport is what register writes, and prints with --json.
type registerReport struct {
	Mirror     bool              `json:"mirror"`
	Residual   float64           `json:"residual_px"`
	Sigma      *float64          `json:"sigma_px"` // expected error
	SigmaWorst *float64          `json:"sigma_worst_px"`
	Coverage   float64           `json:"coverage"`
	Model      string            `json:"model"`
	Why        string            `json:"why"`
	Geometry   align.Geometry    `json:"geometry"`
	Points     []align.PointPair `json:"points"`
	Covariance [12][12]float64   `json:"covariance"`
	Warnings   []string          `json:"warnings"`
	Notes      []string          `json:"notes"`
	*chartFigures
	*footageFigures
}

// chartFigures is what is reported of a registration by a chart only.
type chartFigures struct {
	Corners  int `json:"corners"`
	Outliers int `json:"outliers"`
}

// footageFigures is what is reported of a registration by footage only.
type footageFigures struct {
	Frames       int              `json:"frames"` // that had silhouettes in them
	Edges        int              `json:"edges"`  // pieces of edge
	Match        float64          `json:"match"`
	ParityMargin float64          `json:"parity_margin"`
	Models       []align.ModelFit `json:"models"`
	lensFigures
	Texture align.Texture `json:"texture"`
	Timing  timingReport  `json:"timing"`
}

func (c *register) recipe() (take.Recipe, error) {
	var r take.Recipe
	if err := c.into(&r); err != nil {
		return r, err
	}
	if err := r.Check(); err != nil {
		return r, usageError{err}
	}
	if c.ChartColor != "" || c.ChartBand != "" {
		if c.ChartColor == "" || c.ChartBand == "" || r.Color != "" || r.Band != "" {
			return r, usageError{errors.New("--chart-color and --chart-band go together, and stand in for --color and --band")}
		}
		r.Color, r.Band = c.ChartColor, c.ChartBand
	}
	if err := c.missing("register", &r); err != nil {
		return r, err
	}
	if c.Picture != "" && !strings.EqualFold(filepath.Ext(c.Picture), ".svg") {
		return r, usageError{fmt.Errorf("--picture %s: the picture is an SVG file, and its name must end in .svg", c.Picture)}
	}
	return r, nil
}

func (c *register) Run(t *terminal) error {
	r, err := c.recipe()
	if err != nil {
		return err
	}
	outputs := guard(c.Replace, r)
	if err := cmp.Or(outputs.Check(c.Out, geometryKind), outputs.Check(c.Picture, residualKind)); err != nil {
		return err
	}
	shown := t.meter("registering")
	shown.begin("the take's files")
	ended := sync.OnceFunc(shown.end)
	defer ended()
	opened, err := take.OpenContext(t.ctx, r)
	if err != nil {
		return err
	}
	opened.Stage = shown.begin
	var found take.Registration
	var timing take.Timing
	if c.ChartColor != "" {
		e, err := opened.FromChart(t.ctx)
		if err != nil {
			return err
		}
		found = take.Registration{Geometry: e.Geometry, Residual: e.Residual, Model: "chart", Warnings: e.Warnings, Chart: e}
	} else {
		if timing, err = opened.CheckTiming(t.ctx); err != nil {
			return err
		}
		if found, err = opened.Register(t.ctx); err != nil {
			return err
		}
	}
	ended()
	report := newRegisterReport(found, timing, opened.Notes())
	if err := writeObject(c.Out, report); err != nil {
		return err
	}
	if c.Picture != "" {
		if err := c.picture(opened, found, report); err != nil {
			return err
		}
	}
	defer warnAgain(t, found)
	if c.JSON {
		return t.object(report)
	}
	c.printFound(t)
	if found.Estimate != nil {
		printTiming(t, timing)
	}
	printRegistration(t, found)
	if e := found.Chart; e != nil {
		t.printf("chart        %d corners and %d outliers, near %.0f %% of the frame\n", len(e.Corners), e.Outliers, 100*e.Coverage)
	} else if e := found.Estimate; e != nil {
		t.printf("model        %s: %s\n", e.Model, e.Why())
		if words := e.Texture.Words(); words != "" {
			t.printf("texture      %s\n", words)
		}
		if words := e.Rolling.Words(); words != "" {
			t.printf("rows         %s\n", words)
		}
		t.printf("footage      %d pieces of edge in %d frames, near %.0f %% of the frame; parity certain by %.2f (below 0.05 it is not)\n", len(e.Pieces), e.Frames, 100*e.Coverage, e.ParityMargin)
	}
	t.list("note", opened.Notes())
	t.printf("written to   %s\n", c.Out)
	if c.Picture != "" {
		t.printf("picture      %s\n", c.Picture)
	}
	return nil
}

// lensFigures is what footage shows of lenses and shutters.
type lensFigures struct {
	Softness     align.Softness     `json:"softness"`
	LateralColor align.LateralColor `json:"lateral_color"`
	Rolling      align.Rolling      `json:"rolling"`
}

// newLensFigures returns those of an estimate, or nil.
func newLensFigures(e *align.Estimate) *lensFigures {
	if e == nil {
		return nil
	}
	return &lensFigures{e.Softness, e.LateralColor, e.Rolling}
}

func newRegisterReport(found take.Registration, timing take.Timing, notes []string) registerReport {
	r := registerReport{
		Mirror: found.Geometry.Mirror, Residual: found.Residual, Model: found.Model, Geometry: found.Geometry, Points: found.Geometry.Grid(5),
		Warnings: orEmpty(slices.Concat(timing.Warnings, found.Warnings)), Notes: orEmpty(notes),
	}
	r.Sigma, r.SigmaWorst = expected(found)
	if e := found.Chart; e != nil {
		r.Coverage, r.Covariance, r.Why = e.Coverage, e.Covariance, "a chart shows all of a geometry"
		r.chartFigures = &chartFigures{len(e.Corners), e.Outliers}
	} else if e := found.Estimate; e != nil {
		r.Coverage, r.Covariance, r.Why = e.Coverage, e.Covariance, e.Why()
		r.footageFigures = &footageFigures{e.Frames, len(e.Pieces), e.Match, e.ParityMargin, e.Models, *newLensFigures(e), e.Texture, newTimingReport(timing)}
	}
	return r
}

// picture writes the residual field over a frame from the middle of the take.
func (c *register) picture(opened *take.Take, found take.Registration, report registerReport) error {
	var frame *plate.RGB
	for i := range opened.Pairs { // from the middle on, the first that can be read
		var err error
		if frame, err = opened.ReadColor(opened.Pairs[(len(opened.Pairs)/2+i)%len(opened.Pairs)]); err == nil {
			break
		} else if i == len(opened.Pairs)-1 {
			return err
		}
	}
	p := &residualPicture{frame: frame, geometry: found.Geometry}
	if e := found.Chart; e != nil {
		p.sigma, p.pieces, p.what = e.Sigma, e.Corners, "corners"
	} else {
		p.sigma, p.pieces, p.what = found.Estimate.Sigma, found.Estimate.Pieces, "pieces of edge"
	}
	p.title = fmt.Sprintf("Geometry from %s: residual %.2f px; expected error %.3f px over the frame, %.3f px at worst", map[bool]string{true: "a chart", false: "the footage"}[found.Chart != nil], found.Residual, *report.Sigma, *report.SigmaWorst)
	return plate.WriteAtomic(c.Picture, p.write)
}
