package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"example.com/twinplate/day"
	"example.com/twinplate/internal/target"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

type dayCommand struct {
	Cards []string `arg:"" help:"The folders of the two cards, the color camera's and then the band camera's; or a day's file that was edited, to read the day again." placeholder:"CARD" type:"path"`
	Out   string   `help:"Folder for the day's file, its page, and each take's recipe. With a day's file: the one that it is in." placeholder:"DIR" default:"day" type:"path"`

	Background       *string `help:"What goes behind all takes, as in comp." placeholder:"PATH"`
	ColorCamera      string  `help:"The curve and the primaries that the color camera recorded with, as in comp." placeholder:"NAME"`
	ColorCurve       *string `help:"Transfer curve of the color plates, as in comp." placeholder:"NAME|F.csv"`
	BandCurve        *string `help:"Transfer curve of the band plates, as in comp." placeholder:"NAME|F.csv"`
	ColorRange       *string `help:"The range of the color clips' code values, as in comp." placeholder:"narrow|full"`
	BandRange        *string `help:"The same for the band clips." placeholder:"narrow|full"`
	BackgroundCamera string  `help:"The curve and the primaries of the background, as in comp." placeholder:"NAME"`
	BackgroundCurve  *string `help:"Transfer curve of the background, as in comp." placeholder:"NAME|F.csv"`
	Parity           *string `help:"Whether the band plates are flipped left to right, as in comp." placeholder:"auto|mirrored|straight"`
	Settings         string  `help:"A recipe whose settings all takes are to have; its files and frames are not used." placeholder:"F" type:"path"`
	Replace          bool    `help:"Overwrite the day's file that is there, with all that was edited in it."`
	JSON             bool    `name:"json" help:"Print the day's file instead of text."`
}

func (dayCommand) Help() string {
	return examples(
		"twinplate day CARD_A CARD_B --color-camera slog3-sgamut3cine --background sea.png",
		"twinplate comp day/day.json --out out --clip comp.mov",
		"twinplate comp day/day.json --takes take02,take05..take07 --out out",
		"twinplate day day/day.json    # again, as somebody has edited it") +
		"\n\nClips are paired by time code or recording time, whose clocks may be apart, and by sound. What each pair shows, a take, a clean or a dark plate, or the chart, is told from its pictures. " +
		"The rig's geometry is found from all takes; one that disagrees is told. Each take is read as check does.\n\n" +
		"DIR/day.json is made to be edited: kind (take, clean, dark, chart, out), color and band, offset, clean and dark of each pair are believed when the day is read again, and a line that is taken out is found anew. " +
		"DIR/day.html shows each take, what is wrong and what to do. DIR/take01.json and so on are recipes, as comp's.\n\n" + caution
}

// fileName is that of a day's file.
const fileName = "day.json"

// settings joins what all takes have and the flags.
func (c *dayCommand) settings(r *take.Recipe) error {
	if c.Settings != "" {
		var err error
		if *r, err = take.ReadRecipe(c.Settings); err != nil {
			return err
		}
		none := take.Recipe{}
		r.Color, r.Band, r.CleanColor, r.CleanBand, r.DarkColor, r.DarkBand = "", "", "", "", "", ""
		r.Frames, r.Offset, r.Geometry, r.Gain, r.TimecodeColor, r.TimecodeBand = "", none.Offset, none.Geometry, none.Gain, "", ""
		r.Crosstalk, r.Screen, r.ScreenColor, r.Pedestal, r.ColorNoise, r.BandNoise = none.Crosstalk, nil, nil, 0, nil, nil
	}
	if err := cmp.Or(overrideCamera(&r.ColorCurve, &r.ColorPrimaries, c.ColorCamera),
		overrideCamera(&r.BackgroundCurve, &r.BackgroundPrimaries, c.BackgroundCamera), override(r, c)); err != nil {
		return err
	}
	if err := r.Check(); err != nil {
		return usageError{err}
	}
	return nil
}

// open finds the day's clips, or reads its file.
func (c *dayCommand) open(ctx context.Context, opt *day.ReadOptions) (*day.Day, error) {
	if len(c.Cards) == 1 {
		d, err := day.Open(c.Cards[0])
		if err != nil {
			return nil, err
		}
		return d, c.settings(&d.Settings)
	}
	if err := c.settings(&opt.Settings); err != nil {
		return nil, err
	}
	return day.Cards(ctx, c.Cards[0], c.Cards[1], opt)
}

// prepare makes the folder for the results, in which there must be no day of other cards.
func (c *dayCommand) prepare() error {
	switch {
	case len(c.Cards) == 1 && day.Is(c.Cards[0]):
		c.Out = filepath.Dir(c.Cards[0])
		return nil
	case len(c.Cards) != 2:
		return usageError{errors.New("day takes the folders of two cards, or one day's file: see twinplate day --help")}
	}
	if err := os.MkdirAll(c.Out, 0o777); err != nil {
		return fmt.Errorf("the output folder cannot be made: %w", err)
	}
	entries, err := os.ReadDir(c.Out)
	if err != nil {
		return err
	}
	file := filepath.Join(c.Out, fileName)
	switch {
	case len(entries) == 0 || c.Replace:
	case day.Is(file):
		return usageError{fmt.Errorf("%s is there: to read that day again, with what was edited in it: twinplate day %s; to begin anew: --replace", file, file)}
	default:
		return usageError{fmt.Errorf("%s: it is no day's folder, and has other files: choose another --out, or --replace", c.Out)}
	}
	return target.Writable(c.Out)
}

func (c *dayCommand) Run(t *terminal) error {
	if err := c.prepare(); err != nil {
		return err
	}
	shown := t.meter("reading the day")
	shown.unit = ""
	opt := &day.ReadOptions{Stage: shown.begin, Progress: shown.step}
	page := &dayPage{}
	opt.Each = page.add
	d, err := c.open(t.ctx, opt)
	if err == nil {
		err = d.Read(t.ctx, opt)
	}
	shown.end()
	if err != nil {
		return err
	}
	file := filepath.Join(c.Out, fileName)
	if err := d.Save(file); err != nil {
		return err
	}
	if err := plate.WriteAtomic(filepath.Join(c.Out, "day.html"), page.write(d)); err != nil {
		return err
	}
	if c.JSON {
		return t.object(d)
	}
	for _, k := range d.Clocks {
		t.printf("clocks       by %s the band camera's is %+.1f s from the color camera's (%d pairs)\n", k.By, k.Apart, k.Pairs)
	}
	for _, r := range d.Rigs {
		t.printf("%-12s geometry from %s, expected error %.3f px; %s\n", r.Name, r.From, r.Sigma, strings.Join(r.Pairs, ", "))
	}
	for _, p := range d.Pairs {
		t.printf("%-12s %s and %s, %.1f s\n", p.Name, filepath.Base(p.Color), filepath.Base(p.Band), p.Found.Seconds)
		if p.Kind == day.Take {
			t.printf("%-12s %s; offset %+d by %s; clean plates: %s; dark plates: %s\n", "", p.Found.Verdict, p.Found.Offset, p.Found.OffsetBy, p.Clean, p.Dark)
		}
		for _, w := range p.Found.Wrong {
			t.printf("%-12s %s\n", "", w)
		}
	}
	for _, l := range d.Left {
		t.printf("left         %s: %s. %s\n", l.Clip, l.Why, l.Do)
	}
	t.printf("%s\nwritten to   %s and %s; next: twinplate comp %s --out out\n", page.summary(d), file, filepath.Join(c.Out, "day.html"), file)
	return nil
}

// of returns the name of a file of one take: the take's name before the file's.
func ofTake(name, path string) string {
	if path == "" {
		return ""
	}
	return filepath.Join(filepath.Dir(path), name+"_"+filepath.Base(path))
}

// day makes the takes of a day, one after the other. One that fails does not stop the others.
func (c *comp) day(t *terminal) error {
	for flag, given := range map[string]bool{"--recipe": c.Recipe != "", "--save-recipe": c.SaveRecipe != "", "--frames": c.Frames != nil, "--color": c.Color != nil, "--band": c.Band != nil, "--offset": c.Offset != nil} {
		if given {
			return usageError{fmt.Errorf("%s with a day's file: it is of one take; comp --recipe with the take's recipe does one", flag)}
		}
	}
	d, err := day.Open(c.Take)
	if err != nil {
		return err
	}
	chosen, err := d.Choose(c.Takes)
	if err != nil {
		return usageError{err}
	}
	var failed []string
	for _, p := range chosen {
		one := *c
		one.Take, one.Takes, one.name, one.inputs = "", "", p.Name, d.Clips()
		if one.Recipe, err = d.Recipe(c.Take, p); err == nil {
			if c.Out != "" {
				one.Out = filepath.Join(c.Out, p.Name)
			}
			for _, f := range []*string{&one.Clip, &one.ForegroundClip, &one.MatteClip, &one.Archive, &one.Preview} {
				*f = ofTake(p.Name, *f)
			}
			if !c.JSON {
				t.printf("take         %s\n", p.Name)
			}
			err = one.Run(t)
		} else {
			err = fmt.Errorf("%w: twinplate day %s", err, c.Take)
		}
		if err == nil {
			continue
		}
		if t.ctx.Err() != nil || errors.As(err, new(usageError)) || errors.As(err, new(*take.FullDiskError)) {
			return err
		}
		t.warnf("%s: %v", p.Name, err)
		failed = append(failed, p.Name)
	}
	if len(failed) > 0 {
		return fmt.Errorf("%w: of %d takes, not or not all of %s", errSomeFrames, len(chosen), strings.Join(failed, ", "))
	}
	return nil
}
