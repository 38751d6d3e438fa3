//go:build !js

package exr_test

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate/exr"
)

// run runs a program of OpenEXR's, or FFmpeg, and returns what it prints.
func run(t *testing.T, program string, args ...string) string {
	t.Helper()
	out, err := exec.Command(outside.Program(t, program), args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", program, args, err, out)
	}
	return string(out)
}

// What OpenEXR's own tools make of our files, in tiles, levels, parts and their compressions, is
// read back value by value.
func TestDecodeWhatOpenEXRWrites(t *testing.T) {
	dir := t.TempDir()
	for _, size := range []image.Point{{X: 1, Y: 1}, {X: 37, Y: 70}, {X: 128, Y: 96}, {X: 301, Y: 33}} {
		want := sample(size)
		ours := filepath.Join(dir, fmt.Sprintf("%dx%d.exr", size.X, size.Y))
		write(t, ours, want, nil)
		for i, args := range [][]string{
			{"exrmaketiled", "-z", "none"}, {"exrmaketiled", "-z", "rle"}, {"exrmaketiled", "-z", "zip"}, {"exrmaketiled", "-z", "piz"},
			{"exrmaketiled", "-m", "-z", "piz", "-t", "16", "24"}, {"exrmaketiled", "-r", "-u", "-z", "zip", "-t", "33", "7"},
			{"exrmaketiled", "-z", "piz", "-t", "400", "500"},
			{"exrmultiview", "-z", "none", "left"}, {"exrmultiview", "-z", "rle", "left"}, {"exrmultiview", "-z", "zip", "left"}, {"exrmultiview", "-z", "piz", "left"},
			{"exrstdattr", "-owner", "nobody"},
		} {
			theirs := filepath.Join(dir, fmt.Sprintf("%d-%d.exr", size.X, i))
			tail := []string{ours, theirs}
			if args[0] == "exrmultiview" {
				tail = []string{ours, "right", ours, theirs}
			}
			run(t, args[0], append(args[1:], tail...)...)
			got := read(t, theirs)
			for i := range got.Channels { // which exrmultiview gives to views
				got.Channels[i].Name = strings.Replace(got.Channels[i].Name, ".left.", ".", 1)
			}
			same(t, fmt.Sprint(size, args), got, want)
			if tiled := args[0] == "exrmaketiled"; got.Tiled != tiled {
				t.Errorf("%v: tiled is %v", args, got.Tiled)
			}
		}
	}
}

// The compressions with loss: what OpenEXR's tools unpack a file to, and write without compression,
// is what it is read as, value by value.
func TestDecodeLossy(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	for _, size := range []image.Point{{X: 1, Y: 1}, {X: 37, Y: 70}} {
		ours, packed, plain := filepath.Join(dir, "a.exr"), filepath.Join(dir, "b.exr"), filepath.Join(dir, "c.exr")
		write(t, ours, sample(size), nil)
		for _, compression := range []exr.Compression{exr.PXR24, exr.B44, exr.B44A} {
			z := strings.ToLower(compression.String())
			run(t, "exrmaketiled", "-z", z, "-t", "33", "18", ours, packed)
			run(t, "exrmaketiled", "-z", "none", packed, plain)
			got := read(t, packed)
			same(t, fmt.Sprint(size, " in tiles, ", z), got, read(t, plain))
			if got.Compression != compression {
				t.Errorf("%v: compressed by %v", z, got.Compression)
			}
			run(t, "exrmultiview", "-z", z, "left", ours, "right", ours, packed)
			run(t, "exrmaketiled", "-z", "none", packed, plain)
			same(t, fmt.Sprint(size, " in lines, ", z), read(t, packed), read(t, plain))
		}
	}
}

// DWAA and DWAB likewise, to what other roundings of the transforms leave: half floats of a power of
// 2.2, in which a step is 0.2 % of the light.
func TestDecodeDWA(t *testing.T) {
	dir := t.TempDir()
	ours, packed, plain := filepath.Join(dir, "a.exr"), filepath.Join(dir, "b.exr"), filepath.Join(dir, "c.exr")
	// What ZIP has packed is no such data.
	var b bytes.Buffer
	if err := exr.Encode(&b, sample(image.Pt(40, 40)), &exr.EncodeOptions{Compression: exr.ZIP}); err != nil {
		t.Fatal(err)
	}
	wrong := strings.Replace(b.String(), "compression\x00compression\x00\x01\x00\x00\x00\x03", "compression\x00compression\x00\x01\x00\x00\x00\x08", 1)
	if _, err := exr.Decode(strings.NewReader(wrong), int64(len(wrong)), nil); err == nil || !strings.Contains(err.Error(), "its DWA data is damaged") {
		t.Errorf("ZIP's data: %v", err)
	}
	for _, size := range []image.Point{{X: 1, Y: 1}, {X: 37, Y: 70}, {X: 64, Y: 300}} {
		m := sample(size)
		m.Channels = append(m.Channels, exr.Channel{Name: "alone.R", Type: exr.Half}, exr.Channel{Name: "A", Type: exr.Half})
		for i := range m.Channels {
			c := &m.Channels[i]
			if c.Name == "A" || c.Name == "alone.R" {
				c.Float = slices.Clone(m.Channels[1].Float)
			}
			for k, v := range c.Float {
				if k/size.X < 16 && c.Name != "A" { // blocks that are all alike
					c.Float[k] = 0.25
				} else if v != v || v > 100 || v < -100 { // whose neighbors in a block are lost beside it
					c.Float[k] = 0.5
				}
			}
		}
		write(t, ours, m, nil)
		for _, z := range []string{"dwaa", "dwab"} {
			for _, tool := range [][]string{{"exrmaketiled", "-z", z, "-t", "33", "18", ours, packed}, {"exrmultiview", "-z", z, "left", ours, "right", ours, packed}} {
				run(t, tool[0], tool[1:]...)
				run(t, "exrmaketiled", "-z", "none", packed, plain)
				got, want := read(t, packed), read(t, plain)
				if strings.ToLower(got.Compression.String()) != z || len(want.Channels) < 8 {
					t.Errorf("%v: compressed by %v, %d channels", tool, got.Compression, len(want.Channels))
				}
				for _, c := range want.Channels {
					g := got.Channel(c.Name)
					if g == nil || !slices.Equal(g.Uint, c.Uint) {
						t.Errorf("%v %v: channel %s is not as it was", size, tool, c.Name)
						continue
					}
					exact := strings.HasSuffix(c.Name, "A")
					for i, v := range c.Float {
						if d := math.Abs(float64(g.Float[i] - v)); exact && d != 0 || !(d <= 0.005*max(math.Abs(float64(v)), 0.05)) {
							t.Fatalf("%v %v: value %d of %s is %v, OpenEXR has %v", size, tool, i, c.Name, g.Float[i], v)
						}
					}
				}
			}
		}
	}
}

// Channels with values at every second column and line only, as color has beside luminance, go the
// same way.
func TestDecodeSubsampled(t *testing.T) {
	dir := t.TempDir()
	want := &exr.Image{Data: image.Rect(-6, 4, 36, 72), Display: image.Rect(0, 0, 10, 10), Channels: []exr.Channel{
		{Name: "BY", Type: exr.Half, Step: image.Pt(2, 2)}, {Name: "RY", Type: exr.Float, Step: image.Pt(2, 1)}, {Name: "Y", Type: exr.Half},
	}}
	for i := range want.Channels {
		c := &want.Channels[i]
		size := c.Size(want.Data)
		for k := range size.X * size.Y {
			c.Float = append(c.Float, float32(k%97)/128)
		}
	}
	if size := want.Channels[0].Size(want.Data); size != image.Pt(21, 34) {
		t.Errorf("%v values, want 21x34", size)
	}
	ours := filepath.Join(dir, "a.exr")
	for _, compression := range []exr.Compression{exr.None, exr.ZIP} {
		write(t, ours, want, &exr.EncodeOptions{Compression: compression})
		same(t, compression.String(), read(t, ours), want)
		for _, theirs := range []string{"rle", "zip", "piz"} {
			run(t, "exrmultiview", "-z", theirs, "left", ours, "right", ours, filepath.Join(dir, "b.exr"))
			same(t, theirs, read(t, filepath.Join(dir, "b.exr")), want)
		}
	}
}

func TestDecodeParts(t *testing.T) {
	dir := t.TempDir()
	want := sample(image.Pt(53, 41))
	ours, tiled, parts := filepath.Join(dir, "a.exr"), filepath.Join(dir, "b.exr"), filepath.Join(dir, "c.exr")
	write(t, ours, want, nil)
	run(t, "exrmaketiled", "-m", "-z", "piz", ours, tiled)
	for _, order := range [][2]string{{ours, tiled}, {tiled, ours}} {
		run(t, "exrmultipart", "-combine", "-i", order[0]+"::one", order[1]+"::two", "-o", parts)
		same(t, fmt.Sprint(order), read(t, parts), want)
	}
}

// FFmpeg writes ZIPS, which it calls zip1, and RLE.
func TestDecodeWhatFFmpegWrites(t *testing.T) {
	dir := t.TempDir()
	const w, h = 61, 47
	random := rand.New(rand.NewPCG(2, 2))
	raw := new(bytes.Buffer)
	planes := map[string][]float32{}
	for _, name := range []string{"G", "B", "R", "A"} { // in the order of the format gbrapf32le
		for range w * h {
			v := float32(random.IntN(50)) / 64 // exact in half
			planes[name] = append(planes[name], v)
			for k := range 4 {
				raw.WriteByte(byte(math.Float32bits(v) >> (8 * k)))
			}
		}
	}
	source := filepath.Join(dir, "raw")
	if err := os.WriteFile(source, raw.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, compression := range []string{"none", "rle", "zip1", "zip16"} {
		for _, kind := range []string{"half", "float"} {
			path := filepath.Join(dir, compression+kind+".exr")
			run(t, "ffmpeg", "-v", "error", "-f", "rawvideo", "-pix_fmt", "gbrapf32le", "-s", fmt.Sprintf("%dx%d", w, h), "-i", source,
				"-compression", compression, "-format", kind, path)
			m := read(t, path)
			for name, plane := range planes {
				c := m.Channel(name)
				if c == nil || c.Type.String() != kind || fmt.Sprint(c.Float) != fmt.Sprint(plane) {
					t.Errorf("%s, %s: channel %s is not as it was", compression, kind, name)
				}
			}
		}
	}
}

// OpenEXR's tools and OpenCV take what we write.
func TestEncodeForOpenEXR(t *testing.T) {
	dir := t.TempDir()
	m := sample(image.Pt(40, 35))
	m.Attributes = append(m.Attributes, exr.FramesPerSecond(24000, 1001), exr.TimeCode{Hours: 13, Minutes: 59, Seconds: 7, Frame: 23, Drop: true}.Attribute(),
		exr.Chromaticities([2]float32{0.708, 0.292}, [2]float32{0.17, 0.797}, [2]float32{0.131, 0.046}, [2]float32{0.3127, 0.329}))
	for _, compression := range []exr.Compression{exr.None, exr.ZIP} {
		path := filepath.Join(dir, compression.String()+".exr")
		write(t, path, m, &exr.EncodeOptions{Compression: compression})
		outside.EXRInfo(t, path, fmt.Sprintf("compression: '%s'", strings.ToLower(compression.String())),
			"displayWindow: [ -10, 0 - 49 49 ] 60 x 50", "dataWindow: [ -5, 3 - 34 37 ] 40 x 35", "channels: 6 channels",
			"'B': half samp 1 1", "'G': half samp 1 1", "'R': float samp 1 1", "'depth': uint samp 1 1", "'matte.A': half samp 1 1", "'sigma.Y': float samp 1 1")
		head := run(t, "exrheader", path)
		for _, want := range []string{
			"framesPerSecond (type rational): 24000/1001 (23.976)",
			"time 13:59:07:23", "drop frame 1",
			"red   (0.708 0.292)", "white (0.3127 0.329)",
			"depth, 32-bit unsigned integer", "matte.A, 16-bit floating-point", "sigma.Y, 32-bit floating-point",
			"dataWindow (type box2i): (-5 3) - (34 37)", "displayWindow (type box2i): (-10 0) - (49 49)",
		} {
			if !strings.Contains(strings.Join(strings.Fields(head), " "), strings.Join(strings.Fields(want), " ")) {
				t.Errorf("%v: exrheader does not print %q:\n%s", compression, want, head)
			}
		}
	}
}

// Luminance and chroma become the color that OpenEXR's own reader (RgbaInputFile) makes of them, as
// exrmakepreview shows it in 8 bits: light 5.55 times brighter, with a shoulder above 1, to the power
// 0.4545, and white at 84.66 (its generatePreview).
func TestChromaAsOpenEXR(t *testing.T) {
	dir := t.TempDir()
	weights := [3]float64{0.2126, 0.7152, 0.0722} // ITU-R BT.709, item 3.2
	shown := func(v float32) float64 {
		x := math.Max(float64(v)*math.Exp2(2.47393), 0)
		if x > 1 {
			const shoulder = 0.184874
			x = 1 + math.Log((x-1)*shoulder+1)/shoulder
		}
		return min(math.Pow(x, 0.4545)*84.66, 255)
	}
	random := rand.New(rand.NewPCG(5, 6))
	for _, size := range []image.Point{{X: 2, Y: 2}, {X: 46, Y: 38}, {X: 64, Y: 64}} {
		m := &exr.Image{Data: image.Rectangle{Min: image.Pt(-4, 6), Max: image.Pt(-4, 6).Add(size)}}
		m.Channels = []exr.Channel{{Name: "BY", Type: exr.Half, Step: image.Pt(2, 2)}, {Name: "RY", Type: exr.Half, Step: image.Pt(2, 2)}, {Name: "Y", Type: exr.Half}}
		for i := range m.Channels {
			c := &m.Channels[i]
			n := c.Size(m.Data)
			for k := range n.X * n.Y {
				v := float32(random.IntN(1024)) / 1024
				if c.Step.X == 2 {
					v = v*0.6 - 0.3
					if k/n.X < n.Y/3 { // gray
						v = 0
					} else if k%7 == 0 { // a color far from those around it, which is brought near
						v = 3
					}
				}
				c.Float = append(c.Float, v)
			}
		}
		ours, theirs := filepath.Join(dir, "a.exr"), filepath.Join(dir, "b.exr")
		write(t, ours, m, nil)
		run(t, "exrmakepreview", "-w", fmt.Sprint(size.X), ours, theirs)
		var preview []byte
		got := read(t, theirs)
		for _, a := range got.Attributes {
			if a.Type == "preview" {
				preview = a.Value
			}
		}
		if len(preview) != 8+4*size.X*size.Y {
			t.Fatalf("%v: a preview of %d bytes", size, len(preview))
		}
		if err := got.RGB(weights); err != nil {
			t.Fatal(err)
		}
		for i := range size.X * size.Y {
			for c, name := range []string{"R", "G", "B"} {
				// A step of 8 bits, and half floats at each of five steps.
				if have, want := shown(got.Channel(name).Float[i]), float64(preview[8+4*i+c]); !(math.Abs(have-want) < 1.5) {
					t.Fatalf("%v: %s of pixel %d, %d is shown as %.1f, by OpenEXR as %v", size, name, i%size.X, i/size.X, have, want)
				}
			}
		}
	}
}
