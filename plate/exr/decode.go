package exr

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"slices"

	"example.com/twinplate/internal/half"
	"example.com/twinplate/internal/parallel"
)

// DecodeOptions says what is read. A nil pointer and the zero value mean the defaults.
type DecodeOptions struct {
	// Channels are the names of the channels to read; those that the file does not have are passed
	// over. Nil means all.
	Channels []string
	// MaxValues is the most values, over all channels that are read; 0 means 1<<29.
	MaxValues int
}

// DecodeHeader reads what a file of size bytes says of itself: the result's channels have no
// values.
func DecodeHeader(r io.ReaderAt, size int64) (*Image, error) {
	m, _, err := readHeader(r, size)
	return m, err
}

// Decode reads a file of size bytes. Sizes are checked before memory is set aside. The error wraps
// io.ErrUnexpectedEOF where the file is cut off.
func Decode(r io.ReaderAt, size int64, opt *DecodeOptions) (*Image, error) {
	opt = cmp.Or(opt, &DecodeOptions{})
	m, l, err := readHeader(r, size)
	if err != nil {
		return nil, err
	}
	d := &decoder{image: m, layout: l, file: r, size: size}
	if err := d.plan(opt); err != nil {
		return nil, err
	}
	if err := d.all(); err != nil {
		return nil, err
	}
	m.Channels = slices.DeleteFunc(m.Channels, func(c Channel) bool { return c.Float == nil && c.Uint == nil })
	return m, nil
}

// A decoder is the reading of one file.
type decoder struct {
	image   *Image
	layout  layout
	file    io.ReaderAt
	size    int64
	columns int // of tiles
	offsets []uint64
}

// plan checks the sizes, reads the chunks' offsets and sets the planes aside.
func (d *decoder) plan(opt *DecodeOptions) error {
	m := d.image
	most := int64(opt.MaxValues)
	if most <= 0 {
		most = 1 << 29
	}
	wanted := func(c *Channel) bool { return opt.Channels == nil || slices.Contains(opt.Channels, c.Name) }
	values, bytes := int64(0), int64(0)
	for i := range m.Channels {
		c := &m.Channels[i]
		size := c.Size(m.Data)
		n := int64(size.X) * int64(size.Y) // each side is below 2^31
		if wanted(c) {
			values = min(values+n, 1<<62)
		}
		bytes = min(bytes+n*int64(c.Type.size()), 1<<62)
	}
	if values > most {
		return fmt.Errorf("%dx%d pixels have %d values in the channels that are read, more than the limit of %d", m.Data.Dx(), m.Data.Dy(), values, most)
	}
	// No byte of a file gives more bytes of values: deflate makes 1032 of one at most, runs 64,
	// Huffman codes fewer than deflate.
	gain := map[Compression]int64{None: 1, RLE: 64}[m.Compression]
	if gain == 0 {
		gain = 1032 * 4 / 3 // PXR24 leaves the fourth byte of a float out
	}
	if m.Compression == DWAA || m.Compression == DWAB {
		gain = 1032 * 64 * 2 // a block of 64 floats is two bytes where they are all alike
	}
	if bytes/gain > d.size {
		return fmt.Errorf("%w (%d bytes of values)", truncated(d.size), bytes)
	}
	tile := d.layout.tile
	d.columns = (m.Data.Dx() + tile.X - 1) / tile.X
	count := int64(d.columns) * int64((m.Data.Dy()+tile.Y-1)/tile.Y)
	if count > (d.size-d.layout.table)/8 {
		return truncated(d.size)
	}
	// A tile must fit in memory more than once. What a file of any use has is far below.
	tile.X, tile.Y = min(tile.X, m.Data.Dx()), min(tile.Y, m.Data.Dy())
	perPixel := 0
	for i := range m.Channels {
		perPixel += m.Channels[i].Type.size()
	}
	if n := int64(tile.X) * int64(tile.Y); n > maxChunk/int64(perPixel) {
		return fmt.Errorf("pieces of %dx%d pixels of %d bytes are more than the limit of %d bytes", tile.X, tile.Y, perPixel, maxChunk)
	}
	table := make([]byte, 8*count)
	if _, err := d.file.ReadAt(table, d.layout.table); err != nil && err != io.EOF {
		return err
	}
	d.offsets = make([]uint64, count)
	for i := range d.offsets {
		d.offsets[i] = binary.LittleEndian.Uint64(table[8*i:])
	}
	for i := range m.Channels {
		c := &m.Channels[i]
		if !wanted(c) {
			continue
		}
		size := c.Size(m.Data)
		if c.Type == Uint {
			c.Uint = make([]uint32, size.X*size.Y)
		} else {
			c.Float = make([]float32, size.X*size.Y)
		}
	}
	return nil
}

// maxChunk bounds the bytes of a tile or a chunk of scan lines, unpacked.
const maxChunk = 1 << 30

// all reads all chunks, on all processors.
func (d *decoder) all() error {
	errs := make([]error, len(d.offsets))
	parallel.Parts(len(d.offsets), func(from, to int) {
		var p packer
		for i := from; i < to && errs[from] == nil; i++ {
			errs[from] = d.chunk(&p, i)
		}
	})
	return cmp.Or(errs...)
}

// area returns the pixels of chunk i.
func (d *decoder) area(i int) image.Rectangle {
	min := d.image.Data.Min.Add(image.Pt(i%d.columns*d.layout.tile.X, i/d.columns*d.layout.tile.Y))
	return image.Rectangle{Min: min, Max: min.Add(d.layout.tile)}.Intersect(d.image.Data)
}

// chunk reads chunk i.
func (d *decoder) chunk(p *packer, i int) error {
	area := d.area(i)
	n := d.image.bytes(area, Type.size)
	at := int64(min(d.offsets[i], math.MaxInt64))
	if at == 0 {
		return errors.New("incomplete: some of its pixels were never written")
	}
	want := []int32{int32(area.Min.Y)}
	if d.image.Tiled {
		want = []int32{int32(i % d.columns), int32(i / d.columns), 0, 0}
	}
	if d.layout.parts {
		want = append([]int32{0}, want...)
	}
	if at > d.size {
		return truncated(d.size)
	}
	r := &reader{file: d.file, size: d.size, at: at}
	head := r.next(4*len(want) + 4)
	if r.err != nil {
		return r.err
	}
	for k, v := range want {
		if got := int32(binary.LittleEndian.Uint32(head[4*k:])); got != v {
			return fmt.Errorf("damaged: at byte %d there is not the piece of line %d that there must be", at, area.Min.Y)
		}
	}
	size := binary.LittleEndian.Uint32(head[4*len(want):])
	if int64(size) > int64(n) {
		return fmt.Errorf("damaged: the piece of line %d has %d bytes, more than the %d that it unpacks to", area.Min.Y, size, n)
	}
	packed := r.next(int(size))
	if r.err != nil {
		return r.err
	}
	pix := packed
	if int(size) < n {
		var err error
		if pix, err = p.unpack(d.image, area, packed, n); err != nil {
			return fmt.Errorf("damaged: the piece of line %d: %w", area.Min.Y, err)
		}
	}
	d.image.eachRow(area, func(c *Channel, row, column, count int) {
		stride := c.Size(d.image.Data).X
		values := pix[:count*c.Type.size()]
		pix = pix[len(values):]
		switch to := row*stride + column; {
		case c.Uint != nil:
			for k := range c.Uint[to:][:count] {
				c.Uint[to+k] = binary.LittleEndian.Uint32(values[4*k:])
			}
		case c.Float == nil:
		case c.Type == Half:
			line := c.Float[to:][:count]
			for k := range line {
				line[k] = half.ToFloat32(binary.LittleEndian.Uint16(values[2*k:]))
			}
		default:
			line := c.Float[to:][:count]
			for k := range line {
				line[k] = math.Float32frombits(binary.LittleEndian.Uint32(values[4*k:]))
			}
		}
	})
	return nil
}

// bytes returns the bytes of an area's values, of which one has what size says.
func (m *Image) bytes(area image.Rectangle, size func(Type) int) (n int) {
	m.eachRow(area, func(c *Channel, _, _, count int) { n += count * size(c.Type) })
	return n
}

// eachRow calls do for the values of an area in the order that chunks have them: for each line each
// channel's. row and column are the place of the first among the channel's values, and count their
// number.
func (m *Image) eachRow(area image.Rectangle, do func(c *Channel, row, column, count int)) {
	for y := area.Min.Y; y < area.Max.Y; y++ {
		for i := range m.Channels {
			c := &m.Channels[i]
			if s := c.step(); y%s.Y == 0 {
				do(c, multiples(m.Data.Min.Y, y, s.Y), multiples(m.Data.Min.X, area.Min.X, s.X), multiples(area.Min.X, area.Max.X, s.X))
			}
		}
	}
}
