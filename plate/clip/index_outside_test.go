//go:build !js

package clip

import (
	"context"
	"math"
	"os/exec"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
)

// Of a very large file only the head is read, where that says enough: then the same is known of its
// frames.
func TestIndexOfALargeFile(t *testing.T) {
	dir := t.TempDir()
	for _, test := range []struct {
		file  string
		flags []string
	}{
		{"b.mp4", []string{"-c:v", "libx264", "-g", "12", "-bf", "3", "-pix_fmt", "yuv420p"}},
		{"late.mov", []string{"-c:v", "libx264", "-bf", "2", "-output_ts_offset", "3.2", "-r", "24000/1001"}},
		{"intra.mov", []string{"-c:v", "prores_ks"}},
	} {
		path := filepath.Join(dir, test.file)
		args := append([]string{"-nostdin", "-v", "error", "-f", "lavfi", "-i", "testsrc2=s=32x24:r=24:d=2"}, test.flags...)
		if out, err := exec.Command(outside.Program(t, "ffmpeg"), append(args, path)...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v, %s", test.file, err, out)
		}
		whole, err := Probe(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		p, err := ffprobe(context.Background(), path, false)
		if err != nil {
			t.Fatal(err)
		}
		head := whole
		head.Frames, head.first, head.seekable = 0, 0, false
		if err := head.index(context.Background(), "not read", readAll+1, p); err != nil {
			t.Errorf("%s: %v", test.file, err)
			continue
		}
		if head.Frames != whole.Frames || !head.seekable || math.Abs(head.at(7)-whole.at(7)) > 0.2/whole.FPS() {
			t.Errorf("%s: %d frames, the 7th from %.4f s; by all of the file %d, from %.4f s", test.file, head.Frames, head.at(7), whole.Frames, whole.at(7))
		}
	}
}
