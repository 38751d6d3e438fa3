package exr

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"slices"
)

const (
	magic = 20000630

	// Bits of the version field.
	flagTiled, flagLongNames, flagDeep, flagParts = 0x200, 0x400, 0x800, 0x1000
)

// maxHeader bounds the bytes of the headers, maxChannels the channels of one.
const (
	maxHeader   = 1 << 24
	maxChannels = 1 << 12
)

// A layout is how a file's pixels are put into chunks.
type layout struct {
	parts bool        // the file has several parts, of which this is the first
	tile  image.Point // the size of a tile, or that of a chunk of scan lines
	table int64       // where the chunks' offsets begin
}

// A reader takes values off a file from a place on, a piece of it at a time. The first error stays.
type reader struct {
	file io.ReaderAt
	size int64
	at   int64 // where b begins
	b    []byte
	err  error
}

func (r *reader) fail(err error) {
	if r.err == nil {
		r.err = err
	}
}

// next returns the next n bytes, or zeros after an error.
func (r *reader) next(n int) []byte {
	if r.err == nil && n > len(r.b) {
		r.fill(n)
	}
	if r.err != nil {
		return make([]byte, min(n, 64))
	}
	b := r.b[:n:n]
	r.b, r.at = r.b[n:], r.at+int64(n)
	return b
}

// fill reads until b has n bytes.
func (r *reader) fill(n int) {
	if int64(n) > r.size-r.at {
		r.fail(truncated(r.size))
		return
	}
	b := make([]byte, min(int64(max(n, 1<<12)), r.size-r.at))
	if _, err := r.file.ReadAt(b, r.at); err != nil && err != io.EOF {
		r.fail(err)
	}
	r.b = b
}

func truncated(size int64) error {
	return fmt.Errorf("truncated: the file ends, after %d bytes, before its picture does: %w", size, io.ErrUnexpectedEOF)
}

func (r *reader) uint32() uint32 { return binary.LittleEndian.Uint32(r.next(4)) }

// text returns the bytes up to the next 0, which must come within 256.
func (r *reader) text() string {
	var b []byte
	for r.err == nil {
		c := r.next(1)[0]
		if c == 0 {
			break
		}
		if b = append(b, c); len(b) > 255 {
			r.fail(errors.New("damaged: a name in its header has more than 255 bytes"))
		}
	}
	return string(b)
}

// readHeader reads the first header.
func readHeader(file io.ReaderAt, size int64) (*Image, layout, error) {
	r := &reader{file: file, size: size}
	number, version := r.uint32(), r.uint32()
	if r.err == nil {
		switch {
		case number != magic:
			return nil, layout{}, errors.New("not an OpenEXR file: its first four bytes are not those of one")
		case version&0xff != 2:
			return nil, layout{}, fmt.Errorf("OpenEXR of version %d: files of version 2 can be read", version&0xff)
		case version&^(0xff|flagTiled|flagLongNames|flagDeep|flagParts) != 0:
			return nil, layout{}, fmt.Errorf("flags %#x that this reader does not know", version&^0xff)
		case version&flagDeep != 0 && version&flagParts == 0:
			return nil, layout{}, errDeep
		}
	}
	m, l, err := readAttributes(r, version)
	if err != nil {
		return nil, l, err
	}
	if l.parts { // the other parts' headers are only passed over
		for r.err == nil {
			name := r.text()
			if name == "" {
				break
			}
			for ; name != "" && r.err == nil; name = r.text() {
				r.text()
				r.skip()
			}
		}
	}
	l.table = r.at
	return m, l, r.err
}

var errDeep = errors.New("a deep picture, with many values a pixel: only flat ones can be read")

// skip passes over a value with its size before it.
func (r *reader) skip() []byte {
	n := r.uint32()
	if int64(n) > r.size-r.at || r.at+int64(n) > maxHeader {
		r.fail(truncated(r.size))
		if r.at+int64(n) > maxHeader {
			r.err = fmt.Errorf("damaged: its headers are longer than %d bytes", maxHeader)
		}
		return nil
	}
	return r.next(int(n))
}

// standard are the attributes that are read here, with their types and how many bytes they have; 0:
// as many as it takes.
var standard = map[string]struct {
	kind string
	size int
}{"channels": {"chlist", 0}, "compression": {"compression", 1}, "dataWindow": {"box2i", 16}, "displayWindow": {"box2i", 16}, "tiles": {"tiledesc", 9}}

func readAttributes(r *reader, version uint32) (*Image, layout, error) {
	m := &Image{Tiled: version&flagTiled != 0}
	l := layout{parts: version&flagParts != 0}
	seen := map[string]bool{}
	levels := byte(0)
	for {
		name := r.text()
		if r.err != nil {
			return nil, l, r.err
		}
		if name == "" {
			break
		}
		kind := r.text()
		value := r.skip()
		if r.err != nil {
			return nil, l, r.err
		}
		if seen[name] {
			return nil, l, fmt.Errorf("damaged: two attributes are called %q", name)
		}
		seen[name] = true
		if want, ok := standard[name]; ok && (kind != want.kind || want.size > 0 && len(value) != want.size) {
			return nil, l, fmt.Errorf("damaged: the attribute %s is of the type %.40q with %d bytes", name, kind, len(value))
		}
		switch name {
		case "channels":
			var err error
			if m.Channels, err = parseChannels(value); err != nil {
				return nil, l, err
			}
		case "compression":
			m.Compression = Compression(value[0])
		case "dataWindow":
			m.Data = parseBox(value)
		case "displayWindow":
			m.Display = parseBox(value)
		case "tiles":
			x, y := binary.LittleEndian.Uint32(value), binary.LittleEndian.Uint32(value[4:])
			l.tile, levels = image.Pt(int(min(x, 1<<30)), int(min(y, 1<<30))), value[8]
		case "lineOrder", "pixelAspectRatio", "screenWindowCenter", "screenWindowWidth", "chunkCount", "version":
		case "type":
			if l.parts || version&flagDeep != 0 {
				switch kind := string(value); kind {
				case "scanlineimage":
				case "tiledimage":
					m.Tiled = true
				case "deepscanline", "deeptile":
					return nil, l, errDeep
				default:
					return nil, l, fmt.Errorf("its first part is of the type %.40q: scanlineimage and tiledimage can be read", kind)
				}
			}
		default:
			m.Attributes = append(m.Attributes, Attribute{name, kind, slices.Clone(value)})
		}
	}
	for _, name := range []string{"channels", "compression", "dataWindow", "displayWindow"} {
		if !seen[name] {
			return nil, l, fmt.Errorf("damaged: its header lacks the attribute %s", name)
		}
	}
	if !readsDWA && (m.Compression == DWAA || m.Compression == DWAB) {
		return nil, l, fmt.Errorf("compressed by %v: in a browser it cannot be read: use the command, or convert it by OpenEXR's own exrmaketiled -z piz, which loses nothing more", m.Compression)
	}
	if m.Compression > DWAB {
		return nil, l, fmt.Errorf("compressed by %v: NONE, RLE, ZIPS, ZIP, PIZ, PXR24, B44, B44A, DWAA and DWAB can be read; have the program that made it write one of these", m.Compression)
	}
	if m.Data.Empty() || m.Display.Empty() {
		return nil, l, fmt.Errorf("damaged: the data window %v and the display window %v must have a pixel at least, and be within %d of 0", m.Data, m.Display, maxPlace)
	}
	if !m.Tiled {
		l.tile = image.Pt(m.Data.Dx(), m.Compression.lines())
	}
	if l.tile.X <= 0 || l.tile.Y <= 0 {
		return nil, l, errors.New("damaged: a tiled file must say how large its tiles are, in the attribute tiles")
	}
	if levels&15 > 2 {
		return nil, l, fmt.Errorf("damaged: the attribute tiles has the mode %d", levels)
	}
	for _, c := range m.Channels {
		if m.Tiled && c.step() != image.Pt(1, 1) {
			return nil, l, fmt.Errorf("damaged: channel %s lacks some values, and in a tiled file it must not", c.Name)
		}
	}
	return m, l, nil
}

// maxPlace bounds the places of windows, so that their sizes can be computed with.
const maxPlace = 1 << 29

// parseBox returns the rectangle, which is empty where it is beyond maxPlace.
func parseBox(b []byte) image.Rectangle {
	v := [4]int{}
	for i := range v {
		v[i] = int(int32(binary.LittleEndian.Uint32(b[4*i:])))
		if v[i] < -maxPlace || v[i] > maxPlace {
			return image.Rectangle{}
		}
	}
	return image.Rectangle{Min: image.Pt(v[0], v[1]), Max: image.Pt(v[2]+1, v[3]+1)}
}

func parseChannels(b []byte) ([]Channel, error) {
	damaged := func() ([]Channel, error) { return nil, errors.New("damaged: its list of channels is cut off") }
	var list []Channel
	for {
		end := bytes.IndexByte(b, 0)
		if end < 0 {
			return damaged()
		}
		name := string(b[:end])
		b = b[end+1:]
		if name == "" {
			break
		}
		if len(b) < 16 {
			return damaged()
		}
		c := Channel{Name: name, Type: Type(binary.LittleEndian.Uint32(b)), perceptual: b[4] != 0}
		x, y := binary.LittleEndian.Uint32(b[8:]), binary.LittleEndian.Uint32(b[12:])
		b = b[16:]
		if c.Type > Float {
			return nil, fmt.Errorf("damaged: channel %.40q is of the type %d", name, uint32(c.Type))
		}
		if x == 0 || y == 0 || x > 1<<16 || y > 1<<16 {
			return nil, fmt.Errorf("damaged: channel %.40q has values at every %d columns and %d lines", name, x, y)
		}
		if x > 1 || y > 1 {
			c.Step = image.Pt(int(x), int(y))
		}
		if len(list) > 0 && list[len(list)-1].Name >= name {
			return nil, fmt.Errorf("damaged: channel %.40q stands behind %.40q", name, list[len(list)-1].Name)
		}
		if list = append(list, c); len(list) > maxChannels {
			return nil, fmt.Errorf("more than %d channels", maxChannels)
		}
	}
	if len(list) == 0 {
		return nil, errors.New("it has no channel")
	}
	return list, nil
}
