package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// planned writes a take that was simulated by the plan's rig, and returns what check reads from it
// and how much of the frame the performer covers.
func planned(t *testing.T, setup rig.Setup, scene simulate.Scene) (p *rig.Plan, c *take.Checkup) {
	t.Helper()
	const w, h, frames = 512, 270, 10
	sum := 0.0
	for i := 1; i <= frames; i++ {
		_, open := scene.Draw(i, w, h)
		for _, v := range open.Pix {
			sum += 1 - float64(v)
		}
	}
	setup.Performer.Cover = sum / (frames * w * h)
	p, err := setup.Plan()
	if err != nil {
		t.Fatal(err)
	}
	set := p.Simulator(scene, w, h, w, h, nil, 1)
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	write := func(name string, err error) {
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	for _, d := range []string{"color", "band"} {
		if err := os.Mkdir(file(d), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	for i := 1; i <= frames; i++ {
		shot := set.Frame(i)
		write("color", plate.Write(file(fmt.Sprintf("color/%02d.tif", i)), shot.Color, srgb))
		write("band", plate.Write(file(fmt.Sprintf("band/%02d.tif", i)), shot.Band, srgb))
	}
	r := take.Recipe{Color: file("color"), Band: file("band"), Geometry: take.Choice[align.Geometry]{Mode: "none"},
		CleanColor: file("cc.tif"), DarkColor: file("dc.tif"), CleanBand: file("cb.tif"), DarkBand: file("db.tif")}
	write(r.CleanColor, plate.Write(r.CleanColor, set.CleanColor(), srgb))
	write(r.DarkColor, plate.Write(r.DarkColor, set.DarkColor(), srgb))
	write(r.CleanBand, plate.Write(r.CleanBand, set.CleanBand(), srgb))
	write(r.DarkBand, plate.Write(r.DarkBand, set.DarkBand(), srgb))
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	c, err = opened.Check(context.Background(), &take.CheckOptions{FPS: setup.FPS})
	if err != nil {
		t.Fatal(err)
	}
	return p, c
}

// The plan of a rig agrees with what check reads from a take that was simulated by the same rig:
// for the example, and for rigs with a mistake in them.
func TestPlanAgreesWithATake(t *testing.T) {
	tier.InTest(t)
	for _, row := range []struct {
		name   string
		change func(*rig.Setup)
	}{
		{"the example", func(*rig.Setup) {}},
		{"half the lamps, and a tungsten key", func(s *rig.Setup) { s.Lamps.Count = 8; s.Lights[0].Illuminant = "A" }},
		{"wide lenses behind narrow filters", func(s *rig.Setup) {
			s.Color.Focal, s.Band.Focal = 34, 33
			s.Band.Filters[0].Width = 10
			s.Color.Filters[0].Width = 19
		}},
	} {
		t.Run(row.name, func(t *testing.T) {
			if row.name != "the example" {
				tier.InTestAll(t)
			}
			setup, err := rig.ParseSetup(rig.PierSetup())
			if err != nil {
				t.Fatal(err)
			}
			row.change(&setup)
			p, c := planned(t, setup, simulate.Cutouts{Seed: 1})
			for _, name := range []string{"band_level", "crosstalk_band", "crosstalk_color", "evenness", "matte_noise"} {
				forecast, got := p.Readings.Named(name), c.Readings.Named(name)
				if got.Value == nil {
					t.Errorf("%s: check does not know it: %s", name, got.Meaning)
					continue
				}
				want := *forecast.Value
				t.Logf("%-16s plan %.4f, check %.4f %s (%+.1f %%)", name, want, *got.Value, got.Unit, 100*(*got.Value/want-1))
				if math.Abs(*got.Value/want-1) > 0.1 {
					t.Errorf("%s: planned %.4f %s, and check reads %.4f", name, want, got.Unit, *got.Value)
				}
			}
		})
	}
}

func TestPlan(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	code, example, errs := twinplate(t, "plan", "--example")
	if code != exitDone {
		t.Fatal(errs)
	}
	// A curve from a file beside the rig's.
	example = strings.Replace(example, `"illuminant": "LED-B5"`, `"curve_file": "moon.csv"`, 1)
	for name, data := range map[string]string{"rig.json": example, "moon.csv": "nm,power\n400,1\n700,1\n", "broken.json": `{"lamps": {"number": 3}}`, "lost.json": strings.Replace(example, "moon.csv", "sun.csv", 1)} {
		if err := os.WriteFile(in(name), []byte(data), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	got := object(t, "plan", in("rig.json"), "--json", "--out", in("plan.html"))
	if n := len(got["readings"].([]any)); n != 16 {
		t.Errorf("%d readings", n)
	}
	code, text, errs := twinplate(t, "plan", in("rig.json"), "--out", in("plan.json"))
	for _, want := range []string{"watch    Spill", "To change: ", "[ ] Clean plates", "Sodium burns on contact with water", "(assumed)", "could be better"} {
		if code != exitDone || !strings.Contains(text, want) {
			t.Errorf("exit code %d, %s: the text lacks %q", code, errs, want)
		}
	}
	if level := got["readings"].([]any)[0].(map[string]any); !strings.Contains(text, fmt.Sprintf("%-24s %.2f %s", level["title"], level["value"], level["unit"])) {
		t.Errorf("the text lacks the first reading, %v:\n%s", level, text)
	}
	saved, err := os.ReadFile(in("plan.json"))
	if err != nil {
		t.Fatal(err)
	}
	var plan map[string]any
	if err := json.Unmarshal(saved, &plan); err != nil || plan["screen_level"] != got["screen_level"] {
		t.Errorf("plan.json: %v, %v", plan["screen_level"], err)
	}
	page, err := os.ReadFile(in("plan.html"))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), "Stand the performer") {
		t.Error("the page lacks the advice")
	}
	for _, row := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"plan"}, exitUsage, "--example"},
		{[]string{"plan", in("rig.json"), "--out", in("plan.pdf")}, exitUsage, ".html or .json"},
		{[]string{"plan", in("no.json")}, exitFailed, "no.json"},
		{[]string{"plan", in("broken.json")}, exitFailed, "number"},
		{[]string{"plan", in("lost.json")}, exitFailed, "sun.csv"},
	} {
		if code, _, errs := twinplate(t, row.args...); code != row.code || !strings.Contains(errs, row.says) {
			t.Errorf("%v: exit code %d, %q", row.args, code, errs)
		}
	}
}
