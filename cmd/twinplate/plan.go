package main

import (
	"bytes"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"example.com/twinplate/internal/app/page"
	"example.com/twinplate/internal/objects"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
	"example.com/twinplate/take"
)

type plan struct {
	File    string `arg:"" optional:"" help:"The rig: a JSON file like the one that --example prints."`
	Out     string `help:"Write the plan to a file: a page (.html), or the numbers (.json)." placeholder:"F.html"`
	Replace bool   `help:"Overwrite a file that is there and no plan."`
	JSON    bool   `name:"json" help:"Print one JSON object instead of text."`
	Example bool   `help:"Print the file of an example rig, to begin with."`
}

func (plan) Help() string {
	return examples(
		"twinplate plan --example > rig.json",
		"twinplate plan rig.json",
		"twinplate plan rig.json --out plan.html") +
		"\n\nThe file has the screen, its lamps, the performer's place, the set lights, the beam splitter, and for both cameras the sensor, the lens and the filters. Fields that end in _m are meters, _mm millimeters, _um micrometers, _nm nanometers. " +
		"A light has the name of a CIE illuminant (" + strings.Join(rig.Illuminants(), ", ") + ") or a curve. A filter has the kind pass or block with center_nm and width_nm, or the kind curve. " +
		"A maker's curve is \"curve_file\", a CSV file of nanometers and values beside the rig's file, or \"curve\", [[nm, value], ...]. What is left out is assumed, and the plan says what that was.\n\n" +
		caution
}

// Run works out what a rig will give, and prints it.
func (c *plan) Run(t *terminal) error {
	if c.Example {
		_, err := t.stdout.Write(rig.PierSetup())
		return err
	}
	if c.File == "" {
		return usageError{fmt.Errorf("the rig's file is missing: twinplate plan --example prints one to begin with")}
	}
	ext := strings.ToLower(filepath.Ext(c.Out))
	if c.Out != "" && ext != ".html" && ext != ".json" {
		return usageError{fmt.Errorf("--out %s: it must end in .html or .json", c.Out)}
	}
	setup, files, err := readSetup(c.File)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	kind := planPageKind
	if ext == ".json" {
		kind = planKind
	}
	if err := guard(c.Replace, take.Recipe{}, files...).Check(c.Out, kind); err != nil {
		return err
	}
	p, err := setup.Plan()
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	switch ext {
	case ".html":
		err = plate.WriteAtomic(c.Out, func(w io.Writer) error { return page.Plan(w, p) })
	case ".json":
		err = writeObject(c.Out, p)
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return t.object(p)
	}
	printPlan(t, p)
	if c.Out != "" {
		t.printf("\nwritten to %s\n", c.Out)
	}
	return nil
}

// maxRig bounds the files that a rig is read from, in bytes.
const maxRig = 4 << 20

// readSetup reads a rig's file and the curves that it names, which are relative to its folder, and
// returns the names of all.
func readSetup(path string) (setup rig.Setup, files []string, err error) {
	open := func(path string) ([]byte, error) {
		files = append(files, path)
		return objects.Read(path, maxRig, "rig, and no curve")
	}
	data, err := open(path)
	if err == nil {
		setup, err = rig.ParseSetup(data)
	}
	if err != nil {
		return setup, nil, err
	}
	if err := setup.ReadCurves(func(name string) (io.ReadCloser, error) {
		if !filepath.IsAbs(name) {
			name = filepath.Join(filepath.Dir(path), name)
		}
		data, err := open(name)
		return io.NopCloser(bytes.NewReader(data)), err
	}); err != nil {
		return setup, nil, err
	}
	return setup, files, nil
}

func printPlan(t *terminal, p *rig.Plan) {
	t.readings(p.Readings, "To change")
	t.printf("\nSet lights: lux, m (the strongest, in %%), transmission of a white costume before and after it is taken off\n")
	for _, l := range p.Lights {
		t.printf("  %-16s %6.0f lux   m %5.2f %%   %5.2f %% before, %.2f %% after\n", l.Name, l.Lux, 100*max(l.Crosstalk[0], l.Crosstalk[1], l.Crosstalk[2]), 100*l.Before, 100*l.After)
	}
	t.printf("\nTo record\n")
	for _, r := range p.Records {
		t.printf("  [ ] %s: %s\n      %s\n", r.What, r.How, r.Why)
	}
	t.printf("\nThe order on the day\n")
	for _, s := range p.Day {
		t.printf("  %-14s %s\n", s.When, s.Do)
	}
	t.printf("\nCautions\n")
	for _, s := range p.Cautions {
		t.printf("  %s\n", s)
	}
	t.printf("\nAssumed\n")
	for _, s := range p.Assumed {
		t.printf("  %s\n", s)
	}
	t.printf("\n%s\n", p.Summary())
}
