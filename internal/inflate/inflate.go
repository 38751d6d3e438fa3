// Package inflate undoes deflate (RFC 1951), twice as fast as what can stop at any byte of its input:
// pictures with noise in them are mostly Huffman codes of single bytes, of which it reads several
// between two looks at what is left of its buffers.
package inflate

import (
	"bufio"
	"encoding/binary"
	"errors"
	"io"
	"math/bits"
)

// ErrDamaged says that the data are not deflate's.
var ErrDamaged = errors.New("inflate: damaged data")

const (
	window = 1 << 15 // bytes that a copy may reach back (RFC 1951, 2)
	most   = 258     // bytes of a copy (RFC 1951, 3.2.5)
	room   = 4 * window

	// Bits that one look into a table tells: of most codes all; and of the longest code.
	symbolBits, distanceBits, lengthBits = 11, 8, 7
	longest                              = 15
)

// A Reader returns what is unpacked of a stream. Behind its end the stream that it reads from is at
// the byte after the last one of the packed data.
type Reader struct {
	from *bufio.Reader
	in   []byte // what from has buffered
	at   int    // bytes of it that are in bits, or used up
	bits uint64 // the next bits, the first one lowest
	n    uint   // how many there are

	out        []byte // the last window, and what follows
	read, made int    // of out: what has been returned, and what is there

	state func(*Reader) error // makes more of out
	last  bool                // the block is the last one
	left  int                 // bytes of a stored block
	err   error

	symbols   table
	distances table
}

// NewReader returns a Reader of what is packed in from.
func NewReader(from *bufio.Reader) *Reader {
	return &Reader{from: from, out: make([]byte, room+2*most), state: (*Reader).block}
}

// Read is io.Reader's. Its errors are those of the stream, io.ErrUnexpectedEOF where that ends too
// early, and ErrDamaged.
func (z *Reader) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	for z.read == z.made {
		if z.err != nil {
			return 0, z.err
		}
		if z.made >= room {
			copy(z.out, z.out[z.made-window:z.made])
			z.read, z.made = window, window
		}
		if z.err = z.state(z); z.err != nil {
			z.giveBack()
			z.from.Discard(z.at)
			z.in, z.at = nil, 0
		}
	}
	n := copy(p, z.out[z.read:z.made])
	z.read += n
	return n, nil
}

// giveBack takes whole bytes out of bits again.
func (z *Reader) giveBack() {
	z.at -= int(z.n / 8)
	z.n &= 7
	z.bits &= 1<<z.n - 1
}

// more has from buffer at least one byte more than is left, and reports whether there is one.
func (z *Reader) more() bool {
	z.giveBack()
	z.from.Discard(z.at)
	left := len(z.in) - z.at
	_, err := z.from.Peek(left + 1)
	z.in, _ = z.from.Peek(z.from.Buffered())
	z.at = 0
	return err == nil
}

// need has at least so many bits in bits, 32 at the most, and reports whether there are.
func (z *Reader) need(n uint) bool {
	for z.n < n {
		if z.at == len(z.in) {
			if !z.more() {
				return false
			}
			continue
		}
		z.bits |= uint64(z.in[z.at]) << z.n
		z.at++
		z.n += 8
	}
	return true
}

// take returns the next n bits, which need has seen to.
func (z *Reader) take(n uint) int {
	v := z.bits & (1<<n - 1)
	z.bits >>= n
	z.n -= n
	return int(v)
}

// block begins a block (RFC 1951, 3.2.3).
func (z *Reader) block() error {
	if z.last {
		return io.EOF
	}
	if !z.need(3) {
		return z.short()
	}
	z.last = z.take(1) == 1
	switch z.take(2) {
	case 0:
		z.take(z.n & 7)
		if !z.need(32) {
			return z.short()
		}
		length, inverted := z.take(16), z.take(16)
		if length != inverted^0xffff {
			return ErrDamaged
		}
		z.left, z.state = length, (*Reader).stored
	case 1:
		if !z.symbols.make(fixedSymbols[:], symbolBits, symbolOf) || !z.distances.make(fixedDistances[:], distanceBits, distanceOf) {
			return ErrDamaged
		}
		z.state = (*Reader).codes
	case 2:
		if err := z.trees(); err != nil {
			return err
		}
		z.state = (*Reader).codes
	default:
		return ErrDamaged
	}
	return nil
}

// short returns the error of a stream that ends too early.
func (z *Reader) short() error {
	if _, err := z.from.Peek(z.from.Buffered() + 1); err != nil && err != io.EOF {
		return err
	}
	return io.ErrUnexpectedEOF
}

// stored copies what is not packed (RFC 1951, 3.2.4).
func (z *Reader) stored() error {
	z.giveBack() // of whole bytes, as the block begins with one
	for z.left > 0 && z.made < room {
		if z.at == len(z.in) && !z.more() {
			return z.short()
		}
		n := copy(z.out[z.made:room], z.in[z.at:min(len(z.in), z.at+z.left)])
		z.at += n
		z.made += n
		z.left -= n
	}
	if z.left == 0 {
		z.state = (*Reader).block
	}
	return nil
}

// trees reads a block's own codes (RFC 1951, 3.2.7).
func (z *Reader) trees() error {
	if !z.need(14) {
		return z.short()
	}
	symbols, distances, n := 257+z.take(5), 1+z.take(5), 4+z.take(4)
	if symbols > 286 || distances > 30 {
		return ErrDamaged
	}
	var lengths [286 + 30]byte
	for _, i := range []byte{16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15}[:n] {
		if !z.need(3) {
			return z.short()
		}
		lengths[i] = byte(z.take(3))
	}
	if !z.distances.make(lengths[:19], lengthBits, func(symbol int) uint32 { return uint32(symbol+1) << 16 }) {
		return ErrDamaged
	}
	clear(lengths[:19])
	for i := 0; i < symbols+distances; {
		e, err := z.symbol(&z.distances, lengthBits)
		if err != nil {
			return err
		}
		v := int(e>>16) - 1
		if v < 16 {
			lengths[i] = byte(v)
			i++
			continue
		}
		repeat := [3]struct{ bits, from int }{{2, 3}, {3, 3}, {7, 11}}[v-16]
		if !z.need(uint(repeat.bits)) {
			return z.short()
		}
		n, length := repeat.from+z.take(uint(repeat.bits)), byte(0)
		if v == 16 {
			if i == 0 {
				return ErrDamaged
			}
			length = lengths[i-1]
		}
		if i+n > symbols+distances {
			return ErrDamaged
		}
		for range n {
			lengths[i] = length
			i++
		}
	}
	if !z.symbols.make(lengths[:symbols], symbolBits, symbolOf) || !z.distances.make(lengths[symbols:symbols+distances], distanceBits, distanceOf) {
		return ErrDamaged
	}
	return nil
}

// symbol returns the next entry of a table, bit by bit where the stream's end is near.
func (z *Reader) symbol(t *table, first uint) (uint32, error) {
	for {
		e := t.look(z.bits, first)
		if used := uint(e & 0xff); e != 0 && used <= z.n {
			z.take(used)
			return e, nil
		}
		if z.n >= longest {
			return 0, ErrDamaged
		}
		if !z.need(z.n + 1) {
			return 0, z.short()
		}
	}
}

// codes undoes Huffman codes and copies (RFC 1951, 3.2.3) up to the block's end, or until out is
// full.
func (z *Reader) codes() error {
	for z.made < room {
		done, err := z.quick()
		if done || err != nil {
			return err
		}
		if z.made >= room {
			return nil
		}
		// One symbol, near the end of what is buffered.
		e, err := z.symbol(&z.symbols, symbolBits)
		switch {
		case err != nil:
			return err
		case e&literal != 0:
			z.out[z.made] = byte(e >> 16)
			z.made++
			continue
		case e&end != 0:
			z.state = (*Reader).block
			return nil
		}
		extra := uint(e >> 8 & 15)
		if !z.need(extra) {
			return z.short()
		}
		length := int(e>>16) + z.take(extra)
		if e, err = z.symbol(&z.distances, distanceBits); err != nil {
			return err
		}
		if extra = uint(e >> 8 & 15); !z.need(extra) {
			return z.short()
		}
		distance := int(e>>16) + z.take(extra)
		if distance > z.made {
			return ErrDamaged
		}
		z.made = copied(z.out, z.made, length, distance)
	}
	return nil
}

// quick is codes as long as 16 bytes more are buffered. It reports whether the block ended.
func (z *Reader) quick() (done bool, err error) {
	in, at, acc, n, out, made := z.in, z.at, z.bits, z.n, z.out, z.made
	symbols, distances := &z.symbols, &z.distances
	for at+16 <= len(in) && made < room {
		// Bits above n that are there already are the same again.
		acc |= binary.LittleEndian.Uint64(in[at:]) << (n & 63)
		at += int(63-n) >> 3
		n |= 56
		e := symbols.entries[acc&(1<<symbolBits-1)]
		// Three bytes take 33 of the 56 bits at the most, and leave enough for a symbol of any kind.
		for i := 0; i < 3 && e&literal != 0; i++ {
			out[made] = byte(e >> 16)
			made++
			acc >>= e & 63
			n -= uint(e & 63)
			e = symbols.entries[acc&(1<<symbolBits-1)]
		}
		if e&beyond != 0 {
			e = symbols.entries[e>>16+uint32(acc>>symbolBits)&(1<<(longest-symbolBits)-1)]
		}
		acc >>= e & 63
		n -= uint(e & 63)
		if e&literal != 0 {
			out[made] = byte(e >> 16)
			made++
			continue
		}
		if done = e&end != 0; done {
			z.state = (*Reader).block
			break
		}
		extra := uint(e >> 8 & 15)
		length := int(e>>16) + int(acc&(1<<extra-1))
		acc >>= extra
		n -= extra
		acc |= binary.LittleEndian.Uint64(in[at:]) << (n & 63)
		at += int(63-n) >> 3
		n |= 56
		d := distances.look(acc, distanceBits)
		acc >>= d & 63
		n -= uint(d & 63)
		extra = uint(d >> 8 & 15)
		distance := int(d>>16) + int(acc&(1<<extra-1))
		acc >>= extra
		n -= extra
		if e == 0 || d == 0 || distance > made {
			err = ErrDamaged
			break
		}
		made = copied(out, made, length, distance)
	}
	z.at, z.bits, z.n, z.made = at, acc&(1<<n-1), n, made
	return done, err
}

// copied appends length bytes from a distance back to the first made of out, and returns how many
// there are then. Where they overlap, what was copied is copied again.
func copied(out []byte, made, length, distance int) int {
	to := made + length
	from := made - distance
	for made < to {
		made += copy(out[made:to], out[from:made])
	}
	return to
}

// A table has, by the next bits, what they are: at first by some of them, and from there by the rest
// of up to longest bits. An entry has the number of bits in its lowest 8, that of the bits that
// follow in the next 4, the kind, and from bit 16 on the byte, the least length or distance, or
// where the further entries begin. It is 0 where the bits mean nothing.
type table struct {
	entries [1<<symbolBits + fixedCount<<(longest-symbolBits)]uint32
}

const (
	literal = 1 << 12
	end     = 1 << 13
	beyond  = 1 << 14
)

// look returns the entry of the next bits, of which the table tells so many at first.
func (t *table) look(next uint64, first uint) uint32 {
	e := t.entries[next&(1<<first-1)]
	if e&beyond != 0 {
		e = t.entries[uint64(e>>16)+next>>first&(1<<(longest-first)-1)]
	}
	return e
}

// make makes the table of the code whose symbols have these lengths (RFC 1951, 3.2.2), and reports
// whether there is one: complete, or of one symbol of one bit, or of none.
func (t *table) make(lengths []byte, first uint, of func(symbol int) uint32) bool {
	var count, next [longest + 1]int
	for _, l := range lengths {
		count[l]++
	}
	code, last := 0, 0
	for l := 1; l <= longest; l++ {
		code <<= 1
		next[l] = code
		if code += count[l]; code > 1<<l {
			return false
		}
		if count[l] > 0 {
			last = l
		}
	}
	// As complete as it gets, counted in codes of the longest length.
	if one := last == 1 && count[1] == 1; last > 0 && !one && code != 1<<longest {
		return false
	}
	clear(t.entries[:1<<first])
	free := 1 << first
	for symbol, l := range lengths {
		if l == 0 {
			continue
		}
		from := int(bits.Reverse16(uint16(next[l])) >> (16 - l))
		next[l]++
		e, to := of(symbol), t.entries[:1<<first]
		if e != 0 {
			e |= uint32(l)
		}
		if uint(l) > first {
			p := &to[from&(1<<first-1)]
			if *p == 0 {
				*p = uint32(free)<<16 | beyond
				free += 1 << (longest - first)
				clear(t.entries[free-1<<(longest-first) : free])
			}
			to = t.entries[*p>>16:][:1<<(longest-first)]
			from >>= first
			l -= byte(first)
		}
		for ; from < len(to); from += 1 << l {
			to[from] = e
		}
	}
	return true
}

// The symbols from 257 on, and the distances, each with what is added to it (RFC 1951, 3.2.5).
func symbolOf(symbol int) uint32 {
	switch {
	case symbol < 256:
		return literal | uint32(symbol)<<16
	case symbol == 256:
		return end
	case symbol < 265:
		return uint32(symbol-254) << 16
	case symbol < 285:
		extra := uint32(symbol-261) / 4
		return (4+uint32(symbol-261)%4)<<extra<<16 + 3<<16 | extra<<8
	case symbol == 285:
		return most << 16
	}
	return 0 // has no meaning
}

func distanceOf(symbol int) uint32 {
	switch {
	case symbol < 4:
		return uint32(symbol+1) << 16
	case symbol < 30:
		extra := uint32(symbol)/2 - 1
		return (2+uint32(symbol)%2)<<extra<<16 + 1<<16 | extra<<8
	}
	return 0
}

// The lengths of the fixed codes (RFC 1951, 3.2.6).
const fixedCount = 288

var fixedSymbols, fixedDistances = fixed()

func fixed() (symbols [fixedCount]byte, distances [32]byte) {
	for i := range symbols {
		switch {
		case i < 144:
			symbols[i] = 8
		case i < 256:
			symbols[i] = 9
		case i < 280:
			symbols[i] = 7
		default:
			symbols[i] = 8
		}
	}
	for i := range distances {
		distances[i] = 5
	}
	return symbols, distances
}
