package plate_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/jpeg"
	"runtime"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// whole returns a small file of each format.
func whole(t *testing.T) map[string]string {
	t.Helper()
	var jpg bytes.Buffer
	if err := jpeg.Encode(&jpg, image.NewGray(image.Rect(0, 0, 9, 7)), nil); err != nil {
		t.Fatal(err)
	}
	return map[string]string{
		"png": written(t, ".png")[3], "tiff": written(t, ".tif")[3], "exr": written(t, ".exr")[3], "jpeg": jpg.String(),
		"dpx": dpx(3, 2, 50, 1, 10, 1, strings.Repeat("0123456789abcdef", 2)), "pnm": "P6 2 2 255\n" + strings.Repeat("abc", 4),
		"y4m":  y4m(5, 3, "C420mpeg2", func(plane, x, y int) int { return 100 + x }),
		"webp": "RIFF\x1a\x00\x00\x00WEBPVP8L\x0d\x00\x00\x00\x2f\x00\x00\x00\x10\x07\x10\x11\x11\x88\x88\xfe\x07\x00",
	}
}

// decode reads a file, and returns the memory that it took.
func decode(file string) (m image.Image, grown uint64, err error) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	m, _, err = plate.Decode([]byte(file), nil)
	runtime.ReadMemStats(&after)
	return m, after.TotalAlloc - before.TotalAlloc, err
}

// A file of any format that is cut at any byte is an error, or a picture of its size where only the
// end was cut that nobody needs.
func TestCutAnywhere(t *testing.T) {
	for name, file := range whole(t) {
		full, _, err := decode(file)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		needed := 0
		for n := range len(file) {
			m, grown, err := decode(file[:n])
			if err == nil && m.Bounds() != full.Bounds() {
				t.Errorf("%s cut after %d of %d bytes has %v pixels", name, n, len(file), m.Bounds())
			}
			if err == nil && needed == 0 {
				needed = n
			}
			if grown > 8<<20 {
				t.Errorf("%s cut after %d bytes took %d bytes of memory", name, n, grown)
			}
		}
		if needed != 0 && len(file)-needed > 24 {
			t.Errorf("%s: %d of %d bytes are enough", name, needed, len(file))
		}
	}
}

// A head that states more than there is, or can be, takes no memory for it.
func TestGiganticHeads(t *testing.T) {
	files := whole(t)
	put := func(name string, order binary.ByteOrder, at int, values ...uint32) string {
		b := []byte(files[name])
		for i, v := range values {
			order.PutUint32(b[at+4*i:], v)
		}
		return string(b)
	}
	window := strings.Index(files["exr"], "dataWindow\x00box2i\x00") + len("dataWindow\x00box2i\x00") + 4
	display := strings.Index(files["exr"], "displayWindow\x00box2i\x00") + len("displayWindow\x00box2i\x00") + 4
	exr := []byte(put("exr", binary.LittleEndian, window, 0, 0, 1<<30, 1<<30))
	exrDisplay := put("exr", binary.LittleEndian, display, 1<<31, 1<<31, 1<<31-1, 1<<31-1)
	jpg := []byte(files["jpeg"])
	binary.BigEndian.PutUint32(jpg[strings.Index(files["jpeg"], "\xff\xc0")+5:], 0xffffffff)
	webp := []byte(files["webp"])
	copy(webp[21:], "\xff\xff\xff\x0f")
	ifd := binary.BigEndian.AppendUint16([]byte("MM\x00*\x00\x00\x00\x08"), 5)
	for _, e := range [][3]uint32{{0x100, 4, 60000}, {0x101, 4, 60000}, {0x102, 3, 8 << 16}, {0x106, 3, 1 << 16}, {0x111, 4, 8}} { // width, height, bits, kind, strip
		ifd = binary.BigEndian.AppendUint16(ifd, uint16(e[0]))
		ifd = binary.BigEndian.AppendUint16(ifd, uint16(e[1]))
		ifd = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(ifd, 1), e[2])
	}
	for what, file := range map[string]string{
		"PNG": pngHead(1<<31-1, 1<<31-1, 16, 6), "PNG within the limit": pngHead(11585, 11585, 16, 6),
		"TIFF": string(ifd), "TIFF with its directory at its end": "II*\x00\xff\xff\xff\x7f",
		"JPEG": string(jpg), "WebP": string(webp),
		"OpenEXR": string(exr), "OpenEXR's display window": exrDisplay,
		"DPX": put("dpx", binary.BigEndian, 772, 1<<31, 1<<31), "DPX within the limit": put("dpx", binary.BigEndian, 772, 11585, 11585),
		"DPX whose pixels are far off": put("dpx", binary.BigEndian, 808, 1<<31),
		"PPM":                          "P6 99999999999999999999 2 255\n", "PPM within the limit": "P6 11585 11585 65535\n", "PPM of comments": "P6 #" + strings.Repeat("x", 1<<20),
		"Y4M": "YUV4MPEG2 W999999999 H999999999 F25:1\nFRAME\n", "Y4M within the limit": "YUV4MPEG2 W11585 H11585 F25:1 C444p16\nFRAME\n", "Y4M without a line's end": "YUV4MPEG2 W4 H4 " + strings.Repeat("X", 1<<20),
	} {
		m, grown, err := decode(file)
		if err == nil {
			t.Errorf("%s: was read, as %v", what, m.Bounds())
		}
		if grown > 8<<20 {
			t.Errorf("%s: took %d bytes of memory, for: %v", what, grown, err)
		}
	}
}

// A color profile that is small in its file and endless when it is unpacked is read no further than
// any profile is long.
func TestUnpackedProfile(t *testing.T) {
	var profile bytes.Buffer
	profile.WriteString("iCCPx\x00\x00")
	z := zlib.NewWriter(&profile)
	for range 256 {
		if _, err := z.Write(make([]byte, 1<<20)); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	const head = 8 + 25 // the signature and IHDR
	file := whole(t)["png"]
	chunk := binary.BigEndian.AppendUint32(nil, uint32(profile.Len()-4))
	chunk = binary.BigEndian.AppendUint32(append(chunk, profile.Bytes()...), crc32.ChecksumIEEE(profile.Bytes()))
	_, grown, err := decode(file[:head] + string(chunk) + file[head:])
	if err != nil || grown > 128<<20 {
		t.Errorf("%v, %d bytes", err, grown)
	}
}
