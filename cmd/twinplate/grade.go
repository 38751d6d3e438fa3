package main

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"example.com/twinplate/composite"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/objects"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clf"
	"example.com/twinplate/take"
)

// grading are comp's flags for color.
type grading struct {
	ForegroundGrade *string `help:"Color of the performer, before the sum: settings with commas between them, of exposure=STOPS, contrast=C, pivot=LIGHT, black=LIGHT, saturation=S, in=CURVE (what contrast, black, saturation and cdl act on: linear, the default, or a log such as acescct), balance=R:G:B, gray=L:T:R:B (a gray card, in parts of the color plate from the left and top edges; @N names the frame), matrix=F.json (from twinplate match), cdl=F (.cc, .ccc or .cdl; F#ID names the correction)." placeholder:"KEY=V,..."`
	BackgroundGrade *string `help:"Color of the background, likewise. Its gain is exposure, in stops." placeholder:"KEY=V,..."`
	SaveCDL         string  `name:"save-cdl" help:"Save both grades as ASC CDL (.ccc or .cdl), with the ids foreground and background." placeholder:"F.ccc"`
}

// into writes the flags that are given over the recipe's grades.
func (g *grading) into(r *take.Recipe) error {
	for _, p := range []struct {
		name string
		flag *string
		to   *composite.Grade
	}{{"foreground-grade", g.ForegroundGrade, &r.ForegroundGrade}, {"background-grade", g.BackgroundGrade, &r.BackgroundGrade}} {
		if p.flag == nil {
			continue
		}
		var err error
		if *p.to, err = parseGrade(*p.flag); err != nil {
			return fmt.Errorf("--%s: %w", p.name, err)
		}
	}
	return nil
}

// parseGrade reads a grade from the settings of a flag.
func parseGrade(text string) (g composite.Grade, err error) {
	err = settings(text, "exposure=0.5,saturation=0.9", "exposure, contrast, pivot, black, saturation, in, balance, gray, matrix and cdl", map[string][]*float64{
		"exposure": {&g.Exposure}, "contrast": {&g.Contrast}, "pivot": {&g.Pivot}, "black": {&g.Black},
	}, func(r *figures, part, key, v string) bool {
		switch key {
		case "saturation":
			g.Saturation = new(float64)
			r.numbers(part, v, g.Saturation)
		case "in":
			g.In = v
		case "balance":
			g.Balance = &[3]float64{}
			r.numbers(part, v, &g.Balance[0], &g.Balance[1], &g.Balance[2])
		case "gray":
			c := &composite.Card{}
			place, frame, given := strings.Cut(v, "@")
			r.numbers(part, place, &c.Left, &c.Top, &c.Right, &c.Bottom)
			if given && r.err == nil {
				if c.Frame, r.err = strconv.Atoi(frame); r.err != nil {
					r.err = fmt.Errorf("%q: %q is no frame's number", part, frame)
				}
			}
			g.GrayCard = c
		case "matrix":
			g.Matrix, r.err = readMatrix(v)
		case "cdl":
			g.CDL, r.err = readCDL(v)
		default:
			return false
		}
		return true
	})
	if err == nil {
		err = g.Check()
	}
	return g, err
}

// settings reads parts of KEY=VALUE with commas between, of which there may be none: into numbers,
// or else set takes one, and reports whether there is such a key; it may be nil.
func settings(text, example, keys string, numbers map[string][]*float64, set func(r *figures, part, key, value string) bool) error {
	if strings.TrimSpace(text) == "" {
		return nil
	}
	var r figures
	for part := range strings.SplitSeq(text, ",") {
		key, value, ok := strings.Cut(strings.TrimSpace(part), "=")
		if !ok {
			return fmt.Errorf("%q: it must be like %s", part, example)
		}
		if to, ok := numbers[key]; ok {
			r.numbers(part, value, to...)
		} else if set == nil || !set(&r, part, key, value) {
			return fmt.Errorf("%q: there is no setting %q: they are %s", part, key, keys)
		}
		if r.err != nil {
			return r.err
		}
	}
	return nil
}

// Figures are numbers that are read until one is wrong.
type figures struct{ err error }

func (r *figures) numbers(part, text string, to ...*float64) {
	fields := strings.Split(text, ":")
	for i, f := range fields {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil || len(fields) != len(to) {
			if r.err = fmt.Errorf("%q: it must be a number", part); len(to) > 1 {
				r.err = fmt.Errorf("%q: it must be %d numbers with colons between them", part, len(to))
			}
			return
		}
		*to[i] = v
	}
}

// readMatrix reads the matrix in a file of twinplate match.
func readMatrix(path string) (*[9]float64, error) {
	data, err := objects.Read(path, maxRig, "file that twinplate match writes")
	if err != nil {
		return nil, err
	}
	var m struct {
		Matrix []float64 `json:"matrix"`
	}
	if err := json.Unmarshal(data, &m); err != nil || len(m.Matrix) != 9 {
		return nil, fmt.Errorf("%s: there must be nine numbers under \"matrix\", as twinplate match writes them", path)
	}
	return (*[9]float64)(m.Matrix), nil
}

// readCDL reads a correction of an ASC CDL: the one whose id is behind a #, or the only one.
func readCDL(path string) (*plate.CDL, error) {
	path, id, named := strings.Cut(path, "#")
	all, err := clf.ReadCDL(path)
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, c := range all {
		if named && c.ID == id || !named && len(all) == 1 {
			return &c.CDL, nil
		}
		ids = append(ids, strconv.Quote(c.ID))
	}
	if named {
		return nil, fmt.Errorf("%s: no correction has the id %q: there are %s", path, id, strings.Join(ids, ", "))
	}
	return nil, fmt.Errorf("%s: it has %d corrections: name one of %s, as %s#ID", path, len(all), strings.Join(ids, ", "), path)
}

// save writes the grades of a recipe as ASC CDL.
func (g *grading) save(r take.Recipe) error {
	grades, err := r.CDLs()
	if err != nil {
		return fmt.Errorf("%s: %w", g.SaveCDL, err)
	}
	return clf.WriteCDL(g.SaveCDL, list.Of(grades, func(c take.GradeCDL) clf.Correction { return clf.Correction(c) }))
}
