package plate

import (
	"fmt"
	"image"
	"math"
)

// An Encoder turns linear light into the 8-bit or 16-bit code values of a curve, rounded to the nearest code.
// It is prepared once for a curve and a depth, needs no power or logarithm for a pixel, and is safe to use
// concurrently.
type Encoder struct {
	full int // the highest code, 255 or 65535
	// from[k] is the least light whose code is k or more; from[0] is -Inf.
	from []float32
	// start[i] is the code of the least light whose ordered bits begin with the 16 bits of i. Within such a
	// step, 1/128 of the light at most, curves are nearly straight, so a guess between start[i] and
	// start[i+1] is seldom wrong by more than one code.
	start []uint16
}

// NewEncoder returns the encoder for a curve and a depth of 8 or 16 bits; it panics at any other depth. The
// first for a curve and depth builds its tables, in some milliseconds; later ones share them.
func NewEncoder(c Curve, depth int) *Encoder {
	switch depth {
	case 8:
		return c.transfer().encode8()
	case 16:
		return c.transfer().encode16()
	}
	panic(fmt.Sprintf("plate: a depth of %d bits, and it must be 8 or 16", depth))
}

// Code returns the code value nearest to that of the light l: 0 for less than the curve can hold and for NaN,
// and 255 or 65535 for more.
func (e *Encoder) Code(l float32) uint16 {
	if l != l {
		return 0
	}
	key := orderedBits(l)
	i := key >> 16
	lo, hi := int(e.start[i]), int(e.start[i+1])
	k := lo + (hi-lo)*int(key&0xffff)>>16
	if l >= e.from[k] {
		lo = k
		for range 3 {
			if k == hi || l < e.from[k+1] {
				return uint16(k)
			}
			k++
		}
		lo = k
	} else {
		for range 3 {
			k--
			if l >= e.from[k] {
				return uint16(k)
			}
		}
		hi = k - 1
	}
	// A kink of a measured curve lies within the step: halve what is left.
	for lo < hi {
		mid := (lo + hi + 1) / 2
		if l >= e.from[mid] {
			lo = mid
		} else {
			hi = mid - 1
		}
	}
	return uint16(lo)
}

// orderedBits returns the bits of l, arranged so that they order as the numbers do.
func orderedBits(l float32) uint32 {
	u := math.Float32bits(l)
	return u ^ (uint32(int32(u)>>31) | 1<<31)
}

func fromOrderedBits(key uint32) float32 {
	return math.Float32frombits(key ^ (uint32(int32(^key)>>31) | 1<<31))
}

func buildEncoder(toLinear, fromLinear func(float64) float64, full int) *Encoder {
	e := &Encoder{full: full, from: make([]float32, full+1), start: make([]uint16, 1<<16+1)}
	e.from[0] = float32(math.Inf(-1))
	for k := 1; k <= full; k++ {
		guess := float32(toLinear((float64(k) - 0.5) / float64(full)))
		e.from[k] = least(guess, func(l float32) bool {
			return fromLinear(float64(l))*float64(full)+0.5 >= float64(k)
		})
	}
	k := 0
	for i := range e.start {
		l := fromOrderedBits(uint32(min(uint64(i)<<16, math.MaxUint32)))
		if l == l {
			for k < full && l >= e.from[k+1] {
				k++
			}
		} else if i > 1<<15 { // NaN, above +Inf
			k = full
		}
		e.start[i] = uint16(k)
	}
	return e
}

// least returns the least number for which ok, which is false up to some number and true from there on, or
// +Inf where it is never true. It looks near the guess first.
func least(guess float32, ok func(float32) bool) float32 {
	bottom, top := int64(orderedBits(float32(math.Inf(-1)))), int64(orderedBits(float32(math.Inf(1))))
	at := func(key int64) bool { return ok(fromOrderedBits(uint32(key))) }
	if guess != guess {
		guess = 0
	}
	// lo is a key at which ok is false (or below all), hi one at which it is true (or above all).
	lo, hi := int64(orderedBits(guess)), int64(orderedBits(guess))
	if at(lo) {
		for step := int64(1); ; step *= 2 {
			if lo = hi - step; lo < bottom {
				lo = bottom - 1
				break
			}
			if !at(lo) {
				break
			}
			hi = lo
		}
	} else {
		for step := int64(1); ; step *= 2 {
			if hi = lo + step; hi > top {
				hi = top
				break
			}
			if at(hi) {
				break
			}
			lo = hi
		}
	}
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; at(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return fromOrderedBits(uint32(hi))
}

// Image encodes a frame: *Gray to *image.Gray or *image.Gray16, *RGB to an opaque *image.RGBA or *image.RGBA64,
// and *RGBA to *image.NRGBA or *image.NRGBA64. Any other picture is returned as it is.
//
// The color of an *RGBA is divided by the alpha that the picture holds, that is rounded and within 0 to 1, so
// that decoding gives back the premultiplied color. Where that alpha is 0 the pixel becomes transparent black,
// and light that it added is lost; where the color divided by alpha is beyond the curve's code 1 it is
// clipped.
func (e *Encoder) Image(frame image.Image) image.Image {
	switch f := frame.(type) {
	case *Gray:
		return e.gray(f)
	case *RGB:
		return e.rgb(f)
	case *RGBA:
		return e.rgba(f)
	}
	return frame
}

// Encode returns a frame as a picture of code values of a curve at a depth of 8 or 16 bits: see Encoder.Image.
func Encode(frame image.Image, c Curve, depth int) image.Image {
	return NewEncoder(c, depth).Image(frame)
}

func (e *Encoder) gray(f *Gray) image.Image {
	if e.full == 0xff {
		m := image.NewGray(f.Bounds())
		inBands(f.W, f.H, func(y0, y1 int) {
			for i := y0 * f.W; i < y1*f.W; i++ {
				m.Pix[i] = uint8(e.Code(f.Pix[i]))
			}
		})
		return m
	}
	m := image.NewGray16(f.Bounds())
	inBands(f.W, f.H, func(y0, y1 int) {
		for i := y0 * f.W; i < y1*f.W; i++ {
			put16(m.Pix[2*i:], e.Code(f.Pix[i]))
		}
	})
	return m
}

func (e *Encoder) rgb(f *RGB) image.Image {
	if e.full == 0xff {
		m := image.NewRGBA(f.Bounds())
		inBands(f.W, f.H, func(y0, y1 int) {
			for i := y0 * f.W; i < y1*f.W; i++ {
				p := m.Pix[4*i : 4*i+4]
				p[0] = uint8(e.Code(f.Pix[0][i]))
				p[1] = uint8(e.Code(f.Pix[1][i]))
				p[2] = uint8(e.Code(f.Pix[2][i]))
				p[3] = 0xff
			}
		})
		return m
	}
	m := image.NewRGBA64(f.Bounds())
	inBands(f.W, f.H, func(y0, y1 int) {
		for i := y0 * f.W; i < y1*f.W; i++ {
			p := m.Pix[8*i : 8*i+8]
			put16(p, e.Code(f.Pix[0][i]))
			put16(p[2:], e.Code(f.Pix[1][i]))
			put16(p[4:], e.Code(f.Pix[2][i]))
			put16(p[6:], 0xffff)
		}
	})
	return m
}

func (e *Encoder) rgba(f *RGBA) image.Image {
	if e.full == 0xff {
		m := image.NewNRGBA(f.Bounds())
		inBands(f.W, f.H, func(y0, y1 int) {
			for i := y0 * f.W; i < y1*f.W; i++ {
				r, g, b, a := e.straight(f, i)
				p := m.Pix[4*i : 4*i+4]
				p[0], p[1], p[2], p[3] = uint8(r), uint8(g), uint8(b), uint8(a)
			}
		})
		return m
	}
	m := image.NewNRGBA64(f.Bounds())
	inBands(f.W, f.H, func(y0, y1 int) {
		for i := y0 * f.W; i < y1*f.W; i++ {
			r, g, b, a := e.straight(f, i)
			p := m.Pix[8*i : 8*i+8]
			put16(p, r)
			put16(p[2:], g)
			put16(p[4:], b)
			put16(p[6:], a)
		}
	})
	return m
}

// straight returns the codes of pixel i with its color un-premultiplied.
func (e *Encoder) straight(f *RGBA, i int) (r, g, b, a uint16) {
	full := float32(e.full)
	a = round(f.A[i], full)
	if a == 0 {
		return 0, 0, 0, 0
	}
	q := float32(a) / full
	return e.Code(f.Pix[0][i] / q), e.Code(f.Pix[1][i] / q), e.Code(f.Pix[2][i] / q), a
}

// round rounds v, 0 to 1, to a code from 0 to full. NaN gives 0.
func round(v, full float32) uint16 {
	switch {
	case v >= 1:
		return uint16(full)
	case v > 0:
		return uint16(float64(v)*float64(full) + 0.5)
	}
	return 0
}

func put16(p []uint8, v uint16) { p[0], p[1] = uint8(v>>8), uint8(v) }
