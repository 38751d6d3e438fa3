//go:build !js

package clip_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"os/exec"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// A clip that is tagged as narrow has its codes read as tagged, or over the whole signal, in which
// S-Log3 has black at 95 of 1023 and the gray card at 420 (its maker's values, as in package
// plate).
func TestRange(t *testing.T) {
	tier.InTest(t)
	codes := []uint16{95, 420, 598, 64, 940, 512, 200, 700}
	var raw bytes.Buffer
	for plane := range 3 {
		for _, v := range codes {
			if plane > 0 {
				v = 512
			}
			for range 2 {
				if err := binary.Write(&raw, binary.LittleEndian, v); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	path := filepath.Join(t.TempDir(), "log.mkv")
	c := exec.Command(outside.Program(t, "ffmpeg"), "-nostdin", "-v", "error", "-f", "rawvideo", "-pix_fmt", "yuv444p10le", "-s", "8x2", "-i", "pipe:0", "-c:v", "ffv1", "-color_range", "tv", "-colorspace", "bt709", path)
	c.Stdin = &raw
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg: %v: %s", err, out)
	}
	files := clip.NewMediaFiles()
	defer files.Rest()
	for _, test := range []struct {
		span clip.Range
		code func(float64) float64
	}{
		{clip.Tagged, func(v float64) float64 { return (v - 64) / 876 }},
		{clip.Full, func(v float64) float64 { return v / 1023 }},
		{clip.Narrow, func(v float64) float64 { return (v - 64) / 876 }},
	} {
		files.SetRange(path, test.span)
		p, err := files.Open(path + "#0")
		if err != nil {
			t.Fatal(err)
		}
		f, err := p.RGB(nil, plate.SLog3)
		if err != nil {
			t.Fatal(err)
		}
		for i := range f.Pix[1] {
			want := plate.SLog3.ToLinear(test.code(float64(codes[i/2])))
			if got := float64(f.Pix[1][i]); math.Abs(got-want) > 1e-4+2e-4*want {
				t.Errorf("range %q: code %d is %v, want %v", test.span, codes[i/2], got, want)
			}
		}
	}
	files.SetRange(path, "wide")
	if _, err := files.Open(path + "#0"); err == nil {
		t.Error("a range that there is none of is taken")
	}
}
