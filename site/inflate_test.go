//go:build !js

package site_test

import (
	"bytes"
	"compress/zlib"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"os"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// pngOf is a gray PNG file of 8 bits that says it has this size, with these bytes in its IDAT
// chunk.
func pngOf(w, h uint32, data []byte) []byte {
	file := []byte("\x89PNG\r\n\x1a\n")
	chunk := func(name string, data []byte) {
		file = binary.BigEndian.AppendUint32(file, uint32(len(data)))
		from := len(file)
		file = append(append(file, name...), data...)
		file = binary.BigEndian.AppendUint32(file, crc32.ChecksumIEEE(file[from:]))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
	chunk("IHDR", append(head, 8, 0, 0, 0, 0))
	chunk("IDAT", data)
	chunk("IEND", nil)
	return file
}

func deflated(t testing.TB, n int) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zlib.NewWriter(&b)
	if _, err := z.Write(make([]byte, n)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// What a PNG file unpacks to is bounded by the size in its head, and that by the file: whatever
// else is refused, in words.
func TestInflateIsBounded(t *testing.T) {
	tier.InTestAll(t)
	const w, h = 640, 480
	size := h * (1 + w)
	right := pngOf(w, h, deflated(t, size))
	spoilt := bytes.Clone(right)
	spoilt[len(spoilt)-13]++ // the checksum of IDAT
	p := open(t, 1024, 768)
	for _, row := range []struct {
		name  string
		file  []byte
		wrong string
		most  int // bytes that come of it
	}{
		{"in order", right, "", size},
		{"64 MB in a small picture", pngOf(w, h, deflated(t, 64<<20)), "more lines than the picture has", size},
		{"one byte more", pngOf(w, h, deflated(t, size+1)), "more lines than the picture has", size},
		{"one byte less", pngOf(w, h, deflated(t, size-1)), "fewer lines than the picture has", size},
		{"a head that tells of a gigantic picture", pngOf(1<<16, 1<<14, deflated(t, size)), "too large", 0},
		{"a head that tells of more than the file can hold", pngOf(1<<13, 1<<13, deflated(t, size)), "too large", 0},
		{"a wrong checksum", spoilt, "a checksum is wrong", size},
		{"what is no deflate", pngOf(w, h, bytes.Repeat([]byte("no"), 500)), "compressed data", 0},
		{"cut", right[:len(right)-20], "not a PNG file", 0},
		{"text", []byte("a text under this name"), "not a PNG file", 0},
	} {
		got := eval[struct {
			Wrong string
			Bytes int
		}](p, fmt.Sprintf(`new Promise((resolve) => {
			const worker = new Worker("js/inflate.js", { type: "module" });
			let bytes = 0;
			worker.onmessage = ({ data }) => {
				if (data.piece) bytes += data.piece.length;
				if (data.done || data.wrong) {
					worker.terminate();
					resolve({ wrong: data.wrong ?? "", bytes });
				}
			};
			worker.postMessage({ id: 1, file: new Blob([Uint8Array.from(atob(%q), (c) => c.charCodeAt(0))]), pixels: %d });
		})`, base64.StdEncoding.EncodeToString(row.file), plate.MaxPixels))
		if row.wrong == "" && got.Wrong != "" || row.wrong != "" && !strings.Contains(strings.ToLower(got.Wrong), strings.ToLower(row.wrong)) {
			t.Errorf("%s: %q, not %q", row.name, got.Wrong, row.wrong)
		}
		if got.Bytes > row.most+4 || row.wrong == "" && got.Bytes != row.most+4 {
			t.Errorf("%s: %d bytes came of it, at most %d and 4 of the sum may", row.name, got.Bytes, row.most)
		}
	}
	p.quiet()
}

// A take of PNG files is composited as the library does it, and of frames whose band plate unpacks
// to more than its picture, or whose color plate, of which rows are composited before its end is
// read, was cut short, the page says what the library says.
func TestScrubPNG(t *testing.T) {
	tier.InTestAll(t)
	s := newShot(t, 1003, 1004, 1005, 1006).noisy(t, 16)
	says := map[int]string{}
	bad := func(number int, name string, file []byte) {
		put(t, s.path(name), file)
		_, err := plate.ReadRGB(s.path(name), plate.SRGB, nil)
		if err == nil {
			t.Fatalf("the library reads %s", name)
		}
		says[number] = err.Error()[strings.Index(err.Error(), name):]
	}
	bad(1004, "band/1004.png", pngOf(960, 540, deflated(t, 64<<20)))
	whole, err := os.ReadFile(s.path("color/1006.png"))
	if err != nil {
		t.Fatal(err)
	}
	bad(1006, "color/1006.png", whole[:len(whole)*2/3])
	p, scrubber := s.dropped(t)
	for _, place := range []int{2, 0} {
		if got := p.move(1, place); len(got) == 0 || got[len(got)-1].Number != s.frames[place] {
			t.Fatalf("frame %d was not shown", s.frames[place])
		}
		p.holdTo(scrubber, s.frames[place])
	}
	for number, says := range says {
		p.move(slices.Index(s.frames, number))
		if got := eval[string](p, fmt.Sprintf(`playground.store.value.failed.get(%d) ?? ""`, number)); !strings.Contains(got, says) {
			t.Errorf("the page says %q of frame %d, and the library %q", got, number, says)
		}
	}
	p.quiet()
}
