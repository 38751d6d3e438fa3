package plate

import (
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate/exr"
)

func probeEXR(s *source) (Info, error) {
	m, err := exr.DecodeHeader(s, s.size)
	if err != nil {
		return Info{}, err
	}
	names, err := pictureChannels(m)
	if err != nil {
		return Info{}, err
	}
	info := Info{W: m.Display.Dx(), H: m.Display.Dy(), Depth: 16, Color: len(names) >= 3, Alpha: len(names) == 4, Curve: Linear.Name()}
	for _, name := range names {
		if m.Channel(name).Type != exr.Half {
			info.Depth = 32
		}
	}
	if red, green, blue, white, ok := m.Chromaticities(); ok {
		for _, xy := range []struct {
			to   *[2]float64
			from [2]float32
		}{{&info.Primaries.Red, red}, {&info.Primaries.Green, green}, {&info.Primaries.Blue, blue}, {&info.Primaries.White, white}} {
			*xy.to = [2]float64{float64(xy.from[0]), float64(xy.from[1])}
		}
	} else if info.Color {
		info.Primaries = PrimariesBT709 // as the standard has it
	}
	return info, nil
}

// pictureChannels returns the names of the channels that are the picture: red, green, blue, or
// luminance and chroma, and alpha where there is one, or luminance, or the only channel there is.
func pictureChannels(m *exr.Image) ([]string, error) {
	has := func(name string) bool { return m.Channel(name) != nil }
	switch {
	case m.HasChroma() && !(has("Y") && has("RY") && has("BY")):
		return nil, fmt.Errorf("color as luminance and chroma without all of its channels: Y, RY and BY are needed")
	case m.HasChroma() && has("A"):
		return []string{"Y", "RY", "BY", "A"}, nil
	case m.HasChroma():
		return []string{"Y", "RY", "BY"}, nil
	case has("R") && has("G") && has("B") && has("A"):
		return []string{"R", "G", "B", "A"}, nil
	case has("R") && has("G") && has("B"):
		return []string{"R", "G", "B"}, nil
	case has("Y"):
		return []string{"Y"}, nil
	case len(m.Channels) == 1:
		return []string{m.Channels[0].Name}, nil
	}
	names := list.Of(m.Channels[:min(len(m.Channels), 20)], func(c exr.Channel) string { return c.Name })
	return nil, fmt.Errorf("no picture among its channels (%s): R, G and B, or Y, or one channel alone can be read", strings.Join(names, ", "))
}

// decodeEXR returns a *Gray, *RGB or *RGBA: what the display window shows. Where there are no
// pixels it is black and transparent.
func decodeEXR(s *source, info Info) (image.Image, error) {
	m, err := exr.DecodeHeader(s, s.size)
	if err != nil {
		return nil, err
	}
	names, err := pictureChannels(m)
	if err != nil {
		return nil, err
	}
	// Pixels may lie outside of what is seen, but not so many that they are a danger.
	most := 4 * len(names) * max(info.W*info.H, 1<<20)
	if m, err = exr.Decode(s, s.size, &exr.DecodeOptions{Channels: names, MaxValues: most}); err != nil {
		return nil, err
	}
	if m.HasChroma() {
		p := info.Primaries.XYZ()
		if err := m.RGB([3]float64(p[3:6])); err != nil {
			return nil, err
		}
		copy(names, []string{"R", "G", "B"})
	}
	plane := func(to []float32, name string) error {
		c := m.Channel(name)
		if c.Step.X > 1 || c.Step.Y > 1 {
			return fmt.Errorf("channel %s has values at every %d columns and %d lines only", name, c.Step.X, c.Step.Y)
		}
		seen := m.Data.Intersect(m.Display)
		for y := seen.Min.Y; y < seen.Max.Y; y++ {
			i := (y-m.Data.Min.Y)*m.Data.Dx() + seen.Min.X - m.Data.Min.X
			line := to[(y-m.Display.Min.Y)*info.W+seen.Min.X-m.Display.Min.X:][:seen.Dx()]
			if c.Type != exr.Uint {
				copy(line, c.Float[i:])
				continue
			}
			for x := range line {
				line[x] = float32(c.Uint[i+x])
			}
		}
		return nil
	}
	if !info.Color {
		f := NewGray(info.W, info.H)
		return f, plane(f.Pix, names[0])
	}
	f := &RGBA{RGB: *NewRGB(info.W, info.H)}
	for i, name := range names[:3] {
		if err := plane(f.Pix[i], name); err != nil {
			return nil, err
		}
	}
	if !info.Alpha {
		return &f.RGB, nil
	}
	f.A = make([]float32, info.W*info.H)
	return f, plane(f.A, "A")
}

// A DataLayer is a plane that is written beside a picture, under the name of its layer: what it
// holds is data, not color.
type DataLayer struct {
	Name  string // such as "matte" or "sigma"; an OpenEXR file has it as the channel Y of that layer
	Frame *Gray
}

func encodeEXR(w io.Writer, frame image.Image, opt *WriteOptions) error {
	if err := checkFinite(frame); err != nil {
		return err
	}
	m := &exr.Image{Data: frame.Bounds()}
	kind := exr.Half
	if opt.Depth == 32 {
		kind = exr.Float
	}
	add := func(name string, pix []float32) {
		if kind == exr.Half {
			pix = withinHalf(pix)
		}
		m.Channels = append(m.Channels, exr.Channel{Name: name, Type: kind, Float: pix})
	}
	rgb := func(f *RGB) {
		add("R", f.Pix[0])
		add("G", f.Pix[1])
		add("B", f.Pix[2])
		p := opt.primaries()
		pair := func(v [2]float64) [2]float32 { return [2]float32{float32(v[0]), float32(v[1])} }
		m.Attributes = append(m.Attributes, exr.Chromaticities(pair(p.Red), pair(p.Green), pair(p.Blue), pair(p.White)))
	}
	switch f := frame.(type) {
	case *Gray:
		add("Y", f.Pix)
	case *RGB:
		rgb(f)
	case *RGBA:
		rgb(&f.RGB)
		add("A", f.A)
	default:
		return fmt.Errorf("a %T cannot be written as OpenEXR: a *plate.Gray, *plate.RGB or *plate.RGBA can", frame)
	}
	for _, l := range opt.Layers {
		add(l.Name+".Y", l.Frame.Pix)
	}
	if r := opt.FrameRate; r != ([2]int{}) {
		m.Attributes = append(m.Attributes, exr.FramesPerSecond(int32(r[0]), uint32(r[1])))
	}
	if opt.TimeCode != nil {
		m.Attributes = append(m.Attributes, opt.TimeCode.Attribute())
	}
	how := &exr.EncodeOptions{Compression: exr.ZIP, Level: 1}
	switch opt.Compression {
	case NoCompression:
		how.Compression = exr.None
	case SmallCompression:
		how.Level = 9
	}
	return exr.Encode(w, m, how)
}

// withinHalf returns the values with those cut off that are more than a half float can hold, in a
// copy where there are any.
func withinHalf(pix []float32) []float32 {
	const most = 65504
	for i, v := range pix {
		if v > most || v < -most {
			cut := append([]float32(nil), pix...)
			for k := i; k < len(cut); k++ {
				cut[k] = min(max(cut[k], -most), most)
			}
			return cut
		}
	}
	return pix
}

// checkEXR returns an error that names the option that an OpenEXR file cannot follow.
func checkEXR(frame image.Image, opt *WriteOptions) error {
	switch {
	case opt.Depth != 0 && opt.Depth != 16 && opt.Depth != 32:
		return fmt.Errorf("a depth of %d bits cannot be written as OpenEXR: 16 (half) and 32 (float) can", opt.Depth)
	case opt.Curve.Name() != Linear.Name():
		return fmt.Errorf("an OpenEXR file holds linear light, and the curve is %s: it must be linear", opt.Curve.Name())
	}
	for _, l := range opt.Layers {
		if l.Name == "" || l.Frame == nil {
			return errors.New("a layer must have a name and a frame")
		}
		if err := CheckSize("layer "+l.Name, l.Frame.Size(), "picture", frame.Bounds().Size()); err != nil {
			return err
		}
		if err := l.Frame.CheckFinite(); err != nil {
			return fmt.Errorf("layer %s: %w", l.Name, err)
		}
	}
	if r := opt.FrameRate; r != ([2]int{}) && (r[0] <= 0 || r[1] <= 0 || r[0] > math.MaxInt32 || r[1] > math.MaxInt32) {
		return fmt.Errorf("a frame rate of %d/%d: both must be whole numbers above 0", r[0], r[1])
	}
	if t := opt.TimeCode; t != nil {
		return t.Check()
	}
	return nil
}
