package exr

import (
	"encoding/binary"
	"image"
	"io"
	"math"

	"example.com/twinplate/internal/half"
)

// bytes24 is size for what the compression PXR24 gives to zlib: floats lose their last byte.
func (t Type) bytes24() int {
	if t == Float {
		return 3
	}
	return t.size()
}

// unpack24 undoes what the compression PXR24 does before it packs bytes, as "Technical Introduction
// to OpenEXR" and the OpenEXR library (ImfPxr24Compressor) have it: of each line of a channel the
// first bytes of all values, then the second, each value as its difference to the one before.
// planes has bytes24 of each value.
func unpack24(plain []byte, m *Image, area image.Rectangle, planes []byte) {
	m.eachRow(area, func(c *Channel, _, _, count int) {
		n, size := c.Type.bytes24(), c.Type.size()
		var v uint32
		for i := range count {
			var d uint32
			for k := range n {
				d |= uint32(planes[k*count+i]) << (8 * (size - 1 - k)) // the last byte of a float is 0
			}
			v += d
			if c.Type == Half {
				binary.LittleEndian.PutUint16(plain[size*i:], uint16(v))
			} else {
				binary.LittleEndian.PutUint32(plain[size*i:], v)
			}
		}
		plain, planes = plain[count*size:], planes[count*n:]
	})
}

// unpackB44 undoes the compressions B44 and B44A, as the OpenEXR library (ImfB44Compressor) has
// them: one channel after the other, a half float's in blocks of four by four values, each of 14
// bytes, or of 3 where all are alike; what is no half float as it is.
func unpackB44(plain []byte, m *Image, area image.Rectangle, packed []byte) error {
	// Where the values of each line of each channel go.
	linesOf := map[*Channel][][]byte{}
	rest := plain
	m.eachRow(area, func(c *Channel, _, _, count int) {
		n := count * c.Type.size()
		linesOf[c], rest = append(linesOf[c], rest[:n]), rest[n:]
	})
	for i := range m.Channels {
		c := &m.Channels[i]
		lines := linesOf[c]
		if c.Type != Half {
			for _, line := range lines {
				if len(packed) < len(line) {
					return io.ErrUnexpectedEOF
				}
				copy(line, packed)
				packed = packed[len(line):]
			}
			continue
		}
		for y := 0; y < len(lines); y += 4 {
			for x := 0; 2*x < len(lines[y]); x += 4 {
				block, n := unblock(packed)
				if n == 0 {
					return io.ErrUnexpectedEOF
				}
				packed = packed[n:]
				for k, v := range block {
					if c.perceptual {
						v = half.FromFloat32(float32(8 * math.Log(float64(half.ToFloat32(v)))))
					}
					if row, at := y+k/4, 2*(x+k%4); row < len(lines) && at < len(lines[row]) {
						binary.LittleEndian.PutUint16(lines[row][at:], v)
					}
				}
			}
		}
	}
	return nil
}

// unblock returns a block's half floats, row by row, and how many bytes it has; 0 where there are
// too few. The first value stands by itself; six bits say by how many places the differences are
// shifted, and six each the differences, in the first column downward and then to the right.
func unblock(b []byte) (block [16]uint16, n int) {
	if len(b) < 3 {
		return block, 0
	}
	first := binary.BigEndian.Uint16(b)
	const flat = 13 // a shift that there cannot be
	shift := b[2] >> 2
	if shift >= flat {
		for i := range block {
			block[i] = first
		}
		n = 3
	} else {
		if n = 14; len(b) < n {
			return block, 0
		}
		block[0] = first
		at := 22 // bits
		next := func() uint16 {
			v := (uint16(b[at/8])<<8 | uint16(b[min(at/8+1, n-1)])) >> (10 - at%8) & 0x3f
			at += 6
			return v<<shift - 0x20<<shift
		}
		for y := 1; y < 4; y++ {
			block[4*y] = block[4*y-4] + next()
		}
		for x := 1; x < 4; x++ {
			for y := range 4 {
				block[4*y+x] = block[4*y+x-1] + next()
			}
		}
	}
	for i, v := range block { // in the order of the numbers
		if v&0x8000 != 0 {
			block[i] = v & 0x7fff
		} else {
			block[i] = ^v
		}
	}
	return block, n
}
