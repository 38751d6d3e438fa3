//go:build !js

package clip_test

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// cutout returns a soft picture, premultiplied, with alpha that goes from 0 to 1.
func cutout(w, h, number int) *image.NRGBA64 {
	m := image.NewNRGBA64(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			a := min(max(float64(x-4)/float64(w-9), 0), 1)
			v := func(phase float64) uint16 {
				return uint16(65535 * a * (0.5 + 0.4*math.Sin(phase+float64(x+number)/9+float64(y)/13)))
			}
			m.SetNRGBA64(x, y, color.NRGBA64{R: v(0), G: v(1), B: v(2), A: uint16(65535 * a)})
		}
	}
	return m
}

// Every kind of clip is what it says by ffprobe, has sound as long as its frames, and gives back
// color and alpha within the step of its codec.
func TestKinds(t *testing.T) {
	tier.InTest(t)
	const w, h, frames = 96, 64, 12
	dir := t.TempDir()
	tone := filepath.Join(dir, "tone.mov") // the sound goes on for longer, in two channels
	ffmpeg(t, nil, "-f", "lavfi", "-i", "testsrc2=s=64x64:r=24:d=3", "-f", "lavfi", "-i", "sine=frequency=1000:sample_rate=48000:d=3", "-ac", "2", "-c:v", "mjpeg", "-c:a", "pcm_s16le", tone)
	for _, row := range []struct {
		name         string
		kind         clip.Format
		alpha        string
		codec        string
		pixels       string
		sound        string
		color, trans float64 // the most that color and alpha may be off, of 1, in the mean
	}{
		{"archive", clip.Archive, "", "ffv1", "gbrp16le", "flac", 1e-4, 0}, // FFmpeg rounds when it adds alpha for the comparison
		{"archive with alpha", clip.Archive, "premultiplied", "ffv1", "gbrap16le", "flac", 0, 0},
		{"preview", clip.H264, "", "h264", "yuv420p", "aac", 0.006, 0},
		{"HEVC", clip.HEVC, "", "hevc", "yuv420p10le", "aac", 0.004, 0},
		{"ProRes 422", clip.ProRes422, "", "prores", "yuv422p10le", "pcm_s24le", 0.003, 0},
		{"ProRes 4444", clip.ProRes4444, "straight", "prores", "yuva444p12le", "pcm_s24le", 0.002, 0.0006},
		{"VP9 with alpha", clip.VP9, "premultiplied", "vp9", "yuv420p", "opus", 0.008, 0.006},
	} {
		path := filepath.Join(dir, strings.ReplaceAll(row.name, " ", "-")+row.kind.Extension())
		wr, err := clip.Create(path, clip.WriterOptions{Kind: row.kind, W: w, H: h, Rate: [2]int{24, 1}, Curve: plate.BT709, TimeCode: "10:00:00:00", Alpha: row.alpha,
			Sound: &clip.Track{Path: tone, From: 1, Frames: frames}})
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		for i := range frames {
			var m image.Image = cutout(w, h, i)
			if row.alpha == "" { // the same values, opaque
				opaque := image.NewRGBA64(image.Rect(0, 0, w, h))
				for k := range w * h {
					copy(opaque.Pix[8*k:], m.(*image.NRGBA64).Pix[8*k:8*k+6])
					opaque.Pix[8*k+6], opaque.Pix[8*k+7] = 0xff, 0xff
				}
				m = opaque
			}
			f, a := lightOf(m, plate.BT709)
			if err := wr.Add(f, a); err != nil {
				t.Fatalf("%s: %v", row.name, err)
			}
		}
		if err := wr.Close(); err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		var about struct {
			Streams []struct {
				Type     string `json:"codec_type"`
				Codec    string `json:"codec_name"`
				Pixels   string `json:"pix_fmt"`
				Transfer string `json:"color_transfer"`
				Duration string
				Channels int
				Tags     map[string]string
			}
			Format struct{ Tags map[string]string }
		}
		out, err := exec.Command(outside.Program(t, "ffprobe"), "-v", "error", "-show_streams", "-show_format", "-of", "json", path).Output()
		if err == nil {
			err = json.Unmarshal(out, &about)
		}
		if err != nil {
			t.Fatalf("%s: ffprobe: %v", row.name, err)
		}
		var kinds []string
		for _, s := range about.Streams {
			if s.Type != "data" {
				kinds = append(kinds, s.Codec)
			}
		}
		if want := row.codec + " " + row.sound; strings.Join(kinds, " ") != want {
			t.Errorf("%s: it has %v, want %s", row.name, kinds, want)
		}
		if s := about.Streams[0]; s.Pixels != row.pixels || s.Transfer != "bt709" {
			t.Errorf("%s: pixels %s with the curve %s, want %s with bt709", row.name, s.Pixels, s.Transfer, row.pixels)
		}
		if row.name == "VP9 with alpha" && about.Streams[0].Tags["alpha_mode"] != "1" {
			t.Errorf("%s: no alpha mode: %v", row.name, about.Streams[0].Tags)
		}
		text := fmt.Sprint(about.Format.Tags, about.Streams[0].Tags)
		if !strings.Contains(text, "10:00:00:00") || row.alpha != "" && !strings.Contains(text, "alpha: "+row.alpha) {
			t.Errorf("%s: its tags lack the time code or what color is to alpha: %s", row.name, text)
		}
		// The sound: half a second of the tone, for it is cut with the frames.
		sound := ffmpeg(t, nil, "-i", path, "-map", "0:a", "-ac", "1", "-ar", "8000", "-f", "f32le", "pipe:1")
		if n := len(sound) / 4; n < 3900 || n > 4600 { // AAC and Opus end with a packet
			t.Errorf("%s: the sound has %d samples at 8000 a second, want 4000 for %d frames", row.name, n, frames)
		}
		var loud float64
		for i := 0; i < len(sound); i += 4 {
			loud = max(loud, math.Abs(float64(math.Float32frombits(binary.LittleEndian.Uint32(sound[i:])))))
		}
		if loud < 0.05 {
			t.Errorf("%s: the sound is silent", row.name)
		}
		// Chroma is in line with the left of two pixels.
		args := []string{"-i", path, "-map", "0:v:0", "-vf", "scale=in_color_matrix=bt709:in_range=tv:in_h_chr_pos=0:flags=bicubic+accurate_rnd+full_chroma_int+full_chroma_inp,format=gbrap16le", "-f", "rawvideo", "pipe:1"}
		switch row.kind {
		case clip.VP9: // FFmpeg's own decoder leaves alpha out
			args = append([]string{"-c:v", "libvpx-vp9"}, args...)
		case clip.Archive:
			args[5] = "format=gbrap16le"
		}
		raw := ffmpeg(t, nil, args...)
		if len(raw) != frames*w*h*8 {
			t.Errorf("%s: %d bytes come back, want %d", row.name, len(raw), frames*w*h*8)
			continue
		}
		var off [2]float64
		for i := range frames {
			m := cutout(w, h, i)
			for p := range 4 {
				if p == 3 && row.alpha == "" {
					continue
				}
				for k := range w * h {
					got := binary.LittleEndian.Uint16(raw[2*((i*4+p)*w*h+k):])
					want := binary.BigEndian.Uint16(m.Pix[8*k+2*[4]int{1, 2, 0, 3}[p]:])
					off[p/3] += math.Abs(float64(got)-float64(want)) / 65535 / float64(frames*w*h) / float64([2]int{3, 1}[p/3])
				}
			}
		}
		if off[0] > row.color || off[1] > row.trans {
			t.Errorf("%s: color is %.5f off and alpha %.5f in the mean, want %g and %g", row.name, off[0], off[1], row.color, row.trans)
		}
		t.Logf("%s: color %.5f, alpha %.5f", row.name, off[0], off[1])
	}
}

// lightOf returns the light that a picture's codes stand for, and its alpha, of an *image.NRGBA64
// alone.
func lightOf(m image.Image, c plate.Curve) (*plate.RGB, *plate.Gray) {
	n, ok := m.(*image.NRGBA64)
	if !ok {
		return plate.RGBFromImage(m, c), nil
	}
	f, a := plate.NewRGB(n.Rect.Dx(), n.Rect.Dy()), plate.NewGray(n.Rect.Dx(), n.Rect.Dy())
	for i := range a.Pix {
		for k := range 3 {
			f.Pix[k][i] = float32(c.ToLinear(float64(binary.BigEndian.Uint16(n.Pix[8*i+2*k:])) / 65535))
		}
		a.Pix[i] = float32(binary.BigEndian.Uint16(n.Pix[8*i+6:])) / 65535
	}
	return f, a
}

// Light comes back within the step of each codec, also where the size is odd.
func TestLight(t *testing.T) {
	tier.InTest(t)
	const w, h, frames = 99, 65, 3 // odd, so that chroma reaches beyond
	dir := t.TempDir()
	light := func(n int) (*plate.RGB, *plate.Gray) { return lightOf(cutout(w, h, n), plate.BT709) }
	for _, row := range []struct {
		name   string
		kind   clip.Format
		alpha  string
		within float64 // of code values, in the mean
	}{
		{"archive", clip.Archive, "", 1e-4}, {"archive with alpha", clip.Archive, "straight", 1e-4}, {"H.264", clip.H264, "", 0.008},
		{"HEVC", clip.HEVC, "", 0.004}, {"ProRes 422", clip.ProRes422, "", 0.0025}, {"ProRes 4444", clip.ProRes4444, "", 0.0012},
		{"ProRes 4444 with alpha", clip.ProRes4444, "premultiplied", 0.0012}, {"VP9", clip.VP9, "", 0.008},
	} {
		path := filepath.Join(dir, strings.ReplaceAll(row.name, " ", "-")+row.kind.Extension())
		wr, err := clip.Create(path, clip.WriterOptions{Kind: row.kind, W: w, H: h, Rate: [2]int{24, 1}, Curve: plate.BT709, Alpha: row.alpha})
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		for i := range frames {
			f, a := light(i)
			if row.alpha == "" {
				a = nil
			}
			if err := wr.Add(f, a); err != nil {
				t.Fatalf("%s: %v", row.name, err)
			}
		}
		if err := wr.Close(); err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		r, err := clip.Open(context.Background(), path)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		sum := 0.
		for i := range frames {
			m, err := r.Frame(i)
			if err != nil {
				t.Fatalf("%s: %v", row.name, err)
			}
			f, _ := light(i)
			got := plate.RGBFromImage(m, plate.Linear) // the code values
			for c := range 3 {
				for y := range h {
					for x := range w {
						sum += math.Abs(float64(got.Pix[c][y*got.W+x])-plate.BT709.FromLinear(float64(f.Pix[c][y*w+x]))) / (3 * w * h * frames)
					}
				}
			}
		}
		r.Close()
		if sum > row.within {
			t.Errorf("%s: %.5f off in the mean, want %g", row.name, sum, row.within)
		}
		t.Logf("%s: %.5f", row.name, sum)
	}
	wr, err := clip.Create(filepath.Join(dir, "x.mov"), clip.WriterOptions{Kind: clip.ProRes422, W: 16, H: 16, Rate: [2]int{24, 1}})
	if err != nil {
		t.Fatal(err)
	}
	defer wr.Abort()
	for _, bad := range []error{wr.Add(plate.NewRGB(8, 8), nil), wr.Add(plate.NewRGB(16, 16), plate.NewGray(16, 16))} {
		if bad == nil {
			t.Error("a frame that does not fit is no error")
		}
	}
}

func TestKindsThatCannotBe(t *testing.T) {
	outside.Program(t, "ffmpeg")
	dir := t.TempDir()
	for _, row := range []struct {
		o    clip.WriterOptions
		want string
	}{
		{clip.WriterOptions{Kind: clip.H264, Alpha: "straight"}, "has no alpha"},
		{clip.WriterOptions{Kind: clip.ProRes4444, Alpha: "yes"}, "premultiplied, straight or empty"},
		{clip.WriterOptions{Kind: 17}, "it must be one from 0 to 5"},
	} {
		row.o.W, row.o.H, row.o.Rate = 16, 16, [2]int{24, 1}
		if _, err := clip.Create(filepath.Join(dir, "x.mov"), row.o); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%+v: %v", row.o, err)
		}
	}
	w, err := clip.Create(filepath.Join(dir, "x.mov"), clip.WriterOptions{Kind: clip.ProRes4444, Alpha: "straight", W: 16, H: 16, Rate: [2]int{24, 1}})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	if err := w.Add(plate.NewRGB(16, 16), nil); err == nil || !strings.Contains(err.Error(), "has alpha and") {
		t.Errorf("a picture without alpha: %v", err)
	}
}

// Sound is counted from the first frame, whichever of the two begins first in the file.
func TestSound(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	for _, row := range []struct {
		name string
		args []string
		from float64 // seconds from the first frame at which the tone begins
	}{
		{"together.mov", []string{"-f", "lavfi", "-i", "testsrc2=s=64x64:r=24:d=2", "-f", "lavfi", "-i", "sine=frequency=1000:sample_rate=48000:d=2"}, 0},
		{"late.mkv", []string{"-f", "lavfi", "-i", "testsrc2=s=64x64:r=24:d=2", "-itsoffset", "0.5", "-f", "lavfi", "-i", "sine=frequency=1000:sample_rate=48000:d=1"}, 0.5},
		{"early.mkv", []string{"-itsoffset", "0.5", "-f", "lavfi", "-i", "testsrc2=s=64x64:r=24:d=2", "-f", "lavfi", "-i", "sine=frequency=1000:sample_rate=48000:d=2"}, 0},
	} {
		path := filepath.Join(dir, row.name)
		ffmpeg(t, nil, append(row.args, "-c:v", "mjpeg", "-c:a", "pcm_s16le", path)...)
		s, err := clip.Sound(context.Background(), path, 8000, 0, 10*time.Second)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		begin := len(s)
		for i, v := range s {
			if math.Abs(float64(v)) > 0.02 {
				begin = i
				break
			}
		}
		if got := float64(begin) / 8000; math.Abs(got-row.from) > 0.002 {
			t.Errorf("%s: the tone begins after %.4f s, want %v", row.name, got, row.from)
		}
		// From a later time on it is the same, and behind the end there is none.
		const after = 1
		later, err := clip.Sound(context.Background(), path, 8000, after*time.Second, time.Second/4)
		if err != nil || len(later) != 2000 {
			t.Errorf("%s: %d samples from %d s on, %v", row.name, len(later), after, err)
			continue
		}
		apart := 0.
		for i, v := range later[200:1800] { // the resampler rings at the ends
			apart = max(apart, math.Abs(float64(v-s[after*8000+200+i])))
		}
		if !(apart < 0.02) && filepath.Ext(path) != ".mkv" { // whose times are of whole milliseconds, half of the tone's period
			t.Errorf("%s: from %d s on the sound is off by up to %.3f", row.name, after, apart)
		}
		if none, err := clip.Sound(context.Background(), path, 8000, time.Minute, time.Second); err != nil || len(none) > 0 {
			t.Errorf("%s: %d samples behind the end, %v", row.name, len(none), err)
		}
	}
	silent := filepath.Join(dir, "silent.mov")
	ffmpeg(t, nil, "-f", "lavfi", "-i", "testsrc2=s=64x64:r=24:d=1", "-c:v", "mjpeg", silent)
	if _, err := clip.Sound(context.Background(), silent, 8000, 0, time.Second); !errors.Is(err, clip.ErrNoSound) {
		t.Errorf("without sound: %v", err)
	}
	if _, err := clip.Sound(context.Background(), silent, 10, 0, time.Second); err == nil || !strings.Contains(err.Error(), "1000 to 192000") {
		t.Errorf("ten samples a second: %v", err)
	}
}
