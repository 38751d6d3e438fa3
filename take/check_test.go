package take_test

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
	"example.com/twinplate/take"
)

// testShot writes a test shot of 20 frames with these faults, and returns the recipe of a crew that has shot
// clean and dark plates, and knows the geometry.
func testShot(t *testing.T, scene rig.Scene, f rig.Faults, seed uint64) take.Recipe {
	t.Helper()
	const w, h = 400, 225
	g := align.Identity(w, h)
	g.Mirror = true
	g.Homography = [9]float64{0.97, 0.01, 6, -0.01, 0.97, 5, 1e-5, 0, 1}
	set := rig.NewSimulator(scene, w, h, w, h, g, f, seed)
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	for n := 1; n <= 20; n++ {
		shot := set.Frame(n)
		write(t, file(fmt.Sprintf("color/%04d.tif", n)), shot.Color, srgb)
		write(t, file(fmt.Sprintf("band/%04d.tif", n)), shot.Band, srgb)
	}
	write(t, file("clean_color.tif"), set.CleanColor(), srgb)
	write(t, file("dark_color.tif"), set.DarkColor(), srgb)
	write(t, file("clean_band.tif"), set.CleanBand(), srgb)
	write(t, file("dark_band.tif"), set.DarkBand(), srgb)
	return take.Recipe{
		Color: file("color"), Band: file("band"),
		CleanColor: file("clean_color.tif"), DarkColor: file("dark_color.tif"), CleanBand: file("clean_band.tif"), DarkBand: file("dark_band.tif"),
		Geometry: take.Geometry{Mode: "given", Value: &g},
	}
}

func check(t *testing.T, r take.Recipe) *take.Checkup {
	t.Helper()
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	c, err := opened.Check(context.Background(), &take.CheckOptions{FPS: 24})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func show(c *take.Checkup) string {
	var b strings.Builder
	for _, r := range c.Readings {
		v := "?"
		if r.Value != nil {
			v = fmt.Sprintf("%.3f", *r.Value)
		}
		fmt.Fprintf(&b, "\n  %-8s %-16s %s %s: %s", r.Verdict, r.Name, v, r.Unit, r.Meaning)
	}
	return b.String()
}

// Every fault is named by its reading, and a clean take has none.
func TestCheckNamesTheFault(t *testing.T) {
	with := func(change func(*rig.Faults)) rig.Faults {
		f := rig.DemoFaults()
		change(&f)
		return f
	}
	for _, test := range []struct {
		name   string
		faults rig.Faults
		auto   bool   // the geometry is estimated
		want   string // the reading that is not good
		says   string
	}{
		{"nothing wrong", rig.DemoFaults(), true, "", ""},
		{"the screen clips", with(func(f *rig.Faults) { f.ScreenLevel = 1.15 }), false, "band_clipped", "clips"},
		{"a dark screen", with(func(f *rig.Faults) { f.ScreenLevel = 0.04 }), false, "band_level", "dark"},
		{"spill from the left", with(func(f *rig.Faults) { f.Spill, f.SpillSide = 0.1, -1 }), false, "spill", "left"},
		{"spill from the right", with(func(f *rig.Faults) { f.Spill, f.SpillSide = 0.1, 1 }), false, "spill", "right"},
		{"the band camera out of focus", with(func(f *rig.Faults) { f.BandBlur = 2.5 }), false, "focus", "band camera is softer"},
		{"the band camera a frame late", with(func(f *rig.Faults) { f.FrameOffset = 1 }), true, "frame_offset", "apart"},
		{"a screen uneven by four stops", with(func(f *rig.Faults) { f.Unevenness = 4 }), false, "evenness", "falls off"},
		{"set light in the band", with(func(f *rig.Faults) { f.Crosstalk = [3]float64{0.1, 0.08, 0.02} }), false, "crosstalk_band", "set light"},
	} {
		t.Run(test.name, func(t *testing.T) {
			if testing.Short() && test.want != "" && test.want != "spill" {
				t.Skip("slow")
			}
			for _, seed := range []uint64{1} {
				r := testShot(t, rig.Cutouts{Seed: seed}, test.faults, seed)
				if test.auto {
					r.Geometry = take.Geometry{}
				}
				c := check(t, r)
				if test.want == "" {
					if c.Worst() != take.Good {
						t.Errorf("seed %d: a false alarm:%s", seed, show(c))
					}
					continue
				}
				got := c.Reading(test.want)
				if got.Verdict != take.Bad && got.Verdict != take.Watch || !strings.Contains(got.Meaning, test.says) || got.Advice == "" {
					t.Errorf("seed %d: %s is not named (side %.2f):%s", seed, test.want, c.Side, show(c))
				}
			}
		})
	}
}
