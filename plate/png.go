package plate

import (
	"encoding/binary"
	"image"
	"image/png"
	"io"
	"runtime"
	"slices"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/pngfile"
)

func encodePNG(w io.Writer, frame image.Image, opt *WriteOptions) error {
	if p, ok := opt.lines(frame); ok {
		w = &taggedPNG{w: w, tags: opt.pngTags(frame)}
		if opt.Compression == FastCompression {
			return p.encode(w)
		}
	}
	if err := checkFinite(frame); err != nil {
		return err
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

// keepAlpha hides from package png that a picture is opaque: it would leave the alpha out, and then
// the frames of one sequence would differ in kind.
type keepAlpha struct{ image.Image }

// Opaque returns false.
func (keepAlpha) Opaque() bool { return false }

// A codedFrame is a frame line by line, as the bytes of a PNG file. It is written several times as
// fast as package png does it: no picture of it is made, bands of lines are deflated at the same
// time, and the lines' filter is not chosen but always the difference to the pixel at the left. But
// for the order of the two bytes of a value the lines are a TIFF file's too.
type codedFrame struct {
	frame       image.Image
	w, h        int
	planes      [][]float32
	size        int // bytes of a pixel
	depth, kind byte
	line        func(dst []byte, y int) // its bytes, unfiltered; safe for concurrent use
}

// lines returns a frame so. It reports whether the picture is a frame.
func (o *WriteOptions) lines(frame image.Image) (codedFrame, bool) {
	depth := o.depth()
	e := NewEncoder(o.Curve, depth)
	p := codedFrame{frame: frame, w: frame.Bounds().Dx(), h: frame.Bounds().Dy(), depth: byte(depth)}
	switch m := frame.(type) {
	case *Gray:
		p.kind, p.planes = pngfile.Gray, [][]float32{m.Pix}
	case *RGB:
		p.kind, p.planes = pngfile.Color, m.Pix[:]
	case *RGBA:
		p.kind, p.planes = pngfile.ColorAlpha, append(m.Pix[:], m.A)
	default:
		return p, false
	}
	p.size = len(p.planes) * depth / 8
	p.line = func(dst []byte, y int) {
		switch {
		case p.kind == pngfile.ColorAlpha:
			e.straightLine(dst, frame.(*RGBA), y)
		case p.size == 3:
			e.interleave(dst, p.row(0, y), p.row(1, y), p.row(2, y))
		default:
			for c := range p.planes {
				e.spaced(dst[c*depth/8:], p.size, p.row(c, y))
			}
		}
	}
	return p, true
}

// row returns row y of a plane. Where that is too short it panics, and does not read on.
func (p *codedFrame) row(plane, y int) []float32 {
	f := p.planes[plane]
	return f[y*p.w : (y+1)*p.w : len(f)]
}

func (p *codedFrame) encode(w io.Writer) error {
	head := binary.BigEndian.AppendUint32(nil, uint32(p.w))
	head = binary.BigEndian.AppendUint32(head, uint32(p.h))
	head = append(head, p.depth, p.kind, 0, 0, 0)
	if _, err := io.WriteString(w, pngfile.Signature); err != nil {
		return err
	}
	if err := pngfile.WriteChunk(w, "IHDR", head); err != nil {
		return err
	}
	// The bands do not depend on the number of processors, so that neither do the bytes of the
	// file.
	lines := max(usualPart/(1+p.w*p.size), 1)
	bands := make([]pngBand, min(runtime.GOMAXPROCS(0), (p.h+lines-1)/lines))
	before, sum := []byte{0x78, 0x01}, kernel.Adler32(nil) // the zlib head: deflate, window of 32 kB, quick
	for y := 0; y < p.h; y += len(bands) * lines {
		n := min(len(bands), (p.h-y+lines-1)/lines)
		parallel.Each(n, func(i int) {
			bands[i].make(p, y+i*lines, min(y+(i+1)*lines, p.h))
		})
		for i := range bands[:n] {
			b := &bands[i]
			if !b.finite {
				return checkFinite(p.frame)
			}
			sum = kernel.JoinAdler32(sum, b.sum, b.length)
			var after []byte
			if y+(i+1)*lines >= p.h {
				after = binary.BigEndian.AppendUint32(nil, sum)
			}
			if err := pngfile.WriteChunk(w, "IDAT", before, b.deflated, after); err != nil {
				return err
			}
			before = nil
		}
	}
	return pngfile.WriteChunk(w, "IEND")
}

// A pngBand is some lines of the file, deflated. Its memory goes from one to the next.
type pngBand struct {
	deflater
	line     []byte
	filtered []byte
	deflated []byte
	sum      uint32 // Adler-32, of what was deflated
	length   int    // of that
	finite   bool   // or it is not a file
}

// make makes the lines y0 to y1. All but the last of the file end at a whole byte and may be
// followed by another band.
func (b *pngBand) make(p *codedFrame, y0, y1 int) {
	size := 1 + p.w*p.size
	b.length, b.finite = size*(y1-y0), true
	b.filtered = slices.Grow(b.filtered[:0], b.length)[:b.length]
	b.line = slices.Grow(b.line[:0], size-1)[:size-1]
	for y := y0; y < y1; y++ {
		for c := range p.planes {
			b.finite = b.finite && kernel.Finite(p.row(c, y))
		}
		p.line(b.line, y)
		row := b.filtered[(y-y0)*size:][:size]
		row[0] = 1 // the filter Sub
		copy(row[1:], b.line[:p.size])
		kernel.Minus(row[1+p.size:], b.line[p.size:], b.line)
	}
	b.sum = kernel.Adler32(b.filtered)
	b.deflated = b.deflate(b.filtered, y1 == p.h)
}
