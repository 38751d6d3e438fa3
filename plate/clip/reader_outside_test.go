//go:build !js

package clip

import (
	"context"
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
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

// The memory of a frame goes to another only when nobody has it any more.
func TestFramesInHand(t *testing.T) {
	const w, h, n = 96, 64, 40
	path := filepath.Join(t.TempDir(), "a.mkv")
	if out, err := exec.Command(outside.Program(t, "ffmpeg"), "-nostdin", "-v", "error", "-f", "lavfi", "-i", fmt.Sprintf("testsrc2=s=%dx%d:r=24,format=yuv420p", w, h), "-frames:v", fmt.Sprint(n), "-c:v", "ffv1", path).CombinedOutput(); err != nil {
		t.Fatalf("%v, %s", err, out)
	}
	files := NewMediaFiles()
	defer files.Rest()
	reader, err := files.reader(path)
	if err != nil {
		t.Fatal(err)
	}
	reader.most = 2 // as of large frames
	open := func(i int) *plate.Picture {
		p, err := files.Open(fmt.Sprintf("%s#%d", path, i))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	light := func(p *plate.Picture) *plate.RGB {
		f, err := p.RGB(nil, plate.Linear)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	first, again := open(0), open(0)
	rows, err := first.Rows(plate.Linear)
	if err != nil {
		t.Fatal(err)
	}
	want := light(again)
	if err := again.Close(); err != nil { // the other still reads it
		t.Fatal(err)
	}
	kept, err := open(1).Image()
	if err != nil {
		t.Fatal(err)
	}
	second := plate.RGBFromImage(kept, plate.Linear)
	for i := range n {
		p := open(i)
		light(p)
		p.Close()
	}
	row := plate.NewRGB(w, 1).Row(0)
	for y := range h {
		if err := rows.Next(row); err != nil {
			t.Fatal(err)
		}
		for c, v := range want.Row(y) {
			if !slices.Equal(row[c], v) {
				t.Fatalf("row %d of a frame that is being read has become another's", y)
			}
		}
	}
	first.Close()
	if len(reader.free) != reader.most {
		t.Errorf("the memory of %d frames is there to be used again, want %d", len(reader.free), reader.most)
	}
	for c, v := range plate.RGBFromImage(kept, plate.Linear).Pix {
		if !slices.Equal(v, second.Pix[c]) {
			t.Fatal("a frame that was handed out has become another")
		}
	}
}
