package take_test

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/app/proof"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// testShot writes a test shot of 20 frames with these faults, and returns the recipe of a crew that
// has shot clean and dark plates, and knows the geometry.
func testShot(t *testing.T, scene simulate.Scene, f simulate.Faults, seed uint64) take.Recipe {
	t.Helper()
	const w, h = 400, 225
	g := align.Identity(w, h)
	g.Mirror = true
	g.Homography = [9]float64{0.97, 0.01, 6, -0.01, 0.97, 5, 1e-5, 0, 1}
	set := simulate.New(scene, w, h, w, h, g, f, seed)
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
		Geometry: take.Given(g),
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
	for _, f := range proof.Faults {
		t.Run(f.Name, func(t *testing.T) {
			if f.Reading != "" {
				tier.InTest(t)
			}
			size := proof.TakeOptions{W: 320, H: 180, Frames: 14}
			if f.Estimated { // and the frames' motion with it
				size = proof.TakeOptions{W: 400, H: 225, Frames: 20}
			}
			named, read, err := proof.Check(t.Context(), f, 1, &size)
			if err != nil {
				t.Fatal(err)
			}
			if !named {
				t.Errorf("%q is not named, or a false alarm (side %.2f):%s", f.Reading, read.Side, show(read))
			}
		})
	}
}
