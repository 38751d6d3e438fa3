package exr

import (
	"encoding/binary"
	"errors"
	"image"
	"io"
)

// piz unpacks the compression PIZ: the values' 16-bit halves go through a table that closes the
// gaps between those that occur, then through Haar wavelets in whole numbers, and then into Huffman
// codes, as in "Technical Introduction to OpenEXR" and the OpenEXR library (ImfPizCompressor,
// ImfWav, ImfHuf).
type piz struct {
	values  []uint16
	huffman huffman
}

func (p *piz) unpack(plain []byte, m *Image, area image.Rectangle, packed []byte) error {
	if len(packed) < 4 {
		return io.ErrUnexpectedEOF
	}
	// The table: which values occur, as bits.
	first, last := int(binary.LittleEndian.Uint16(packed)), int(binary.LittleEndian.Uint16(packed[2:]))
	packed = packed[4:]
	var occurs [1 << 13]byte
	if first <= last {
		n := last - first + 1
		if last >= len(occurs) || n > len(packed) {
			return io.ErrUnexpectedEOF
		}
		copy(occurs[first:], packed[:n])
		packed = packed[n:]
	}
	var table [1 << 16]uint16
	most := 0
	for i := range table {
		if i == 0 || occurs[i>>3]>>(i&7)&1 != 0 {
			table[most] = uint16(i)
			most++
		}
	}
	most--
	if len(packed) < 4 {
		return io.ErrUnexpectedEOF
	}
	n := binary.LittleEndian.Uint32(packed)
	packed = packed[4:]
	if uint64(n) > uint64(len(packed)) {
		return io.ErrUnexpectedEOF
	}
	values := room(&p.values, len(plain)/2)
	if err := p.huffman.unpack(values, packed[:n]); err != nil {
		return err
	}
	// A plane for each channel, with the one or two halves of its values side by side.
	planes := map[*Channel][]uint16{}
	for i := range m.Channels {
		c := &m.Channels[i]
		size, halves := c.Size(area), c.Type.size()/2
		planes[c], values = values[:size.X*size.Y*halves], values[size.X*size.Y*halves:]
		for k := range halves {
			if size.X > 0 && size.Y > 0 {
				unwave(planes[c][k:], size.X, halves, size.Y, size.X*halves, uint16(most))
			}
		}
	}
	m.eachRow(area, func(c *Channel, _, _, count int) {
		n := count * c.Type.size() / 2
		for k, v := range planes[c][:n] {
			binary.LittleEndian.PutUint16(plain[2*k:], table[v])
		}
		planes[c], plain = planes[c][n:], plain[2*n:]
	})
	return nil
}

// unwave undoes the wavelets of a plane of w by h values, which stand dx and dy apart and are most
// at the most.
func unwave(v []uint16, w, dx, h, dy int, most uint16) {
	undo := unwave16
	if most < 1<<14 {
		undo = unwave14
	}
	p2 := 1
	for p2 <= min(w, h) {
		p2 *= 2
	}
	p2 /= 2
	for p := p2 / 2; p >= 1; p, p2 = p/2, p {
		x1, y1 := dx*p, dy*p
		y := 0
		for ; y <= h-p2; y += p2 {
			x := 0
			for ; x <= w-p2; x += p2 {
				i := y*dy + x*dx
				a, c := undo(v[i], v[i+y1])
				b, d := undo(v[i+x1], v[i+x1+y1])
				v[i], v[i+x1] = undo(a, b)
				v[i+y1], v[i+x1+y1] = undo(c, d)
			}
			if w&p != 0 {
				i := y*dy + x*dx
				v[i], v[i+y1] = undo(v[i], v[i+y1])
			}
		}
		if h&p != 0 {
			for x := 0; x <= w-p2; x += p2 {
				i := y*dy + x*dx
				v[i], v[i+x1] = undo(v[i], v[i+x1])
			}
		}
	}
}

// unwave14 returns the two values of a mean and a difference, of 14 bits.
func unwave14(mean, difference uint16) (a, b uint16) {
	d := int(int16(difference))
	first := int(int16(mean)) + d&1 + d>>1
	return uint16(first), uint16(first - d)
}

// unwave16 returns the two values of a mean and a difference, of 16 bits, whose sum goes round.
func unwave16(mean, difference uint16) (a, b uint16) {
	b = mean - difference>>1
	return difference + b - 1<<15, b
}

// A huffman unpacks Huffman codes of 16-bit values.
type huffman struct {
	lengths [1<<16 + 1]byte // of the code of each value; the last that has one is that of a run
	// Of each length of code: the first, how many there are, and where their values begin in
	// values.
	first  [maxCode + 1]uint64
	count  [maxCode + 1]int
	start  [maxCode + 1]int
	values [1<<16 + 1]int32
	// What codes of up to quickBits begin with: value<<8 | length, or 0.
	quick [1 << quickBits]uint32
}

// maxCode is the length that no code exceeds: one of n bits takes a Fibonacci number's worth of
// values, the n-th, and a chunk has less than the 44th. quickBits is the length up to which codes
// are looked up at once.
const maxCode, quickBits = 56, 12

var errHuffman = errors.New("its Huffman codes are damaged")

func (h *huffman) unpack(dst []uint16, src []byte) error {
	if len(src) == 0 && len(dst) == 0 {
		return nil
	}
	if len(src) < 20 {
		return io.ErrUnexpectedEOF
	}
	first, last := binary.LittleEndian.Uint32(src), binary.LittleEndian.Uint32(src[4:])
	bitCount := uint64(binary.LittleEndian.Uint32(src[12:]))
	if first >= uint32(len(h.lengths)) || last >= uint32(len(h.lengths)) || first > last {
		return errHuffman
	}
	n, err := h.readLengths(int(first), int(last), src[20:])
	if err != nil {
		return err
	}
	src = src[20+n:]
	if bitCount > 8*uint64(len(src)) {
		return io.ErrUnexpectedEOF
	}
	if err := h.build(int(first), int(last)); err != nil {
		return err
	}
	b := bits{b: src}
	run := int32(last)
	done := 0
	for done < len(dst) {
		v, n := h.next(&b)
		if n == 0 {
			return errHuffman
		}
		b.skip(n)
		if v != run {
			dst[done] = uint16(v)
			done++
		} else {
			b.fill()
			n := int(b.peek(8))
			b.skip(8)
			if done == 0 || n > len(dst)-done {
				return errHuffman
			}
			last := dst[done-1]
			for i := range dst[done:][:n] {
				dst[done+i] = last
			}
			done += n
		}
		if b.taken > bitCount {
			return errHuffman
		}
	}
	if b.taken != bitCount {
		return errHuffman
	}
	return nil
}

// readLengths reads the codes' lengths, of 6 bits each, where 59 and above are of several lengths
// of 0. It returns how many bytes they take.
func (h *huffman) readLengths(first, last int, src []byte) (int, error) {
	const shortRun, longRun = 59, 63
	clear(h.lengths[:])
	b := bits{b: src}
	for i := first; i <= last; {
		b.fill()
		l := b.peek(6)
		b.skip(6)
		n := 1
		switch {
		case l == longRun:
			n = int(b.peek(8)) + longRun - shortRun + 2
			b.skip(8)
			l = 0
		case l >= shortRun:
			n = int(l) - shortRun + 2
			l = 0
		case l > maxCode:
			return 0, errHuffman
		}
		if b.taken > 8*uint64(len(src)) || n > last+1-i {
			return 0, errHuffman
		}
		h.lengths[i] = byte(l) // and 0 for the others, as they are
		i += n
	}
	return int(b.taken+7) / 8, nil
}

// build makes the canonical codes of the lengths: the longest begin with 0, and of one length they
// ascend with the values.
func (h *huffman) build(first, last int) error {
	clear(h.count[:])
	for _, l := range h.lengths[first : last+1] {
		h.count[l]++
	}
	h.count[0] = 0
	code := uint64(0)
	for l := maxCode; l > 0; l-- {
		h.first[l] = code
		code += uint64(h.count[l])
		if l > 1 && code > 1<<l {
			return errHuffman
		}
		code >>= 1
	}
	at := 0
	for l := 1; l <= maxCode; l++ {
		h.start[l] = at
		at += h.count[l]
	}
	next := h.start
	clear(h.quick[:])
	for v := first; v <= last; v++ {
		l := int(h.lengths[v])
		if l == 0 {
			continue
		}
		k := next[l]
		next[l]++
		h.values[k] = int32(v)
		if l > quickBits {
			continue
		}
		// Every index that begins with the code.
		low := (h.first[l] + uint64(k-h.start[l])) << (quickBits - l)
		if high := low + 1<<(quickBits-l); high <= uint64(len(h.quick)) {
			for i := low; i < high; i++ {
				h.quick[i] = uint32(v)<<8 | uint32(l)
			}
		}
	}
	return nil
}

// next returns the value of the code that the bits begin with, and its length, or 0 where there is
// none.
func (h *huffman) next(b *bits) (v int32, n int) {
	b.fill()
	if q := h.quick[b.peek(quickBits)]; q != 0 {
		return int32(q >> 8), int(q & 0xff)
	}
	for l := quickBits + 1; l <= maxCode; l++ {
		if k := b.peek(l) - h.first[l]; k < uint64(h.count[l]) {
			return h.values[h.start[l]+int(k)], l
		}
	}
	return 0, 0
}

// bits takes bits off bytes, the highest of a byte first. Behind the last there are zeros.
type bits struct {
	b     []byte
	hold  uint64 // the next bits, from the highest on
	held  int    // how many they are
	taken uint64
}

// fill sees to it that there are 57 bits to peek at.
func (b *bits) fill() {
	if b.held <= 32 && len(b.b) >= 4 {
		b.hold |= uint64(binary.BigEndian.Uint32(b.b)) << (32 - b.held)
		b.b, b.held = b.b[4:], b.held+32
	}
	for b.held <= 56 {
		if len(b.b) > 0 {
			b.hold |= uint64(b.b[0]) << (56 - b.held)
			b.b = b.b[1:]
		}
		b.held += 8
	}
}

func (b *bits) peek(n int) uint64 { return b.hold >> (64 - n) }

func (b *bits) skip(n int) {
	b.hold <<= n
	b.held -= n
	b.taken += uint64(n)
}
