package plate

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"hash/adler32"
	"image"
	"image/png"
	"math/rand/v2"
	"reflect"
	"runtime"
	"testing"

	"example.com/twinplate/internal/pngfile"
)

// chunkedPNG returns a gray picture's file, whose lines are in so many chunks, each ended by a
// flush. Those from number alone on can be inflated only after the ones before them.
func chunkedPNG(t *testing.T, m *image.Gray, chunks, alone int) []byte {
	t.Helper()
	size := m.Bounds().Size()
	var lines []byte
	for y := range size.Y {
		lines = append(append(lines, 0), m.Pix[y*m.Stride:][:size.X]...)
	}
	var file, packed bytes.Buffer
	file.WriteString(pngfile.Signature)
	head := binary.BigEndian.AppendUint32(nil, uint32(size.X))
	head = append(binary.BigEndian.AppendUint32(head, uint32(size.Y)), 8, pngfile.Gray, 0, 0, 0)
	pngfile.WriteChunk(&file, "IHDR", head)
	w, err := flate.NewWriter(&packed, flate.DefaultCompression)
	if err != nil {
		t.Fatal(err)
	}
	packed.Write([]byte{0x78, 0x01})
	for k := range chunks {
		w.Write(lines[k*len(lines)/chunks : (k+1)*len(lines)/chunks])
		w.Flush()
		if k+1 == chunks {
			w.Close()
			packed.Write(binary.BigEndian.AppendUint32(nil, adler32.Checksum(lines)))
		}
		pngfile.WriteChunk(&file, "IDAT", packed.Bytes())
		packed.Reset()
		if k+1 < alone {
			w.Reset(&packed)
		}
	}
	pngfile.WriteChunk(&file, "IEND")
	return file.Bytes()
}

// Chunks that are inflated at the same time, and those that cannot be, make the picture that
// package png reads.
func TestInflateInParts(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(3))
	noise := rand.New(rand.NewPCG(7, 8))
	m := image.NewGray(image.Rect(0, 0, 300, 200))
	for i := range m.Pix {
		m.Pix[i] = byte(noise.Uint32N(5)) // so that what repeats reaches into the chunk before
	}
	const chunks = 11 // which end within lines
	good := chunkedPNG(t, m, chunks, chunks)
	second := bytes.Index(good, flushed) + 30
	for _, c := range []struct {
		name  string
		file  []byte
		quick bool
	}{
		{"each by itself", good, true},
		{"one after the other", chunkedPNG(t, m, chunks, 0), true},
		{"one after the other from the sixth on", chunkedPNG(t, m, chunks, 5), !severally},
		{"one", chunkedPNG(t, m, 1, 1), true},
		{"a damaged chunk", flipped(good, second), false},
		{"cut off", good[:len(good)/2], false},
	} {
		if quick := quickPNG(bytes.NewReader(c.file), 300, 200) != nil; quick != c.quick {
			t.Errorf("%s: read quickly: %v", c.name, quick)
		}
		want, wrong := png.Decode(bytes.NewReader(c.file))
		got, _, err := Decode(c.file, nil)
		if (err != nil) != (wrong != nil) || wrong == nil && !reflect.DeepEqual(got, want) {
			t.Errorf("%s: error %v, and package png's is %v; or another picture", c.name, err, wrong)
		}
	}
}

// What inflates to more than a part may is read all the same.
func TestInflateLongPart(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(2))
	m := image.NewGray(image.Rect(0, 0, 4000, 1000))
	file := chunkedPNG(t, m, 2, 2)
	if got := quickPNG(bytes.NewReader(file), 4000, 1000); !reflect.DeepEqual(got, image.Image(m)) {
		t.Error("not the picture")
	}
}
