package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
)

// chart draws patches of these colors, six across, over a gray.
func chart(t *testing.T, path string, colors [][3]float64) {
	t.Helper()
	f := plate.NewRGB(320, 200)
	f.Fill(0.1, 0.1, 0.1)
	for y := 20; y < 180; y++ {
		for x := 10; x < 310; x++ {
			if i := (y-20)/40*6 + (x-10)/50; i < len(colors) && (y-20)%40 < 36 && (x-10)%50 < 46 {
				for c := range 3 {
					f.Pix[c][y*f.W+x] = float32(colors[i][c])
				}
			}
		}
	}
	if err := plate.Write(path, f, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
		t.Fatal(err)
	}
}

// A chart shot through the pier rig's filter, with its spectra, comes back within 1.5 of CIEDE2000
// of the one shot without: by the pictures, and by the plan alone.
func TestMatch(t *testing.T) {
	setup, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		t.Fatal(err)
	}
	with, without, err := setup.Filtered(nil)
	if err != nil {
		t.Fatal(err)
	}
	for len(with) < 24 { // grays fill the chart
		last := len(with) - 1
		with, without = append(with, [3]float64{}), append(without, [3]float64{})
		for c := range 3 {
			with[last+1][c], without[last+1][c] = with[last][c]*0.7, without[last][c]*0.7
		}
	}
	for i := range with {
		for c := range 3 {
			with[i][c] *= 0.6 // the filter's factor
		}
	}
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	chart(t, at("with.png"), with)
	chart(t, at("without.png"), without)
	code, out, errs := twinplate(t, "match", "--with", at("with.png"), "--without", at("without.png"), "--corners", "10,20,310,20,310,180,10,180", "--out", at("match.json"), "--json")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	var m plate.Match
	if err := json.Unmarshal([]byte(out), &m); err != nil {
		t.Fatal(err)
	}
	if m.Samples != 24 || !(m.After.Mean < 1.5) || !(m.After.Mean < m.Balanced.Mean) {
		t.Errorf("%+v", m)
	}
	if read, err := readMatrix(at("match.json")); err != nil || *read != m.Matrix {
		t.Errorf("%v, %v", read, err)
	}
	if err := os.WriteFile(at("rig.json"), rig.PierSetup(), 0o666); err != nil {
		t.Fatal(err)
	}
	if code, out, errs := twinplate(t, "match", "--rig", at("rig.json")); code != exitDone || !strings.Contains(out, "with the matrix") {
		t.Errorf("exit code %d: %s %s", code, out, errs)
	}
	for _, row := range []struct{ args, want string }{
		{"--with a.png", "--with and --without are missing"},
		{"--rig a --with b", "give one of them"},
		{"--with a --without b --corners 1,2", "eight numbers"},
		{"--with a --without b --grid 6", "like 6x4"},
	} {
		if code, _, errs := twinplate(t, append([]string{"match"}, strings.Fields(row.args)...)...); code != exitUsage || !strings.Contains(errs, row.want) {
			t.Errorf("%s: exit code %d, %q", row.args, code, errs)
		}
	}
}

func TestParseGrade(t *testing.T) {
	g, err := parseGrade("exposure=0.5, contrast=1.2,pivot=0.2,black=-0.01,saturation=0,in=acescct,gray=0.1:0.2:0.3:0.4@12")
	if err != nil {
		t.Fatal(err)
	}
	if g.Exposure != 0.5 || g.Contrast != 1.2 || g.Pivot != 0.2 || g.Black != -0.01 || *g.Saturation != 0 || g.In != "acescct" || g.GrayCard.Frame != 12 || g.GrayCard.Bottom != 0.4 {
		t.Errorf("%+v", g)
	}
	for text, want := range map[string]string{
		"exposure": "it must be like", "gamma=2": "there is no setting", "exposure=much": "it must be a number", "balance=1:2": "3 numbers with colons",
		"gray=0:0:1:1@x": "no frame's number", "exposure=99": "-20 to 20", "cdl=none.cc": "none.cc", "matrix=none.json": "none.json",
	} {
		if _, err := parseGrade(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}

// --save-cdl writes what --foreground-grade cdl=F#ID reads.
func TestSaveCDL(t *testing.T) {
	path := filepath.Join(t.TempDir(), "look.ccc")
	c := comp{grading: grading{ForegroundGrade: new("exposure=1,contrast=1.2"), BackgroundGrade: new("saturation=0.5"), SaveCDL: path}}
	r, err := c.recipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.grading.save(r); err != nil {
		t.Fatal(err)
	}
	if _, err := parseGrade("cdl=" + path); err == nil || !strings.Contains(err.Error(), `"foreground", "background"`) {
		t.Errorf("of two: %v", err)
	}
	g, err := parseGrade("cdl=" + path + "#background")
	if err != nil || g.CDL.Saturation != 0.5 {
		t.Errorf("%+v, %v", g.CDL, err)
	}
}

func TestFitEnd(t *testing.T) {
	c := comp{Fitting: fitting{Scale: new(1.1), Turn: new(2.0), Softness: new(0.5)}, FitEnd: new("offset=0.1:-0.05,turn=4"), BackgroundStart: new(12), BackgroundEnd: new("loop")}
	r, err := c.recipe()
	if err != nil {
		t.Fatal(err)
	}
	if e := *r.FitEnd; e.Scale != 1.1 || e.OffsetY != -0.05 || e.Turn != 4 || e.Softness != 0.5 || *r.BackgroundStart != 12 || r.BackgroundEnd != "loop" {
		t.Errorf("%+v", r)
	}
	for text, want := range map[string]string{"zoom=2": "they are offset, scale, turn and softness", "scale": "must be like offset=0.1:0", "offset=1": "2 numbers", "turn=": "a number"} {
		if _, err := fitEnd(text, r.Fit); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}
