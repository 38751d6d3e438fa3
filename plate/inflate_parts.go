package plate

import (
	"bufio"
	"bytes"
	"io"
	"runtime"
	"slices"
	"sync"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/pngfile"
)

// inParts undoes the compression of a file's IDAT chunks at the same time, where each can be
// inflated without those before it, as in the files that this package writes. A chunk that others
// follow then ends with an empty block. Whether that was all of it, the number of bytes tells, and
// the Adler-32 over all.
type inParts struct {
	chunks *pngfile.Chunks
	parts  []part // as many as are inflated at the same time
	ready  []part // of these, whose lines have not been returned
}

// A part is a chunk. Its memory goes from one to the next.
type part struct {
	inSteps
	packed    []byte
	data      bytes.Reader // of that
	all, left []byte       // the lines, and those that have not been returned
	last      bool         // no chunk follows
	whole     bool
}

const (
	// usualPart is how many bytes of lines a chunk has that this package writes, and mostPart the
	// most that a part may have, packed or not: it bounds the memory.
	usualPart = 1 << 18
	mostPart  = 4 * usualPart
)

// flushed is the end of a chunk that others follow, an empty block at a whole byte, and final an
// empty block that is the last one (RFC 1951, section 3.2.4).
var (
	flushed = []byte{0, 0, 0xff, 0xff}
	final   = []byte{1, 0, 0, 0xff, 0xff}
)

// resettable is what a reader of package flate has.
type resettable interface {
	Reset(r io.Reader, dict []byte) error
}

var unpacking = sync.Pool{New: func() any { return new(inParts) }}

// newInParts inflates the first of the chunks, which are at the beginning of their data. It returns
// nil where they are not such parts, and then a reader of all data in steps; or neither where a
// chunk is damaged.
func newInParts(chunks *pngfile.Chunks) (*inParts, io.Reader) {
	if !severally || runtime.GOMAXPROCS(0) == 1 {
		return nil, chunks
	}
	z := unpacking.Get().(*inParts)
	z.chunks = chunks
	if n := runtime.GOMAXPROCS(0) - len(z.parts); n > 0 {
		z.parts = append(z.parts, make([]part, n)...)
	}
	whole, err := z.fill(len(zlibHead{}))
	switch {
	case err != nil:
		return nil, nil
	case whole && zlibHead(z.ready[0].packed).ok():
		return z, nil
	}
	var all []io.Reader
	for _, p := range z.ready {
		all = append(all, bytes.NewReader(p.packed))
	}
	return nil, io.MultiReader(append(all, chunks)...)
}

// fill inflates the next parts, the first from some byte on, and reports whether all are whole. The
// error is that of a damaged chunk.
func (z *inParts) fill(from int) (whole bool, err error) {
	n := 0
	for whole = true; whole && n < len(z.parts) && z.chunks.Kind == "IDAT" && z.chunks.Left <= mostPart; n++ {
		p := &z.parts[n]
		p.packed = slices.Grow(p.packed[:0], int(z.chunks.Left)+len(final))[:z.chunks.Left]
		if !z.chunks.Part(p.packed) || !z.chunks.End() {
			return false, pngfile.ErrDamaged
		}
		z.chunks.Next()
		p.last = z.chunks.Kind != "IDAT"
		whole = len(p.packed) > from && (p.last || bytes.HasSuffix(p.packed, flushed))
	}
	z.ready = z.parts[:n]
	if !whole || n == 0 {
		return false, nil
	}
	parallel.Each(n, func(i int) {
		if i > 0 {
			z.ready[i].inflate(0)
		} else {
			z.ready[i].inflate(from)
		}
	})
	return !slices.ContainsFunc(z.ready, func(p part) bool { return !p.whole }), nil
}

// inflate makes lines of what is packed from some byte on.
func (p *part) inflate(from int) {
	packed := p.packed[from:]
	if !p.last {
		packed = append(packed, final...)
	}
	p.data.Reset(packed)
	if p.Reader == nil {
		p.inSteps = newInSteps(bufio.NewReaderSize(&p.data, 1<<14))
	} else {
		p.from.Reset(&p.data)
		p.Reader.(resettable).Reset(p.from, nil)
	}
	for p.all = p.all[:0]; ; {
		if len(p.all) == cap(p.all) {
			if cap(p.all) > mostPart {
				p.whole = false
				return
			}
			p.all = slices.Grow(p.all, usualPart+1) // at the end too there is room to read into
		}
		n, err := p.Read(p.all[len(p.all):cap(p.all)])
		p.all = p.all[:len(p.all)+n]
		if err != nil {
			p.left, p.whole = p.all, err == io.EOF && (p.last || p.from.Buffered()+p.data.Len() == 0)
			return
		}
	}
}

// line returns buf with the next bytes.
func (z *inParts) line(buf []byte) ([]byte, error) {
	for rest := buf; len(rest) > 0; {
		if len(z.ready) == 0 {
			if whole, err := z.fill(0); err != nil || !whole {
				return nil, pngfile.ErrDamaged
			}
		}
		p := &z.ready[0]
		n := copy(rest, p.left)
		rest, p.left = rest[n:], p.left[n:]
		if len(p.left) == 0 && !p.last {
			z.ready = z.ready[1:]
		} else if n == 0 {
			return nil, io.ErrUnexpectedEOF
		}
	}
	return buf, nil
}

// rest returns what is behind the compressed data, and reports whether that was at its end.
func (z *inParts) rest() (*bufio.Reader, bool) {
	if len(z.ready) == 0 || !z.ready[0].last || len(z.ready[0].left) > 0 {
		return nil, false
	}
	behind, err := io.ReadAll(z.ready[0].from)
	z.chunks = nil
	unpacking.Put(z)
	return bufio.NewReaderSize(bytes.NewReader(behind), 16), err == nil
}
