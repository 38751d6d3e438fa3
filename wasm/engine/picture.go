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
		if f.Background == nil {
			return nil, errNoBackground
		}
		p, err := s.scrubber.Held(f)
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

// halves returns the picture as the viewer takes it.
func (p *picture) halves() []js.Value {
	h := newHalves(p.w, p.h)
	for y := range p.h {
		i, j := y*p.w, (y+1)*p.w
		var alpha []float32
		if p.alpha != nil {
			alpha = p.alpha[i:j]
		}
		h.add([3][]float32{p.plane[0][i:j], p.plane[1][i:j], p.plane[2][i:j]}, alpha)
	}
	return h.to[:]
}

// halves makes of rows, from the top, what the viewer takes: IEEE 754 binary16 values, four to a pixel, their high and their low
// bytes apart.
type halves struct {
	w, h int
	to   [2]js.Value // the page's
	y    int
	row  [4][]uint32
	part [2][]uint32 // partRows rows, which go to the page while they are in the cache
}

const partRows = 16

func newHalves(w, h int) *halves {
	p := &halves{w: w, h: h}
	for i := range p.to {
		p.to[i] = js.Global().Call("bytes", 4*w*h)
		p.part[i] = make([]uint32, partRows*w)
	}
	for c := range p.row {
		p.row[c] = make([]uint32, w)
		for i := range p.row[c] {
			p.row[c][i] = 0x3c00 // 1
		}
	}
	return p
}

// add takes the next row: red, green, blue, which of a gray picture are the same, and alpha, or nil.
func (p *halves) add(row [3][]float32, alpha []float32) {
	for c, plane := range row {
		if c > 0 && &plane[0] == &row[0][0] { // gray
			copy(p.row[c], p.row[0])
		} else {
			kernel.Halves(p.row[c], plane)
		}
	}
	if alpha != nil {
		kernel.Halves(p.row[3], alpha)
	}
	k := p.y % partRows * p.w
	kernel.Weave(p.part[0][k:k+p.w], p.part[1][k:k+p.w], &p.row)
	if p.y++; p.y%partRows != 0 && p.y < p.h {
		return
	}
	for i, to := range p.to {
		b := unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(p.part[i]))), 4*(k+p.w)) // the lowest of each value first
		js.CopyBytesToJS(to.Call("subarray", 4*p.y*p.w-len(b), 4*p.y*p.w), b)
	}
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
