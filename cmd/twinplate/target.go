package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"example.com/twinplate/internal/target"
	"example.com/twinplate/take"
)

// The kinds of single files that the commands write. What tells them is in them since they are
// written, so that a file of another program, or of another command, is not taken for one.
var (
	recipeKind = target.Kind{Name: "a recipe", Is: func(path string) bool {
		_, err := take.ReadRecipe(path)
		return err == nil
	}}
	geometryKind  = target.Kind{Name: "a geometry", Is: target.Marked(`"residual_px"`, `"geometry"`, `"points"`, `"covariance"`)}
	residualKind  = target.Kind{Name: "a picture of a geometry", Is: target.Marked("<svg", "<title>Geometry from ")}
	chartKind     = target.Kind{Name: "a chart", Is: target.Marked(chartTitle)}
	planPageKind  = target.Kind{Name: "the page of a plan", Is: target.Marked("<!DOCTYPE html>", `<body class="plan">`)}
	planKind      = target.Kind{Name: "a plan", Is: target.Marked(`"readings"`, `"lamps_needed"`)}
	checkPageKind = target.Kind{Name: "the page of a check", Is: target.Marked("<!DOCTYPE html>", "<title>Test shot: ")}
	checkKind     = target.Kind{Name: "the readings of a check", Is: target.Marked(`"verdict"`, `"readings"`)}
	cdlKind       = target.Kind{Name: "an ASC CDL", Is: target.Marked("<SOPNode>")}
	contactKind   = target.Kind{Name: "a contact sheet", Is: target.Marked(contactTitle)}
)

// guard returns what looks at the outputs of a command that reads what a recipe names, and these
// files.
func guard(replace bool, r take.Recipe, files ...string) *target.Guard {
	return &target.Guard{Replace: replace, Inputs: target.NewInputs(append(r.InputFiles(), files...))}
}

// inputsApart returns an error where one of the recipe's files is in a folder that is written to as
// a whole.
func inputsApart(dir string, r take.Recipe) error {
	whole, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return nil // it is not there yet
	}
	if whole, err = filepath.Abs(whole); err != nil {
		return err
	}
	for _, path := range r.InputFiles() {
		real, err := filepath.EvalSymlinks(path)
		if err == nil {
			real, err = filepath.Abs(real)
		}
		if err == nil && strings.HasPrefix(real, whole+string(filepath.Separator)) {
			return fmt.Errorf("%s: the input %s is in it: choose another output folder", dir, path)
		}
	}
	return nil
}
