//go:build !js

package align

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
)

// place is where the chart's corner at column i and row j is in the color plate.
func (v chartView) place(c Chart, g Geometry, i, j int) (x, y float64) {
	u, w := float64(i)-float64(c.Columns)/2, float64(j)-float64(c.Rows)/2
	sin, cos := math.Sincos(v.turn * math.Pi / 180)
	a, b := v.side*(cos*u-sin*w), v.side*(sin*u+cos*w)
	k := v.tilt / (float64(g.ColorW) / 2)
	x = a / (1 - a*k)
	return x + g.Center[0] + v.dx, b*(1+k*x) + g.Center[1] + v.dy
}

// The corners of findBoard against those of OpenCV's findChessboardCorners, refined by cornerSubPix over the
// same window, in the same picture, both against the truth.
func TestFindBoardOpenCV(t *testing.T) {
	tier.InTest(t)
	chart := a3(t)
	for _, row := range []struct {
		name   string
		change func(*chartView)
	}{
		{"flat light", func(v *chartView) { v.fall = 0 }},
		{"uneven light", func(v *chartView) {}},
		{"soft", func(v *chartView) { v.blur = 2 }},
		{"noisy", func(v *chartView) { v.noise = 0.03 }},
	} {
		if !tier.All() && row.name == "flat light" {
			continue // as uneven light
		}
		view := usualView
		view.side, view.tilt, view.turn = 40, 0.06, 2
		view.dx, view.dy = 3.3, -2.7
		row.change(&view)
		g := Identity(960, 600)
		pic := view.draw(chart, g, 5).Band
		file := filepath.Join(t.TempDir(), "pic")
		f, err := os.Create(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := binary.Write(f, binary.LittleEndian, pic.Pix); err != nil {
			t.Fatal(err)
		}
		f.Close()
		var ref [][2]float64
		outside.Python(t, `
import sys, json, numpy as np, cv2
pic = np.fromfile(sys.argv[1], np.float32).reshape(600, 960)
eight = np.clip(pic * 255 / pic.max(), 0, 255).astype(np.uint8)
ok, c = cv2.findChessboardCorners(eight, (int(sys.argv[2]), int(sys.argv[3])), flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE)
if not ok: c = np.zeros((0, 1, 2))
else: c = cv2.cornerSubPix(pic, c, (12, 12), (-1, -1), (3, 100, 1e-5))
print(json.dumps(c.reshape(-1, 2).astype(float).tolist()))
`, &ref, file, fmt.Sprint(chart.Columns-1), fmt.Sprint(chart.Rows-1))
		inner := (chart.Columns - 1) * (chart.Rows - 1)
		if len(ref) != inner {
			t.Fatalf("%s: findChessboardCorners finds %d corners, and the chart has %d", row.name, len(ref), inner)
		}
		board := findBoard(plane{pic.W, pic.H, pic.Pix})
		if board == nil || len(board.corners) != inner {
			t.Errorf("%s: not all %d corners found", row.name, inner)
			continue
		}
		var ours [][2]float64
		for _, c := range board.corners {
			ours = append(ours, [2]float64{c.x, c.y})
		}
		rms := func(got [][2]float64) float64 {
			sum := 0.0
			for _, p := range got {
				least := math.Inf(1)
				for j := range chart.Rows + 1 {
					for i := range chart.Columns + 1 {
						x, y := view.place(chart, g, i, j)
						least = math.Min(least, math.Hypot(p[0]-x, p[1]-y))
					}
				}
				sum += least * least
			}
			return math.Sqrt(sum / float64(len(got)))
		}
		a, b := rms(ours), rms(ref)
		t.Logf("%s: %.4f pixels RMS, OpenCV %.4f", row.name, a, b)
		if !(a <= 1.05*b) {
			t.Errorf("%s: %.4f pixels RMS from the truth, and OpenCV's are at %.4f", row.name, a, b)
		}
	}
}
