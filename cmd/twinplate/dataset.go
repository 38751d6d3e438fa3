package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"example.com/twinplate/dataset"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/take"
)

type datasetCommand struct {
	Takes           []string `arg:"" name:"take" help:"Recipes of the takes, as comp --save-recipe writes them: FILE.json, or NAME=FILE.json to call the take NAME."`
	Out             string   `help:"Folder for the data set: a new one, or one to go on with." placeholder:"DIR" required:""`
	Background      []string `help:"A still, a folder or a quoted glob: one composite a frame, of a folder the pictures in turn. May be given again. Default: the recipes' own." placeholder:"PATH" sep:"none"`
	BackgroundCurve string   `help:"Transfer curve of the backgrounds. Default: what their tags say, or srgb." placeholder:"NAME|F.csv"`
	Split           string   `help:"Parts of the takes for training, validation and test. Default 80,10,10." placeholder:"A,B,C"`
	Validation      []string `help:"Names of the takes for validation, instead of --split." placeholder:"NAME,..."`
	Test            []string `help:"Names of the takes for test, instead of --split; all others are for training." placeholder:"NAME,..."`
	Every           int      `help:"Use each N-th frame." placeholder:"N" default:"1"`
	Format          string   `help:"png (the default) or exr." placeholder:"FORMAT"`
	Depth           int      `help:"Bits of a value: 8 or 16; with exr 16 or 32. Default 16." placeholder:"BITS"`
	Curve           string   `help:"Transfer curve of the files that hold light. Default srgb; exr is linear. Alpha and sigma are linear." placeholder:"NAME"`
	Jobs            int      `help:"Frames worked on at once, which bounds the memory. Default: one a core." placeholder:"N"`
	JSON            bool     `name:"json" help:"Print one JSON object instead of text."`
}

func (datasetCommand) Help() string {
	return examples(
		"twinplate comp --color color --band band --background sea.png --save-recipe take1.json    # for each take",
		"twinplate dataset take1.json take2.json take3.json --background sea.png --background stills/ --out set",
		"twinplate dataset *.json --test take7 --validation take3,take5 --background stills/ --every 4 --depth 8 --out set",
		"twinplate dataset day1=day1/take.json --split 1,0,0 --format exr --out set") +
		"\n\nOUT gets manifest.jsonl with a line a frame, card.md, and takes/NAME with color, band, foreground, straight, alpha, sigma, comp/BACKGROUND and background/BACKGROUND. " +
		"examples/readdataset reads it in ten lines of Python.\n\n" +
		"A split is of whole takes, and the same every time for the same names. When it was stopped, the same command goes on. There is a manifest only when all is there."
}

// sources reads the recipes.
func (c *datasetCommand) sources() ([]dataset.Source, error) {
	var sources []dataset.Source
	for _, arg := range c.Takes {
		name, path, named := strings.Cut(arg, "=")
		if !named {
			path = arg
			name = strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
		}
		r, err := take.ReadRecipe(path)
		if err != nil {
			return nil, err
		}
		for _, s := range sources {
			if s.Name == name {
				return nil, usageError{fmt.Errorf("%s: another take is called %s: give it another name, like NAME=%s", path, name, path)}
			}
		}
		sources = append(sources, dataset.Source{Name: name, Recipe: r})
	}
	return sources, nil
}

// datasetReport is what `dataset --json` prints.
type datasetReport struct {
	Samples map[string]int     `json:"samples"` // by split
	Kept    int                `json:"kept"`
	Failed  []dataset.Omission `json:"failed"`
	Notes   []string           `json:"notes"`
}

func (c *datasetCommand) Run(t *terminal) error {
	opt := &dataset.Options{
		Backgrounds: c.Background, BackgroundCurve: c.BackgroundCurve, Validation: c.Validation, Test: c.Test,
		Every: c.Every, Format: c.Format, Depth: c.Depth, Curve: c.Curve, Program: "twinplate " + version(), Jobs: c.Jobs,
	}
	var err error
	switch {
	case c.Split != "" && len(c.Validation)+len(c.Test) > 0:
		err = errors.New("--split, and --validation or --test: give the shares or the names")
	case c.Jobs < 0:
		err = fmt.Errorf("--jobs %d: it must be 1 or more", c.Jobs)
	case c.Split != "":
		opt.Shares, err = dataset.ParseShares(c.Split)
	}
	if err == nil {
		err = opt.Check()
	}
	if err != nil {
		return usageError{err}
	}
	sources, err := c.sources()
	if err != nil {
		return err
	}
	read := list.Of(sources, func(s dataset.Source) take.Recipe { return s.Recipe })
	backgrounds := list.Of(c.Background, func(b string) take.Recipe { return take.Recipe{Background: b} })
	for _, r := range append(read, backgrounds...) {
		if err := inputsApart(c.Out, r); err != nil {
			return err
		}
	}
	shown := t.meter("writing samples")
	opt.Progress = shown.step
	report, err := dataset.Write(t.ctx, c.Out, sources, opt)
	shown.end()
	if err != nil {
		return err
	}
	if c.JSON {
		if err := t.object(datasetReport{report.Samples, report.Kept, orEmpty(report.Failed), orEmpty(report.Notes)}); err != nil {
			return err
		}
	} else {
		t.list("note", report.Notes)
		t.printf("%d frames for training, %d for validation, %d for test", report.Samples[dataset.Splits[0]], report.Samples[dataset.Splits[1]], report.Samples[dataset.Splits[2]])
		if report.Kept > 0 {
			t.printf("; %d of them were there already", report.Kept)
		}
		t.printf("\nread %s, and fill in what only you know\n", filepath.Join(c.Out, dataset.Card))
	}
	for _, f := range report.Failed {
		t.warnf("%s, frame %d: %s", f.Take, f.Frame, f.Error)
	}
	if n := len(report.Failed); n > 0 {
		return fmt.Errorf("%w: %d", errSomeFrames, n)
	}
	return nil
}
