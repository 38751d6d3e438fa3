package plate

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// linesOf undoes a PNG file's compression, as the page's worker does.
func linesOf(t *testing.T, file []byte) []byte {
	t.Helper()
	var data []byte
	for at := 8; at < len(file); {
		n := int(binary.BigEndian.Uint32(file[at:]))
		if string(file[at+4:at+8]) == "IDAT" {
			data = append(data, file[at+8:at+8+n]...)
		}
		at += 12 + n
	}
	z, err := zlib.NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	lines, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return append(lines, data[len(data)-4:]...)
}

// A file that the browser has decoded in part is read as the file that it was, to the bit; one that is not in order is
// refused.
func TestInPart(t *testing.T) {
	dir := t.TempDir()
	lay := func(name string, parts ...[]byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, bytes.Join(parts, nil), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	same := func(name, path string, want *RGB, gray *Gray) {
		t.Helper()
		got, err := ReadRGB(path, SRGB, nil)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		single, err := ReadGray(path, SRGB, nil, nil)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for c := range 3 {
			if !slices.Equal(got.Pix[c], want.Pix[c]) {
				t.Errorf("%s: channel %d differs", name, c)
			}
		}
		if !slices.Equal(single.Pix, gray.Pix) {
			t.Errorf("%s: as gray it differs", name)
		}
	}
	const w, h = 61, 40
	random := rand.New(rand.NewPCG(5, 6))
	color, gray := NewRGB(w, h), NewGray(w, h)
	for i := range gray.Pix {
		gray.Pix[i] = random.Float32()
		for c := range 3 {
			color.Pix[c][i] = float32(i) / (w * h) * random.Float32()
		}
	}
	for _, depth := range []int{8, 16} {
		for kind, m := range map[int]image.Image{pngGray: gray, pngColor: color} {
			name := fmt.Sprintf("PNG of kind %d and %d bits", kind, depth)
			path := filepath.Join(dir, "whole.png")
			if err := Write(path, m, &WriteOptions{Curve: SRGB, Depth: depth}); err != nil {
				t.Fatal(err)
			}
			file, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			want, err := ReadRGB(path, SRGB, nil)
			if err != nil {
				t.Fatal(err)
			}
			single, err := ReadGray(path, SRGB, nil, nil)
			if err != nil {
				t.Fatal(err)
			}
			head, lines := fmt.Appendf(nil, "twinplate in part: lines %d %d %d %d\n", w, h, kind, depth), linesOf(t, file)
			same(name, lay("part.png", head, lines), want, single)
			for fault, lines := range map[string][]byte{
				"a filter that there is not": append([]byte{9}, lines[1:]...),
				"another sum":                append(slices.Clone(lines[:len(lines)-1]), lines[len(lines)-1]+1),
				"too short":                  lines[:len(lines)-5],
				"none":                       nil,
			} {
				if _, err := ReadRGB(lay("wrong.png", head, lines), SRGB, nil); err == nil {
					t.Errorf("%s, %s: read", name, fault)
				}
			}
		}
	}

	var file bytes.Buffer
	if err := jpeg.Encode(&file, color, nil); err != nil {
		t.Fatal(err)
	}
	decoded, err := jpeg.Decode(&file)
	if err != nil {
		t.Fatal(err)
	}
	m := decoded.(*image.YCbCr)
	var planes, rgbx, grayx []byte
	for y := range h {
		planes = append(planes, m.Y[y*m.YStride:][:w]...)
	}
	for _, plane := range [][]byte{m.Cb, m.Cr} {
		for y := range (h + 1) / 2 {
			planes = append(planes, plane[y*m.CStride:][:(w+1)/2]...)
		}
	}
	same("JPEG's planes", lay("a.jpg", []byte("twinplate in part: planes 61 40 420\n"), planes), RGBFromImage(m, SRGB), GrayFromImage(m, SRGB, nil))
	opaque, single := image.NewRGBA(m.Rect), image.NewGray(m.Rect)
	for i := range w * h {
		r, g, b := byte(random.IntN(256)), byte(random.IntN(256)), byte(random.IntN(256))
		copy(opaque.Pix[4*i:], []byte{r, g, b, 0xff})
		single.Pix[i] = r
		rgbx = append(rgbx, r, g, b, byte(i)) // what is fourth is left out
		grayx = append(grayx, r, r, r, byte(i))
	}
	same("JPEG as R'G'B'", lay("b.jpg", []byte("twinplate in part: planes 61 40 rgb\n"), rgbx), RGBFromImage(opaque, SRGB), GrayFromImage(opaque, SRGB, nil))
	same("a gray JPEG", lay("c.jpg", []byte("twinplate in part: planes 61 40 gray\n"), grayx), RGBFromImage(single, SRGB), GrayFromImage(single, SRGB, nil))
	for _, wrong := range []string{"planes 61 40 420\nshort", "planes 61 40 sepia\n", "planes -1 40 420\n", "planes 2000000 2000000 420\n", "lines 61 40 2 8", "lines 61 40 6 8\n", "lines 61 40 2 12\n", "lines\n", "jpeg 61 40 420\n"} {
		if _, err := ReadRGB(lay("wrong.jpg", []byte("twinplate in part: "+wrong)), SRGB, nil); err == nil {
			t.Errorf("%q was read", wrong)
		}
	}
}
