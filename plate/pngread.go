package plate

import (
	"bufio"
	"encoding/binary"
	"hash/crc32"
	"image"
	"io"
	"math"

	"example.com/twinplate/internal/kernel"
)

// A pngRows reads the lines of a PNG file of the kinds that plates have: gray, color or color with
// alpha, 8 or 16 bits, not interlaced, no transparent color. A line goes from the file to light or
// to code values while it is in the cache.
//
// It gives up at every other kind and at whatever is not in order, down to the last checksum:
// package png, which then reads the file, has the say on those and gives the errors.
type pngRows struct {
	w, h        int
	kind, depth byte // of the IHDR chunk
	size        int  // bytes of a pixel
	data        pngData
	z           *inflater     // of what is in the IDAT chunks
	line, above []byte        // each with the byte before it that tells the filter
	sum         uint32        // Adler-32 of what was read
	plain       *bufio.Reader // in place of all these: of lines without filters, of which one goes into its buffer
	y           int           // lines that were asked for
}

// Color types of the IHDR chunk.
const pngGray, pngColor, pngColorAlpha = 0, 2, 6

// newPNGRows returns nil where the file is not such a one. w and h are the size that was checked
// before.
func newPNGRows(file io.ReaderAt, w, h int) *pngRows {
	p := &pngRows{w: w, h: h, data: pngData{file: bufio.NewReaderSize(io.NewSectionReader(file, 8, math.MaxInt64-8), 1<<14)}}
	var head [13]byte
	if !p.data.next("IHDR") || p.data.left != uint32(len(head)) {
		return nil
	}
	if !p.data.part(head[:]) || !p.data.end() {
		return nil
	}
	if int(binary.BigEndian.Uint32(head[:])) != w || int(binary.BigEndian.Uint32(head[4:])) != h || head[10] != 0 || head[11] != 0 || head[12] != 0 {
		return nil
	}
	p.depth, p.kind = head[8], head[9]
	samples := map[byte]int{pngGray: 1, pngColor: 3, pngColorAlpha: 4}[p.kind]
	if samples == 0 || p.depth != 8 && p.depth != 16 {
		return nil
	}
	for !p.data.next("IDAT") {
		if !p.data.skip() {
			return nil
		}
	}
	// Not larger, for what is stored goes by this buffer where it is as long.
	deflated := bufio.NewReaderSize(&p.data, 1<<14)
	var zlib [2]byte // the head as of RFC 1950: deflate, a window of 32 kB at the most, no dictionary
	if _, err := io.ReadFull(deflated, zlib[:]); err != nil || zlib[0]&15 != 8 || zlib[0] > 0x78 || zlib[1]&0x20 != 0 || binary.BigEndian.Uint16(zlib[:])%31 != 0 {
		return nil
	}
	p.size = samples * int(p.depth) / 8
	p.z = newInflater(deflated, h*(1+w*p.size))
	p.begin()
	return p
}

// begin readies what lines with filters are read by.
func (p *pngRows) begin() {
	n := 1 + p.w*p.size
	p.line, p.above, p.sum = make([]byte, n), make([]byte, n), kernel.Adler32(nil)
}

// next returns the bytes of the next line, which stay until the one after it. It returns nil where
// something is not in order, which at the last line is said of all that follows it as well.
func (p *pngRows) next() []byte {
	p.y++
	if p.plain != nil {
		line, err := p.plain.Peek(p.w * p.size)
		if err != nil {
			return nil
		}
		p.plain.Discard(len(line)) // it stays in the buffer
		return line
	}
	line, err := p.z.line(p.line)
	if err != nil {
		return nil
	}
	p.sum = kernel.JoinAdler32(p.sum, kernel.Adler32(line), len(line))
	if !unfilter(line[0], line[1:], p.above[1:], p.size) || p.y == p.h && !p.ended() {
		return nil
	}
	p.line, p.above = p.above, line
	return line[1:]
}

// ended reports whether all is in order behind the last line.
func (p *pngRows) ended() bool {
	rest, ended := p.z.rest()
	if !ended {
		return false
	}
	var end [4]byte
	if _, err := io.ReadFull(rest, end[:]); err != nil || binary.BigEndian.Uint32(end[:]) != p.sum {
		return false
	}
	if _, err := rest.ReadByte(); err != io.EOF {
		return false
	}
	for p.data.kind != "IEND" {
		if !p.data.skip() {
			return false
		}
		p.data.next("IEND")
	}
	return p.data.left == 0 && p.data.end()
}

// each calls do with the bytes of every line, and reports whether all is in order, which is known
// only at the end.
func (p *pngRows) each(do func(y int, line []byte)) bool {
	for y := range p.h {
		line := p.next()
		if line == nil {
			return false
		}
		do(y, line)
	}
	return true
}

// quickPNG decodes a PNG file into what package png would return, or returns nil.
func quickPNG(file io.ReaderAt, w, h int) image.Image {
	p := newPNGRows(file, w, h)
	if p == nil {
		return nil
	}
	var pix []byte
	var stride int
	var m image.Image
	bounds := image.Rect(0, 0, w, h)
	switch {
	case p.kind == pngGray && p.depth == 8:
		g := image.NewGray(bounds)
		m, pix, stride = g, g.Pix, g.Stride
	case p.kind == pngGray:
		g := image.NewGray16(bounds)
		m, pix, stride = g, g.Pix, g.Stride
	case p.kind == pngColor && p.depth == 8:
		g := image.NewRGBA(bounds)
		m, pix, stride = g, g.Pix, g.Stride
	case p.kind == pngColor:
		g := image.NewRGBA64(bounds)
		m, pix, stride = g, g.Pix, g.Stride
	case p.depth == 8:
		g := image.NewNRGBA(bounds)
		m, pix, stride = g, g.Pix, g.Stride
	default:
		g := image.NewNRGBA64(bounds)
		m, pix, stride = g, g.Pix, g.Stride
	}
	if !p.each(func(y int, line []byte) {
		row := pix[y*stride : (y+1)*stride]
		switch p.size {
		case 3:
			spread3(row, line)
		case 6:
			spread6(row, line)
		default:
			copy(row, line)
		}
	}) {
		return nil
	}
	return m
}

// rgb decodes into dst, with the curve c, a file without alpha, and reports whether it could. Where
// it could not, dst holds nothing of use.
func (p *pngRows) rgb(dst *RGB, c Curve) bool {
	light := p.light(c)
	return p.each(func(y int, line []byte) {
		to := dst.Row(y)
		p.lights(to[0], to[1], to[2], line, light)
	})
}

// lights decodes a line into colors.
func (p *pngRows) lights(r, g, b []float32, line []byte, light []float32) {
	if p.kind == pngGray {
		lightOf(r, line, light, p.size)
		copy(g, r)
		copy(b, r)
		return
	}
	lightsOf(r, g, b, line, light, p.size)
}

// gray is rgb for a *Gray; the weights are those of GrayFromImage.
func (p *pngRows) gray(dst *Gray, c Curve, weights *[3]float32) bool {
	light := p.light(c)
	r, g, b := make([]float32, p.w), make([]float32, p.w), make([]float32, p.w)
	return p.each(func(y int, line []byte) {
		row := dst.Pix[y*p.w : (y+1)*p.w]
		if p.kind == pngGray {
			lightOf(row, line, light, p.size)
			if weights != nil {
				grayRow(row, row, row, row, weights)
			}
			return
		}
		p.lights(r, g, b, line, light)
		grayRow(row, r, g, b, weights)
	})
}

// light returns the linear light of every code value.
func (p *pngRows) light(c Curve) []float32 {
	if p.depth == 8 {
		return c.transfer().light8()
	}
	return c.transfer().light16()
}

// lightOf decodes a line of one value a pixel, which has size bytes: two make one code.
func lightOf(dst []float32, line []byte, light []float32, size int) {
	if size == 2 {
		kernel.Codes16(dst, line, (*[1 << 16]float32)(light))
	} else {
		kernel.Codes8(dst, line, size, (*[1 << 8]float32)(light))
	}
}

// lightsOf decodes a line of three values a pixel, which has size bytes: six make three codes.
func lightsOf(r, g, b []float32, line []byte, light []float32, size int) {
	if size == 6 {
		kernel.RGBCodes16(r, g, b, line, (*[1 << 16]float32)(light))
	} else {
		kernel.RGBCodes8(r, g, b, line, size, (*[1 << 8]float32)(light))
	}
}

// A pngData reads a PNG file's chunks one after the other, and the data of successive IDAT chunks
// as one stream.
type pngData struct {
	file io.Reader // behind the signature
	kind string    // of the chunk; empty where there is none, or it is damaged
	left uint32    // bytes of the chunk that have not been read
	sum  uint32    // CRC-32 of what was read of it
}

// next begins the next chunk and reports whether it is of this kind.
func (d *pngData) next(kind string) bool {
	var head [8]byte
	d.kind, d.left = "", 0
	if d.full(head[:]) && head[0] < 0x80 {
		d.left, d.kind, d.sum = binary.BigEndian.Uint32(head[:]), string(head[4:]), crc32.ChecksumIEEE(head[4:])
	}
	return d.kind == kind
}

// end reports whether all of the chunk was read and its checksum is right.
func (d *pngData) end() bool {
	var sum [4]byte
	return d.left == 0 && d.full(sum[:]) && binary.BigEndian.Uint32(sum[:]) == d.sum
}

// skip reads to the end of a chunk, and reports whether it is one that may be anywhere and says
// nothing of the pixels.
func (d *pngData) skip() bool {
	switch d.kind {
	case "", "IHDR", "PLTE", "tRNS", "IDAT", "IEND":
		return false
	}
	var some [1 << 10]byte
	for d.left > 0 {
		if !d.part(some[:min(d.left, uint32(len(some)))]) {
			return false
		}
	}
	return d.end()
}

func (d *pngData) full(b []byte) bool {
	_, err := io.ReadFull(d.file, b)
	return err == nil
}

// part fills b from the chunk, which has as much left.
func (d *pngData) part(b []byte) bool {
	if !d.full(b) {
		return false
	}
	d.left -= uint32(len(b))
	d.sum = crc32.Update(d.sum, crc32.IEEETable, b)
	return true
}

// Read is io.Reader's, on to the IDAT chunks that follow. After it has returned io.EOF, kind is
// that of the first chunk which is none.
func (d *pngData) Read(b []byte) (int, error) {
	for d.left == 0 {
		if d.kind != "IDAT" {
			return 0, io.EOF
		}
		if !d.end() {
			d.kind = ""
			return 0, io.ErrUnexpectedEOF
		}
		d.next("IDAT")
	}
	if d.kind != "IDAT" {
		return 0, io.EOF
	}
	b = b[:min(uint32(len(b)), d.left)]
	if !d.part(b) {
		d.kind = ""
		return 0, io.ErrUnexpectedEOF
	}
	return len(b), nil
}

// unfilter undoes a line's filter (PNG specification, section 9), and reports whether it is one.
func unfilter(filter byte, line, above []byte, size int) bool {
	above = above[:len(line)]
	switch filter {
	case 0:
	case 1: // Sub
		kernel.Running(line, size)
	case 2: // Up
		kernel.Plus(line, line, above)
	case 3: // Average
		for i := range size {
			line[i] += above[i] / 2
		}
		for i := size; i < len(line); i++ {
			line[i] += byte((int(line[i-size]) + int(above[i])) / 2)
		}
	case 4: // Paeth
		for i := range size {
			line[i] += above[i]
		}
		for i := size; i < len(line); i++ {
			a, b, c := int(line[i-size]), int(above[i]), int(above[i-size])
			pa, pb, pc := abs(b-c), abs(a-c), abs(a+b-2*c)
			// Moves on a condition, for which is the nearest no processor can guess.
			if pb < pa {
				pa, a = pb, b
			}
			if pc < pa {
				a = c
			}
			line[i] += byte(a)
		}
	default:
		return false
	}
	return true
}

func abs(n int) int { return max(n, -n) }

// spread3 puts opaque alpha behind each three bytes.
func spread3(dst, src []byte) {
	for ; len(src) >= 3 && len(dst) >= 4; dst, src = dst[4:], src[3:] {
		dst[0], dst[1], dst[2], dst[3] = src[0], src[1], src[2], 0xff
	}
}

// spread6 puts opaque alpha behind each six bytes.
func spread6(dst, src []byte) {
	for ; len(src) >= 6 && len(dst) >= 8; dst, src = dst[8:], src[6:] {
		binary.LittleEndian.PutUint64(dst, uint64(binary.LittleEndian.Uint32(src))|uint64(binary.LittleEndian.Uint16(src[4:]))<<32|0xffff<<48)
	}
}
