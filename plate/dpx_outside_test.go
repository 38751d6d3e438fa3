//go:build !js

package plate_test

import (
	"encoding/binary"
	"image"
	"image/color"
	"os/exec"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
)

// What FFmpeg writes as DPX is read as FFmpeg reads it.
func TestDPXAgainstFFmpeg(t *testing.T) {
	ffmpeg := outside.Program(t, "ffmpeg")
	dir := t.TempDir()
	for _, row := range []struct {
		format   string
		depth    int
		channels int
		as       string // the same values in FFmpeg's raw output: by planes green, blue, red, or red, green, blue and alpha together
	}{
		{"rgb24", 8, 3, "rgb24"}, {"rgba", 8, 4, "rgba"}, {"gray", 8, 1, "gray"},
		{"gbrp10be", 10, 3, "gbrp10le"}, {"gbrp10le", 10, 3, "gbrp10le"}, {"gbrp12be", 12, 3, "gbrp12le"}, {"gbrp12le", 12, 3, "gbrp12le"},
		{"rgb48be", 16, 3, "rgb48le"}, {"rgb48le", 16, 3, "rgb48le"}, {"rgba64be", 16, 4, "rgba64le"}, {"rgba64le", 16, 4, "rgba64le"},
		{"gray16be", 16, 1, "gray16le"}, {"gray16le", 16, 1, "gray16le"},
	} {
		const w, h = 30, 20
		path := filepath.Join(dir, row.format+".dpx")
		if out, err := exec.Command(ffmpeg, "-v", "error", "-f", "lavfi", "-i", "testsrc2=s=30x20", "-frames:v", "1", "-pix_fmt", row.format, path).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", row.format, err, out)
		}
		if info, err := plate.Probe(path); err != nil || info.Format != "dpx" || info.Depth != row.depth || info.W != w || info.H != h {
			t.Errorf("%s: %+v, %v", row.format, info, err)
		}
		m, err := plate.ReadImage(path, nil)
		if err != nil {
			t.Error(err)
			continue
		}
		raw, err := exec.Command(ffmpeg, "-v", "error", "-i", path, "-f", "rawvideo", "-pix_fmt", row.as, "-").Output()
		if err != nil {
			t.Fatalf("%s: %v", row.format, err)
		}
		value := func(x, y, c int) int {
			i := row.channels*(y*w+x) + min(c, row.channels-1)
			if row.as[0] == 'g' && row.channels == 3 {
				i = [3]int{2, 0, 1}[c]*w*h + y*w + x
			}
			if row.depth == 8 {
				return int(raw[i])
			}
			return int(binary.LittleEndian.Uint16(raw[2*i:]))
		}
		full := 1<<row.depth - 1
		for y := range h {
			for x := range w {
				v := color.NRGBA64Model.Convert(m.At(x, y)).(color.NRGBA64)
				for c, got := range []uint16{v.R, v.G, v.B} {
					want := (value(x, y, c)*0xffff + full/2) / full
					if int(got) != want {
						t.Fatalf("%s: channel %d at %v is %d, want %d", row.format, c, image.Pt(x, y), got, want)
					}
				}
			}
		}
	}
}
