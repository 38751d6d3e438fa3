//go:build js

package main

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"syscall/js"
	"unsafe"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// stations are what a frame can be looked at as, in the order of the job.
var stations = []string{"color", "band", "transmission", "background", "held", "foreground", "sum", "matte", "sigma", "green"}

// A picture is one station in linear light: red, green, blue (premultiplied) and alpha.
type picture struct {
	w, h  int
	plane [3][]float32
	alpha []float32 // nil: opaque
}

var errNoBackground = errors.New("there is no background plate yet")

// picture returns a station of the frame that is there. It shares the frame's planes.
func (s *session) picture(station string) (*picture, error) {
	f := s.frame
	rgb := func(p *plate.RGB) (*picture, error) {
		if p == nil {
			return nil, errNoBackground
		}
		return &picture{w: p.W, h: p.H, plane: p.Pix}, nil
	}
	gray := func(p *plate.Gray) (*picture, error) {
		return &picture{w: p.W, h: p.H, plane: [3][]float32{p.Pix, p.Pix, p.Pix}}, nil
	}
	switch station {
	case "color":
		return rgb(f.Color)
	case "band":
		return gray(f.Band)
	case "transmission":
		return gray(f.Transmission)
	case "background":
		return rgb(f.Background)
	case "held":
		p, err := s.held()
		if err != nil {
			return nil, err
		}
		return rgb(p)
	case "foreground":
		p, err := rgb(f.Foreground)
		p.alpha = matte.Alpha(nil, f.Transmission).Pix
		return p, err
	case "sum":
		if f.Background == nil {
			return nil, errNoBackground
		}
		return rgb(f.Comp)
	case "matte":
		return gray(matte.Alpha(nil, f.Transmission))
	case "sigma":
		sigma, err := s.scrubber.Sigma(f)
		if err != nil {
			return nil, err
		}
		return gray(sigma)
	case "green":
		if f.Background == nil {
			return nil, errNoBackground
		}
		p, err := s.green()
		if err != nil {
			return nil, err
		}
		return rgb(p)
	}
	return nil, fmt.Errorf("station %q: it must be one of %v", station, stations)
}

// halves returns the picture as IEEE 754 binary16 values, four to a pixel, their high and their low bytes apart: what the
// viewer takes.
func (p *picture) halves() (high, low js.Value) {
	const band = 16 // rows that go to the page while they are in the cache
	high, low = js.Global().Call("bytes", 4*p.w*p.h), js.Global().Call("bytes", 4*p.w*p.h)
	var part [2][]uint32
	for i := range part {
		part[i] = make([]uint32, band*p.w)
	}
	var row [4][]uint32
	for c := range row {
		row[c] = make([]uint32, p.w)
		for i := range row[c] {
			row[c][i] = 0x3c00 // 1
		}
	}
	for y := 0; y < p.h; y += band {
		n := min(band, p.h-y)
		for k := range n {
			i, j := (y+k)*p.w, (y+k+1)*p.w
			for c, plane := range p.plane {
				if c > 0 && &plane[0] == &p.plane[0][0] { // gray
					copy(row[c], row[0])
				} else {
					kernel.Halves(row[c], plane[i:j])
				}
			}
			if p.alpha != nil {
				kernel.Halves(row[3], p.alpha[i:j])
			}
			kernel.Weave(part[0][k*p.w:(k+1)*p.w], part[1][k*p.w:(k+1)*p.w], &row)
		}
		for i, to := range []js.Value{high, low} {
			b := unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(part[i]))), 4*n*p.w) // the lowest of each value first
			js.CopyBytesToJS(to.Call("subarray", 4*y*p.w, 4*(y+n)*p.w), b)
		}
	}
	return high, low
}

// display returns the picture as a screen shows it, sRGB of 8 bits with straight alpha at most 1, reduced by a
// whole factor to at most so many pixels of width; 0 is its own size. The reduction averages light.
func (p *picture) display(width int) *image.NRGBA {
	n := 1
	if width > 0 {
		n = max(1, (p.w+width-1)/width)
	}
	w, h := max(p.w/n, 1), max(p.h/n, 1)
	m := image.NewNRGBA(image.Rect(0, 0, w, h))
	srgb := plate.NewEncoder(plate.SRGB, 8)
	part := 1 / float32(n*n)
	for y := range h {
		for x := range w {
			var sum [4]float32
			for j := y * n; j < min(y*n+n, p.h); j++ {
				for i := x * n; i < min(x*n+n, p.w); i++ {
					k := j*p.w + i
					for c := range 3 {
						sum[c] += p.plane[c][k]
					}
					if p.alpha != nil {
						sum[3] += p.alpha[k]
					}
				}
			}
			out := m.Pix[4*(y*w+x):]
			for c := range 3 {
				out[c] = uint8(srgb.Code(sum[c] * part))
			}
			out[3] = 0xff
		}
	}
	return m
}

// premultiplied is a frame's foreground with its alpha beside it, its color as it was photographed: PNG has no
// word for this, so the file's name says it.
func premultiplied(f *plate.RGB, transmission *plate.Gray) image.Image {
	m := image.NewNRGBA64(f.Bounds())
	srgb := plate.NewEncoder(plate.SRGB, 16)
	for i, t := range transmission.Pix {
		m.SetNRGBA64(i%f.W, i/f.W, color.NRGBA64{
			R: srgb.Code(f.Pix[0][i]), G: srgb.Code(f.Pix[1][i]), B: srgb.Code(f.Pix[2][i]),
			A: uint16(min(max(1-t, 0), 1)*0xffff + 0.5),
		})
	}
	return m
}
