package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"

	"example.com/twinplate/internal/names"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

type check struct {
	plates
	Geometry *string `help:"Geometry between the cameras: auto (from the footage, the default), none, or a file from register." placeholder:"F|auto|none"`
	Out      string  `help:"Folder for the page, check.html, and the same readings as check.json." placeholder:"DIR"`
	Replace  bool    `help:"Overwrite files of those names that no check has written."`
	JSON     bool    `name:"json" help:"Print one JSON object instead of text."`
}

func (check) Help() string {
	return examples(
		"twinplate check --color color --band band --fps 24",
		"twinplate check --color color --band band --clean-band clean.png --dark-band dark.png --fps 24 --out checked") +
		"\n\nA test shot of two seconds, in which the performer moves before the lit screen and leaves part of it open, tells the most. " +
		"Each reading has a value, a verdict and what to do on the set. The verdicts are good, watch, bad, and unknown where the shot does not tell.\n\n" +
		caution
}

// checkReport is what check prints with --json, and writes as check.json.
type checkReport struct {
	Verdict  reading.Verdict   `json:"verdict"` // the worst
	Readings []reading.Reading `json:"readings"`
	Gains    []take.GainPoint  `json:"gains"`
	Flicker  flickerReport     `json:"flicker"`
	Notes    []string          `json:"notes"`
}

type flickerReport struct {
	PeakToPeak float64  `json:"peak_to_peak"`
	Amplitude  float64  `json:"beat_amplitude"`
	Frequency  float64  `json:"beat_cycles_per_frame"` // 0: there is no beat
	Hertz      *float64 `json:"beat_hz"`               // null without --fps
}

func newFlickerReport(f matte.Flicker, fps float64) flickerReport {
	r := flickerReport{PeakToPeak: f.PeakToPeak, Amplitude: f.Amplitude, Frequency: f.Frequency}
	if fps > 0 {
		hz := f.Frequency * fps
		r.Hertz = &hz
	}
	return r
}

func (c *check) Run(t *terminal) error {
	var r take.Recipe
	if err := cmp.Or(c.into(&r), override(&r, c)); err != nil {
		return err
	}
	if err := r.Check(); err != nil {
		return usageError{err}
	}
	if err := c.missing("check", &r); err != nil {
		return err
	}
	if c.Out != "" {
		if err := os.MkdirAll(c.Out, 0o777); err != nil {
			return fmt.Errorf("the output folder cannot be made: %w", err)
		}
		outputs := guard(c.Replace, r)
		if err := cmp.Or(outputs.Check(filepath.Join(c.Out, "check.json"), checkKind), outputs.Check(filepath.Join(c.Out, "check.html"), checkPageKind)); err != nil {
			return err
		}
	}
	shown := t.meter("reading")
	shown.begin("the take's files")
	ended := sync.OnceFunc(shown.end)
	defer ended()
	opened, err := take.OpenContext(t.ctx, r)
	if err != nil {
		return err
	}
	opened.Stage = shown.begin
	checked, err := opened.Check(t.ctx, &take.CheckOptions{FPS: opened.FPS(), Progress: shown.step})
	ended()
	if err != nil {
		return err
	}
	report := checkReport{checked.Readings.Worst(), checked.Readings, orEmpty(checked.Gains), newFlickerReport(checked.Flicker, opened.FPS()), orEmpty(checked.Notes)}
	if c.Out != "" {
		if err := c.write(r.Color, report, checked); err != nil {
			return err
		}
	}
	if c.JSON {
		return t.object(report)
	}
	c.printFound(t)
	t.readings(checked.Readings, "On the set")
	for _, n := range checked.Notes {
		t.printf("note     %s\n", n)
	}
	t.printf("%s\n", summary(checked))
	if c.Out != "" {
		t.printf("written to %s\n", filepath.Join(c.Out, "check.html"))
	}
	return nil
}

func (c *check) write(from string, report checkReport, checked *take.Checkup) error {
	if err := writeObject(filepath.Join(c.Out, "check.json"), report); err != nil {
		return err
	}
	return plate.WriteAtomic(filepath.Join(c.Out, "check.html"), func(w io.Writer) error { return writeCheckPage(w, from, checked) })
}

// readings prints readings, with their advice under a heading.
func (t *terminal) readings(list []reading.Reading, heading string) {
	for _, r := range list {
		t.printf("%-8s %-24s %s\n", r.Verdict, r.Title, valueOf(r))
		t.printf("%-8s %s\n", "", r.Meaning)
		if r.Advice != "" {
			t.printf("%-8s %s: %s\n", "", heading, r.Advice)
		}
	}
}

// valueOf returns a reading's value as people read it.
func valueOf(r reading.Reading) string {
	if r.Value == nil {
		return "not known"
	}
	return fmt.Sprintf("%.2f %s", *r.Value, r.Unit)
}

// summary is the whole in one sentence.
func summary(c *take.Checkup) string {
	count := c.Readings.Count
	if n := count(reading.Bad); n > 0 {
		return fmt.Sprintf("%s to mend before the set is struck.", names.Count(n, "thing"))
	}
	if n := count(reading.Watch); n > 0 {
		return fmt.Sprintf("The take can be used; %s could be better.", names.Count(n, "thing"))
	}
	if n := count(reading.Unknown); n > 0 {
		return fmt.Sprintf("Nothing is wrong that the shot shows; %s could not be read.", names.Count(n, "thing"))
	}
	return "Everything is as it should be."
}
