package exr

import (
	"bytes"
	"cmp"
	"compress/zlib"
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

// EncodeOptions says how an image becomes a file. A nil pointer and the zero value mean the
// defaults.
type EncodeOptions struct {
	Compression Compression // None, the default, or ZIP
	// Level is that of package compress/zlib, for ZIP. 0 means its default.
	Level int
}

// Encode writes an image as a scan-line file, in the order of its lines. Values are written in
// their channel's type: in Half the nearest, and those beyond 65504 as infinite. The error says
// what is wrong with the image: a channel without name, of the wrong number of values, or two of
// one name.
func Encode(w io.Writer, m *Image, opt *EncodeOptions) error {
	opt = cmp.Or(opt, &EncodeOptions{})
	if opt.Compression != None && opt.Compression != ZIP {
		return fmt.Errorf("the compression %v cannot be written: NONE and ZIP can", opt.Compression)
	}
	level := cmp.Or(opt.Level, zlib.DefaultCompression)
	if level < zlib.HuffmanOnly || level > zlib.BestCompression {
		return fmt.Errorf("a compression level of %d: package compress/zlib has levels up to %d", level, zlib.BestCompression)
	}
	m = &Image{Data: m.Data, Display: m.Display, Channels: slices.Clone(m.Channels), Attributes: m.Attributes}
	if m.Display.Empty() {
		m.Display = m.Data
	}
	if err := m.check(); err != nil {
		return err
	}
	head := m.header(opt.Compression)
	lines := opt.Compression.lines()
	chunks := make([][]byte, (m.Data.Dy()+lines-1)/lines)
	errs := make([]error, len(chunks))
	parallel.Parts(len(chunks), func(from, to int) {
		var plain, mixed []byte
		z, err := zlib.NewWriterLevel(nil, level)
		if errs[from] = err; err != nil {
			return
		}
		for i := from; i < to; i++ {
			area := m.Data
			area.Min.Y += i * lines
			area.Max.Y = min(area.Min.Y+lines, area.Max.Y)
			plain = m.pack(plain[:0], area)
			packed := plain
			if opt.Compression == ZIP {
				mix(room(&mixed, len(plain)), plain)
				var b bytes.Buffer
				z.Reset(&b)
				z.Write(mixed) // to a buffer, which does not fail
				z.Close()
				if b.Len() < len(plain) {
					packed = b.Bytes()
				}
			}
			chunk := binary.LittleEndian.AppendUint32(make([]byte, 0, 8+len(packed)), uint32(int32(area.Min.Y)))
			chunk = binary.LittleEndian.AppendUint32(chunk, uint32(len(packed)))
			chunks[i] = append(chunk, packed...)
		}
	})
	if err := errors.Join(errs...); err != nil {
		return err
	}
	at := uint64(len(head) + 8*len(chunks))
	for _, c := range chunks {
		head = binary.LittleEndian.AppendUint64(head, at)
		at += uint64(len(c))
	}
	if _, err := w.Write(head); err != nil {
		return err
	}
	for _, c := range chunks {
		if _, err := w.Write(c); err != nil {
			return err
		}
	}
	return nil
}

// check sorts the channels and returns an error that says what is wrong with the image.
func (m *Image) check() error {
	for _, r := range []image.Rectangle{m.Data, m.Display} {
		if r.Empty() || r.Min.X < -maxPlace || r.Min.Y < -maxPlace || r.Max.X > maxPlace || r.Max.Y > maxPlace {
			return fmt.Errorf("the window %v must have a pixel at least, and be within %d of 0", r, maxPlace)
		}
	}
	if len(m.Channels) == 0 {
		return errors.New("an image without channels cannot be written")
	}
	m.sort()
	for i := range m.Channels {
		c := &m.Channels[i]
		if c.Name == "" || len(c.Name) > 255 || slices.Contains([]byte(c.Name), 0) {
			return fmt.Errorf("the channel name %.40q: it must have 1 to 255 bytes, and none of them 0", c.Name)
		}
		if i > 0 && c.Name == m.Channels[i-1].Name {
			return fmt.Errorf("two channels are called %q", c.Name)
		}
		if c.Type > Float {
			return fmt.Errorf("channel %s is of the type %d: Uint, Half and Float can be written", c.Name, c.Type)
		}
		size, n := c.Size(m.Data), len(c.Float)
		if c.Type == Uint {
			n = len(c.Uint)
		}
		if n != size.X*size.Y {
			return fmt.Errorf("channel %s has %d values, and must have %dx%d", c.Name, n, size.X, size.Y)
		}
	}
	for i, a := range m.Attributes {
		if a.Name == "" || a.Type == "" || len(a.Name) > 255 || len(a.Type) > 255 || slices.Contains([]byte(a.Name+a.Type), 0) {
			return fmt.Errorf("the attribute %.40q of type %.40q: both must have 1 to 255 bytes, and none of them 0", a.Name, a.Type)
		}
		if slices.ContainsFunc(m.Attributes[:i], func(b Attribute) bool { return b.Name == a.Name }) || slices.Contains(required, a.Name) {
			return fmt.Errorf("the attribute %q is there already", a.Name)
		}
	}
	return nil
}

// required are the attributes that header writes by itself.
var required = []string{"channels", "compression", "dataWindow", "displayWindow", "lineOrder", "pixelAspectRatio", "screenWindowCenter", "screenWindowWidth"}

func (m *Image) header(c Compression) []byte {
	version := uint32(2)
	for _, c := range m.Channels {
		if len(c.Name) > 31 {
			version |= flagLongNames
		}
	}
	for _, a := range m.Attributes {
		if len(a.Name) > 31 || len(a.Type) > 31 {
			version |= flagLongNames
		}
	}
	order := binary.LittleEndian
	b := order.AppendUint32(nil, magic)
	b = order.AppendUint32(b, version)
	put := func(name, kind string, value []byte) {
		b = append(append(append(append(b, name...), 0), kind...), 0)
		b = append(order.AppendUint32(b, uint32(len(value))), value...)
	}
	var list []byte
	for _, c := range m.Channels {
		s := c.step()
		list = append(append(list, c.Name...), 0)
		list = order.AppendUint32(list, uint32(c.Type))
		list = order.AppendUint32(list, 0) // not perceptually linear, and nothing
		list = order.AppendUint32(list, uint32(s.X))
		list = order.AppendUint32(list, uint32(s.Y))
	}
	box := func(r image.Rectangle) (b []byte) {
		for _, v := range []int{r.Min.X, r.Min.Y, r.Max.X - 1, r.Max.Y - 1} {
			b = order.AppendUint32(b, uint32(int32(v)))
		}
		return b
	}
	one := order.AppendUint32(nil, math.Float32bits(1))
	put("channels", "chlist", append(list, 0))
	put("compression", "compression", []byte{byte(c)})
	put("dataWindow", "box2i", box(m.Data))
	put("displayWindow", "box2i", box(m.Display))
	put("lineOrder", "lineOrder", []byte{0})
	put("pixelAspectRatio", "float", one)
	put("screenWindowCenter", "v2f", make([]byte, 8))
	put("screenWindowWidth", "float", one)
	for _, a := range m.Attributes {
		put(a.Name, a.Type, a.Value)
	}
	return append(b, 0)
}

// pack appends the values of an area to b.
func (m *Image) pack(b []byte, area image.Rectangle) []byte {
	order := binary.LittleEndian
	m.eachRow(area, func(c *Channel, row, column, count int) {
		at := row*c.Size(m.Data).X + column
		switch c.Type {
		case Uint:
			for _, v := range c.Uint[at:][:count] {
				b = order.AppendUint32(b, v)
			}
		case Half:
			for _, v := range c.Float[at:][:count] {
				b = order.AppendUint16(b, half.FromFloat32(v))
			}
		default:
			for _, v := range c.Float[at:][:count] {
				b = order.AppendUint32(b, math.Float32bits(v))
			}
		}
	})
	return b
}
