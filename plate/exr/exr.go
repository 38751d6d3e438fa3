// Package exr reads and writes OpenEXR files, as "The OpenEXR File Layout" (openexr.com) describes
// them: channels by name in half, float or 32-bit whole numbers, with their data and display
// windows and their attributes.
//
// Scan-line and tiled files are read, of a tiled one the full-size level, of a multi-part one the
// first part, with all compressions of version 3.1 of the OpenEXR library, but in a browser without
// DWAA and DWAB. Files of one scan-line part are written, with NONE or ZIP. Deep files are not
// read.
package exr

import (
	"encoding/binary"
	"fmt"
	"image"
	"math"
	"slices"
	"sort"
	"strings"
)

// A Type is the kind of a channel's values.
type Type uint32

const (
	Uint  Type = iota // whole numbers of 32 bits
	Half              // floating-point numbers of 16 bits
	Float             // floating-point numbers of 32 bits
)

func (t Type) String() string {
	if names := [...]string{"uint", "half", "float"}; int(t) < len(names) {
		return names[t]
	}
	return fmt.Sprintf("Type(%d)", uint32(t))
}

// size returns the bytes of a value.
func (t Type) size() int {
	if t == Half {
		return 2
	}
	return 4
}

// A Compression is a way to pack a file's pixels.
type Compression byte

const (
	None  Compression = iota // the values as they are
	RLE                      // run lengths
	ZIPS                     // deflate, line by line
	ZIP                      // deflate, 16 lines at a time
	PIZ                      // wavelets and Huffman codes, 32 lines at a time
	PXR24                    // differences, floats of 24 bits, deflate, 16 lines at a time; with loss
	B44                      // half floats in blocks of 4x4, 32 lines at a time; with loss
	B44A                     // the same, with less for blocks that are all alike
	DWAA                     // cosine transforms of color, 32 lines at a time; with loss
	DWAB                     // the same, 256 lines at a time
)

func (c Compression) String() string {
	if names := [...]string{"NONE", "RLE", "ZIPS", "ZIP", "PIZ", "PXR24", "B44", "B44A", "DWAA", "DWAB"}; int(c) < len(names) {
		return names[c]
	}
	return fmt.Sprintf("Compression(%d)", byte(c))
}

// lines returns how many lines are packed together in a scan-line file.
func (c Compression) lines() int {
	return max(map[Compression]int{ZIP: 16, PXR24: 16, PIZ: 32, B44: 32, B44A: 32, DWAA: 32, DWAB: 256}[c], 1)
}

// An Image is what a file holds: one value of each channel for each pixel of the data window.
type Image struct {
	// Data is where pixels are, Display what is to be seen. A display window that is empty is
	// written as the data window.
	Data, Display image.Rectangle
	Channels      []Channel // by name, in ascending order; Encode sorts them
	// Attributes are those of the header but for what the fields above and Encode's options say.
	Attributes []Attribute
	// Compression is how the file was packed, Tiled whether in tiles. Encode looks at neither.
	Compression Compression
	Tiled       bool
}

// A Channel is a plane of values. A name like "matte.A" is of the channel A of a layer called
// matte.
type Channel struct {
	Name string
	Type Type
	// Step says that there are values only at the columns and lines that are multiples of it. 0
	// means 1, all of them.
	Step image.Point
	// Float holds the values of a Half or Float channel, Uint those of a Uint channel, row by row
	// from the top.
	Float []float32
	Uint  []uint32

	perceptual bool // B44 has packed exp(v/8) of its values v, as the file says
}

// step returns Step with 1 for 0.
func (c *Channel) step() image.Point { return image.Pt(max(c.Step.X, 1), max(c.Step.Y, 1)) }

// Size returns the columns and rows of a channel's values, given the data window.
func (c *Channel) Size(data image.Rectangle) image.Point {
	s := c.step()
	return image.Pt(multiples(data.Min.X, data.Max.X, s.X), multiples(data.Min.Y, data.Max.Y, s.Y))
}

// multiples counts the multiples of n that are a or more and less than b.
func multiples(a, b, n int) int {
	if n == 1 {
		return b - a
	}
	return floorDiv(b-1, n) - floorDiv(a-1, n)
}

func floorDiv(a, n int) int {
	q := a / n
	if a%n < 0 {
		q--
	}
	return q
}

func (m *Image) sort() {
	sort.Slice(m.Channels, func(i, j int) bool { return m.Channels[i].Name < m.Channels[j].Name })
}

// Channel returns the channel of that name, or nil.
func (m *Image) Channel(name string) *Channel {
	if i := slices.IndexFunc(m.Channels, func(c Channel) bool { return c.Name == name }); i >= 0 {
		return &m.Channels[i]
	}
	return nil
}

// Layers returns the names of the layers, in ascending order: what stands before the last dot in
// channels' names. Channels without a layer are left out.
func (m *Image) Layers() []string {
	var names []string
	for _, c := range m.Channels {
		if i := strings.LastIndexByte(c.Name, '.'); i > 0 && !slices.Contains(names, c.Name[:i]) {
			names = append(names, c.Name[:i])
		}
	}
	slices.Sort(names)
	return names
}

// An Attribute is a named value of a header, as its bytes in the file.
type Attribute struct {
	Name, Type string
	Value      []byte
}

// attribute returns the bytes of an attribute of that type and of n bytes, or nil.
func (m *Image) attribute(name, kind string, n int) []byte {
	i := slices.IndexFunc(m.Attributes, func(a Attribute) bool { return a.Name == name && a.Type == kind && len(a.Value) == n })
	if i < 0 {
		return nil
	}
	return m.Attributes[i].Value
}

// Chromaticities returns the standard attribute that says which colors red, green, blue and white
// are: CIE x and y of each. Where it is absent the standard takes those of ITU-R BT.709.
func Chromaticities(red, green, blue, white [2]float32) Attribute {
	var b []byte
	for _, xy := range [][2]float32{red, green, blue, white} {
		for _, v := range xy {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
		}
	}
	return Attribute{"chromaticities", "chromaticities", b}
}

// Chromaticities returns what the attribute Chromaticities says, and whether there is one.
func (m *Image) Chromaticities() (red, green, blue, white [2]float32, ok bool) {
	b := m.attribute("chromaticities", "chromaticities", 32)
	if b == nil {
		return
	}
	for i, xy := range []*[2]float32{&red, &green, &blue, &white} {
		for k := range xy {
			xy[k] = math.Float32frombits(binary.LittleEndian.Uint32(b[8*i+4*k:]))
		}
	}
	return red, green, blue, white, true
}

// FramesPerSecond returns the standard attribute of a frame rate of n/d, such as 24000/1001.
func FramesPerSecond(n int32, d uint32) Attribute {
	return Attribute{"framesPerSecond", "rational", binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(nil, uint32(n)), d)}
}

// FramesPerSecond returns what the attribute FramesPerSecond says, and whether there is one.
func (m *Image) FramesPerSecond() (n int32, d uint32, ok bool) {
	b := m.attribute("framesPerSecond", "rational", 8)
	if b == nil {
		return 0, 0, false
	}
	return int32(binary.LittleEndian.Uint32(b)), binary.LittleEndian.Uint32(b[4:]), true
}

// A TimeCode is a SMPTE ST 12-1 time code. Hours are 0 to 23, Minutes and Seconds 0 to 59, Frame 0
// to 39.
type TimeCode struct {
	Hours, Minutes, Seconds, Frame int
	Drop                           bool // drop frame, as of 30000/1001 frames a second
}

// Check returns an error that names the part of the time code that is not within its range.
func (t TimeCode) Check() error {
	for _, p := range t.parts() {
		if *p.value < 0 || *p.value > p.most {
			return fmt.Errorf("a time code with %d %s: 0 to %d are possible", *p.value, p.what, p.most)
		}
	}
	return nil
}

// Attribute returns the standard attribute timeCode, packed as OpenEXR's default, TV60. It panics
// where Check returns an error.
func (t TimeCode) Attribute() Attribute {
	if err := t.Check(); err != nil {
		panic("exr: " + err.Error())
	}
	var bits uint32
	for _, p := range t.parts() {
		bits |= uint32(*p.value/10<<4|*p.value%10) << p.shift
	}
	if t.Drop {
		bits |= 1 << 6
	}
	return Attribute{"timeCode", "timecode", binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(nil, bits), 0)}
}

type timePart struct {
	what        string
	value       *int
	most        int
	shift, mask uint32 // of two decimal digits of 4 bits, the higher cut to what it takes
}

func (t *TimeCode) parts() []timePart {
	return []timePart{
		{"frames", &t.Frame, 39, 0, 0x3f}, {"seconds", &t.Seconds, 59, 8, 0x7f},
		{"minutes", &t.Minutes, 59, 16, 0x7f}, {"hours", &t.Hours, 23, 24, 0x3f},
	}
}

// TimeCode returns what the attribute timeCode says, and whether there is one that is a time of
// day.
func (m *Image) TimeCode() (t TimeCode, ok bool) {
	b := m.attribute("timeCode", "timecode", 8)
	if b == nil {
		return t, false
	}
	bits := binary.LittleEndian.Uint32(b)
	for _, p := range t.parts() {
		digits := int(bits >> p.shift & p.mask)
		if *p.value = digits>>4*10 + digits&15; digits&15 > 9 || *p.value > p.most {
			return TimeCode{}, false
		}
	}
	t.Drop = bits>>6&1 != 0
	return t, true
}
