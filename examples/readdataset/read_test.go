//go:build !js

package readdataset

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/dataset"
	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// check reads a data set by read.py's functions, and prints what it has measured.
const check = `
import sys
sys.dont_write_bytecode = True
sys.path.insert(0, sys.argv[1])
from read import *
import hashlib
def measure(root, split):
    out = {"frames": 0, "off": 0.0, "least": 1.0, "most": 0.0, "straight": 0.0, "sigma": 0.0, "green": 0.0, "hashes": True}
    for s, alpha, foreground, pairs in samples(root, split):
        files = list(s["files"].values()) + [c[k] for c in s["composites"] for k in ("comp", "background")]
        out["hashes"] &= all(hashlib.sha256(open(os.path.join(root, f["path"]), "rb").read()).hexdigest() == f["sha256"] for f in files)
        out["frames"] += 1
        out["least"], out["most"] = min(out["least"], float(alpha.min())), max(out["most"], float(alpha.max()))
        out["sigma"] = max(out["sigma"], float(np.median(light(root, s["files"]["sigma"]))))
        out["green"] += float(foreground[..., 1].mean())
        v = light(root, s["files"]["straight"])
        inside = (v < 1) & (alpha >= 1 / 65535)[..., None]
        out["straight"] = max(out["straight"], float(np.abs(v * alpha[..., None] - foreground)[inside].max()))
        for b, comp in pairs:
            sum = foreground + (1 - alpha[..., None]) * b
            if s["files"]["color"]["path"].endswith(".png"): sum = np.minimum(sum, 1)
            out["off"] = max(out["off"], float(np.abs(sum - comp).max()))
    return out
print(json.dumps([[measure(root, split) for split in ("train", "test")] for root in sys.argv[2:]]))
`

const frames = 2

// shoot writes a take, whose cameras see the same frame, and returns the sum over its frames of the
// foreground's mean green.
func shoot(t *testing.T, dir string, seed uint64) (source dataset.Source, green float64) {
	t.Helper()
	const w, h = 320, 180
	set := simulate.New(simulate.Cutouts{Seed: seed}, w, h, w, h, nil, simulate.DemoFaults(), seed)
	write := func(name string, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	r := take.Recipe{ColorCurve: "srgb", BandCurve: "srgb", Geometry: take.Choice[align.Geometry]{Mode: "none"},
		Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band"), CleanBand: filepath.Join(dir, "clean_band.png"), CleanColor: filepath.Join(dir, "clean_color.png"), DarkColor: filepath.Join(dir, "dark_color.png")}
	for _, folder := range []string{r.Color, r.Band} {
		write(folder, os.MkdirAll(folder, 0o777))
	}
	for i := range frames {
		shot := set.Frame(i)
		for _, v := range shot.Truth.Foreground.Pix[1] {
			green += float64(v) / (w * h)
		}
		name := fmt.Sprintf("%04d.png", i)
		write(name, plate.Write(filepath.Join(r.Color, name), shot.Color, srgb))
		write(name, plate.Write(filepath.Join(r.Band, name), shot.Band, srgb))
	}
	write("clean", plate.Write(r.CleanBand, set.CleanBand(), srgb))
	write("clean", plate.Write(r.CleanColor, set.CleanColor(), srgb))
	write("dark", plate.Write(r.DarkColor, set.DarkColor(), srgb))
	return dataset.Source{Name: filepath.Base(dir), Recipe: r}, green
}

// The ten lines of Python read what was written: the composites are the sums of their parts within
// what rounding does.
func TestReadByPython(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	quay, green := shoot(t, filepath.Join(dir, "quay"), 1)
	pier, _ := shoot(t, filepath.Join(dir, "pier"), 2)
	back := plate.NewRGB(320, 180)
	for i := range back.Pix[0] {
		back.Pix[0][i], back.Pix[1][i], back.Pix[2][i] = float32(i%320)/319, 0.2, float32(i/320)/179
	}
	sea := filepath.Join(dir, "sea.png")
	if err := plate.Write(sea, back, &plate.WriteOptions{Curve: plate.SRGB, Depth: 8}); err != nil {
		t.Fatal(err)
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		opt  dataset.Options
		step float64 // of a stored value at the most, in linear light
	}{
		{"PNG of 16 bits", dataset.Options{}, 2.4 / 1.055 / 65535}, // the curve of sRGB is steepest at white
		{"PNG of 8 bits", dataset.Options{Depth: 8}, 2.4 / 1.055 / 255},
		{"OpenEXR of half floats", dataset.Options{Format: "exr"}, 1.0 / 1024}, // 11 bits, and no light here is above 2
		{"OpenEXR of floats", dataset.Options{Format: "exr", Depth: 32}, 1e-6},
	}
	args := []string{here}
	for _, test := range tests {
		out := filepath.Join(dir, test.name)
		test.opt.Backgrounds, test.opt.Test = []string{sea}, []string{"pier"}
		if _, err := dataset.Write(context.Background(), out, []dataset.Source{quay, pier}, &test.opt); err != nil {
			t.Fatal(err)
		}
		args = append(args, out)
	}
	var sets [][]struct {
		Frames                                   int
		Off, Least, Most, Straight, Sigma, Green float64
		Hashes                                   bool
	}
	outside.Python(t, check, &sets, args...)
	for k, test := range tests {
		for i, g := range sets[k] {
			if g.Frames != frames || !g.Hashes {
				t.Errorf("%s: %+v", test.name, g)
			}
			if g.Off > 2*test.step || g.Straight > 2*test.step { // half a step for each of four files
				t.Errorf("%s: composites add up within %.7f, straight times alpha within %.7f; want %.7f", test.name, g.Off, g.Straight, 2*test.step)
			}
			// Something is solid, something open, and the noise of alpha is about 1 %, as
			// simulate.DemoFaults has it.
			if g.Least > 0.01 || g.Most < 0.99 || g.Sigma < 0.002 || g.Sigma > 0.03 {
				t.Errorf("%s: alpha %.3f to %.3f, sigma %.4f", test.name, g.Least, g.Most, g.Sigma)
			}
			if i == 0 && (g.Green < 0.97*green || g.Green > 1.03*green) {
				t.Errorf("%s: green of the foregrounds adds up to %.4f, and was photographed as %.4f", test.name, g.Green, green)
			}
		}
	}
	text, err := exec.Command("/usr/bin/python3", "read.py", args[1], "test").CombinedOutput()
	if err != nil || strings.Count(string(text), "composites add up within 0.0") != frames {
		t.Errorf("read.py printed %s, %v", text, err)
	}
}
