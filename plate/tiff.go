package plate

import (
	"bytes"
	"cmp"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"image"
	"io"
	"math"
	"slices"
	"sort"

	"golang.org/x/image/tiff"
)

func encodeTIFF(w io.Writer, frame image.Image, opt *WriteOptions) error {
	const side, all = 0xffff, 1 << 28 // sizes have 16 bits and offsets 32 in what package tiff writes
	if size := frame.Bounds().Size(); size.X > side || size.Y > side || int64(size.X)*int64(size.Y) > all {
		return fmt.Errorf("%dx%d pixels are too many for a TIFF file: a side may have %d, and all together %d", size.X, size.Y, side, all)
	}
	if err := checkFinite(frame); err != nil {
		return err
	}
	if p, ok := opt.lines(frame); ok {
		return encodeFrameTIFF(w, p, opt)
	}
	how := &tiff.Options{Compression: tiff.Uncompressed}
	if opt.Compression == SmallCompression {
		how.Compression = tiff.Deflate
	}
	return tiff.Encode(w, frame, how)
}

// Types of a TIFF file's values.
const tiffText, tiffShort, tiffLong, tiffRational, tiffBytes = 2, 3, 4, 5, 7

// A tiffEntry is a tag with its values.
type tiffEntry struct {
	tag, kind uint16
	count     uint32
	value     []byte
}

func tiffNumbers(tag, kind uint16, values ...uint32) tiffEntry {
	e := tiffEntry{tag: tag, kind: kind, count: uint32(len(values))}
	for _, v := range values {
		if kind == tiffShort {
			e.value = binary.LittleEndian.AppendUint16(e.value, uint16(v))
		} else {
			e.value = binary.LittleEndian.AppendUint32(e.value, v)
		}
	}
	if kind == tiffRational {
		e.count /= 2
	}
	return e
}

// chromaticities returns rationals of chromaticities.
func tiffChromaticities(tag uint16, values ...[2]float64) tiffEntry {
	var numbers []uint32
	for _, xy := range values {
		for _, v := range xy {
			numbers = append(numbers, uint32(math.Round(v*100000)), 100000)
		}
	}
	return tiffNumbers(tag, tiffRational, numbers...)
}

// encodeFrameTIFF writes a file as TIFF 6.0 has it: little-endian, one directory, one strip. Its
// curve and primaries are in the description, in an ICC profile where that has the curve, and the
// primaries in the tags of TIFF 6.0's section 20.
func encodeFrameTIFF(w io.Writer, p codedFrame, opt *WriteOptions) error {
	row := make([]byte, p.w*p.size)
	rows := func(w io.Writer) error {
		for y := range p.h {
			p.line(row, y)
			if p.depth == 16 {
				for r := row; len(r) >= 2; r = r[2:] {
					r[0], r[1] = r[1], r[0]
				}
			}
			if _, err := w.Write(row); err != nil {
				return err
			}
		}
		return nil
	}
	compression, length := uint32(1), len(row)*p.h
	if opt.Compression == SmallCompression {
		var deflated bytes.Buffer
		z := zlib.NewWriter(&deflated)
		if err := cmp.Or(rows(z), z.Close()); err != nil {
			return err
		}
		compression, length = 8, deflated.Len()
		rows = func(w io.Writer) error { _, err := deflated.WriteTo(w); return err }
	}
	samples := uint32(p.size) * 8 / uint32(p.depth)
	photometric, depths := uint32(2), slices.Repeat([]uint32{uint32(p.depth)}, int(samples))
	if samples == 1 {
		photometric = 1
	}
	text := opt.statement(samples > 1) + "\x00"
	entries := []tiffEntry{
		tiffNumbers(256, tiffLong, uint32(p.w)),
		tiffNumbers(257, tiffLong, uint32(p.h)),
		tiffNumbers(258, tiffShort, depths...),
		tiffNumbers(259, tiffShort, compression),
		tiffNumbers(262, tiffShort, photometric), // black is 0, or RGB
		{270, tiffText, uint32(len(text)), []byte(text)},
		tiffNumbers(273, tiffLong, 0), // the strip's place, known below
		tiffNumbers(277, tiffShort, samples),
		tiffNumbers(278, tiffLong, uint32(p.h)), // lines of a strip
		tiffNumbers(279, tiffLong, uint32(length)),
		tiffNumbers(282, tiffRational, 1, 1),
		tiffNumbers(283, tiffRational, 1, 1),
		tiffNumbers(284, tiffShort, 1), // red, green and blue together
		tiffNumbers(296, tiffShort, 1), // no unit of length
	}
	if samples == 4 {
		entries = append(entries, tiffNumbers(338, tiffShort, 2)) // straight alpha
	}
	if samples > 1 && !opt.Curve.Coded() {
		c := opt.primaries()
		entries = append(entries, tiffChromaticities(318, c.White), tiffChromaticities(319, c.Red, c.Green, c.Blue))
		if icc := iccProfile(opt.Curve, c); icc != nil {
			entries = append(entries, tiffEntry{34675, tiffBytes, uint32(len(icc)), icc})
		}
	}
	sort.Slice(entries, func(i, j int) bool { return entries[i].tag < entries[j].tag })
	order := binary.LittleEndian
	at := 8 + 2 + 12*len(entries) + 4 // where the values that are longer than an entry has room for begin
	var long []byte
	for i := range entries {
		if e := &entries[i]; len(e.value) > 4 {
			place := order.AppendUint32(nil, uint32(at+len(long)))
			long = append(append(long, e.value...), make([]byte, len(e.value)&1)...)
			e.value = place
		}
	}
	head := order.AppendUint16([]byte("II*\x00\x08\x00\x00\x00"), uint16(len(entries)))
	for _, e := range entries {
		if e.tag == 273 {
			e.value = order.AppendUint32(nil, uint32(at+len(long)))
		}
		head = order.AppendUint32(order.AppendUint16(order.AppendUint16(head, e.tag), e.kind), e.count)
		head = append(append(head, e.value...), make([]byte, 4-len(e.value))...)
	}
	head = append(append(head, 0, 0, 0, 0), long...)
	if _, err := w.Write(head); err != nil {
		return err
	}
	return rows(w)
}

// readTIFFTags sets what the tags of a TIFF file's first directory say: whether there is alpha,
// which is what extra samples are in the files that package tiff reads, and the curve and the
// primaries.
func (i *Info) readTIFFTags(s *source) {
	i.Alpha = false
	if len(s.head) < 8 {
		return
	}
	var order binary.ByteOrder = binary.LittleEndian
	if s.head[0] == 'M' {
		order = binary.BigEndian
	}
	at := int64(order.Uint32(s.head[4:]))
	count, err := s.part(at, 2)
	if err != nil {
		return
	}
	var profile, text []byte
	var white, colors []float64
	for k := range int64(order.Uint16(count)) {
		entry, err := s.part(at+2+12*k, 12)
		if err != nil {
			return
		}
		kind, n := order.Uint16(entry[2:]), int64(order.Uint32(entry[4:]))
		// value returns the tag's values where it is of that type and no longer than they need be.
		value := func(want uint16, size, least, most int64) []byte {
			if kind != want || n < least || n > most {
				return nil
			}
			if n*size <= 4 {
				return entry[8:][:n*size]
			}
			b, err := s.part(int64(order.Uint32(entry[8:])), n*size)
			if err != nil {
				return nil
			}
			return b
		}
		rationals := func(n int64) (list []float64) {
			for b := value(tiffRational, 8, n, n); len(b) >= 8; b = b[8:] {
				list = append(list, float64(order.Uint32(b))/float64(order.Uint32(b[4:])))
			}
			return list
		}
		switch order.Uint16(entry) {
		case 270:
			text = value(tiffText, 1, 1, 1<<16)
		case 318:
			white = rationals(2)
		case 319:
			colors = rationals(6)
		case 338:
			i.Alpha = true
		case 34675:
			profile = value(tiffBytes, 1, 132, mostProfile)
		}
	}
	if len(white) == 2 && len(colors) == 6 {
		p := Primaries{[2]float64(colors[:2]), [2]float64(colors[2:4]), [2]float64(colors[4:]), [2]float64(white)}
		if p.sensible() {
			i.Primaries = p
		}
	}
	i.readStatement(string(bytes.TrimRight(text, "\x00")))
	i.readICC(profile)
}
