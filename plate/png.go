package plate

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"hash/adler32"
	"hash/crc32"
	"image"
	"image/png"
	"io"
)

func encodePNG(w io.Writer, frame image.Image, opt *WriteOptions) error {
	m := opt.codes(frame)
	if m != frame {
		w = &taggedPNG{w: w, tags: opt.pngTags(frame)}
	}
	if opt.Compression == FastCompression {
		if p, ok := pack(m); ok {
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

// A packedPicture is a picture whose bytes are those of a PNG file's lines, but for bytes of opaque alpha between
// them. It is written several times as fast as package png does it: bands of lines are deflated at the same
// time, and the lines' filter is not chosen but always the difference to the pixel at the left. But for the order of the two
// bytes of a value they are a TIFF file's too.
type packedPicture struct {
	w, h        int
	pix         []byte
	stride      int
	from, to    int // bytes of a pixel in pix and in the file
	depth, kind byte
}

// pack returns m so, where it can be had so.
func pack(m image.Image) (packedPicture, bool) {
	const gray, color, alpha = 0, 2, 6 // color types of the IHDR chunk
	p := packedPicture{w: m.Bounds().Dx(), h: m.Bounds().Dy()}
	switch m := m.(type) {
	case *image.Gray:
		p.pix, p.stride, p.from, p.to, p.depth, p.kind = m.Pix, m.Stride, 1, 1, 8, gray
	case *image.Gray16:
		p.pix, p.stride, p.from, p.to, p.depth, p.kind = m.Pix, m.Stride, 2, 2, 16, gray
	case *image.RGBA:
		p.pix, p.stride, p.from, p.to, p.depth, p.kind = m.Pix, m.Stride, 4, 3, 8, color
		return p, m.Opaque()
	case *image.RGBA64:
		p.pix, p.stride, p.from, p.to, p.depth, p.kind = m.Pix, m.Stride, 8, 6, 16, color
		return p, m.Opaque()
	case *image.NRGBA:
		p.pix, p.stride, p.from, p.to, p.depth, p.kind = m.Pix, m.Stride, 4, 4, 8, alpha
	case *image.NRGBA64:
		p.pix, p.stride, p.from, p.to, p.depth, p.kind = m.Pix, m.Stride, 8, 8, 16, alpha
	default:
		return p, false
	}
	return p, true
}

func (p *packedPicture) encode(w io.Writer) error {
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
	line := 1 + p.w*p.to
	lines := max(1<<18/line, 1)
	bands := make([]pngBand, (p.h+lines-1)/lines)
	inBands(1<<14, len(bands), func(b0, b1 int) {
		z, err := flate.NewWriter(nil, flate.BestSpeed)
		if err != nil {
			panic(err) // the level is a valid one
		}
		for i := b0; i < b1; i++ {
			bands[i] = p.band(z, i*lines, min((i+1)*lines, p.h))
		}
	})
	sum := uint32(1)
	for i, b := range bands {
		sum = joinAdler(sum, b.sum, b.length)
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

// band returns the lines y0 to y1, deflated by z. All but the last end at a whole byte and may be followed by another.
func (p *packedPicture) band(z *flate.Writer, y0, y1 int) pngBand {
	var buf bytes.Buffer
	buf.Grow((y1 - y0) * (1 + p.w*p.to) / 2)
	z.Reset(&buf)
	sum := adler32.New()
	line := make([]byte, 1+p.w*p.to)
	line[0] = 1 // the filter Sub
	for y := y0; y < y1; y++ {
		p.sub(line[1:], p.pix[y*p.stride:][:p.w*p.from])
		sum.Write(line)
		z.Write(line) // to a buffer, which does not fail
	}
	if y1 == p.h {
		z.Close()
	} else {
		z.Flush()
	}
	return pngBand{buf.Bytes(), sum.Sum32(), (y1 - y0) * len(line)}
}

// sub puts the differences of the pixels of src to those at their left into dst.
func (p *packedPicture) sub(dst, src []byte) {
	n, from := p.to, p.from
	copy(dst[:n], src)
	if n == from {
		left := src[:len(src)-n]
		dst, src = dst[n:], src[n:]
		for i, v := range left {
			dst[i] = src[i] - v
		}
		return
	}
	for i, j := n, from; i < len(dst); i, j = i+n, j+from {
		d, s, left := dst[i:i+n], src[j:j+n], src[j-from:j-from+n]
		for k := range d {
			d[k] = s[k] - left[k]
		}
	}
}

// joinAdler returns the Adler-32 sum (RFC 1950) of bytes of sum a followed by n bytes of sum b.
func joinAdler(a, b uint32, n int) uint32 {
	const mod = 65521
	low := (a&0xffff + b&0xffff + mod - 1) % mod
	high := (uint64(a>>16) + uint64(b>>16) + uint64(n%mod)*uint64((a&0xffff+mod-1)%mod)) % mod
	return uint32(high)<<16 | low
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

// line puts the bytes of line y, as a file has them, into dst.
func (p *packedPicture) line(dst []byte, y int) {
	src := p.pix[y*p.stride:][:p.w*p.from]
	if p.from == p.to {
		copy(dst, src)
		return
	}
	if p.to == 6 {
		for ; len(dst) >= 6 && len(src) >= 8; dst, src = dst[6:], src[8:] {
			dst[0], dst[1], dst[2], dst[3], dst[4], dst[5] = src[0], src[1], src[2], src[3], src[4], src[5]
		}
		return
	}
	for ; len(dst) >= 3 && len(src) >= 4; dst, src = dst[3:], src[4:] {
		dst[0], dst[1], dst[2] = src[0], src[1], src[2]
	}
}
