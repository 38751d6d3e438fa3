package plate

import (
	"fmt"
	"image"
	"math"
	"math/bits"
	"sort"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
)

// An Encoder turns linear light into the 8-bit or 16-bit code values of a curve, rounded to the
// nearest code. It is prepared once for a curve and a depth, needs no power or logarithm for a
// pixel, and is safe to use concurrently.
type Encoder struct {
	full  int // the highest code, 255 or 65535
	codes kernel.Steps
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
	k := e.codes.Code(l)
	if k > e.full {
		k = e.search(l)
	}
	return uint16(k)
}

// search returns the code of the light l where no line is near enough.
func (e *Encoder) search(l float32) int {
	if l != l {
		return 0
	}
	return e.holding(kernel.Order(l))
}

// holding returns the code of the light whose order is key.
func (e *Encoder) holding(key int32) int {
	return sort.Search(e.full, func(k int) bool { return e.codes.From[k+1] > key })
}

// Row puts the codes of a row of light into dst, as parts of the highest: 0 to 1. Both have one
// length.
func (e *Encoder) Row(dst, light []float32) { e.row(dst, light, 1/float32(e.full)) }

// row puts unit times the codes of a row of light into dst.
func (e *Encoder) row(dst, light []float32, unit float32) {
	if e.codes.Row(dst, light, unit) {
		return
	}
	last := float32(e.full) * unit
	for x, code := range dst {
		if code > last {
			dst[x] = float32(e.search(light[x])) * unit
		}
	}
}

func buildEncoder(toLinear, fromLinear func(float64) float64, full int) *Encoder {
	e := &Encoder{full: full}
	code := func(key int32) float64 { return fromLinear(float64(kernel.Ordered(key)))*float64(full) + 0.5 }
	from := make([]int32, full+3)
	from[0] = math.MinInt32
	for k := 1; k <= full; k++ {
		guess := float32(toLinear((float64(k) - 0.5) / float64(full)))
		from[k] = least(guess, func(key int32) bool { return code(key) >= float64(k) })
	}
	from[full+1], from[full+2] = math.MaxInt32, math.MaxInt32
	low, high := max(from[1]-1, darkest), from[full]
	e.codes = kernel.Steps{Low: kernel.Ordered(low), High: kernel.Ordered(high), First: low >> 16, From: from}
	// From one line to the next light changes by 1/128 at most, and curves are nearly straight: at
	// 16 bits they are an eighth of a code off, and more only where the curve has a corner.
	e.codes.Lines = make([][2]float32, high>>16-low>>16+1)
	next := code(low &^ 0xffff)
	for i := range e.codes.Lines {
		first := (e.codes.First + int32(i)) << 16
		at := next
		next = code(int32(min(int64(first)+1<<16, brightest)))
		line := [2]float32{float32(at + 0.5), float32((next - at) / (1 << 16))}
		if !e.near(line, max(first, low), min(first|0xffff, high)) {
			line = kernel.NoLine(full + 1)
		}
		e.codes.Lines[i] = line
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
				e.steps[i] = step(math.Float32bits(kernel.Ordered(from[last]))-1)<<32 | step(first)
			default:
				e.steps[i] = manyCodes
			}
		}
	}
	return e
}

// near reports whether a line gives the code, or one more, of all light whose orders are those from
// first to last.
func (e *Encoder) near(line [2]float32, first, last int32) bool {
	if !(line[1] >= 0) || first == darkest && e.codes.From[1] <= darkest {
		return false
	}
	from := e.codes.From
	guess := func(key int32) float32 { return line[0] + float32(line[1]*float32(key&0xffff)) }
	for k := e.holding(first); k <= e.full && from[k] <= last; k++ {
		a, b := max(first, from[k]), min(last, from[k+1]-1)
		// Both rise with the light, so that it is enough to look at the ends of what has code k.
		if a <= b && !(guess(a) >= float32(k) && guess(b) < float32(k+2)) {
			return false
		}
	}
	return true
}

// The orders of -Inf and +Inf; those beyond are NaN.
const darkest, brightest = -0x7f800001, 0x7f800000

// least returns the order of the least number for which ok, which is false up to some number and
// true from there on, or that of +Inf where it is never true. It looks near the guess first.
func least(guess float32, ok func(key int32) bool) int32 {
	if guess != guess {
		guess = 0
	}
	// ok is false at lo, or lo is below all; it is true at hi, or hi is +Inf.
	lo, hi := int64(kernel.Order(guess)), int64(kernel.Order(guess))
	if ok(int32(lo)) {
		for step := int64(1); ; step *= 2 {
			if lo = hi - step; lo < darkest {
				lo = darkest - 1
				break
			}
			if !ok(int32(lo)) {
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
			if ok(int32(hi)) {
				break
			}
			lo = hi
		}
	}
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; ok(int32(mid)) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return int32(hi)
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
	var codes [256]float32 // of as many values at a time
	for len(values) > 0 {
		n := min(len(values), len(codes))
		e.row(codes[:n], values[:n], 1)
		for _, code := range codes[:n] {
			put16(dst[at:], uint16(code))
			at += step
		}
		values = values[n:]
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
