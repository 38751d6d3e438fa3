//go:build cgo && libdeflate && !js

package plate

// #cgo LDFLAGS: -ldeflate
// #include <libdeflate.h>
import "C"

import (
	"bufio"
	"bytes"
	"io"
	"runtime"
	"sync"
	"unsafe"
)

// An inflater undoes the compression of all lines at once, by libdeflate, which takes less than
// half of the time of what can stop anywhere. It needs memory for the lines and for what they are
// packed in: for large pictures that is not worth it.
type inflater struct {
	inSteps
	packed *unpacked // nil where it goes in steps
	lines  []byte
}

// severally says that chunks are inflated at the same time: all lines at once take less time.
const severally = false

// mostAtOnce is how many bytes of lines are inflated at once: those of a 4096x2160 picture of 16
// bits and color are.
var mostAtOnce = 1 << 26

// ReadMemory returns how many bytes it may take to read a picture of so many pixels, beside the
// picture itself.
func ReadMemory(pixels int64) int64 {
	const bytes = 6
	return 2 * min(bytes*pixels, int64(mostAtOnce))
}

func newInflater(r *bufio.Reader, n int) *inflater {
	if n > mostAtOnce {
		return &inflater{inSteps: newInSteps(r)}
	}
	z := &inflater{inSteps: inSteps{from: r}, packed: unpackers.Get().(*unpacked)}
	if z.packed.read(r, n) && z.packed.inflate(n) {
		z.lines = z.packed.lines
	}
	return z
}

// line returns the next len(buf) bytes, in buf or elsewhere.
func (z *inflater) line(buf []byte) ([]byte, error) {
	if z.packed == nil {
		return z.inSteps.line(buf)
	}
	if len(z.lines) < len(buf) {
		return nil, io.ErrUnexpectedEOF
	}
	line := z.lines[:len(buf)]
	z.lines = z.lines[len(buf):]
	return line, nil
}

// rest returns what is behind the compressed data, and reports whether that was at its end. Lines
// that were returned may then be overwritten.
func (z *inflater) rest() (*bufio.Reader, bool) {
	if z.packed == nil {
		return z.inSteps.rest()
	}
	behind := bytes.NewReader(bytes.Clone(z.packed.behind))
	unpackers.Put(z.packed)
	return bufio.NewReaderSize(behind, 16), len(z.lines) == 0
}

// An unpacked has libdeflate's state and its memory, for one file after the other.
type unpacked struct {
	c             *C.struct_libdeflate_decompressor
	packed, lines []byte
	behind        []byte // of packed, behind the compressed data
}

var unpackers = sync.Pool{New: func() any {
	u := &unpacked{c: C.libdeflate_alloc_decompressor()}
	runtime.AddCleanup(u, func(c *C.struct_libdeflate_decompressor) { C.libdeflate_free_decompressor(c) }, u.c)
	return u
}}

// read reads all of r, and reports whether it is no longer than what is packed into n bytes can be.
func (u *unpacked) read(r io.Reader, n int) bool {
	u.packed = room(u.packed, n+n/64+1<<12)[:0]
	for len(u.packed) < cap(u.packed) {
		n, err := r.Read(u.packed[len(u.packed):cap(u.packed)])
		u.packed = u.packed[:len(u.packed)+n]
		if err != nil {
			return err == io.EOF && len(u.packed) > 0
		}
	}
	return false
}

// inflate makes lines of what is packed, n bytes at the most, and reports whether it is in order.
func (u *unpacked) inflate(n int) bool {
	u.lines = room(u.lines, n)
	var read, written C.size_t
	if C.libdeflate_deflate_decompress_ex(u.c, unsafe.Pointer(&u.packed[0]), C.size_t(len(u.packed)),
		unsafe.Pointer(unsafe.SliceData(u.lines)), C.size_t(n), &read, &written) != C.LIBDEFLATE_SUCCESS {
		return false
	}
	u.lines, u.behind = u.lines[:written], u.packed[read:min(int(read)+8, len(u.packed))]
	return true
}

// room returns n bytes, whatever they are, in b's memory where that is enough.
func room(b []byte, n int) []byte {
	if cap(b) < n {
		b = huge(make([]byte, n))
	}
	return b[:n]
}
