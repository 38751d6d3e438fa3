package plate_test

import (
	"encoding/binary"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// dpx returns a big-endian file of w by h pixels with the pixels given.
func dpx(w, h int, descriptor, transfer, depth byte, packing int, pixels string) string {
	b := make([]byte, 2048)
	copy(b, "SDPX")
	binary.BigEndian.PutUint32(b[4:], 2048)
	binary.BigEndian.PutUint32(b[772:], uint32(w))
	binary.BigEndian.PutUint32(b[776:], uint32(h))
	b[800], b[801], b[803], b[805] = descriptor, transfer, depth, byte(packing)
	binary.BigEndian.PutUint32(b[808:], 2048)
	return string(b) + pixels
}

// The bits of a word are laid out as in SMPTE ST 268, figures for filling by method A and method B.
func TestDPXPacking(t *testing.T) {
	const r, g, b = 1023, 512, 1
	word := func(v uint32) string { return string(binary.BigEndian.AppendUint32(nil, v)) }
	for _, row := range []struct {
		what, file string
		want       [3]int // of full
		full       int
	}{
		{"10 bits, method A", dpx(1, 1, 50, 0, 10, 1, word(r<<22|g<<12|b<<2|3)), [3]int{r, g, b}, 1023},
		{"10 bits, method B", dpx(1, 1, 50, 0, 10, 2, word(3<<30|r<<20|g<<10|b)), [3]int{r, g, b}, 1023},
		{"12 bits, method A", dpx(1, 1, 50, 0, 12, 1, "\xff\xff\x80\x0f\x00\x1f"), [3]int{4095, 2048, 1}, 4095},
		{"12 bits, method B", dpx(1, 1, 50, 0, 12, 2, "\xff\xff\x08\x00\xf0\x01"), [3]int{4095, 2048, 1}, 4095},
		{"8 bits", dpx(1, 1, 50, 0, 8, 0, "\xff\x80\x01\x00"), [3]int{255, 128, 1}, 255},
		{"16 bits", dpx(1, 1, 50, 0, 16, 0, "\xff\xff\x80\x00\x00\x01"), [3]int{65535, 32768, 1}, 65535},
		{"lines without gaps", dpx(1, 2, 50, 0, 8, 0, "\xff\x80\x01abc"), [3]int{255, 128, 1}, 255},
	} {
		f, err := plate.ReadRGB(writeFile(t, "a.dpx", row.file), plate.Linear, nil)
		if err != nil {
			t.Errorf("%s: %v", row.what, err)
			continue
		}
		for c, want := range row.want {
			if d := float64(f.Pix[c][0]) - float64(want)/float64(row.full); d > 1e-5 || d < -1e-5 {
				t.Errorf("%s: channel %d is %v, want %v", row.what, c, f.Pix[c][0], float64(want)/float64(row.full))
			}
		}
	}
	f, err := plate.ReadRGBA(writeFile(t, "a.dpx", dpx(1, 1, 52, 0, 8, 0, "\xff\x01\x80\xff")), plate.Linear, nil)
	if err != nil || f.Pix[0][0] != 1 || f.Pix[2][0] > 0.01 || f.A[0] != 1 {
		t.Errorf("alpha, blue, green, red: %v, %v", f, err)
	}
	f, err = plate.ReadRGBA(writeFile(t, "a.dpx", dpx(1, 1, 51, 0, 8, 0, "\xff\x80\x01\x00")), plate.Linear, nil)
	if err != nil || f.A[0] != 0 {
		t.Errorf("red, green, blue, alpha: %v, %v", f, err)
	}
}

func TestDPXTags(t *testing.T) {
	for transfer, want := range map[byte]string{0: "", 1: "density10", 2: "linear", 3: "", 6: "bt709"} {
		info, err := plate.Probe(writeFile(t, "a.dpx", dpx(1, 1, 50, transfer, 8, 0, "abcd")))
		if err != nil || info.Curve != want {
			t.Errorf("%d: %+v, %v, want %q", transfer, info, err, want)
		}
	}
}

func TestDPXErrors(t *testing.T) {
	set := func(at int, v byte) string {
		b := []byte(dpx(1, 1, 50, 0, 8, 0, "abcd"))
		b[at] = v
		return string(b)
	}
	for _, row := range []struct{ what, file, want string }{
		{"a head cut off", set(0, 'S')[:800], "truncated: the file ends, after 800 bytes"},
		{"pixels cut off", dpx(2, 2, 50, 0, 16, 0, "abcd"), "truncated: the file ends, after 2052 bytes"},
		{"no pixels", dpx(0, 1, 50, 0, 8, 0, ""), "damaged: 0x1 pixels"},
		{"too large", dpx(1<<20, 1<<20, 50, 0, 8, 0, ""), "1048576x1048576 pixels are more than the limit"},
		{"upside down", set(769, 2), "the orientation 2: only pictures from left to right"},
		{"with a sign", set(783, 1), "values with a sign (1)"},
		{"Y'CbCr", set(800, 100), "a picture of the kind 100: luma (6), RGB (50)"},
		{"compressed", set(807, 1), "compressed by run lengths (encoding 1)"},
		{"10 bits without gaps", dpx(1, 1, 50, 0, 10, 0, "abcd"), "10 bits of the packing 0: 8 and 16 bits can be read"},
		{"32 bits", dpx(1, 1, 50, 0, 32, 0, "abcd"), "32 bits of the packing 0"},
		{"pixels within the head", set(810, 0)[:808] + "\x00\x00\x00\x10" + set(810, 0)[812:], "damaged: its picture begins at byte 16"},
	} {
		path := writeFile(t, "a.dpx", row.file)
		if _, err := plate.ReadImage(path, nil); err == nil || !strings.HasPrefix(err.Error(), path+": "+row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
	}
}
