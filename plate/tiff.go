package plate

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"image"
	"io"

	"golang.org/x/image/tiff"
)

func encodeTIFF(w io.Writer, m image.Image, c Compression) error {
	const side, all = 0xffff, 1 << 28 // sizes have 16 bits and offsets 32 in what package tiff writes
	if size := m.Bounds().Size(); size.X > side || size.Y > side || int64(size.X)*int64(size.Y) > all {
		return fmt.Errorf("%dx%d pixels are too many for a TIFF file: a side may have %d, and all together %d", size.X, size.Y, side, all)
	}
	// Package tiff gives alpha to every color picture; those of an RGB have none.
	switch m := m.(type) {
	case *image.RGBA:
		if m.Opaque() {
			return encodeTIFFColor(w, m.Bounds(), 8, c, func(row []byte, y int) {
				p := m.Pix[m.PixOffset(m.Rect.Min.X, y):]
				for ; len(row) >= 3; row, p = row[3:], p[4:] {
					row[0], row[1], row[2] = p[0], p[1], p[2]
				}
			})
		}
	case *image.RGBA64:
		if m.Opaque() {
			return encodeTIFFColor(w, m.Bounds(), 16, c, func(row []byte, y int) {
				p := m.Pix[m.PixOffset(m.Rect.Min.X, y):]
				for ; len(row) >= 6; row, p = row[6:], p[8:] { // from big-endian to little-endian
					row[0], row[1], row[2], row[3], row[4], row[5] = p[1], p[0], p[3], p[2], p[5], p[4]
				}
			})
		}
	}
	opt := &tiff.Options{Compression: tiff.Uncompressed}
	if c == SmallCompression {
		opt.Compression = tiff.Deflate
	}
	return tiff.Encode(w, m, opt)
}

// encodeTIFFColor writes a file of red, green and blue as TIFF 6.0, sections 2 to 6, has it: one directory, one
// strip. fill puts the values of line y into a row.
func encodeTIFFColor(w io.Writer, r image.Rectangle, depth int, c Compression, fill func(row []byte, y int)) error {
	row := make([]byte, 3*r.Dx()*depth/8)
	rows := func(w io.Writer) error {
		for y := r.Min.Y; y < r.Max.Y; y++ {
			fill(row, y)
			if _, err := w.Write(row); err != nil {
				return err
			}
		}
		return nil
	}
	compression, length := uint32(1), len(row)*r.Dy()
	if c == SmallCompression {
		var deflated bytes.Buffer
		z := zlib.NewWriter(&deflated)
		if err := rows(z); err != nil {
			return err
		}
		if err := z.Close(); err != nil {
			return err
		}
		compression, length = 8, deflated.Len()
		rows = func(w io.Writer) error { _, err := deflated.WriteTo(w); return err }
	}

	const short, long, rational = 3, 4, 5
	type entry struct {
		Tag, Type    uint16
		Count, Value uint32
	}
	const entries = 13
	const values = 8 + 2 + 12*entries + 4 // where the values that are longer than an entry has room for begin
	const pixels = values + 8 + 8
	directory := [entries]entry{
		{256, long, 1, uint32(r.Dx())}, // ImageWidth
		{257, long, 1, uint32(r.Dy())}, // ImageLength
		{258, short, 3, values},        // BitsPerSample
		{259, short, 1, compression},   // Compression
		{262, short, 1, 2},             // PhotometricInterpretation: RGB
		{273, long, 1, pixels},         // StripOffsets
		{277, short, 1, 3},             // SamplesPerPixel
		{278, long, 1, uint32(r.Dy())}, // RowsPerStrip
		{279, long, 1, uint32(length)}, // StripByteCounts
		{282, rational, 1, values + 8}, // XResolution
		{283, rational, 1, values + 8}, // YResolution
		{284, short, 1, 1},             // PlanarConfiguration: red, green and blue together
		{296, short, 1, 1},             // ResolutionUnit: none
	}
	depths := [4]uint16{uint16(depth), uint16(depth), uint16(depth)}
	for _, part := range []any{[]byte("II*\x00"), uint32(8), uint16(entries), directory, uint32(0), depths, [2]uint32{1, 1}} {
		if err := binary.Write(w, binary.LittleEndian, part); err != nil {
			return err
		}
	}
	return rows(w)
}
