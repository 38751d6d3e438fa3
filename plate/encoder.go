package plate

import (
	"fmt"
	"image"
	"math"
	"math/bits"

	"example.com/twinplate/internal/parallel"
)

// An Encoder turns linear light into the 8-bit or 16-bit code values of a curve, rounded to the
// nearest code. It is prepared once for a curve and a depth, needs no power or logarithm for a
// pixel, and is safe to use concurrently.
type Encoder struct {
	full int // the highest code, 255 or 65535
	// from[k] is the least light, as ordered bits, whose code is k or more; from[0] and
	// from[full+1] bound all.
	from []uint32
	// start[i] is the code, unrounded and in units of 1/65536, of the light whose ordered bits are
	// i<<16. From one to the next light changes by 1/128 at most, and curves are nearly straight:
	// what lies between is guessed by a line, and the guess is wrong only near the places where the
	// code changes.
	start []uint32
	steps *[1 << 16]step // of 8-bit codes: of the light whose bits begin with the index
}

// A step is the codes of a range of light in which there are hardly ever more than two: the first
// in the lowest 8 bits, and in the highest 32 the bits of the last light that has it. Where that
// does not say all, it is manyCodes.
type step uint64

const manyCodes step = 1 << 8

// code8 is Code for 8 bits, some times as fast. Light is as often above the step as below, at
// random, so there is no branch for that.
func (e *Encoder) code8(l float32) uint8 {
	u := math.Float32bits(l)
	s := e.steps[u>>16]
	if s == manyCodes {
		return uint8(e.Code(l))
	}
	return s.code(u)
}

func (s step) code(bits uint32) uint8 { return uint8(s) + uint8((s>>32-step(bits))>>63) }

// NewEncoder returns the encoder for a curve and a depth of 8 or 16 bits; it panics at any other
// depth. The first for a curve and depth builds its tables, in some milliseconds; later ones share
// them.
func NewEncoder(c Curve, depth int) *Encoder {
	switch depth {
	case 8:
		return c.transfer().encode8()
	case 16:
		return c.transfer().encode16()
	}
	panic(fmt.Sprintf("plate: a depth of %d bits, and it must be 8 or 16", depth))
}

// Code returns the code value nearest to that of the light l: 0 for less than the curve can hold
// and for NaN, and 255 or 65535 for more.
func (e *Encoder) Code(l float32) uint16 {
	if l != l {
		return 0
	}
	key := orderedBits(l)
	p, q := uint64(e.start[key>>16]), uint64(e.start[key>>16+1])
	k := int((p<<16 + (q-p)*uint64(key&0xffff)) >> 32)
	if e.from[k] <= key && key < e.from[k+1] {
		return uint16(k)
	}
	return e.search(key, k)
}

// search returns the code of key, looking near the guess k first.
func (e *Encoder) search(key uint32, k int) uint16 {
	// The code is lo or more, and less than hi.
	lo, hi := 0, e.full+1
	if e.from[k] <= key {
		lo = k
		for step := 1; lo+step < hi; step *= 2 {
			if key < e.from[lo+step] {
				hi = lo + step
				break
			}
			lo += step
		}
	} else {
		hi = k
		for step := 1; hi-step > lo; step *= 2 {
			if e.from[hi-step] <= key {
				lo = hi - step
				break
			}
			hi -= step
		}
	}
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; e.from[mid] <= key {
			lo = mid
		} else {
			hi = mid
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
	e := &Encoder{full: full, from: make([]uint32, full+2), start: make([]uint32, 1<<16+1)}
	code := func(key uint32) float64 { return fromLinear(float64(fromOrderedBits(key)))*float64(full) + 0.5 }
	for k := 1; k <= full; k++ {
		guess := float32(toLinear((float64(k) - 0.5) / float64(full)))
		e.from[k] = least(guess, func(key uint32) bool { return code(key) >= float64(k) })
	}
	e.from[full+1] = math.MaxUint32 // a NaN
	for i := range e.start {
		switch key := uint64(i) << 16; {
		case key <= darkest:
		case key >= brightest:
			e.start[i] = uint32(full)<<16 | 0xffff
		default:
			e.start[i] = uint32(min(max(code(uint32(key)), 0)*0x10000, float64(uint32(full)<<16|0xffff)))
			e.start[i] = max(e.start[i], e.start[i-1]) // a curve may fall by the rounding of its constants
		}
	}
	if full == 0xff {
		e.steps = new([1 << 16]step)
		for i := range e.steps {
			u := uint32(i) << 16
			first, last := e.Code(math.Float32frombits(u)), e.Code(math.Float32frombits(u|0xffff))
			switch {
			case first == last:
				e.steps[i] = math.MaxUint32<<32 | step(first)
			case first+1 == last: // of a range below 0 the last is the lower
				e.steps[i] = step(math.Float32bits(fromOrderedBits(e.from[last]))-1)<<32 | step(first)
			default:
				e.steps[i] = manyCodes
			}
		}
	}
	return e
}

// The ordered bits of -Inf and +Inf; those beyond are NaN.
const darkest, brightest = 0x007fffff, 0xff800000

// least returns the ordered bits of the least number for which ok, which is false up to some number
// and true from there on, or those of +Inf where it is never true. It looks near the guess first.
func least(guess float32, ok func(key uint32) bool) uint32 {
	if guess != guess {
		guess = 0
	}
	// ok is false at lo, or lo is below all; it is true at hi, or hi is +Inf.
	lo, hi := int64(orderedBits(guess)), int64(orderedBits(guess))
	if ok(uint32(lo)) {
		for step := int64(1); ; step *= 2 {
			if lo = hi - step; lo < darkest {
				lo = darkest - 1
				break
			}
			if !ok(uint32(lo)) {
				break
			}
			hi = lo
		}
	} else {
		for step := int64(1); ; step *= 2 {
			if hi = lo + step; hi >= brightest {
				hi = brightest
				break
			}
			if ok(uint32(hi)) {
				break
			}
			lo = hi
		}
	}
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; ok(uint32(mid)) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return uint32(hi)
}

// Image encodes a frame: *Gray to *image.Gray or *image.Gray16, *RGB to an opaque *image.RGBA or
// *image.RGBA64, and *RGBA to *image.NRGBA or *image.NRGBA64. Any other picture is returned as it
// is.
//
// The color of an *RGBA is divided by the alpha that the picture holds, that is rounded and within
// 0 to 1, so that decoding gives back the premultiplied color. Where that alpha is 0 the pixel
// becomes transparent black, and light that it added is lost; where the color divided by alpha is
// beyond the curve's code 1 it is clipped.
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

// Encode returns a frame as a picture of code values of a curve at a depth of 8 or 16 bits: see
// Encoder.Image.
func Encode(frame image.Image, c Curve, depth int) image.Image {
	return NewEncoder(c, depth).Image(frame)
}

func (e *Encoder) depth() int { return bits.Len(uint(e.full)) }

// newCodes returns a picture of code values of 8 or 16 bits, which is gray, opaque color, or color
// with straight alpha: samples are 1, 3 or 4. Its lines are stride bytes of pix apart.
func newCodes(bounds image.Rectangle, samples, depth int) (m image.Image, pix []byte, stride int) {
	switch [2]int{samples, depth} {
	case [2]int{1, 8}:
		g := image.NewGray(bounds)
		return g, g.Pix, g.Stride
	case [2]int{1, 16}:
		g := image.NewGray16(bounds)
		return g, g.Pix, g.Stride
	case [2]int{3, 8}:
		g := image.NewRGBA(bounds)
		return g, g.Pix, g.Stride
	case [2]int{3, 16}:
		g := image.NewRGBA64(bounds)
		return g, g.Pix, g.Stride
	case [2]int{4, 8}:
		g := image.NewNRGBA(bounds)
		return g, g.Pix, g.Stride
	}
	g := image.NewNRGBA64(bounds)
	return g, g.Pix, g.Stride
}

func (e *Encoder) gray(f *Gray) image.Image {
	m, pix, stride := newCodes(f.Bounds(), 1, e.depth())
	parallel.Rows(f.W, f.H, func(y0, y1 int) {
		e.spaced(pix[y0*stride:], e.depth()/8, f.Pix[y0*f.W:y1*f.W:len(f.Pix)])
	})
	return m
}

func (e *Encoder) rgb(f *RGB) image.Image {
	m, pix, _ := newCodes(f.Bounds(), 3, e.depth())
	value := e.depth() / 8 // its bytes
	parallel.Rows(f.W, f.H, func(y0, y1 int) {
		i, j := y0*f.W, y1*f.W
		for c := range 3 {
			e.spaced(pix[(4*i+c)*value:], 4*value, f.Pix[c][i:j:len(f.Pix[c])])
		}
		for k := 4*i + 3; k < 4*j; k += 4 {
			for b := range value {
				pix[k*value+b] = 0xff
			}
		}
	})
	return m
}

func (e *Encoder) rgba(f *RGBA) image.Image {
	m, pix, stride := newCodes(f.Bounds(), 4, e.depth())
	parallel.EachRow(f.W, f.H, func(y int) {
		e.straightLine(pix[y*stride:][:stride], f, y)
	})
	return m
}

// spaced puts the codes of values into dst, from one to the next step bytes on.
func (e *Encoder) spaced(dst []byte, step int, values []float32) {
	at := 0
	if e.full == 0xff {
		for _, v := range values {
			u := math.Float32bits(v)
			if s := e.steps[u>>16]; s != manyCodes {
				dst[at] = s.code(u)
			} else {
				dst[at] = uint8(e.Code(v))
			}
			at += step
		}
		return
	}
	for _, v := range values {
		put16(dst[at:], e.Code(v))
		at += step
	}
}

// interleave puts the 8-bit codes of three values a pixel into dst.
func (e *Encoder) interleave(dst []byte, r, g, b []float32) {
	g, b, dst = g[:len(r)], b[:len(r)], dst[:3*len(r)]
	for x := range r {
		d := dst[3*x : 3*x+3 : 3*x+3]
		i, j, k := math.Float32bits(r[x]), math.Float32bits(g[x]), math.Float32bits(b[x])
		p, q, s := e.steps[i>>16], e.steps[j>>16], e.steps[k>>16]
		if p == manyCodes || q == manyCodes || s == manyCodes {
			d[0], d[1], d[2] = e.code8(r[x]), e.code8(g[x]), e.code8(b[x])
			continue
		}
		d[0], d[1], d[2] = p.code(i), q.code(j), s.code(k)
	}
}

// straightLine puts the codes of line y into dst, with straight alpha.
func (e *Encoder) straightLine(dst []byte, f *RGBA, y int) {
	for i := y * f.W; i < (y+1)*f.W; i++ {
		r, g, b, a := e.straight(f, i)
		if e.full == 0xff {
			dst[0], dst[1], dst[2], dst[3] = uint8(r), uint8(g), uint8(b), uint8(a)
			dst = dst[4:]
			continue
		}
		put16(dst, r)
		put16(dst[2:], g)
		put16(dst[4:], b)
		put16(dst[6:], a)
		dst = dst[8:]
	}
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
