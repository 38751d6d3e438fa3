package plate

import (
	"encoding/binary"
	"fmt"
	"image"

	"example.com/twinplate/internal/parallel"
)

// A dpx is what the head of a DPX file (SMPTE ST 268-1, first published as 268M) says of its first
// picture.
type dpx struct {
	order   binary.ByteOrder
	w, h    int
	samples int  // of a pixel: 1 luma, 3, or 4 with alpha
	swapped bool // alpha, blue, green, red
	depth   int
	low     bool // filled by method B: the bits that are not of a value stand above it, and not below
	at      int64
	stride  int64
	info    Info
}

func parseDPX(s *source) (*dpx, error) {
	head, err := s.part(0, 820)
	if err != nil {
		return nil, err
	}
	d := &dpx{order: binary.BigEndian}
	if head[0] == 'X' {
		d.order = binary.LittleEndian
	}
	u16 := func(at int) int { return int(d.order.Uint16(head[at:])) }
	u32 := func(at int) int64 { return int64(d.order.Uint32(head[at:])) }
	// undefined stands where a number is not set.
	const undefined = 0xffffffff
	w, h := u32(772), u32(776)
	if w <= 0 || h <= 0 || w > 1<<30 || h > 1<<30 {
		return nil, fmt.Errorf("damaged: %dx%d pixels", w, h)
	}
	d.w, d.h = int(w), int(h)
	switch orientation := u16(768); orientation {
	case 0, 0xffff:
	default:
		return nil, fmt.Errorf("the orientation %d: only pictures from left to right and from top to bottom can be read", orientation)
	}
	if sign := u32(780); sign != 0 && sign != undefined {
		return nil, fmt.Errorf("values with a sign (%d): only those without can be read", sign)
	}
	switch descriptor := head[800]; descriptor {
	case 6:
		d.samples = 1
	case 50:
		d.samples = 3
	case 51, 52:
		d.samples, d.swapped = 4, descriptor == 52
	default:
		return nil, fmt.Errorf("a picture of the kind %d: luma (6), RGB (50), RGBA (51) and ABGR (52) can be read", descriptor)
	}
	if encoding := u16(806); encoding != 0 && encoding != 0xffff {
		return nil, fmt.Errorf("compressed by run lengths (encoding %d): only files without compression can be read", encoding)
	}
	d.depth = int(head[803])
	packing := u16(804)
	values := int64(d.w) * int64(d.samples)
	switch {
	case d.depth == 8:
		d.stride = values
	case d.depth == 16:
		d.stride = 2 * values
	case d.depth == 10 && (packing == 1 || packing == 2):
		d.stride = (values + 2) / 3 * 4
	case d.depth == 12 && (packing == 1 || packing == 2):
		d.stride = 2 * values
	default:
		return nil, fmt.Errorf("%d bits of the packing %d: 8 and 16 bits can be read, and 10 and 12 filled by method A or B (1 or 2)", d.depth, packing)
	}
	d.low = packing == 2
	if d.at = u32(808); d.at == 0 || d.at == undefined {
		d.at = u32(4)
	}
	if d.at < 820 {
		return nil, fmt.Errorf("damaged: its picture begins at byte %d, within its head", d.at)
	}
	// Lines begin at whole words of 32 bits; but there are programs that write them without gaps.
	if aligned := (d.stride + 3) &^ 3; d.at+aligned*int64(d.h) <= s.size {
		d.stride = aligned
	}
	d.info = Info{W: d.w, H: d.h, Depth: d.depth, Color: d.samples > 1, Alpha: d.samples == 4}
	switch head[801] { // ST 268-1, transfer characteristic
	case 1:
		d.info.Curve = Density10.Name()
	case 2:
		d.info.Curve = Linear.Name()
	case 5, 6, 7, 8:
		d.info.Curve = BT709.Name()
	}
	if c := head[802]; d.info.Color && (c == 5 || c == 6) { // colorimetric specification
		d.info.Primaries = PrimariesBT709
	}
	return d, nil
}

func probeDPX(s *source) (Info, error) {
	d, err := parseDPX(s)
	if err != nil {
		return Info{}, err
	}
	return d.info, nil
}

func decodeDPX(s *source, _ Info) (image.Image, error) {
	d, err := parseDPX(s)
	if err != nil {
		return nil, err
	}
	size := d.stride * int64(d.h)
	pix, err := s.part(d.at, size)
	if err != nil {
		return nil, err
	}
	m, to, stride := newCodes(image.Rect(0, 0, d.w, d.h), d.samples, 16)
	d.rows(pix, func(y int, line []uint16) {
		row := to[y*stride:][:stride]
		if d.samples == 3 {
			for ; len(row) >= 8 && len(line) >= 3; row, line = row[8:], line[3:] {
				put16(row, line[0])
				put16(row[2:], line[1])
				put16(row[4:], line[2])
				row[6], row[7] = 0xff, 0xff
			}
			return
		}
		for i, v := range line {
			if d.swapped {
				i ^= 3
			}
			put16(row[2*i:], v)
		}
	})
	return m, nil
}

// rows calls do with the values of each line, scaled to 16 bits, several at a time.
func (d *dpx) rows(pix []byte, do func(y int, line []uint16)) {
	full := uint32(1)<<d.depth - 1
	scaled := func(v uint32) uint16 { return uint16((v*0xffff + full/2) / full) }
	n := d.w * d.samples
	parallel.Rows(d.w, d.h, func(y0, y1 int) {
		line := make([]uint16, n+2)
		for y := y0; y < y1; y++ {
			b := pix[int64(y)*d.stride:][:d.stride]
			switch d.depth {
			case 8:
				for i := range line[:n] {
					line[i] = uint16(b[i]) * 0x101
				}
			case 10: // three values in a word: the first at the top, but of luma at the bottom
				low := 2
				if d.low {
					low = 0
				}
				first, last := low+20, low
				if d.samples == 1 {
					first, last = last, first
				}
				for i := 0; i < n; i += 3 {
					word := d.order.Uint32(b[i/3*4:])
					line[i], line[i+1], line[i+2] = scaled(word>>first&0x3ff), scaled(word>>(low+10)&0x3ff), scaled(word>>last&0x3ff)
				}
			case 12:
				shift := 4
				if d.low {
					shift = 0
				}
				for i := range line[:n] {
					line[i] = scaled(uint32(d.order.Uint16(b[2*i:])) >> shift & 0xfff)
				}
			default:
				for i := range line[:n] {
					line[i] = d.order.Uint16(b[2*i:])
				}
			}
			do(y, line[:n])
		}
	})
}
