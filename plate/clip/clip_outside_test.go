//go:build !js

package clip_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// ffmpeg runs FFmpeg, which must succeed.
func ffmpeg(t *testing.T, stdin []byte, args ...string) []byte {
	t.Helper()
	c := exec.Command(outside.Program(t, "ffmpeg"), append([]string{"-nostdin", "-v", "error", "-y"}, args...)...)
	if stdin != nil {
		c.Args = append(c.Args[:1], c.Args[2:]...) // without -nostdin
		c.Stdin = bytes.NewReader(stdin)
	}
	var out, errs bytes.Buffer
	c.Stdout, c.Stderr = &out, &errs
	if err := c.Run(); err != nil {
		t.Fatalf("ffmpeg %s: %v, %s", strings.Join(args, " "), err, errs.String())
	}
	return out.Bytes()
}

// noise returns n values of a depth, as raw video has them.
func noise(n, depth int, dice *rand.Rand) []byte {
	if depth == 8 {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(dice.Uint32())
		}
		return b
	}
	var b []byte
	for range n {
		b = binary.LittleEndian.AppendUint16(b, uint16(dice.UintN(1<<depth)))
	}
	return b
}

// Frames of random values come back with every bit, from files without loss that ffmpeg has made of
// them.
func TestEveryBitComesBack(t *testing.T) {
	tier.InTest(t)
	const w, h = 38, 22 // 4:2:0 needs even sizes in some codecs
	dice := rand.New(rand.NewPCG(1, 2))
	yuv := func(sub string) int {
		return map[string]int{"420": w * h * 3 / 2, "422": w * h * 2, "444": w * h * 3}[sub]
	}
	for _, test := range []struct {
		pixels string
		depth  int
		values int
		codec  string
		flags  string // more for ffmpeg
		y4m    string // the same frame for package plate; "": R'G'B'
		gbr    [3]int // the planes of R'G'B' in a pixel, for packed ones
	}{
		{"yuv420p", 8, yuv("420"), "ffv1", "-colorspace bt709", "C420mpeg2 XMATRIX=BT709", [3]int{}},
		{"yuv420p", 8, yuv("420"), "ffv1", "-colorspace bt709 -color_range pc", "C420mpeg2 XMATRIX=BT709 XCOLORRANGE=FULL", [3]int{}},
		{"yuv420p", 8, yuv("420"), "ffv1", "", "C420mpeg2 XMATRIX=BT601", [3]int{}}, // small and untagged
		{"yuv422p10le", 10, yuv("422"), "ffv1", "-colorspace bt709", "C422p10 XMATRIX=BT709", [3]int{}},
		{"yuv444p12le", 12, yuv("444"), "ffv1", "-colorspace bt2020nc", "C444p12 XMATRIX=BT2020", [3]int{}},
		{"yuv444p16le", 16, yuv("444"), "ffv1", "-colorspace smpte170m", "C444p16 XMATRIX=BT601", [3]int{}},
		{"uyvy422", 8, yuv("422"), "rawvideo", "", "packed", [3]int{}},
		{"gray", 8, w * h, "ffv1", "", "Cmono XCOLORRANGE=FULL", [3]int{}},
		{"gray10le", 10, w * h, "ffv1", "", "Cmono10 XCOLORRANGE=FULL", [3]int{}},
		{"gray16le", 16, w * h, "ffv1", "", "Cmono16 XCOLORRANGE=FULL", [3]int{}},
		{"gbrp", 8, 3 * w * h, "ffv1", "", "", [3]int{}},
		{"gbrp10le", 10, 3 * w * h, "ffv1", "", "", [3]int{}},
		{"gbrp16le", 16, 3 * w * h, "ffv1", "", "", [3]int{}},
		{"rgb24", 8, 3 * w * h, "png", "", "", [3]int{0, 1, 2}},
		{"rgb48be", 16, 3 * w * h, "png", "", "", [3]int{0, 1, 2}},
	} {
		name := test.pixels + " " + test.flags
		var raw [][]byte
		var all []byte
		for range 3 {
			f := noise(test.values, test.depth, dice)
			raw, all = append(raw, f), append(all, f...)
		}
		path := filepath.Join(t.TempDir(), "clip.mkv")
		args := []string{"-f", "rawvideo", "-pix_fmt", test.pixels, "-s", fmt.Sprintf("%dx%d", w, h), "-r", "24", "-i", "pipe:0", "-c:v", test.codec, "-strict", "experimental"}
		if test.codec == "rawvideo" {
			path = strings.TrimSuffix(path, "mkv") + "nut"
		}
		ffmpeg(t, all, append(append(args, strings.Fields(test.flags)...), path)...)
		r, err := clip.Open(context.Background(), path)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		info := r.Info()
		if info.W != w || info.H != h || info.Frames != 3 || info.Rate != [2]int{24, 1} || info.Depth != test.depth || info.Format != "clip" {
			t.Errorf("%s: %+v", name, info)
		}
		for i := range raw {
			got, err := r.Frame(i)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				break
			}
			switch {
			case test.y4m == "packed": // Cb Y Cr Y
				var planes [3][]byte
				for k := 0; k < len(raw[i]); k += 4 {
					planes[0] = append(planes[0], raw[i][k+1], raw[i][k+3])
					planes[1], planes[2] = append(planes[1], raw[i][k]), append(planes[2], raw[i][k+2])
				}
				same(t, name, got, decoded(t, w, h, "C422 XMATRIX=BT601", bytes.Join(planes[:], nil)))
			case test.y4m != "":
				same(t, name, got, decoded(t, w, h, test.y4m, raw[i]))
			default:
				for k := range w * h {
					var want [3]uint32
					for c := range 3 {
						at := k + [3]int{2, 0, 1}[c]*w*h
						if test.gbr != [3]int{} {
							at = 3*k + c
						}
						switch {
						case test.depth == 8:
							want[c] = 0x101 * uint32(raw[i][at])
						case strings.HasSuffix(test.pixels, "be"):
							want[c] = uint32(binary.BigEndian.Uint16(raw[i][2*at:]))
						default:
							most := uint32(1)<<test.depth - 1
							want[c] = (uint32(binary.LittleEndian.Uint16(raw[i][2*at:]))*0xffff + most/2) / most
						}
					}
					red, green, blue, _ := got.At(k%w, k/w).RGBA()
					if [3]uint32{red, green, blue} != want {
						t.Fatalf("%s: pixel %d of frame %d is %v, want %v", name, k, i, [3]uint32{red, green, blue}, want)
					}
				}
			}
		}
		r.Close()
	}
}

func decoded(t *testing.T, w, h int, tokens string, data []byte) image.Image {
	t.Helper()
	m, _, err := plate.Decode(append(fmt.Appendf(nil, "YUV4MPEG2 W%d H%d F24:1 %s\nFRAME\n", w, h, tokens), data...), nil)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func same(t *testing.T, name string, got, want image.Image) {
	t.Helper()
	a, b := plate.RGBFromImage(got, plate.Linear), plate.RGBFromImage(want, plate.Linear)
	if a.Size() != b.Size() || !slices.Equal(a.Pix[0], b.Pix[0]) || !slices.Equal(a.Pix[1], b.Pix[1]) || !slices.Equal(a.Pix[2], b.Pix[2]) {
		t.Errorf("%s: a frame has other values than were written", name)
	}
}

// Any frame that is asked for is that frame, in files whose frames depend on each other and in any
// order.
func TestFramesInAnyOrder(t *testing.T) {
	tier.InTest(t)
	const w, h, n = 32, 24, 60
	dir := t.TempDir()
	for _, test := range []struct{ file, flags string }{
		{"bframes.mp4", "-c:v libx264 -g 30 -bf 3 -preset fast -pix_fmt yuv420p"},
		{"open.mkv", "-c:v libx264 -g 40 -bf 2 -preset fast -pix_fmt yuv420p -r 24000/1001"}, // its times are whole milliseconds
		{"late.mov", "-c:v libx264 -g 25 -bf 2 -pix_fmt yuv422p10le -output_ts_offset 7.3"},
		{"intra.mov", "-c:v prores_ks -pix_fmt yuv422p10le -timecode 01:02:03:04"},
		{"mpeg2.ts", "-c:v mpeg2video -g 12 -bf 2 -q:v 2 -r 25"},
		{"uneven.mkv", "-c:v libx264 -g 30 -bf 2 -pix_fmt yuv420p -vf select='lt(n\\,20)+gt(n\\,25)' -fps_mode vfr"},
	} {
		path := filepath.Join(dir, test.file)
		ffmpeg(t, nil, append(append([]string{"-f", "lavfi", "-i", fmt.Sprintf("testsrc2=s=%dx%d:r=24:d=4", w, h)}, strings.Fields(strings.ReplaceAll(test.flags, "'", ""))...), "-frames:v", fmt.Sprint(n), path)...)
		r, err := clip.Open(context.Background(), path)
		if err != nil {
			t.Errorf("%s: %v", test.file, err)
			continue
		}
		info := r.Info()
		pixels := "yuv420p"
		if info.Depth == 10 {
			pixels = "yuv422p10le"
		}
		raw := ffmpeg(t, nil, "-i", path, "-f", "rawvideo", "-fps_mode", "passthrough", "-pix_fmt", pixels, "pipe:1")
		size := len(raw) / info.Frames
		if info.Frames != n || len(raw)%info.Frames != 0 {
			t.Errorf("%s: %d frames, and ffmpeg gives %d bytes", test.file, info.Frames, len(raw))
			continue
		}
		if test.file == "intra.mov" && info.TimeCode != "01:02:03:04" {
			t.Errorf("%s: time code %q", test.file, info.TimeCode)
		}
		tokens := "C420mpeg2 XMATRIX=BT601"
		if info.Depth == 10 {
			tokens = "C422p10 XMATRIX=BT601"
		}
		order := []int{0, 1, 43, 42, 59, 3}
		for _, i := range order {
			m, err := r.Frame(i)
			if err != nil {
				t.Errorf("%s: %v", test.file, err)
				break
			}
			same(t, fmt.Sprintf("%s, frame %d", test.file, i), m, decoded(t, w, h, tokens, raw[i*size:(i+1)*size]))
		}
		if test.file != "open.mkv" {
			r.Close()
			continue
		}
		// Several at once, as workers ask.
		r.Rest()
		var all sync.WaitGroup
		for first := range 3 {
			all.Go(func() {
				for i := first; i < n; i += 3 {
					m, err := r.Frame(i)
					if err != nil {
						t.Errorf("%s: %v", test.file, err)
						return
					}
					same(t, fmt.Sprintf("%s, frame %d among others", test.file, i), m, decoded(t, w, h, tokens, raw[i*size:(i+1)*size]))
				}
			})
		}
		all.Wait()
		if _, err := r.Frame(n); err == nil || !strings.Contains(err.Error(), "the clip has frames 0 to 59") {
			t.Errorf("%s: past the end: %v", test.file, err)
		}
		r.Close()
	}
}

// An archive has every bit of what it was given, by this package and by ffmpeg; a preview looks
// like it.
func TestWriter(t *testing.T) {
	const w, h, n = 33, 21, 4 // odd
	dir := t.TempDir()
	dice := rand.New(rand.NewPCG(3, 4))
	for _, depth := range []int{8, 16} {
		var frames []image.Image
		path := filepath.Join(dir, fmt.Sprintf("a %d ü.mkv", depth))
		out, err := clip.Create(path, clip.WriterOptions{W: w, H: h, Depth: depth, Rate: [2]int{24000, 1001}, Curve: plate.PQ, Primaries: plate.PrimariesBT2020, TimeCode: "10:00:00:00"})
		if err != nil {
			if errors.Is(err, clip.ErrNoFFmpeg) {
				outside.Program(t, "ffmpeg")
			}
			t.Fatal(err)
		}
		for range n {
			var m image.Image
			if depth == 8 {
				c := image.NewRGBA(image.Rect(0, 0, w, h))
				for i := range c.Pix {
					c.Pix[i] = byte(dice.Uint32()) | byte(i%4/3*255)
				}
				m = c
			} else {
				c := image.NewRGBA64(image.Rect(0, 0, w, h))
				for i := range c.Pix {
					c.Pix[i] = byte(dice.Uint32()) | byte(i%8/6*255)
				}
				m = c
			}
			frames = append(frames, m)
			f, _ := lightOf(m, plate.PQ)
			if err := out.Add(f, nil); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := os.Stat(path); err == nil {
			t.Error("there is a file of the name before it is whole")
		}
		if err := out.Close(); err != nil {
			t.Fatal(err)
		}
		r, err := clip.Open(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		info := r.Info()
		if info.Frames != n || info.Codec != "ffv1" || info.Depth != depth || info.Rate != [2]int{24000, 1001} || info.Curve != "pq" || info.Primaries != plate.PrimariesBT2020 || info.TimeCode != "10:00:00:00" {
			t.Errorf("%+v", info)
		}
		for i, want := range frames {
			got, err := r.Frame(i)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("depth %d: frame %d is another", depth, i)
			}
		}
		r.Close()
		pixels := map[int]string{8: "rgb24", 16: "rgb48be"}[depth]
		raw := ffmpeg(t, nil, "-i", path, "-f", "rawvideo", "-pix_fmt", pixels, "pipe:1")
		var want []byte
		for _, m := range frames {
			switch m := m.(type) {
			case *image.RGBA:
				for i := 0; i < len(m.Pix); i += 4 {
					want = append(want, m.Pix[i:i+3]...)
				}
			case *image.RGBA64:
				for i := 0; i < len(m.Pix); i += 8 {
					want = append(want, m.Pix[i:i+6]...)
				}
			}
		}
		if !bytes.Equal(raw, want) {
			t.Errorf("depth %d: ffmpeg reads another archive", depth)
		}
	}

	path := filepath.Join(dir, "look.mp4")
	out, err := clip.Create(path, clip.WriterOptions{Kind: clip.H264, W: w, H: h, Rate: [2]int{25, 1}, Curve: plate.SRGB})
	if err != nil {
		t.Fatal(err)
	}
	flat := image.NewRGBA64(image.Rect(0, 0, w, h))
	for i := 0; i < len(flat.Pix); i += 8 {
		copy(flat.Pix[i:], []byte{0xc0, 0xc0, 0x60, 0x60, 0x30, 0x30, 0xff, 0xff})
	}
	for range n {
		light, _ := lightOf(flat, plate.SRGB)
		if err := out.Add(light, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := clip.Open(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if i := r.Info(); i.Frames != n || i.W != w+1 || i.H != h+1 || i.Codec != "h264" || i.Curve != "srgb" || i.Primaries != plate.PrimariesBT709 {
		t.Errorf("%+v", i)
	}
	m, err := r.Frame(2)
	if err != nil {
		t.Fatal(err)
	}
	f := plate.RGBFromImage(m, plate.Linear)
	for c, want := range [3]float32{0xc0 / 255., 0x60 / 255., 0x30 / 255.} {
		// Three steps of 8 bits, for the rounding of Y'CbCr and the codec.
		if got := f.Pix[c][10*f.W+10]; got-want > 3./255 || want-got > 3./255 {
			t.Errorf("channel %d is %.4f, want %.4f", c, got, want)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*.unfinished")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
}

func TestWriterThatIsAborted(t *testing.T) {
	outside.Program(t, "ffmpeg")
	dir := t.TempDir()
	path := filepath.Join(dir, "a.mkv")
	// What was killed is removed by the next.
	old := filepath.Join(dir, ".a.mkv.0badcafe.unfinished")
	if err := os.WriteFile(old, []byte("half"), 0o666); err != nil {
		t.Fatal(err)
	}
	out, err := clip.Create(path, clip.WriterOptions{W: 16, H: 16, Rate: [2]int{24, 1}})
	if err != nil {
		t.Fatal(err)
	}
	if err := out.Add(plate.NewRGB(16, 17), nil); err == nil || !strings.Contains(err.Error(), "16x17") {
		t.Errorf("a frame of another size: %v", err)
	}
	if err := out.Add(plate.NewRGB(16, 16), nil); err != nil {
		t.Fatal(err)
	}
	out.Abort()
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
}

func TestBadClips(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	whole := filepath.Join(dir, "whole.mp4")
	ffmpeg(t, nil, "-f", "lavfi", "-i", "testsrc2=s=64x48:r=24:d=1", "-c:v", "mpeg4", whole)
	data, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	interlaced := filepath.Join(dir, "interlaced.mov")
	ffmpeg(t, nil, "-f", "lavfi", "-i", "testsrc2=s=64x48:r=25:d=1", "-c:v", "prores_ks", "-flags", "+ildct+ilme", "-vf", "setfield=tff", interlaced)
	sound := filepath.Join(dir, "sound.wav")
	ffmpeg(t, nil, "-f", "lavfi", "-i", "sine=d=1", sound)
	for _, test := range []struct{ name, path, want string }{
		{"none", filepath.Join(dir, "none.mov"), "no such file"},
		{"a folder", dir, "a folder"},
		{"text", file("notes.txt", "a line\nanother\n"), ""},
		{"empty", file("empty.mov", ""), "it is empty"},
		{"cut off", file("cut.mp4", string(data[:200])), "FFmpeg cannot read it"},
		{"sound", sound, "no video"},
		{"interlaced", interlaced, "interlaced"},
		{"a list of other files", file("list.m3u8", "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nhttp://127.0.0.1:1/x.ts\n#EXT-X-ENDLIST\n"), ""},
	} {
		_, err := clip.Probe(context.Background(), test.path)
		var where *plate.FileError
		if !errors.As(err, &where) || where.Path != test.path || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: %v", test.name, err)
		}
	}
	// One whose frames are fewer than its index says.
	cut := file("cut.mkv", "")
	ffmpeg(t, nil, "-i", whole, "-c", "copy", cut)
	if data, err = os.ReadFile(cut); err == nil {
		err = os.WriteFile(cut, data[:len(data)*2/3], 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
	r, err := clip.Open(context.Background(), cut)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if n := r.Info().Frames; n >= 24 || n < 8 {
		t.Errorf("a file of two thirds of 24 frames has %d", n)
	}
}

// Without FFmpeg there is a clear word.
func TestWithoutFFmpeg(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	path := filepath.Join(t.TempDir(), "clip.mov")
	if err := os.WriteFile(path, []byte("not looked at"), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := clip.Probe(context.Background(), path); !errors.Is(err, clip.ErrNoFFmpeg) || !strings.Contains(err.Error(), "install FFmpeg") || !strings.Contains(err.Error(), path) {
		t.Errorf("Probe: %v", err)
	}
	if _, err := clip.Create(path, clip.WriterOptions{W: 1, H: 1, Rate: [2]int{24, 1}}); !errors.Is(err, clip.ErrNoFFmpeg) {
		t.Errorf("Create: %v", err)
	}
}

// Files that name others are refused, whatever they are called, by ffprobe and by ffmpeg alike: a
// clip that somebody sent must not open what else lies on this machine.
func TestListsOfOtherFiles(t *testing.T) {
	outside.Program(t, "ffmpeg")
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	whole := in("whole.mp4")
	ffmpeg(t, nil, "-f", "lavfi", "-i", "testsrc2=s=64x48:r=25:d=0.2", "-c:v", "libx264", whole)
	ffmpeg(t, nil, "-i", whole, "-c", "copy", "-f", "hls", "-hls_segment_filename", in("part%d.ts"), in("list.m3u8"))
	ffmpeg(t, nil, "-i", whole, "-c", "copy", "-f", "dash", in("list.mpd"))
	write := func(name, text string) {
		if err := os.WriteFile(in(name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write("list.ffconcat", "ffconcat version 1.0\nfile whole.mp4\n")
	write("list.sdp", "v=0\nc=IN IP4 127.0.0.1\nm=video 9 RTP/AVP 96\na=rtpmap:96 H264/90000\n")
	clean, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	for _, list := range []string{"list.m3u8", "list.mpd", "list.ffconcat", "list.sdp"} {
		text, err := os.ReadFile(in(list))
		if err != nil {
			t.Fatal(err)
		}
		write(list+".mov", string(text))
		for _, name := range []string{list, list + ".mov"} {
			if info, err := clip.Probe(context.Background(), in(name)); err == nil || !strings.Contains(err.Error(), "a list of other files") {
				t.Errorf("%s: ffprobe reads %+v, %v", name, info, err)
			}
		}
		// A clip that becomes such a list after it was looked at.
		write("changed.mov", string(clean))
		r, err := clip.Open(context.Background(), in("changed.mov"))
		if err != nil {
			t.Fatal(err)
		}
		write("changed.mov", string(text))
		if _, err := r.Frame(0); err == nil || !strings.Contains(err.Error(), "a list of other files") {
			t.Errorf("%s: ffmpeg reads a frame, %v", list, err)
		}
		r.Close()
	}
}
