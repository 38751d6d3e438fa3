package plate_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/image/tiff"

	"example.com/twinplate/plate"
)

// pngHead returns a PNG file of nothing but the header chunk, with a correct checksum, and an end.
func pngHead(w, h uint32, depth, colorType byte) string {
	var b bytes.Buffer
	b.WriteString("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		binary.Write(&b, binary.BigEndian, uint32(len(data)))
		body := append([]byte(kind), data...)
		b.Write(body)
		binary.Write(&b, binary.BigEndian, crc32.ChecksumIEEE(body))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
	chunk("IHDR", append(head, depth, colorType, 0, 0, 0))
	chunk("IEND", nil)
	return b.String()
}

// noisy returns a small picture as a file.
func noisy(t testing.TB, encode func(io.Writer, image.Image) error) string {
	m := image.NewNRGBA64(image.Rect(0, 0, 40, 30))
	random := rand.New(rand.NewPCG(1, 2))
	for i := range m.Pix {
		m.Pix[i] = uint8(random.Uint32())
	}
	var b bytes.Buffer
	if err := encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func noisyPNG(t testing.TB) string { return noisy(t, png.Encode) }

func noisyJPEG(t testing.TB) string {
	return noisy(t, func(w io.Writer, m image.Image) error { return jpeg.Encode(w, m, nil) })
}

func noisyTIFF(t testing.TB) string {
	return noisy(t, func(w io.Writer, m image.Image) error { return tiff.Encode(w, m, nil) })
}

func TestReadErrors(t *testing.T) {
	pngFile, jpegFile, tiffFile := noisyPNG(t), noisyJPEG(t), noisyTIFF(t)
	const unknown = "not a picture that can be read (PNG, TIFF, JPEG, WebP, YUV4MPEG2, OpenEXR, DPX, PGM or PPM): "
	for _, row := range []struct{ what, name, content, want string }{
		{"a text named .png", "0007.png", "hello world", unknown + `it begins with "hello wo"`},
		{"an empty file", "0007.png", "", unknown + "it is empty"},
		{"three bytes", "0007.png", "\x89PN", unknown + `it begins with "\x89PN"`},
		{"another RIFF file", "a.webp", "RIFF\x10\x00\x00\x00WAVEfmt ", unknown + `it begins with "RIFF\x10\x00\x00\x00"`},
		{"a PNG cut in its pixels", "a.png", pngFile[:len(pngFile)/2], "truncated: the file ends, after "},
		{"a PNG cut in its header", "a.png", pngFile[:20], "truncated: the file ends, after 20 bytes, before its picture does"},
		{"a JPEG cut in its pixels", "a.jpg", jpegFile[:len(jpegFile)/2], "truncated: the file ends, after "},
		{"a TIFF cut before its directory", "a.tif", tiffFile[:len(tiffFile)/2], "truncated: the file ends, after "},
		{"a WebP of nothing but a head", "a.webp", "RIFF\x04\x00\x00\x00WEBP", "webp: "},
		{"a PNG with a flipped bit", "a.png", flip(pngFile, 200), "png: invalid format: "},
		{"far too large", "x.png", pngHead(60000, 60000, 8, 2), "60000x60000 pixels are more than the limit of 134217728; Limits.MaxPixels raises it"},
		{"so large that width times height overflows", "x.png", pngHead(1<<31-1, 1<<31-1, 16, 6), ""},
		{"within the limit, but not within the file", "x.png", pngHead(10000, 10000, 16, 2), "truncated: 10000x10000 pixels take 12112 bytes at the very least, and the file has 45"},
		{"no width", "x.png", pngHead(0, 10, 8, 2), "png: invalid format: "},
	} {
		path := writeFile(t, row.name, row.content)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := plate.ReadImage(path, nil)
		runtime.ReadMemStats(&after)
		var file *plate.FileError
		if !errors.As(err, &file) || file.Path != path || !strings.HasPrefix(err.Error(), path+": "+row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
		if truncated := strings.HasPrefix(row.want, "truncated"); truncated && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%s: %v does not wrap the end of the file", row.what, err)
		}
		if grown := after.TotalAlloc - before.TotalAlloc; grown > 4<<20 {
			t.Errorf("%s: took %d bytes of memory", row.what, grown)
		}
	}
}

func flip(s string, i int) string {
	b := []byte(s)
	b[i] ^= 0x10
	return string(b)
}

func TestReadMissing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "0001.png")
	for _, row := range []struct {
		what string
		read func() error
	}{
		{"ReadImage", func() error { _, err := plate.ReadImage(path, nil); return err }},
		{"ReadRGB", func() error { _, err := plate.ReadRGB(path, plate.SRGB, nil); return err }},
		{"ReadRGBA", func() error { _, err := plate.ReadRGBA(path, plate.SRGB, nil); return err }},
		{"ReadGray", func() error { _, err := plate.ReadGray(path, plate.SRGB, nil, nil); return err }},
		{"Probe", func() error { _, err := plate.Probe(path); return err }},
	} {
		err := row.read()
		if !errors.Is(err, fs.ErrNotExist) || strings.Count(err.Error(), path) != 1 {
			t.Errorf("%s: %v", row.what, err)
		}
	}
	if _, err := plate.ReadImage(filepath.Dir(path), nil); err == nil || !strings.Contains(err.Error(), "not a file of pixels but a folder") {
		t.Errorf("a folder: %v", err)
	}
}

func TestLimits(t *testing.T) {
	path := writeFile(t, "a.png", noisyPNG(t)) // 40x30
	if _, err := plate.ReadRGB(path, plate.SRGB, &plate.ReadLimits{MaxPixels: 1200}); err != nil {
		t.Errorf("at the limit: %v", err)
	}
	if _, err := plate.ReadRGB(path, plate.SRGB, &plate.ReadLimits{MaxPixels: 1199}); err == nil || !strings.Contains(err.Error(), "40x30 pixels are more than the limit of 1199") {
		t.Errorf("beyond the limit: %v", err)
	}
}

func TestProbe(t *testing.T) {
	dir := t.TempDir()
	rgba, gray := plate.NewRGBA(5, 4), plate.NewGray(5, 4)
	rgba.A[3] = 0.5
	for _, row := range []struct {
		name  string
		frame image.Image
		depth int
		want  plate.Info
	}{
		{"gray8.png", gray, 8, plate.Info{W: 5, H: 4, Format: "png", Depth: 8, Curve: "srgb"}},
		{"gray16.png", gray, 16, plate.Info{W: 5, H: 4, Format: "png", Depth: 16, Curve: "srgb"}},
		{"rgb8.png", &rgba.RGB, 8, plate.Info{W: 5, H: 4, Format: "png", Depth: 8, Color: true, Curve: "srgb", Primaries: plate.PrimariesBT709}},
		{"rgb16.png", &rgba.RGB, 16, plate.Info{W: 5, H: 4, Format: "png", Depth: 16, Color: true, Curve: "srgb", Primaries: plate.PrimariesBT709}},
		{"rgba8.png", rgba, 8, plate.Info{W: 5, H: 4, Format: "png", Depth: 8, Color: true, Alpha: true, Curve: "srgb", Primaries: plate.PrimariesBT709}},
		{"rgba16.png", rgba, 16, plate.Info{W: 5, H: 4, Format: "png", Depth: 16, Color: true, Alpha: true, Curve: "srgb", Primaries: plate.PrimariesBT709}},
		{"gray8.tif", gray, 8, plate.Info{W: 5, H: 4, Format: "tiff", Depth: 8, Curve: "srgb"}},
		{"gray16.tiff", gray, 16, plate.Info{W: 5, H: 4, Format: "tiff", Depth: 16, Curve: "srgb"}},
		{"rgb8.tif", &rgba.RGB, 8, plate.Info{W: 5, H: 4, Format: "tiff", Depth: 8, Color: true, Curve: "srgb", Primaries: plate.PrimariesBT709}},
		{"rgb16.tif", &rgba.RGB, 16, plate.Info{W: 5, H: 4, Format: "tiff", Depth: 16, Color: true, Curve: "srgb", Primaries: plate.PrimariesBT709}},
		{"rgba8.tif", rgba, 8, plate.Info{W: 5, H: 4, Format: "tiff", Depth: 8, Color: true, Alpha: true, Curve: "srgb", Primaries: plate.PrimariesBT709}},
		{"rgba16.TIF", rgba, 16, plate.Info{W: 5, H: 4, Format: "tiff", Depth: 16, Color: true, Alpha: true, Curve: "srgb", Primaries: plate.PrimariesBT709}},
	} {
		path := filepath.Join(dir, row.name)
		if err := plate.Write(path, row.frame, &plate.WriteOptions{Curve: plate.SRGB, Depth: row.depth}); err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		got, err := plate.Probe(path)
		if got.Primaries.Near(row.want.Primaries) { // which a TIFF file's profile rounds
			got.Primaries = row.want.Primaries
		}
		if err != nil || got != row.want {
			t.Errorf("%s: %+v, %v, want %+v", row.name, got, err, row.want)
		}
	}
	for _, row := range []struct {
		name, content string
		want          plate.Info
	}{
		{"a JPEG named .png", noisyJPEG(t), plate.Info{W: 40, H: 30, Format: "jpeg", Depth: 8, Color: true}},
		{"only a head, which may be larger than what can be read", pngHead(60000, 60000, 16, 4), plate.Info{W: 60000, H: 60000, Format: "png", Depth: 16, Alpha: true}},
	} {
		if got, err := plate.Probe(writeFile(t, "a.png", row.content)); err != nil || got != row.want {
			t.Errorf("%s: %+v, %v, want %+v", row.name, got, err, row.want)
		}
	}
}

// All codes of 16 bits, and many of color and alpha, are in the file that they were written to.
func TestWriteRead(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 9))
	gray := image.NewGray16(image.Rect(0, 0, 256, 256))
	straight := image.NewNRGBA64(gray.Bounds())
	for i := range 1 << 16 {
		gray.SetGray16(i%256, i/256, color.Gray16{Y: uint16(i)})
		straight.SetNRGBA64(i%256, i/256, color.NRGBA64{R: uint16(i), G: uint16(random.Uint32()), B: uint16(random.Uint32()), A: 1 + uint16(random.IntN(0xffff))})
	}
	dir := t.TempDir()
	for _, c := range []plate.Curve{plate.SRGB, plate.Linear, plate.PQ} {
		g, rgba := plate.GrayFromImage(gray, c, nil), plate.FromImage(straight, c)
		rgb := plate.NewRGB(256, 256)
		copy(rgb.Pix[0], g.Pix)
		copy(rgb.Pix[2], g.Pix)
		opaque := &plate.RGBA{RGB: *rgb, A: make([]float32, 1<<16)}
		for i := range opaque.A {
			opaque.A[i] = 1
		}
		for _, extension := range []string{".png", ".tif"} {
			for _, compression := range []plate.Effort{plate.FastCompression, plate.NoCompression, plate.SmallCompression} {
				if compression != plate.FastCompression && c != plate.SRGB {
					continue
				}
				for name, f := range map[string]image.Image{"gray": g, "rgb": rgb, "rgba": rgba, "opaque": opaque} {
					path := filepath.Join(dir, name+extension)
					if err := plate.Write(path, f, &plate.WriteOptions{Curve: c, Compression: compression}); err != nil {
						t.Fatal(err)
					}
					m, err := plate.ReadImage(path, nil)
					if err != nil {
						t.Fatal(err)
					}
					if want := plate.Encode(f, c, 16); !equalPixels(m, want) {
						x, y, _ := firstDifference(m, want)
						t.Errorf("%s, %s, compression %d: a %T, %v at (%d, %d), was a %T, %v", path, c.Name(), compression, m, m.At(x, y), x, y, want, want.At(x, y))
					}
				}
			}
		}
	}
}

func TestWriteAsItIs(t *testing.T) {
	m := image.NewPaletted(image.Rect(2, 3, 6, 7), color.Palette{color.White, color.Black, color.NRGBA{R: 255, A: 255}})
	m.SetColorIndex(3, 4, 2)
	for _, name := range []string{"a.png", "a.tif"} {
		path := filepath.Join(t.TempDir(), name)
		if err := plate.Write(path, m, nil); err != nil {
			t.Fatal(err)
		}
		f, err := plate.ReadRGB(path, plate.SRGB, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := [3]float32{f.Pix[0][5], f.Pix[1][5], f.Pix[2][5]}; got != [3]float32{1, 0, 0} {
			t.Errorf("%s: the red pixel is %v", name, got)
		}
	}
}

func TestWriteErrors(t *testing.T) {
	good, empty, bad, badAlpha := plate.NewRGB(4, 3), plate.NewRGB(0, 3), plate.NewRGB(4, 3), plate.NewRGBA(4, 3)
	bad.Pix[1][6] = float32(math.NaN())
	badAlpha.A[5] = float32(math.Inf(1))
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "file"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "taken.png"), 0o777); err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		what, name string
		frame      image.Image
		opt        *plate.WriteOptions
		want       string
		is         error
	}{
		{"unknown extension", "a.bmp", good, nil, `files of extension ".bmp" cannot be written: .png, .tif (or .tiff) and .exr can`, nil},
		{"no extension", "a", good, nil, "a name without extension does not tell what to write", nil},
		{"depth", "a.png", good, &plate.WriteOptions{Depth: 12}, "a depth of 12 bits cannot be written: 8 and 16 can", nil},
		{"compression", "a.png", good, &plate.WriteOptions{Compression: 7}, "compression 7: it must be", nil},
		{"NaN", "a.png", bad, nil, "green at pixel (2, 1) is NaN, and must be a finite number", nil},
		{"infinite alpha", "a.tif", badAlpha, nil, "alpha at pixel (1, 1) is +Inf, and must be a finite number", nil},
		{"no pixels", "a.png", empty, nil, "a picture of 0x3 pixels cannot be written", nil},
		{"no folder", "nowhere/a.png", good, nil, "", fs.ErrNotExist},
		{"a file for a folder", "file/a.png", good, nil, "", syscall.ENOTDIR},
		{"a folder for a file", "taken.png", good, nil, "", nil},
		{"too wide for TIFF", "a.tif", image.NewGray(image.Rect(0, 0, 1<<16, 1)), nil, "65536x1 pixels are too many for a TIFF file", nil},
	} {
		path := filepath.Join(dir, row.name)
		err := plate.Write(path, row.frame, row.opt)
		var file *plate.FileError
		if !errors.As(err, &file) || file.Path != path || !strings.HasPrefix(err.Error(), path+": "+row.want) || strings.Contains(err.Error(), ".tmp") {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
		if row.is != nil && !errors.Is(err, row.is) {
			t.Errorf("%s: %v does not wrap %v", row.what, err, row.is)
		}
	}
	onlyFiles(t, dir, "file", "taken.png")
}

// onlyFiles fails the test where the folder holds anything but the files named.
func onlyFiles(t *testing.T, dir string, want ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("the folder holds %v, want %v", got, want)
	}
}

func TestWriteInAFolderThatIsClosed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "closed")
	if err := os.Mkdir(dir, 0o555); err != nil {
		t.Fatal(err)
	}
	if f, err := os.Create(filepath.Join(dir, "probe")); err == nil {
		f.Close()
		dir = "/sys" // this user may write to any folder of a disk; Linux has no way to make a file here
	}
	path := filepath.Join(dir, "a.png")
	if err := plate.Write(path, plate.NewGray(1, 1), nil); !errors.Is(err, fs.ErrPermission) || strings.Contains(err.Error(), ".tmp") {
		t.Errorf("%v, want %s: permission denied", err, path)
	}
}

func TestWriteAtomic(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.json")
	put := func(s string, err error) func(io.Writer) error {
		return func(w io.Writer) error {
			io.WriteString(w, s)
			return err
		}
	}
	expect := func(want string) {
		t.Helper()
		if got, err := os.ReadFile(path); err != nil || string(got) != want {
			t.Errorf("the file holds %q, %v, want %q", got, err, want)
		}
		onlyFiles(t, dir, "a.json")
	}
	if err := plate.WriteAtomic(path, put("first", nil)); err != nil {
		t.Fatal(err)
	}
	expect("first")
	if err := plate.WriteAtomic(path, put("second", nil)); err != nil {
		t.Fatal(err)
	}
	expect("second")
	failed := errors.New("no more")
	if err := plate.WriteAtomic(path, put("third", failed)); !errors.Is(err, failed) || err.Error() != path+": no more" {
		t.Errorf("%v, want no more", err)
	}
	expect("second")
	func() {
		defer func() { recover() }()
		plate.WriteAtomic(path, func(io.Writer) error { panic("stop") })
	}()
	expect("second")

	// The permissions are those of a file made plainly.
	plain := filepath.Join(dir, "plain")
	f, err := os.Create(plain)
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	a, _ := os.Stat(path)
	b, _ := os.Stat(plain)
	if a.Mode() != b.Mode() {
		t.Errorf("permissions are %v, want %v", a.Mode(), b.Mode())
	}
	if err := plate.WriteAtomic(dir+string(filepath.Separator), put("", nil)); err == nil || !strings.Contains(err.Error(), "there must be a file's name") {
		t.Errorf("a folder's path: %v", err)
	}
}

// Whatever bytes a file holds, reading it gives a picture or an error that names it, and does not
// panic.
func FuzzReadImage(f *testing.F) {
	for _, s := range []string{"", "hello", noisyPNG(f)[:200], noisyJPEG(f), noisyTIFF(f)[len(noisyTIFF(f))-400:], pngHead(4, 4, 8, 2),
		"RIFF\x1a\x00\x00\x00WEBPVP8L\x0d\x00\x00\x00\x2f\x00\x00\x00\x10\x07\x10\x11\x11\x88\x88\xfe\x07\x00",
		"II*\x00\x08\x00\x00\x00\x01\x00\x00\x01\x03\x00\x01\x00\x00\x00\xff\xff\x00\x00"} {
		f.Add([]byte(s))
	}
	var small bytes.Buffer
	if err := tiff.Encode(&small, image.NewGray(image.Rect(0, 0, 3, 2)), &tiff.Options{Compression: tiff.Deflate}); err != nil {
		f.Fatal(err)
	}
	f.Add(small.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		path := writeFile(t, "fuzz", string(data))
		m, err := plate.ReadImage(path, &plate.ReadLimits{MaxPixels: 1 << 16})
		if err != nil {
			if !strings.HasPrefix(err.Error(), path+": ") {
				t.Fatalf("the error does not name the file: %v", err)
			}
			return
		}
		if f := plate.FromImage(m, plate.SRGB); f.CheckFinite() != nil || f.Size() != m.Bounds().Size() {
			t.Fatalf("%v, %v of %v", f.CheckFinite(), f.Size(), m.Bounds().Size())
		}
	})
}

func BenchmarkWrite(b *testing.B) {
	f := plate.NewRGB(1920, 1080)
	random := rand.New(rand.NewPCG(1, 1))
	for c := range f.Pix {
		for i := range f.Pix[c] {
			f.Pix[c][i] = float32(i%1920)/1920 + 0.01*random.Float32()
		}
	}
	for _, name := range []string{"a.png", "a.tif", "a.exr"} {
		b.Run(name, func(b *testing.B) {
			path := filepath.Join(b.TempDir(), name)
			for b.Loop() {
				if err := plate.Write(path, f, nil); err != nil {
					b.Fatal(err)
				}
			}
			stat, err := os.Stat(path)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(stat.Size()), "bytes")
		})
	}
}

func BenchmarkRead(b *testing.B) {
	f := plate.NewRGB(1920, 1080)
	random := rand.New(rand.NewPCG(1, 1))
	for c := range f.Pix {
		for i := range f.Pix[c] {
			f.Pix[c][i] = float32(i%1920)/1920 + 0.01*random.Float32()
		}
	}
	for _, name := range []string{"a.png", "a.tif", "a.exr"} {
		b.Run(name, func(b *testing.B) {
			path := filepath.Join(b.TempDir(), name)
			if err := plate.Write(path, f, nil); err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				if _, err := plate.ReadRGB(path, plate.Linear, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
