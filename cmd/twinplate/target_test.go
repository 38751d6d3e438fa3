package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
)

// tinyTake writes a take of files that stand for plates but need not be read, and returns its folder.
func tinyTake(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"color/0001.png", "color/0002.png", "band/0001.png", "band/0002.png", "sea/0001.png", "sea/0002.png", "clean_band.png"} {
		path := filepath.Join(dir, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), plate.Write(path, plate.NewRGB(4, 3), nil)); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// An output that has the name of an input, of another target or of a file of another kind is
// refused before any work, and what is there stays as it was.
func TestOutputsThatWouldDestroy(t *testing.T) {
	dir := tinyTake(t)
	in := func(name string) string { return filepath.Join(dir, filepath.FromSlash(name)) }
	write := func(name, text string) {
		if err := os.WriteFile(in(name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write("rig.json", string(rig.PierSetup()))
	write("take.json", `{"version": 1, "color": "color", "band": "band"}`)
	write("notes.json", `{"version": "of my own"}`)
	write("notes.html", "<!DOCTYPE html><title>Notes</title>")
	write("drawing.svg", "<svg></svg>")
	plates := []string{"--color", in("color"), "--band", in("band"), "--clean-band", in("clean_band.png")}
	comp := append([]string{"comp", "--background", in("sea")}, plates...)
	register := append([]string{"register"}, plates...)
	check := append([]string{"check"}, plates...)
	for _, err := range []error{
		os.Symlink(in("color/0001.png"), in("soft.json")), os.Link(in("band/0002.png"), in("hard.json")), os.Symlink(in("color"), in("plates")),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, test := range []struct {
		name string
		args []string
		file string // that must stay
		want string
	}{
		{"a recipe over a plate", append(comp, "--save-recipe", in("color/0001.png")), "color/0001.png", "would overwrite the input"},
		{"a recipe over a plate, and --replace", append(comp, "--replace", "--save-recipe", in("color/0001.png")), "color/0001.png", "would overwrite the input"},
		{"a recipe over a plate that is not of the range", append(comp, "--frames", "1", "--save-recipe", in("color/0002.png")), "color/0002.png", "would overwrite the input"},
		{"by a symbolic link", append(comp, "--save-recipe", in("soft.json")), "soft.json", "would overwrite the input"},
		{"by a hard link", append(comp, "--save-recipe", in("hard.json")), "hard.json", "would overwrite the input"},
		{"by a link to the folder", append(comp, "--save-recipe", in("plates/0002.png")), "color/0002.png", "would overwrite the input"},
		{"a recipe over the one that is read", []string{"comp", "--recipe", in("take.json"), "--save-recipe", in("take.json")}, "take.json", "would overwrite the input"},
		{"a recipe over another program's file", append(comp, "--save-recipe", in("notes.json")), "notes.json", "not a recipe that this program wrote"},
		{"a recipe over a rig", append(comp, "--save-recipe", in("rig.json")), "rig.json", "not a recipe that this program wrote"},
		{"a recipe in a folder that is not there", append(comp, "--save-recipe", in("nowhere/take.json")), "take.json", "cannot be written to"},
		{"a clip over the background", append(comp, "--out", in("out"), "--preview", in("sea/0001.png")), "sea/0001.png", "would overwrite the input"},
		{"two clips of one name", append(comp, "--out", in("out"), "--preview", in("a.mp4"), "--archive", in("a.mp4")), "rig.json", "one name"},
		{"a geometry over a background", append(register, "--out", in("sea/0002.png")), "sea/0002.png", "not a geometry"},
		{"a geometry over a recipe", append(register, "--out", in("take.json")), "take.json", "not a geometry"},
		{"a geometry over a plate", append(register, "--out", in("band/0001.png")), "band/0001.png", "would overwrite the input"},
		{"a picture over a drawing", append(register, "--out", in("g.json"), "--picture", in("drawing.svg")), "drawing.svg", "not a picture of a geometry"},
		{"a chart over a plate", []string{"chart", "--out", in("clean_band.png")}, "clean_band.png", "not a chart"},
		{"a chart over a drawing", []string{"chart", "--out", in("drawing.svg")}, "drawing.svg", "not a chart"},
		{"a plan over its rig", []string{"plan", in("rig.json"), "--out", in("rig.json"), "--replace"}, "rig.json", "would overwrite the input"},
		{"a plan over a page", []string{"plan", in("rig.json"), "--out", in("notes.html")}, "notes.html", "not the page of a plan"},
		{"a plan over other numbers", []string{"plan", in("rig.json"), "--out", in("take.json")}, "take.json", "not a plan"},
		{"a check over a file", append(check, "--out", in("checked")), "checked/check.json", "not the readings of a check"},
		{"a demo over a take", []string{"demo", "--out", dir, "--frames", "1", "--size", "320x180"}, "color/0001.png", "not a demo's"},
		{"a data set over its background", []string{"dataset", in("take.json"), "--background", in("sea"), "--out", dir}, "sea/0001.png", "choose another output folder"},
	} {
		if test.file == "checked/check.json" {
			if err := errors.Join(os.MkdirAll(in("checked"), 0o777)); err != nil {
				t.Fatal(err)
			}
			write("checked/check.json", "my own")
		}
		before, err := os.ReadFile(in(test.file))
		if err != nil {
			t.Fatal(err)
		}
		code, out, errs := twinplate(t, test.args...)
		after, err := os.ReadFile(in(test.file))
		if code != exitFailed || !strings.Contains(errs, test.want) || err != nil || !bytes.Equal(before, after) {
			t.Errorf("%s: exit code %d, %q, %q; want %q and the file as it was (%v)", test.name, code, out, errs, test.want, err)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") {
			t.Errorf("%s is left over", e.Name())
		}
	}
}

// What the command wrote itself it writes again, and --replace what another wrote.
func TestOutputsAgain(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	if err := os.WriteFile(in("rig.json"), rig.PierSetup(), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"chart", "--out", in("chart.svg")}, {"chart", "--out", in("chart.png"), "--dpi", "50"},
		{"plan", in("rig.json"), "--out", in("plan.html")}, {"plan", in("rig.json"), "--out", in("plan.json")},
	} {
		for range 2 {
			if code, _, errs := twinplate(t, args...); code != exitDone {
				t.Errorf("%v: exit code %d, %s", args, code, errs)
			}
		}
	}
	if err := os.WriteFile(in("chart.svg"), []byte("<svg/>"), 0o666); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := twinplate(t, "chart", "--out", in("chart.svg"), "--replace"); code != exitDone {
		t.Errorf("--replace: exit code %d, %s", code, errs)
	}
	if text, err := os.ReadFile(in("chart.svg")); err != nil || !strings.Contains(string(text), fmt.Sprintf("<title>%s</title>", chartTitle)) {
		t.Errorf("--replace has not written the chart: %v", err)
	}
}
