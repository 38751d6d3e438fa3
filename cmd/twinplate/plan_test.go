package main

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
	"example.com/twinplate/take"
)

// planned writes a take that was simulated by the plan's rig, and returns what check reads from it and how much of the
// frame the performer covers.
func planned(t *testing.T, setup rig.Setup, scene rig.Scene) (p *rig.Plan, c *take.Checkup) {
	t.Helper()
	const w, h, frames = 512, 270, 10
	setup.Performer.Cover = 0.0001
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
	r := take.Recipe{Color: file("color"), Band: file("band"), Geometry: take.Geometry{Mode: "none"},
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

// The plan of a rig agrees with what check reads from a take that was simulated by the same rig.
func TestPlanAgreesWithATake(t *testing.T) {
	setup, err := rig.ParseSetup(rig.PierSetup())
	if err != nil {
		t.Fatal(err)
	}
	p, c := planned(t, setup, rig.Cutouts{Seed: 1})
	for _, name := range []string{"band_level", "crosstalk_band", "crosstalk_color", "evenness", "matte_noise"} {
		want, got := p.Reading(name), c.Reading(name)
		if got.Value == nil {
			t.Errorf("%s: check does not know it: %s", name, got.Meaning)
			continue
		}
		t.Logf("%-16s plan %.4f, check %.4f %s (%+.1f %%)", name, want.Value, *got.Value, want.Unit, 100*(*got.Value/want.Value-1))
		if math.Abs(*got.Value/want.Value-1) > 0.1 {
			t.Errorf("%s: planned %.4f %s, and check reads %.4f", name, want.Value, want.Unit, *got.Value)
		}
	}
}
