package plate

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"golang.org/x/image/tiff"

	"example.com/twinplate/internal/pngfile"
)

// rowsIn reads a file row by row.
func rowsIn(path string, c Curve, lim *ReadLimits) (*RGB, error) {
	p, err := Disk{lim}.Open(path)
	if err != nil {
		return nil, err
	}
	defer p.Close()
	r, err := p.Rows(c)
	if err != nil {
		return nil, err
	}
	f := NewRGB(p.Size().X, p.Size().Y)
	for y := range f.H {
		if err := r.Next(f.Row(y)); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// Row by row a file of any kind is what it is as a whole.
func TestRows(t *testing.T) {
	const w, h = 61, 33
	dir := t.TempDir()
	kinds := quickKinds(w, h)
	files := map[string][]byte{}
	for name, m := range kinds {
		files["PNG, "+name] = encodedPNG(t, m, png.DefaultCompression)
		var file bytes.Buffer
		if err := tiff.Encode(&file, m, nil); err != nil {
			t.Fatal(err)
		}
		files["TIFF, "+name] = file.Bytes()
	}
	var file bytes.Buffer
	if err := jpeg.Encode(&file, kinds["color, 8 bits"], nil); err != nil {
		t.Fatal(err)
	}
	files["JPEG"] = file.Bytes()
	video := []byte("YUV4MPEG2 W61 H33 F24:1 Ip A1:1 C420mpeg2\nFRAME\n")
	for i := range w*h + 2*((w+1)/2)*((h+1)/2) {
		video = append(video, byte(40+i*i%170))
	}
	files["YUV4MPEG2"] = video
	files["PPM"] = append(fmt.Appendf(nil, "P6 %d %d 255\n", w, h), kinds["color, 8 bits"].(*image.RGBA).Pix[:3*w*h]...)
	light := filepath.Join(dir, "a.exr")
	if err := Write(light, rgbFromImage(nil, kinds["color, 16 bits"], SRGB), nil); err != nil {
		t.Fatal(err)
	}
	var err error
	if files["OpenEXR"], err = os.ReadFile(light); err != nil {
		t.Fatal(err)
	}
	for name, file := range files {
		path := filepath.Join(dir, "it")
		if err := os.WriteFile(path, file, 0o666); err != nil {
			t.Fatal(err)
		}
		want, err := ReadRGB(path, SRGB, nil)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		got, err := rowsIn(path, SRGB, nil)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for c := range 3 {
			if !slices.Equal(got.Pix[c], want.Pix[c]) {
				t.Errorf("%s: row by row, channel %d is not what ReadRGB reads", name, c)
			}
		}
	}
}

// Row by row a damaged file has the error that it has as a whole, at its last row at the latest.
func TestRowsErrors(t *testing.T) {
	good := encodedPNG(t, quickKinds(61, 33)["color, 16 bits"], png.NoCompression)
	path := filepath.Join(t.TempDir(), "0007.png")
	for name, file := range map[string][]byte{
		"a text":                   []byte("hello world"),
		"cut in its pixels":        good[:len(good)-500],
		"a flipped bit":            flipped(good, 9000),
		"a flipped bit of a sum":   flipped(good, len(good)-14),
		"no end":                   good[:len(good)-12],
		"a head without a picture": good[:33],
	} {
		if err := os.WriteFile(path, file, 0o666); err != nil {
			t.Fatal(err)
		}
		_, want := ReadRGB(path, SRGB, nil)
		_, err := rowsIn(path, SRGB, nil)
		var of *FileError
		if want == nil || err == nil || err.Error() != want.Error() || !errors.As(err, &of) {
			t.Errorf("%s: %v, and as a whole: %v", name, err, want)
		}
	}
	if _, err := (Disk{}).Open(filepath.Join(t.TempDir(), "none.png")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file that is not there: %v", err)
	}
	if err := os.WriteFile(path, good, 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := rowsIn(path, SRGB, &ReadLimits{MaxPixels: 61*33 - 1}); err == nil || !strings.Contains(err.Error(), "61x33 pixels are more than the limit of 2012") {
		t.Errorf("more pixels than the limit: %v", err)
	}
	p, err := Disk{}.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := p.Rows(SRGB)
	if err != nil {
		t.Fatal(err)
	}
	row := NewRGB(61, 1).Row(0)
	for range 33 {
		if err := r.Next(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.Next(row); err == nil || !strings.HasSuffix(err.Error(), "it has no row 33, but rows 0 to 32") {
		t.Errorf("a row too many: %v", err)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	if err := p.Close(); err == nil {
		t.Error("a picture was closed twice")
	}
}

// A file that package png reads and our own reader does not is read all the same, from the row on where that gave up.
func TestRowsGivesUp(t *testing.T) {
	m := quickKinds(61, 33)["color, 8 bits"]
	path := filepath.Join(t.TempDir(), "a.png")
	if err := os.WriteFile(path, encodedPNG(t, m, png.DefaultCompression), 0o666); err != nil {
		t.Fatal(err)
	}
	p, err := Disk{}.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	r, err := p.Rows(SRGB)
	if err != nil {
		t.Fatal(err)
	}
	want := rgbFromImage(nil, m, SRGB)
	row := NewRGB(61, 1).Row(0)
	for y := range 33 {
		if y == 20 {
			r.lines.next = func() ([]byte, error) { return nil, io.ErrUnexpectedEOF }
		}
		if err := r.Next(row); err != nil {
			t.Fatal(err)
		}
		for c := range 3 {
			if !slices.Equal(row[c], want.Row(y)[c]) {
				t.Fatalf("row %d, channel %d: not the picture's", y, c)
			}
		}
	}
	if r.lines != nil {
		t.Error("it did not give up")
	}
}

// What somebody else has decoded is read as the file that it was, to the bit, whichever way it is read.
func TestDecoded(t *testing.T) {
	const w, h = 61, 33
	for name, m := range quickKinds(w, h) {
		file, err := NewPicture(name, bytes.NewReader(encodedPNG(t, m, png.DefaultCompression)), 1<<20, nil)
		if err != nil {
			t.Fatal(err)
		}
		if file.info.Alpha {
			continue
		}
		all := pngLines(file.file, w, h, false)
		var line int
		var pix [][]byte
		keep := func(_ int, line []byte) { pix = append(pix, bytes.Clone(line)) }
		if err := all.each(func() func(int, []byte) { return keep }); err != nil {
			t.Fatal(err)
		}
		next := func() ([]byte, error) { line++; return pix[line-1], nil }
		padded := func() ([]byte, error) {
			tight, _ := next()
			var out []byte
			for ; len(tight) > 0; tight = tight[all.size:] {
				out = append(append(out, tight[:all.size]...), make([]byte, 4-all.size)...)
			}
			return out, nil
		}
		ways := map[string]func() *Picture{
			"lines":   func() *Picture { return DecodedLines(name, file.info, false, next) },
			"picture": func() *Picture { return DecodedPicture(name, file.info, func() (image.Image, error) { return m, nil }) },
		}
		if all.depth == 8 {
			ways["padded lines"] = func() *Picture { return DecodedLines(name, file.info, true, padded) }
		}
		want, gray := rgbFromImage(nil, m, SRGB), GrayFromImage(m, SRGB, &[3]float32{0.5, 0.3, 0.2})
		for way, open := range ways {
			open := func() *Picture { line = 0; return open() }
			got, err := open().RGB(nil, SRGB)
			if err != nil || !slices.Equal(got.Pix[1], want.Pix[1]) || !slices.Equal(got.Pix[2], want.Pix[2]) {
				t.Errorf("%s, as %s: not the file's (%v)", name, way, err)
			}
			single, err := open().Gray(nil, SRGB, &[3]float32{0.5, 0.3, 0.2})
			if err != nil || !slices.Equal(single.Pix, gray.Pix) {
				t.Errorf("%s, as %s in gray: not the file's (%v)", name, way, err)
			}
			if codes, err := open().Image(); err != nil || !reflect.DeepEqual(codes, m) {
				t.Errorf("%s, as %s: codes are not the file's (%v)", name, way, err)
			}
			rows, err := open().Rows(SRGB)
			if err != nil {
				t.Fatal(err)
			}
			row := NewRGB(w, 1).Row(0)
			for y := range h {
				if err := rows.Next(row); err != nil || !slices.Equal(row[2], want.Row(y)[2]) {
					t.Fatalf("%s, as %s: row %d is not the file's (%v)", name, way, y, err)
				}
			}
		}
	}
	broken := func() *Picture {
		return DecodedLines("a.png", Info{W: 2, H: 2, Depth: 8}, false, func() ([]byte, error) { return nil, pngfile.ErrDamaged })
	}
	_, err := broken().RGB(nil, SRGB)
	_, other := broken().Image()
	if err == nil || other == nil || err.Error() != "a.png: damaged: its lines are not in order" || other.Error() != err.Error() {
		t.Errorf("%v, %v", err, other)
	}
	if _, err := (DecodedLines("a.png", Info{W: 1 << 20, H: 1 << 20, Depth: 8}, false, nil)).RGB(nil, SRGB); err == nil || !strings.Contains(err.Error(), "more than the limit") {
		t.Errorf("too large: %v", err)
	}
}
