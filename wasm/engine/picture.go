//go:build js

package main

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"slices"
	"syscall/js"
	"unsafe"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// stations are what a frame can be looked at as, in the order of the job.
var stations = []string{"color", "band", "transmission", "background", "held", "foreground", "sum", "matte", "sigma", "unmeasured", "green"}

// A picture is one station in linear light: red, green, blue (premultiplied) and alpha.
type picture struct {
	w, h  int
	plane [3][]float32
	alpha []float32 // nil: opaque
	plain bool      // numbers and not light: shown without the display's curve
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
	numbers := func(p *plate.Gray) (*picture, error) {
		m, err := gray(p)
		m.plain = true
		return m, err
	}
	switch station {
	case "color":
		return rgb(f.Color)
	case "band":
		return gray(f.Band)
	case "transmission":
		return numbers(f.Transmission)
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
		return numbers(matte.Alpha(nil, f.Transmission))
	case "sigma":
		if s.rough {
			return nil, errors.New("the error bar comes with the full geometry")
		}
		sigma, err := s.scrubber.Sigma(f)
		if err != nil {
			return nil, err
		}
		return numbers(sigma)
	case "unmeasured":
		if f.Unmeasured == nil {
			return nil, errors.New("the matte is measured everywhere: there is no region, no spill taken off, and nothing beyond the screen or the band plate")
		}
		return numbers(f.Unmeasured)
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
func (p *picture) halves(half bool) *halves {
	h := newHalves(p.w, p.h, half)
	for y := range p.h {
		i, j := y*p.w, (y+1)*p.w
		var alpha []float32
		if p.alpha != nil {
			alpha = p.alpha[i:j]
		}
		h.add([3][]float32{p.plane[0][i:j], p.plane[1][i:j], p.plane[2][i:j]}, alpha)
	}
	return h
}

// halves makes of rows, from the top, what the viewer takes: IEEE 754 binary16 values, four to a
// pixel, their high and their low bytes apart.
type halves struct {
	w, h int
	to   [2]js.Value // the page's
	y    int
	pair *pair // of rows that become one; nil: each is one
	row  [4][]uint32
	part [2][]uint32 // partRows rows, which go to the page while they are in the cache
}

const partRows = 16

// newHalves makes room for a picture of w by h pixels; with half each way half as many, of the mean
// light.
func newHalves(w, h int, half bool) *halves {
	p := &halves{w: w, h: h}
	if half = half && w > 1 && h > 1; half {
		p.w, p.h = w/2, h/2
		p.pair = newPair(p.w)
		w, h = p.w, p.h
	}
	for i := range p.to {
		p.to[i] = js.Global().Call("bytes", 4*w*h)
		p.part[i] = make([]uint32, partRows*w)
	}
	for c := range p.row {
		p.row[c] = slices.Repeat([]uint32{0x3c00}, w) // 1
	}
	return p
}

// A pair is two rows that become one, of half as many pixels: red, green, blue and alpha.
type pair struct {
	sum    [4][]float32
	second bool
}

// newPair makes room for rows that become one of w pixels.
func newPair(w int) *pair {
	return &pair{sum: [4][]float32(list.Rows[float32](4, w))}
}

// add adds a row, and reports whether the pair is whole.
func (p *pair) add(row [3][]float32, alpha []float32) bool {
	for c, from := range [4][]float32{row[0], row[1], row[2], alpha} {
		if from == nil {
			continue
		}
		to := p.sum[c]
		from = from[:2*len(to)]
		if !p.second {
			for x := range to {
				to[x] = (from[2*x] + from[2*x+1]) / 4
			}
			continue
		}
		for x := range to {
			to[x] += (from[2*x] + from[2*x+1]) / 4
		}
	}
	p.second = !p.second
	return !p.second
}

// add takes the next row: red, green, blue, which of a gray picture are the same, and alpha, or
// nil.
func (p *halves) add(row [3][]float32, alpha []float32) {
	if p.pair != nil {
		if p.y == p.h || !p.pair.add(row, alpha) { // an odd row is left over
			return
		}
		row = [3][]float32(p.pair.sum[:3])
		if alpha != nil {
			alpha = p.pair.sum[3]
		}
	}
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

// display returns the picture as a screen shows it, sRGB of 8 bits, reduced by a whole factor to at
// most so many pixels of width; 0 is its own size. The reduction averages light. It is opaque, or
// with straight has its alpha, and its color without it.
func (p *picture) display(width int, straight bool) *image.NRGBA {
	n := 1
	if width > 0 {
		n = max(1, (p.w+width-1)/width)
	}
	w, h := max(p.w/n, 1), max(p.h/n, 1)
	m := image.NewNRGBA(image.Rect(0, 0, w, h))
	curve := plate.NewEncoder(plate.SRGB, 8)
	if p.plain {
		curve = plate.NewEncoder(plate.Linear, 8)
	}
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
			out[3] = 0xff
			if alpha := min(max(sum[3]*part, 0), 1); straight && p.alpha != nil {
				out[3] = uint8(alpha*0xff + 0.5)
				for c := range 3 {
					sum[c] /= max(alpha, 1./0xff)
				}
			}
			for c := range 3 {
				out[c] = uint8(curve.Code(sum[c] * part))
			}
		}
	}
	return m
}

// premultiplied is a frame's foreground with its alpha beside it, its color as it was photographed:
// PNG has no word for this, so the file's name says it.
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
