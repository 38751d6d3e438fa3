package plate

import (
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/png"
	"io"

	"example.com/twinplate/internal/kernel"
)

func encodePNG(w io.Writer, frame image.Image, opt *WriteOptions) error {
	if p, ok := opt.lines(frame); ok {
		w = &taggedPNG{w: w, tags: opt.pngTags(frame)}
		if opt.Compression == FastCompression {
			return p.encode(w)
		}
	}
	level := png.BestSpeed
	switch opt.Compression {
	case NoCompression:
		level = png.NoCompression
	case SmallCompression:
		level = png.BestCompression
	}
	m := opt.codes(frame)
	switch straight := m.(type) {
	case *image.NRGBA:
		if straight.Opaque() {
			m = keepAlpha{m}
		}
	case *image.NRGBA64:
		m = keepAlpha{m}
	}
	return (&png.Encoder{CompressionLevel: level}).Encode(w, m)
}

// keepAlpha hides from package png that a picture is opaque: it would leave the alpha out, and then the frames
// of one sequence would differ in kind.
type keepAlpha struct{ image.Image }

// Opaque returns false.
func (keepAlpha) Opaque() bool { return false }

// A codedFrame is a frame line by line, as the bytes of a PNG file. It is written several times as fast as package
// png does it: no picture of it is made, bands of lines are deflated at the same time, and the lines' filter is not
// chosen but always the difference to the pixel at the left. But for the order of the two bytes of a value the
// lines are a TIFF file's too.
type codedFrame struct {
	w, h        int
	size        int // bytes of a pixel
	depth, kind byte
	line        func(dst []byte, y int) // its bytes, unfiltered; safe for concurrent use
}

// lines returns a frame so. It tells whether the picture is a frame.
func (o *WriteOptions) lines(frame image.Image) (codedFrame, bool) {
	depth := o.depth()
	e := NewEncoder(o.Curve, depth)
	p := codedFrame{w: frame.Bounds().Dx(), h: frame.Bounds().Dy(), depth: byte(depth)}
	planes := func(planes ...[]float32) {
		p.size = len(planes) * depth / 8
		p.line = func(dst []byte, y int) {
			if i, j := y*p.w, (y+1)*p.w; p.size == 3 {
				e.threes(dst, planes[0][i:j:len(planes[0])], planes[1][i:j:len(planes[1])], planes[2][i:j:len(planes[2])])
				return
			}
			for c, f := range planes {
				e.spaced(dst[c*depth/8:], p.size, f[y*p.w:(y+1)*p.w:len(f)]) // or it would read on beyond a plane that is too short
			}
		}
	}
	switch m := frame.(type) {
	case *Gray:
		p.kind = pngGray
		planes(m.Pix)
	case *RGB:
		p.kind = pngColor
		planes(m.Pix[:]...)
	case *RGBA:
		p.kind, p.size = pngColorAlpha, 4*depth/8
		p.line = func(dst []byte, y int) { e.straightLine(dst, m, y) }
	default:
		return p, false
	}
	return p, true
}

func (p *codedFrame) encode(w io.Writer) error {
	head := binary.BigEndian.AppendUint32(nil, uint32(p.w))
	head = binary.BigEndian.AppendUint32(head, uint32(p.h))
	head = append(head, p.depth, p.kind, 0, 0, 0)
	if _, err := io.WriteString(w, "\x89PNG\r\n\x1a\n"); err != nil {
		return err
	}
	if err := writeChunk(w, "IHDR", head); err != nil {
		return err
	}
	// The bands do not depend on the number of processors, so that neither do the bytes of the file.
	line := 1 + p.w*p.size
	lines := max(1<<18/line, 1)
	bands := make([]pngBand, (p.h+lines-1)/lines)
	inBands(1<<14, len(bands), func(b0, b1 int) {
		var d deflater
		for i := b0; i < b1; i++ {
			bands[i] = p.band(&d, i*lines, min((i+1)*lines, p.h))
		}
	})
	sum := kernel.Adler32(nil)
	for i, b := range bands {
		sum = kernel.JoinAdler32(sum, b.sum, b.length)
		data := b.deflated
		if i == 0 {
			data = append([]byte{0x78, 0x01}, data...) // the zlib head: deflate, window of 32 kB, quick
		}
		if i == len(bands)-1 {
			data = binary.BigEndian.AppendUint32(data, sum)
		}
		if err := writeChunk(w, "IDAT", data); err != nil {
			return err
		}
	}
	return writeChunk(w, "IEND", nil)
}

// A pngBand is some lines of the file: deflated, and the Adler-32 sum and length of what was deflated.
type pngBand struct {
	deflated []byte
	sum      uint32
	length   int
}

// band returns the lines y0 to y1, deflated. All but the last end at a whole byte and may be followed by another.
func (p *codedFrame) band(d *deflater, y0, y1 int) pngBand {
	size := 1 + p.w*p.size
	filtered, line := d.room(size*(y1-y0), p.w*p.size)
	for y := y0; y < y1; y++ {
		row := filtered[(y-y0)*size:][:size]
		p.line(line, y)
		row[0] = 1 // the filter Sub
		copy(row[1:], line[:p.size])
		kernel.Minus(row[1+p.size:], line[p.size:], line)
	}
	return pngBand{d.deflate(filtered, y1 == p.h), kernel.Adler32(filtered), len(filtered)}
}

func writeChunk(w io.Writer, kind string, data []byte) error {
	var head [8]byte
	binary.BigEndian.PutUint32(head[:], uint32(len(data)))
	copy(head[4:], kind)
	sum := crc32.Update(crc32.ChecksumIEEE(head[4:]), crc32.IEEETable, data)
	for _, part := range [][]byte{head[:], data, binary.BigEndian.AppendUint32(nil, sum)} {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}
