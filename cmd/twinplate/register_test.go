package main

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// shootTake writes n frames of a mirrored take into dir, the band camera started late by some
// frames, numbered from 101 in color and from 1 in the band, and returns the flags that name it and
// its geometry.
func shootTake(t *testing.T, dir string, n, late int) (flags []string, truth align.Geometry) {
	t.Helper()
	const w, h = 320, 180
	truth = align.Identity(w, h)
	truth.Mirror = true
	truth.Homography = [9]float64{0.98, 0.01, 4, -0.01, 0.98, 2, 0, 0, 1}
	f := simulate.DemoFaults()
	f.FrameOffset = late
	set := simulate.New(simulate.Cutouts{Seed: 4}, w, h, w, h, truth, f, 4)
	for _, d := range []string{"color", "band"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	for i := range n {
		shot := set.Frame(i + 1)
		if err := errors.Join(plate.Write(filepath.Join(dir, fmt.Sprintf("color/c%03d.png", 101+i)), shot.Color, srgb), plate.Write(filepath.Join(dir, fmt.Sprintf("band/b%03d.png", 1+i)), shot.Band, srgb)); err != nil {
			t.Fatal(err)
		}
	}
	return []string{"--color", filepath.Join(dir, "color"), "--band", filepath.Join(dir, "band")}, truth
}

// Two recordings that count differently, the band camera two frames late: the offset is found, the
// report has what a chart's has, the picture is a whole SVG, and a recipe does the same again.
func TestRegisterFootage(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	flags, truth := shootTake(t, dir, 20, 2)
	register := append([]string{"register", "--out", in("g.json")}, flags...)

	if code, _, errs := twinplate(t, register...); code != exitFailed || !strings.Contains(errs, "the offset between them must be given") {
		t.Errorf("numbers that do not correspond: exit code %d, %s", code, errs)
	}
	got := object(t, append(register, "--offset", "auto", "--picture", in("g.svg"), "--json")...)
	timing := got["timing"].(map[string]any)
	motion := timing["motion"].(map[string]any)
	if timing["offset"] != -102.0 || timing["from"] != "motion" || motion["offset"] != -102.0 || motion["in_step"] != true || timing["timecode_offset"] != nil {
		t.Errorf("timing: %v", timing)
	}
	for _, key := range []string{"residual_px", "sigma_px", "sigma_worst_px", "coverage", "parity_margin", "edges", "match"} {
		if v, ok := got[key].(float64); !ok || !(v > 0) {
			t.Errorf("%s is %v", key, got[key])
		}
	}
	if c := got["covariance"].([]any); len(c) != 12 || len(c[0].([]any)) != 12 || !(c[2].([]any)[2].(float64) > 0) {
		t.Errorf("covariance: %v", c)
	}
	if why := got["why"].(string); !strings.Contains(why, "Schwarz") || len(got["models"].([]any)) < 4 {
		t.Errorf("why: %q, of %v", why, got["models"])
	}
	for _, p := range got["points"].([]any) {
		color, band := p.(map[string]any)["color"].([]any), p.(map[string]any)["band"].([]any)
		x, y := truth.Map(color[0].(float64), color[1].(float64))
		if off := math.Hypot(band[0].(float64)-x, band[1].(float64)-y); off > 4*got["sigma_worst_px"].(float64) {
			t.Errorf("at %v off by %.2f px, and the expected error is %.2f at worst", color, off, got["sigma_worst_px"])
		}
	}
	picture := wholeSVG(t, in("g.svg"))
	for _, want := range []string{"data:image/jpeg;base64,", "pieces of edge", "times as long", `class="arrow"`, "Geometry from the footage"} {
		if !strings.Contains(picture, want) {
			t.Errorf("the picture lacks %q", want)
		}
	}

	// By an offset that is wrong by one, the motion says so.
	code, out, errs := twinplate(t, append(register, "--offset=-101")...)
	if code != exitDone || !strings.Contains(out, "color frame n belongs with band frame n-102, and by the given offset it is paired with n-101: give the offset -102") || !strings.Contains(out, "expected error") || !strings.Contains(out, "pieces of edge in") {
		t.Errorf("exit code %d: %s%s", code, out, errs)
	}

	comp := object(t, append([]string{"comp", "--offset", "auto", "--resample", "lanczos3", "--write", "matte", "--out", in("out"), "--save-recipe", in("take.json"), "--json"}, flags...)...)
	if timing := comp["timing"].(map[string]any); timing["offset"] != -102.0 || !(comp["sigma_px"].(float64) > 0) || comp["frames"] != 18.0 {
		t.Errorf("comp: %v, sigma %v, %v frames", timing, comp["sigma_px"], comp["frames"])
	}
	again := object(t, "comp", "--recipe", in("take.json"), "--out", in("again"), "--json")
	if timing := again["timing"].(map[string]any); timing["offset"] != -102.0 || timing["from"] != "the given offset" || again["sigma_px"] != nil || again["frames"] != 18.0 {
		t.Errorf("comp again: %v, sigma %v", timing, again["sigma_px"])
	}
	for _, name := range []string{"103", "120"} {
		a, errA := os.ReadFile(in("out/matte/0" + name + ".png"))
		b, errB := os.ReadFile(in("again/matte/0" + name + ".png"))
		if errA != nil || errB != nil || string(a) != string(b) {
			t.Errorf("matte %s is another by the recipe (%v, %v)", name, errA, errB)
		}
	}
	if code, out, _ := twinplate(t, append([]string{"comp", "--offset", "auto", "--frames", "103", "--write", "matte", "--out", in("one")}, flags...)...); code != exitDone || !strings.Contains(out, "pairing      color frame n with band frame n-102, by motion; the motion agrees, and the cameras run in step") || !strings.Contains(out, "expected error") {
		t.Errorf("comp prints: exit code %d, %s", code, out)
	}
}

// wholeSVG reads a picture that must be well-formed XML.
func wholeSVG(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(strings.NewReader(string(data)))
	for {
		if _, err := d.Token(); err == io.EOF {
			return string(data)
		} else if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
	}
}

// The lines of equal error lie where the error is that large, and an arrow points to where the band
// plate shows its place.
func TestResidualPicture(t *testing.T) {
	g := align.Identity(640, 360)
	p := residualPicture{
		frame: plate.NewRGB(640, 360), geometry: g, what: "corners", title: "A & B",
		sigma:  func(x, _ float64) float64 { return 0.01 + 0.1*x/639 },
		pieces: []align.PointPair{{Color: [2]float64{99.5, 99.5}, Band: [2]float64{100.5, 99.5}}},
	}
	path := filepath.Join(t.TempDir(), "p.svg")
	if err := plate.WriteAtomic(path, p.write); err != nil {
		t.Fatal(err)
	}
	text := wholeSVG(t, path)
	// A pixel of the band plate to the right is drawn 10 times as long, at two units a pixel; 0.02
	// px is a tenth of the way.
	for _, want := range []string{"A &amp; B", `d="M200.0 200.0l20.0 0.0"`, "M128.8 ", "0.02 px", "drawn 10 times", "all 1 corners"} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
}

func TestTimeUsage(t *testing.T) {
	for _, row := range []struct {
		args []string
		want string
	}{
		{[]string{"comp", "--offset", "1.5"}, "whole number of frames"},
		{[]string{"comp", "--resample", "sharp"}, "bicubic, lanczos3, bilinear"},
		{[]string{"comp", "--timecode-color", "01:00:00:00"}, "24, 25, 30, 48, 50 or 60"},
		{[]string{"comp", "--fps", "24", "--drop"}, "29.97"},
		{[]string{"check", "--fps", "24", "--timecode-band", "01:00:00:24"}, "0 to 23"},
		{[]string{"register", "--out", "g.json", "--offset", "soon"}, "auto, none"},
		{[]string{"register", "--out", "g.json", "--color", "a", "--band", "b", "--picture", "g.png"}, ".svg"},
	} {
		if code, _, errs := twinplate(t, row.args...); code != exitUsage || !strings.Contains(errs, row.want) {
			t.Errorf("%v: exit code %d, %q; want %q in it", row.args, code, errs, row.want)
		}
	}
}
