package main

import (
	"image"
	"math"
	"os"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// The band camera is in a mirror and off by some pixels, nobody shot a reference plate, and the
// composite is that of the truth all the same.
func TestTwoFiles(t *testing.T) {
	const w, h = 480, 270
	geometry := align.Identity(w, h)
	geometry.Mirror = true
	geometry.Homography[2], geometry.Homography[5] = 5.5, -3
	faults := simulate.Faults{ScreenLevel: 0.8, Unevenness: 1, Crosstalk: [3]float64{0.03, 0.02, 0.01}, LensBlur: 0.8, Bits: 16}
	shot := simulate.New(simulate.Cutouts{}, w, h, w, h, geometry, faults, 1).Frame(10)
	background := plate.NewRGB(w, h)
	background.Fill(0.1, 0.4, 0.2)
	t.Chdir(t.TempDir())
	for name, frame := range map[string]image.Image{"color.png": shot.Color, "band.png": shot.Band, "background.png": background} {
		if err := plate.Write(name, frame, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
			t.Fatal(err)
		}
	}
	main()
	comp, err := plate.ReadRGB("comp.png", plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for c := range comp.Pix {
		for i, v := range comp.Pix[c] {
			want := shot.Truth.Foreground.Pix[c][i] + (1-shot.Truth.Alpha.Pix[i])*background.Pix[c][i]
			sum += float64(v-want) * float64(v-want)
		}
	}
	if rms := math.Sqrt(sum / float64(3*w*h)); !(rms < 0.01) {
		t.Errorf("the composite is off by %.4f, root mean square", rms)
	}
}

// The README has the program as it is, and it is short.
func TestReadme(t *testing.T) {
	source, err := os.ReadFile("main.go")
	if err != nil {
		t.Fatal(err)
	}
	_, code, _ := strings.Cut(string(source), "package main\n")
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(readme), "```go\n"+strings.TrimSpace(code)+"\n```") {
		t.Error("README.md has not the program's code")
	}
	n := 0
	for line := range strings.Lines(code) {
		if strings.TrimSpace(line) != "" {
			n++
		}
	}
	if n > 25 {
		t.Errorf("%d lines of code, want 25 at most", n)
	}
}
