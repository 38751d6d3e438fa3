//go:build !js

package take_test

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
	"example.com/twinplate/take"
)

// A look for a display: a matrix, contrast and the power 1/2.4.
const lookTransform = `<ProcessList id="a" compCLFversion="3"><Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="3 3">0.9 0.1 0 -0.05 1 0.05 0.02 0.01 0.97</Array></Matrix><ASC_CDL inBitDepth="32f" outBitDepth="32f" style="Fwd"><SOPNode><Slope>1.1 0.9 1.2</Slope><Offset>-0.02 0.01 0.03</Offset><Power>1.2 0.8 1</Power></SOPNode><SatNode><Saturation>0.7</Saturation></SatNode></ASC_CDL><Exponent inBitDepth="32f" outBitDepth="32f" style="basicRev"><ExponentParams exponent="2.4"/></Exponent></ProcessList>`

// What is written through an output transform is what OpenColorIO makes of the frame's light by the
// same file; in pictures, and in clips of them and straight from the take. The matte is as without.
func TestOutputTransformAsOpenColorIO(t *testing.T) {
	tier.InTest(t)
	r := record(t, 1, 2)
	file := func(name string) string { return filepath.Join(r.dir, name) }
	look := file("look.clf")
	if err := os.WriteFile(look, []byte(lookTransform), 0o666); err != nil {
		t.Fatal(err)
	}
	r.recipe.Write = []string{"comp", "foreground", "matte"}
	if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: file("plain")}); err != nil {
		t.Fatal(err)
	}
	through := r.recipe
	through.OutputTransform, through.OutputCurve = look, "srgb"
	if _, err := take.Open(through); err == nil || !strings.Contains(err.Error(), "give one of the two") {
		t.Errorf("with a curve too: %v", err)
	}
	through.OutputCurve, through.Format = "", "exr"
	if _, err := take.Open(through); err == nil || !strings.Contains(err.Error(), "OpenEXR is linear light") {
		t.Errorf("to OpenEXR: %v", err)
	}
	through.Format = ""
	job := prepare(t, through)
	if o := job.Output(); o.Curve != "coded by look.clf" || o.Primaries != "" || !strings.Contains(o.String(), "color is coded by look.clf") {
		t.Errorf("output %+v: %v", o, o)
	}
	if saved := job.Recipe(nil); saved.OutputTransform != look || saved.OutputCurve != "" || saved.Check() != nil {
		t.Errorf("the saved recipe has the transform %q and the curve %q: %v", saved.OutputTransform, saved.OutputCurve, saved.Check())
	}
	if _, err := job.Run(context.Background(), &take.RunOptions{Out: file("out")}); err != nil {
		t.Fatal(err)
	}
	light := map[string]*plate.RGB{}
	light["comp"], light["foreground"], _ = results(t, r.recipe)
	for product, f := range light {
		var pixels [][3]float32
		for i := range f.Pix[0] {
			pixels = append(pixels, [3]float32{f.Pix[0][i], f.Pix[1][i], f.Pix[2][i]})
		}
		want := outside.ColorIO(t, map[string]string{"look": look}, "", pixels)["look"]
		path := filepath.Join(file("out"), product, "0001.png")
		got := readLinear(t, path)
		for i, w := range want {
			for c, v := range w {
				// Half a code of 16 bits, and the two powers in a row that OpenColorIO approximates
				// in single precision: 1e-4 of the value, 3 % of a step of 8 bits.
				if d := math.Abs(float64(got.Pix[c][i]) - min(max(v, 0), 1)); !(d < 2e-4) {
					t.Fatalf("%s: pixel %d, channel %d is %v, OpenColorIO makes %v of %v", product, i, c, got.Pix[c][i], v, pixels[i][c])
				}
			}
		}
		info, err := plate.Probe(path)
		if err != nil || info.Curve != "" || info.Primaries != (plate.Primaries{}) {
			t.Errorf("%s is tagged as %+v, %v", product, info, err)
		}
	}
	same(t, file("plain/matte/0001.png"), file("out/matte/0001.png"))

	// Clips of the files and straight from the take have the files' values, bit for bit without
	// loss.
	orders := func(dir string) []take.ClipOrder {
		return []take.ClipOrder{{Path: file(dir + "comp.mkv"), Of: "comp"}, {Path: file(dir + "foreground.mkv"), Of: "foreground"}, {Path: file(dir + "look.mp4"), Of: "comp", Format: clip.H264, Look: true}}
	}
	if err := job.WriteClips(context.Background(), file("out"), take.ClipOptions{Orders: orders("of files ")}); err != nil {
		t.Fatal(err)
	}
	if _, err := job.RunClips(context.Background(), &take.RunOptions{}, take.ClipOptions{Orders: orders("straight ")}); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{"of files ", "straight "} {
		for _, product := range []string{"comp", "foreground"} {
			back := file("back.png")
			ffmpeg(t, "-i", file(dir+product+".mkv"), "-vf", "select=eq(n\\,1)", "-frames:v", "1", "-pix_fmt", "rgb48be", back)
			near(t, dir+product, readLinear(t, back), readLinear(t, filepath.Join(file("out"), product, "0002.png")), 0)
			if product == "foreground" {
				ffmpeg(t, "-i", file(dir+product+".mkv"), "-vf", "select=eq(n\\,1),alphaextract", "-frames:v", "1", "-pix_fmt", "gray16be", back)
				near(t, dir+"alpha", readLinear(t, back), readLinear(t, file("out/matte/0002.png")), 1.01/0xffff) // single precision
			}
		}
		got, want := frameOf(t, file(dir+"look.mp4")), readLinear(t, file("out/comp/0002.png"))
		for c := range 3 {
			sum := 0.0
			for i, v := range want.Pix[c] {
				sum += float64(got.Pix[c][i]-v) / takeW / takeH
			}
			if !(math.Abs(sum) < 0.005) { // a lossy codec of 8 bits: the means
				t.Errorf("%slook.mp4: channel %d is off by %.4f in the mean", dir, c, sum)
			}
		}
	}
	one := []take.ClipOrder{{Path: file("one.mkv"), Of: "foreground", Alpha: "straight"}}
	if err := job.WriteClips(context.Background(), file("out"), take.ClipOptions{Orders: one}); err == nil || !strings.Contains(err.Error(), "straight from the take") {
		t.Errorf("straight color of coded files: %v", err)
	}
	if err := os.WriteFile(look, []byte("<ProcessList/>"), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := take.Open(through); err == nil || !strings.Contains(err.Error(), "output transform: "+look) {
		t.Errorf("a transform of nothing: %v", err)
	}
}

// frameOf returns the code values of a clip's second frame.
func frameOf(t *testing.T, path string) *plate.RGB {
	t.Helper()
	c, err := clip.Open(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	m, err := c.Frame(1)
	if err != nil {
		t.Fatal(err)
	}
	return plate.RGBFromImage(m, plate.Linear)
}

func same(t *testing.T, a, b string) {
	t.Helper()
	x, err := os.ReadFile(a)
	if err != nil {
		t.Fatal(err)
	}
	if y, err := os.ReadFile(b); err != nil || string(x) != string(y) {
		t.Errorf("%s and %s differ, %v", a, b, err)
	}
}
