//go:build !js

package plate_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
)

// FFmpeg's filter zscale (the zimg library) is the reference, in floating point and with linear interpolation of chroma. Ours
// are rounded to 16 bits on their way through the curve's table: half a step of those is what is allowed, and 0.02 for
// float32.
func TestY4MAgainstFFmpeg(t *testing.T) {
	for _, row := range []struct {
		tokens string
		scale  string // what the file is, as the filter's options
	}{
		{"C420jpeg", "matrixin=709:rangein=limited:chromalin=center"},
		{"C420mpeg2 XMATRIX=BT601", "matrixin=170m:rangein=limited:chromalin=left"},
		{"C420mpeg2 XCOLORRANGE=FULL", "matrixin=709:rangein=full:chromalin=left"},
		{"C420p10 XMATRIX=BT2020", "matrixin=2020_ncl:rangein=limited:chromalin=left"},
		{"C420p12", "matrixin=709:rangein=limited:chromalin=left"},
		{"C422", "matrixin=709:rangein=limited:chromalin=left"},
		{"C422p10", "matrixin=709:rangein=limited:chromalin=left"},
		{"C422p12", "matrixin=709:rangein=limited:chromalin=left"},
		{"C444", "matrixin=709:rangein=limited"},
		{"C444p10", "matrixin=709:rangein=limited"},
		{"C444p12 XMATRIX=BT2020", "matrixin=2020_ncl:rangein=limited"},
	} {
		const w, h = 64, 48
		random := rand.New(rand.NewPCG(7, 7))
		unit := 1
		switch {
		case strings.Contains(row.tokens, "p10"):
			unit = 4
		case strings.Contains(row.tokens, "p12"):
			unit = 16
		}
		// Slopes and a little noise, of colors within R'G'B'.
		path := writeFile(t, "a.y4m", y4m(w, h, row.tokens, func(plane, x, y int) int {
			return unit*([3]int{90 + x, 100 + x, 150 - y}[plane]) + random.IntN(6*unit)
		}))
		raw, err := exec.Command(outside.Program(t, "ffmpeg"), "-v", "error", "-i", path,
			"-vf", "zscale=filter=bilinear:matrix=gbr:range=full:"+row.scale+",format=gbrpf32le", "-f", "rawvideo", "-pix_fmt", "gbrpf32le", "-").Output()
		if err != nil {
			t.Fatalf("%s: %v", row.tokens, err)
		}
		f, err := plate.ReadRGB(path, plate.Linear, nil)
		if err != nil {
			t.Fatal(err)
		}
		for c := range 3 {
			plane := raw[[3]int{2, 0, 1}[c]*4*w*h:]
			worst := 0.0
			for i := range w * h {
				d := float64(f.Pix[c][i]) - float64(math.Float32frombits(binary.LittleEndian.Uint32(plane[4*i:])))
				worst = max(worst, math.Abs(d))
			}
			if worst > 0.52/0xffff {
				t.Errorf("%s: channel %d differs by up to %.2f/65535", row.tokens, c, 0xffff*worst)
			}
		}
	}
}
