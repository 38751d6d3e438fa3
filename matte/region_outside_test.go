//go:build !js

package matte_test

import (
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// ImageMagick draws the same outlines sixteen times as large, without smoothing, and averages: the
// coverage of each pixel in steps of 1/256. Curves are given to it by the textbook's conversion of a
// Catmull-Rom spline to Bezier's points.
func TestRegionAsImageMagick(t *testing.T) {
	const w, h, fine = 96, 64, 16
	convert := outside.Program(t, "convert")
	dir := t.TempDir()
	for _, row := range []struct {
		name    string
		corners []matte.Corner
	}{
		{"triangle", []matte.Corner{{X: 0.1, Y: 0.9}, {X: 0.53, Y: 0.13}, {X: 0.93, Y: 0.71}}},
		{"beyond the frame", []matte.Corner{{X: -0.4, Y: 0.3}, {X: 1.2, Y: -0.2}, {X: 0.7, Y: 1.6}}},
		{"smooth", []matte.Corner{{X: 0.2, Y: 0.3, Smooth: true}, {X: 0.5, Y: 0.1, Smooth: true}, {X: 0.85, Y: 0.5, Smooth: true}, {X: 0.6, Y: 0.9, Smooth: true}, {X: 0.3, Y: 0.7, Smooth: true}}},
	} {
		n := len(row.corners)
		at := func(i int) (x, y float64) {
			c := row.corners[(i+n)%n]
			// ImageMagick counts from the centers of pixels.
			return c.X*w*fine - 0.5, c.Y*h*fine - 0.5
		}
		var path strings.Builder
		x, y := at(0)
		fmt.Fprintf(&path, "M %f,%f", x, y)
		for i := range n {
			x0, y0 := at(i - 1)
			x1, y1 := at(i)
			x2, y2 := at(i + 1)
			x3, y3 := at(i + 2)
			if row.corners[0].Smooth {
				fmt.Fprintf(&path, " C %f,%f %f,%f %f,%f", x1+(x2-x0)/6, y1+(y2-y0)/6, x2-(x3-x1)/6, y2-(y3-y1)/6, x2, y2)
			} else {
				fmt.Fprintf(&path, " L %f,%f", x2, y2)
			}
		}
		file := filepath.Join(dir, row.name+".png")
		out, err := exec.Command(convert, "-size", fmt.Sprintf("%dx%d", w*fine, h*fine), "xc:black", "+antialias", "-fill", "white", "-draw", "path '"+path.String()+" Z'",
			"-scale", fmt.Sprintf("%dx%d!", w, h), "-depth", "16", "-colorspace", "Gray", "PNG48:"+file).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v: %s", row.name, err, out)
		}
		want, err := plate.ReadGray(file, plate.Linear, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		r := matte.Region{Effect: matte.Solid, Keys: []matte.Outline{{Corners: row.corners}}}
		got, err := r.Cover(w, h, 0)
		if err != nil {
			t.Fatal(err)
		}
		worst, sum := 0., 0.
		for i, v := range got.Pix {
			d := math.Abs(float64(v - want.Pix[i]))
			worst, sum = max(worst, d), sum+d
		}
		// A side of the drawing may fall on either side of a sixteenth's center.
		if worst > 0.08 || sum/float64(w*h) > 0.002 {
			t.Errorf("%s: %.4f off at the most, %.5f in the mean", row.name, worst, sum/float64(w*h))
		}
		t.Logf("%s: %.4f at the most, %.5f in the mean", row.name, worst, sum/float64(w*h))
	}
}
