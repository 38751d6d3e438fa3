package main

import (
	"fmt"
	"image"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// Three frames from two cameras in line, without a reference plate, over a plain background.
func TestRun(t *testing.T) {
	const w, h, frames = 320, 180, 3
	dir := t.TempDir()
	save := func(name string, frame image.Image) {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := plate.Write(path, frame, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
			t.Fatal(err)
		}
	}
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, simulate.DemoFaults(), 1)
	for i := 1; i <= frames; i++ {
		shot := set.Frame(10 * i)
		save(fmt.Sprintf("color/%04d.png", i), shot.Color)
		save(fmt.Sprintf("band/%04d.png", i), shot.Band)
	}
	background := plate.NewRGB(w, h)
	background.Fill(0.1, 0.4, 0.2)
	save("background.png", background)

	in := func(name string) string { return filepath.Join(dir, name) }
	if err := run(t.Context(), in("color"), in("band"), in("background.png"), in("out")); err != nil {
		t.Fatal(err)
	}
	for i := 1; i <= frames; i++ {
		comp, err := plate.ReadRGB(in(fmt.Sprintf("out/comp/%04d.png", i)), plate.SRGB, nil)
		if err != nil {
			t.Fatal(err)
		}
		truth, sum := set.Frame(10*i).Truth, 0.0
		for c := range comp.Pix {
			for k, v := range comp.Pix[c] {
				d := float64(v - truth.Foreground.Pix[c][k] - (1-truth.Alpha.Pix[k])*background.Pix[c][k])
				sum += d * d
			}
		}
		if rms := math.Sqrt(sum / (3 * w * h)); !(rms < 0.03) {
			t.Errorf("frame %d: the composite is off by %.4f, root mean square", i, rms)
		}
	}
	r, err := take.ReadRecipe(in("out/recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	if r.Geometry.Mode != "given" || len(r.Gain.Value) != frames {
		t.Errorf("the recipe has the geometry %q and %d gains", r.Geometry.Mode, len(r.Gain.Value))
	}
}
