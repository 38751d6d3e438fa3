package plate

import (
	"bufio"
	"encoding/binary"
	"image"
	"io"
	"runtime"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/pngfile"
)

// Code values of a picture, line by line from the top.
type lines struct {
	w, h        int
	kind, depth byte                   // as a PNG file's IHDR chunk has them
	size        int                    // bytes from one pixel to the next
	next        func() ([]byte, error) // the next line, which stays until the one after it
	ahead       bool                   // it is at hand sooner than one processor makes light of it
}

// pngLines reads the lines of a PNG file of the kinds that plates have: gray, color or color with
// alpha, 8 or 16 bits, not interlaced, no transparent color. A line goes from the file to light or
// to code values while it is in the cache.
//
// It returns nil at every other kind, and has errors at whatever is not in order, down to the last
// checksum: package png, which then reads the file, has the say on those. w and h are the size that
// was checked before. With ahead several processors may inflate lines before they are asked for.
func pngLines(file io.ReaderAt, w, h int, ahead bool) *lines {
	chunks := pngfile.NewChunks(file)
	var head [13]byte
	if !chunks.Next() || chunks.Kind != "IHDR" || chunks.Left != uint32(len(head)) || !chunks.Part(head[:]) || !chunks.End() {
		return nil
	}
	if int(binary.BigEndian.Uint32(head[:])) != w || int(binary.BigEndian.Uint32(head[4:])) != h || head[10] != 0 || head[11] != 0 || head[12] != 0 {
		return nil
	}
	l := &lines{w: w, h: h, depth: head[8], kind: head[9]}
	samples := map[byte]int{pngfile.Gray: 1, pngfile.Color: 3, pngfile.ColorAlpha: 4}[l.kind]
	if samples == 0 || l.depth != 8 && l.depth != 16 {
		return nil
	}
	for chunks.Next() && chunks.Kind != "IDAT" {
		if !skipChunk(chunks) {
			return nil
		}
	}
	l.size = samples * int(l.depth) / 8
	z := newUnpacker(chunks, h*(1+w*l.size), ahead)
	if z == nil {
		return nil
	}
	_, l.ahead = z.(*inParts)
	l.next = pngfile.NewLines(w, h, l.size, z.line, func(sum uint32) bool {
		rest, ended := z.rest()
		var end [4]byte
		if !ended {
			return false
		}
		if _, err := io.ReadFull(rest, end[:]); err != nil || binary.BigEndian.Uint32(end[:]) != sum {
			return false
		}
		if _, err := rest.ReadByte(); err != io.EOF {
			return false
		}
		for chunks.Kind != "IEND" {
			if !skipChunk(chunks) || !chunks.Next() {
				return false
			}
		}
		return chunks.Left == 0 && chunks.End()
	}).Next
	return l
}

// An unpacker undoes the compression of lines.
type unpacker interface {
	// line returns the next len(buf) bytes, in buf or where they stay until the next but one.
	line(buf []byte) ([]byte, error)
	// rest returns what is behind the compressed data, and reports whether that was at its end.
	rest() (*bufio.Reader, bool)
}

// newUnpacker returns one of n bytes of lines, from chunks that are at the beginning of their data,
// or nil where that is not in order.
func newUnpacker(chunks *pngfile.Chunks, n int, ahead bool) unpacker {
	var data io.Reader = chunks
	if ahead {
		parts, steps := newInParts(chunks)
		if parts != nil {
			return parts
		}
		if steps == nil {
			return nil
		}
		data = steps
	}
	// Not larger, for what is stored goes by this buffer where it is as long.
	deflated := bufio.NewReaderSize(data, 1<<14)
	var head zlibHead
	if _, err := io.ReadFull(deflated, head[:]); err != nil || !head.ok() {
		return nil
	}
	return newInflater(deflated, n)
}

// A zlibHead is what is before compressed data.
type zlibHead [2]byte

// ok reports whether it is as of RFC 1950: deflate, a window of 32 kB at the most, no dictionary.
func (b zlibHead) ok() bool {
	return b[0]&15 == 8 && b[0] <= 0x78 && b[1]&0x20 == 0 && binary.BigEndian.Uint16(b[:])%31 == 0
}

// skipChunk reads to the end of a chunk, and reports whether it is one that may be anywhere and
// says nothing of the pixels.
func skipChunk(c *pngfile.Chunks) bool {
	switch c.Kind {
	case "", "IHDR", "PLTE", "tRNS", "IDAT", "IEND":
		return false
	}
	return c.Skip()
}

// each calls what begin returns with the bytes of every line, and begin for each processor that
// does. Whether all is in order is known only at the end.
func (l *lines) each(begin func() func(y int, line []byte)) error {
	if !l.ahead {
		do := begin()
		for y := range l.h {
			line, err := l.next()
			if err != nil {
				return err
			}
			do(y, line)
		}
		return nil
	}
	size := l.w * l.size
	some := max(runtime.GOMAXPROCS(0)*usualPart/size, 1) // lines at once: those of as many parts
	kept := make([]byte, min(some, l.h)*size)
	for y := 0; y < l.h; y += some {
		n := min(some, l.h-y)
		for i := range n {
			line, err := l.next()
			if err != nil {
				return err
			}
			copy(kept[i*size:], line)
		}
		parallel.Rows(l.w, n, func(from, to int) {
			do := begin()
			for i := from; i < to; i++ {
				do(y+i, kept[i*size:(i+1)*size])
			}
		})
	}
	return nil
}

// quickPNG decodes a PNG file into what package png would return, or returns nil.
func quickPNG(file io.ReaderAt, w, h int) image.Image {
	if l := pngLines(file, w, h, true); l != nil {
		if m, err := l.image(); err == nil {
			return m
		}
	}
	return nil
}

// image returns the picture of the lines.
func (p *lines) image() (image.Image, error) {
	samples := map[byte]int{pngfile.Gray: 1, pngfile.Color: 3, pngfile.ColorAlpha: 4}[p.kind]
	m, pix, stride := newCodes(image.Rect(0, 0, p.w, p.h), samples, int(p.depth))
	used := samples * int(p.depth) / 8
	err := p.each(func() func(int, []byte) {
		return func(y int, line []byte) {
			row := pix[y*stride : (y+1)*stride]
			if used < p.size {
				tight := make([]byte, 0, p.w*used)
				for ; len(line) >= p.size; line = line[p.size:] {
					tight = append(tight, line[:used]...)
				}
				line = tight
			}
			switch used {
			case 3:
				spread3(row, line)
			case 6:
				spread6(row, line)
			default:
				copy(row, line)
			}
		}
	})
	return m, err
}

// rgb decodes into dst, with the curve c, lines without alpha. Where there is an error, dst holds
// nothing of use.
func (p *lines) rgb(dst *RGB, c Curve) error {
	light := p.light(c)
	return p.each(func() func(int, []byte) {
		return func(y int, line []byte) {
			to := dst.Row(y)
			p.lights(to[0], to[1], to[2], line, light)
		}
	})
}

// lights decodes a line into colors.
func (p *lines) lights(r, g, b []float32, line []byte, light []float32) {
	if p.kind == pngfile.Gray {
		lightOf(r, line, light, p.size)
		copy(g, r)
		copy(b, r)
		return
	}
	lightsOf(r, g, b, line, light, p.size)
}

// gray is rgb for a *Gray; the weights are those of GrayFromImage.
func (p *lines) gray(dst *Gray, c Curve, weights *[3]float32) error {
	light := p.light(c)
	return p.each(func() func(int, []byte) {
		r, g, b := make([]float32, p.w), make([]float32, p.w), make([]float32, p.w)
		return func(y int, line []byte) {
			row := dst.Pix[y*p.w : (y+1)*p.w]
			if p.kind == pngfile.Gray {
				lightOf(row, line, light, p.size)
				if weights != nil {
					grayRow(row, row, row, row, weights)
				}
				return
			}
			p.lights(r, g, b, line, light)
			grayRow(row, r, g, b, weights)
		}
	})
}

// light returns the linear light of every code value.
func (p *lines) light(c Curve) []float32 {
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
