//go:build !js

package clip_test

import (
	"context"
	"image"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// The codecs that cameras and recorders write are read at their depth, near to what went in.
// (Debian's x264 writes broken 4:2:2 of 10 bits, so H.264 is 4:2:0 here.)
func TestCameraCodecs(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	want := [3]float64{0.25, 0.5, 0.125} // a plain picture: R'G'B'
	for _, row := range []struct {
		name, codec, pixels string
		depth               int
		args                []string
	}{ // of BT.709, but for Motion JPEG, which is of BT.601 (ITU-T T.871)
		{"a.mp4", "hevc", "yuv420p10le", 10, []string{"-c:v", "libx265", "-x265-params", "log-level=error"}},
		{"b.mp4", "h264", "yuv420p10le", 10, []string{"-c:v", "libx264"}},
		{"c.mov", "prores", "yuv422p10le", 10, []string{"-c:v", "prores_ks"}},
		{"d.mov", "dnxhd", "yuv422p10le", 10, []string{"-c:v", "dnxhd", "-profile:v", "dnxhr_hqx"}},
		{"e.avi", "mjpeg", "yuvj422p", 8, []string{"-c:v", "mjpeg", "-q:v", "2"}},
		{"f.mp4", "av1", "yuv420p10le", 10, []string{"-c:v", "libaom-av1", "-cpu-used", "8", "-crf", "20"}},
	} {
		path := filepath.Join(dir, row.name)
		matrix, tag := "bt709", "bt709"
		if row.codec == "mjpeg" {
			matrix, tag = "bt601", "smpte170m"
		}
		args := []string{"-f", "lavfi", "-i", "color=c=0x408020:s=256x128:r=24", "-frames:v", "3",
			"-vf", "scale=out_color_matrix=" + matrix + ",format=" + row.pixels + ",setparams=colorspace=" + tag, "-colorspace", tag}
		ffmpeg(t, nil, append(append(args, row.args...), path)...)
		c, err := clip.Open(context.Background(), path)
		if err != nil {
			t.Errorf("%s: %v", row.codec, err)
			continue
		}
		defer c.Close()
		m, err := c.Frame(2)
		if i := c.Info(); err != nil || i.Codec != row.codec || i.Depth != row.depth || i.Frames != 3 {
			t.Errorf("%s: %+v, %v", row.codec, i, err)
			continue
		}
		f := plate.RGBFromImage(m, plate.Linear)
		for k, v := range want {
			if got := float64(f.Pix[k][64*256+128]); math.Abs(got-v) > 0.012 { // three steps of 8 bits
				t.Errorf("%s: channel %d is %.4f, want %.4f", row.codec, k, got, v)
			}
		}
	}
}

// A file that says that its frames lie on their side, as of a camera that was mounted so, is read
// upright, and that is told.
func TestTurned(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	upright := filepath.Join(dir, "upright.mov")
	ffmpeg(t, nil, "-f", "lavfi", "-i", "testsrc2=s=64x48:r=24", "-frames:v", "2", "-c:v", "mjpeg", "-pix_fmt", "yuvj444p", upright)
	pixels := func(path string) (*plate.RGB, clip.Stream) {
		c, err := clip.Open(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		m, err := c.Frame(1)
		if err != nil {
			t.Fatal(err)
		}
		return plate.RGBFromImage(m, plate.Linear), c.Info()
	}
	want, _ := pixels(upright)
	for _, row := range []struct {
		degrees string // as FFmpeg's tag has it
		size    image.Point
	}{{"180", image.Pt(64, 48)}, {"90", image.Pt(48, 64)}} {
		path := filepath.Join(dir, row.degrees+".mov")
		ffmpeg(t, nil, "-i", upright, "-c", "copy", "-metadata:s:v", "rotate="+row.degrees, path)
		got, info := pixels(path)
		if got.Size() != row.size || info.Turned%90 != 0 || info.Turned == 0 || !strings.Contains(strings.Join(info.Notes(), ""), "turned") {
			t.Errorf("%s degrees: %v pixels, %+v, %q", row.degrees, got.Size(), info, info.Notes())
			continue
		}
		for y := range got.H {
			for x := range got.W {
				u, v := 63-x, 47-y
				switch info.Turned {
				case 90:
					u, v = y, 47-x
				case 270:
					u, v = 63-y, x
				}
				if d := got.Pix[1][y*got.W+x] - want.Pix[1][v*64+u]; math.Abs(float64(d)) > 0.01 {
					t.Fatalf("%s degrees, read as turned by %d: pixel (%d, %d) is off by %v", row.degrees, info.Turned, x, y, d)
				}
			}
		}
	}
}
