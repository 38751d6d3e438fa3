package dataset

import (
	"cmp"
	"fmt"
	"image"
	"slices"

	"example.com/twinplate/plate"
)

// A format is how the files of a data set are written.
type format struct {
	extension string
	light     plate.WriteOptions // what holds light: plates, foregrounds, composites
	alpha     plate.WriteOptions
	sigma     plate.WriteOptions
	top       float32 // the most light that a file holds; 0: anything
}

func (o *Options) format() (format, error) {
	f := format{extension: ".png", light: plate.WriteOptions{Depth: o.Depth}}
	name, depths := o.Curve, []int{0, 8, 16}
	switch o.Format {
	case "", "png":
		name = cmp.Or(name, plate.SRGB.Name())
	case "exr":
		f.extension, depths = ".exr", []int{0, 16, 32}
		name = cmp.Or(name, plate.Linear.Name())
		if name != plate.Linear.Name() {
			return f, fmt.Errorf("curve %q with exr: OpenEXR holds linear light", name)
		}
	default:
		return f, fmt.Errorf("format %q: it must be png or exr", o.Format)
	}
	if !slices.Contains(depths, o.Depth) {
		return f, fmt.Errorf("depth %d: %s has %d or %d", o.Depth, f.extension[1:], depths[1], depths[2])
	}
	var err error
	if f.light.Curve, err = plate.CurveByName(name); err != nil {
		return f, err
	}
	if o.Depth == 0 {
		f.light.Depth = 16
	}
	f.alpha, f.sigma = f.light, f.light
	f.alpha.Curve, f.sigma.Curve = plate.Linear, plate.Linear
	if f.sigma.Depth == 8 {
		f.sigma.Depth = 16
	}
	if f.extension == ".png" {
		f.top = float32(f.light.Curve.ToLinear(1))
	}
	return f, nil
}

// clip brings a frame into what the files hold, so that a composite is the sum of its parts as they
// are stored.
func (f *format) clip(frame *plate.RGB) {
	if f.top == 0 {
		return
	}
	for _, p := range frame.Pix {
		for i, v := range p {
			p[i] = min(max(v, 0), f.top)
		}
	}
}

// mostStraight is the most that a half float holds (IEEE 754 binary16).
const mostStraight = 65504

// straight divides a foreground by alpha. Where a file cannot tell alpha from 0, there is none.
func (f *format) straight(dst, foreground *plate.RGB, alpha *plate.Gray) *plate.RGB {
	dst = dst.Sized(foreground.Size())
	least := 0.5 / (float32(int(1)<<min(f.alpha.Depth, 16)) - 1)
	for c, p := range foreground.Pix {
		for i, v := range p {
			if a := alpha.Pix[i]; a >= least {
				dst.Pix[c][i] = min(max(v/a, -mostStraight), mostStraight)
			} else {
				dst.Pix[c][i] = 0
			}
		}
	}
	f.clip(dst)
	return dst
}

// describe says what the file of a frame is, but for its bytes.
func describe(frame image.Image, opt plate.WriteOptions) File {
	d := File{Curve: opt.Curve.Name(), Depth: opt.Depth, Channels: 1}
	if _, ok := frame.(*plate.RGB); ok {
		d.Channels = 3
		d.Primaries = opt.Primaries.Name()
	}
	return d
}
