package exr_test

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/plate/exr"
)

// sample returns an image with channels of every type, in and out of layers, whose data window does
// not begin at 0. Its values slope, jump and repeat, and there are some of every kind of number.
func sample(size image.Point) *exr.Image {
	m := &exr.Image{Display: image.Rect(-10, 0, 50, 50)}
	m.Data = image.Rectangle{Max: size}.Add(image.Pt(-5, 3))
	random := rand.New(rand.NewPCG(1, uint64(size.X)))
	odd := []float32{0, float32(math.Copysign(0, -1)), 1, -1, 65504, -65504, 1. / (1 << 24), 1. / (1 << 14), 0.1, float32(math.Inf(1)), float32(math.Inf(-1)), 3e-5, float32(math.NaN())}
	for i, name := range []string{"B", "G", "R", "depth", "matte.A", "sigma.Y"} {
		c := exr.Channel{Name: name, Type: []exr.Type{exr.Half, exr.Half, exr.Float, exr.Uint, exr.Half, exr.Float}[i]}
		for y := range size.Y {
			for x := range size.X {
				v := float32(x+2*y) / 256
				switch {
				case name == "matte.A":
					v = float32(x / 20 % 2)
				case y%7 == 3:
					v += float32(random.NormFloat64())
				case y%11 == 5:
					v = odd[(x+y)%len(odd)]
				}
				switch c.Type {
				case exr.Half:
					c.Float = append(c.Float, nearestHalf(v))
				case exr.Float:
					c.Float = append(c.Float, v)
				default:
					c.Uint = append(c.Uint, uint32(x)+uint32(y)<<16+random.Uint32()%3)
				}
			}
		}
		m.Channels = append(m.Channels, c)
	}
	return m
}

// nearestHalf rounds by another way than the package does: to a multiple of the number's last
// place.
func nearestHalf(v float32) float32 {
	if v == 0 || v != v || math.IsInf(float64(v), 0) {
		return v
	}
	_, exponent := math.Frexp(float64(v))
	unit := math.Ldexp(1, max(exponent, -13)-11)
	return float32(math.RoundToEven(float64(v)/unit) * unit)
}

func write(t testing.TB, path string, m *exr.Image, opt *exr.EncodeOptions) {
	t.Helper()
	var b bytes.Buffer
	if err := exr.Encode(&b, m, opt); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
}

func read(t testing.TB, path string) *exr.Image {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	m, err := exr.Decode(bytes.NewReader(b), int64(len(b)), nil)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return m
}

// same fails the test unless got has what want has; it may have more channels.
func same(t *testing.T, what string, got, want *exr.Image) {
	t.Helper()
	if got.Data != want.Data || got.Display != want.Display {
		t.Errorf("%s: windows %v and %v, want %v and %v", what, got.Data, got.Display, want.Data, want.Display)
	}
	for _, c := range want.Channels {
		g := got.Channel(c.Name)
		if g == nil {
			t.Errorf("%s: no channel %s", what, c.Name)
			continue
		}
		sameBits := func(a, b float32) bool { return math.Float32bits(a) == math.Float32bits(b) }
		if g.Type != c.Type || g.Step != c.Step || !slices.EqualFunc(g.Float, c.Float, sameBits) || !slices.Equal(g.Uint, c.Uint) {
			t.Errorf("%s: channel %s is not as it was", what, c.Name)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	for _, size := range []image.Point{{X: 1, Y: 1}, {X: 7, Y: 33}, {X: 100, Y: 16}} {
		for _, compression := range []exr.Compression{exr.None, exr.ZIP} {
			want := sample(size)
			want.Attributes = []exr.Attribute{exr.FramesPerSecond(25, 1)}
			var b bytes.Buffer
			if err := exr.Encode(&b, want, &exr.EncodeOptions{Compression: compression}); err != nil {
				t.Fatal(err)
			}
			got, err := exr.Decode(bytes.NewReader(b.Bytes()), int64(b.Len()), nil)
			if err != nil {
				t.Fatal(err)
			}
			same(t, fmt.Sprint(size, compression), got, want)
			if n, d, ok := got.FramesPerSecond(); n != 25 || d != 1 || !ok || got.Compression != compression {
				t.Errorf("%d/%d frames a second, %v, %v", n, d, ok, got.Compression)
			}
		}
	}
}

func TestErrors(t *testing.T) {
	var b bytes.Buffer
	if err := exr.Encode(&b, sample(image.Pt(40, 40)), &exr.EncodeOptions{Compression: exr.ZIP}); err != nil {
		t.Fatal(err)
	}
	good := b.String()
	// with returns the file with one string of the header in place of another.
	with := func(old, new string) string {
		if !strings.Contains(good, old) {
			t.Fatalf("the file does not have %q", old)
		}
		return strings.Replace(good, old, new, 1)
	}
	for _, row := range []struct{ what, file, want string }{
		{"nothing", "", "truncated: the file ends, after 0 bytes"},
		{"a text", "hello world", "not an OpenEXR file"},
		{"version 1", with("v/1\x01\x02", "v/1\x01\x01"), "OpenEXR of version 1: files of version 2 can be read"},
		{"flags", with("v/1\x01\x02\x00\x00", "v/1\x01\x02\x00\x08"), "flags 0x80000 that this reader does not know"},
		{"deep", with("v/1\x01\x02\x00", "v/1\x01\x02\x08"), "a deep picture, with many values a pixel"},
		{"a later one", with("compression\x00compression\x00\x01\x00\x00\x00\x03", "compression\x00compression\x00\x01\x00\x00\x00\x0a"), "compressed by Compression(10): NONE, RLE, ZIPS, ZIP, PIZ, PXR24, B44, B44A, DWAA and DWAB can be read"},
		{"no compression", with("compression\x00compression", "kompression\x00compression"), "damaged: its header lacks the attribute compression"},
		{"another type", with("compression\x00compression", "compression\x00kompression"), `damaged: the attribute compression is of the type "kompression" with 1 bytes`},
		{"an attribute twice", with("lineOrder\x00lineOrder\x00\x01\x00\x00\x00\x00", "dataWindow\x00lineOrde\x00\x01\x00\x00\x00\x00"), `damaged: two attributes are called "dataWindow"`},
		{"channels in disorder", with("B\x00\x01", "S\x00\x01"), `damaged: channel "G" stands behind "S"`},
		{"a channel's type", with("B\x00\x01", "B\x00\x07"), `damaged: channel "B" is of the type 7`},
		{"a window without end", with("box2i\x00\x10\x00\x00\x00\xfb\xff\xff\xff", "box2i\x00\x10\x00\x00\x00\x00\x00\x00\x80"), "damaged: the data window"},
		{"a window far too large", with("box2i\x00\x10\x00\x00\x00\xfb\xff\xff\xff", "box2i\x00\x10\x00\x00\x00\x00\x00\x00\xf0"), "26843"},
		{"tiles without a size", with("v/1\x01\x02\x00", "v/1\x01\x02\x02"), "damaged: a tiled file must say how large its tiles are"},
		{"a header cut off", good[:100], "truncated: the file ends, after 100 bytes"},
		{"pixels cut off", good[:len(good)-1], "truncated: the file ends, after "},
		{"damaged pixels", good[:len(good)-500] + "damage" + good[len(good)-494:], "damaged: the piece of line 35: "},
	} {
		_, err := exr.Decode(strings.NewReader(row.file), int64(len(row.file)), nil)
		if err == nil || !strings.HasPrefix(err.Error(), row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
		if cut := strings.HasPrefix(row.want, "truncated"); cut != errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%s: %v wraps the end of the file: %v", row.what, err, !cut)
		}
	}
	if _, err := exr.Decode(strings.NewReader(good), int64(len(good)), &exr.DecodeOptions{MaxValues: 9599}); err == nil || err.Error() != "40x40 pixels have 9600 values in the channels that are read, more than the limit of 9599" {
		t.Errorf("beyond the limit: %v", err)
	}
	m, err := exr.Decode(strings.NewReader(good), int64(len(good)), &exr.DecodeOptions{MaxValues: 3200, Channels: []string{"R", "matte.A", "Z"}})
	if err != nil || len(m.Channels) != 2 || m.Channel("R") == nil || m.Channel("matte.A") == nil || m.Channel("B") != nil {
		t.Errorf("two channels alone: %v, %v", m, err)
	}
}

func TestEncodeErrors(t *testing.T) {
	good := func() *exr.Image {
		return &exr.Image{Data: image.Rect(0, 0, 2, 1), Channels: []exr.Channel{{Name: "Y", Type: exr.Float, Float: []float32{1, 2}}}}
	}
	for _, row := range []struct {
		what   string
		change func(*exr.Image, *exr.EncodeOptions)
		want   string
	}{
		{"PIZ", func(_ *exr.Image, o *exr.EncodeOptions) { o.Compression = exr.PIZ }, "the compression PIZ cannot be written"},
		{"a level", func(_ *exr.Image, o *exr.EncodeOptions) { o.Level = 12 }, "a compression level of 12"},
		{"no window", func(m *exr.Image, _ *exr.EncodeOptions) { m.Data = image.Rectangle{} }, "the window (0,0)-(0,0) must have a pixel"},
		{"no channels", func(m *exr.Image, _ *exr.EncodeOptions) { m.Channels = nil }, "an image without channels"},
		{"no name", func(m *exr.Image, _ *exr.EncodeOptions) { m.Channels[0].Name = "" }, `the channel name ""`},
		{"too few values", func(m *exr.Image, _ *exr.EncodeOptions) { m.Channels[0].Float = []float32{1} }, "channel Y has 1 values, and must have 2x1"},
		{"no such type", func(m *exr.Image, _ *exr.EncodeOptions) { m.Channels[0].Type = 3 }, "channel Y is of the type 3"},
		{"two of a name", func(m *exr.Image, _ *exr.EncodeOptions) { m.Channels = append(m.Channels, m.Channels[0]) }, `two channels are called "Y"`},
		{"an attribute that Encode writes", func(m *exr.Image, _ *exr.EncodeOptions) {
			m.Attributes = []exr.Attribute{{"dataWindow", "box2i", make([]byte, 16)}}
		}, `the attribute "dataWindow" is there already`},
	} {
		m, opt := good(), &exr.EncodeOptions{}
		row.change(m, opt)
		if err := exr.Encode(io.Discard, m, opt); err == nil || !strings.HasPrefix(err.Error(), row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
	}
}

func TestTimeCode(t *testing.T) {
	for _, want := range []exr.TimeCode{{}, {Hours: 23, Minutes: 59, Seconds: 59, Frame: 39, Drop: true}, {Hours: 1, Minutes: 2, Seconds: 3, Frame: 4}} {
		m := &exr.Image{Attributes: []exr.Attribute{want.Attribute()}}
		if got, ok := m.TimeCode(); got != want || !ok {
			t.Errorf("%v, %v, want %v", got, ok, want)
		}
	}
	m := &exr.Image{Attributes: []exr.Attribute{{"timeCode", "timecode", []byte{0, 0x7a, 0, 0, 0, 0, 0, 0}}}}
	if got, ok := m.TimeCode(); ok {
		t.Errorf("a minute of 70 and 10 seconds is %v", got)
	}
}

// Whatever bytes a file holds, decoding gives an image or an error, and does not panic.
func FuzzDecode(f *testing.F) {
	for _, compression := range []exr.Compression{exr.None, exr.ZIP} {
		var b bytes.Buffer
		if err := exr.Encode(&b, sample(image.Pt(5, 3)), &exr.EncodeOptions{Compression: compression}); err != nil {
			f.Fatal(err)
		}
		f.Add(b.Bytes())
	}
	paths, err := filepath.Glob("../../testdata/exr/*.exr")
	if err != nil || len(paths) == 0 {
		f.Fatal("no files to begin with: ", err)
	}
	for _, path := range paths {
		file, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(file)
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		m, err := exr.Decode(bytes.NewReader(file), int64(len(file)), &exr.DecodeOptions{MaxValues: 1 << 18})
		if err != nil {
			return
		}
		var b bytes.Buffer
		if err := exr.Encode(&b, m, nil); err != nil {
			t.Fatal(err)
		}
		again, err := exr.Decode(bytes.NewReader(b.Bytes()), int64(b.Len()), nil)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range m.Channels {
			if again.Channels[i].Name != c.Name || len(again.Channels[i].Float) != len(c.Float) || !slices.Equal(again.Channels[i].Uint, c.Uint) {
				t.Fatalf("channel %s is not as it was", c.Name)
			}
		}
	})
}

func Benchmark(b *testing.B) {
	m := &exr.Image{Data: image.Rect(0, 0, 1920, 1080)}
	random := rand.New(rand.NewPCG(1, 1))
	for _, name := range []string{"R", "G", "B", "A"} {
		c := exr.Channel{Name: name, Type: exr.Half, Float: make([]float32, 1920*1080)}
		for i := range c.Float {
			c.Float[i] = float32(i%1920)/1920 + 0.01*random.Float32()
		}
		m.Channels = append(m.Channels, c)
	}
	for _, compression := range []exr.Compression{exr.None, exr.ZIP} {
		var file bytes.Buffer
		b.Run("Encode/"+compression.String(), func(b *testing.B) {
			for b.Loop() {
				file.Reset()
				if err := exr.Encode(&file, m, &exr.EncodeOptions{Compression: compression, Level: 1}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(file.Len()), "bytes")
		})
		b.Run("Decode/"+compression.String(), func(b *testing.B) {
			for b.Loop() {
				if _, err := exr.Decode(bytes.NewReader(file.Bytes()), int64(file.Len()), nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// The files kept in testdata/exr are what OpenEXR's tools made of the sample, so that its
// compressions are tested without them.
func TestDecodeKeptFiles(t *testing.T) {
	for _, name := range []string{"tiled-rle", "mipmap-piz", "lines-piz", "parts"} {
		got := read(t, filepath.Join("..", "..", "testdata", "exr", name+".exr"))
		for i := range got.Channels {
			got.Channels[i].Name = strings.Replace(got.Channels[i].Name, ".left.", ".", 1)
		}
		same(t, name, got, sample(image.Pt(9, 7)))
	}
	if m := read(t, filepath.Join("..", "..", "testdata", "exr", "lines-zips.exr")); m.Compression != exr.ZIPS || m.Channel("G").Float == nil {
		t.Errorf("%v", m.Compression)
	}
}
