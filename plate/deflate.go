package plate

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"io"
)

// A deflater compresses bands of lines, one after the other, and keeps its memory between them.
type deflater struct {
	out   bytes.Buffer
	quick deflateWriter // Huffman codes alone
	runs  deflateWriter // and what repeats
}

type deflateWriter interface {
	io.WriteCloser
	Flush() error
	Reset(io.Writer)
}

// deflate compresses b. Noise has nothing in it that repeats, and looking for that takes most of
// the time and makes it larger: so it is looked for only where a good part of b is runs of 0, as of
// a picture with flat areas after the filter. All but the last band end at a whole byte. What it
// returns is overwritten by the next.
func (d *deflater) deflate(b []byte, last bool) []byte {
	w, level := &d.quick, flate.HuffmanOnly
	if 4*runs(b) > len(b) {
		w, level = &d.runs, flate.BestSpeed
	}
	d.out.Reset()
	d.out.Grow(len(b)/2 + 64)
	if *w == nil {
		z, err := newDeflateWriter(level)
		if err != nil {
			panic(err) // the levels are valid
		}
		*w = z
	}
	(*w).Reset(&d.out)
	(*w).Write(b) // to a buffer, which does not fail
	if last {
		(*w).Close()
	} else {
		(*w).Flush()
	}
	return d.out.Bytes()
}

// runs returns how many bytes of b are in runs of 0, about: of 8 bytes at least, or of 15 to be
// sure.
func runs(b []byte) int {
	n := 0
	for ; len(b) >= 8; b = b[8:] {
		if binary.LittleEndian.Uint64(b) == 0 {
			n += 8
		}
	}
	return n
}
