package main

import "math"

// A coarse frame is the canvas drawn by the processor: each device pixel has the picture's pixel at
// its middle. Where software plays a graphics processor this takes a third of the time that
// picture.kage does (BenchmarkDraw in site), and serves while pictures follow each other. It has all
// of a look but the marks of clipped pixels and the grid.
type coarse struct {
	w, h    int
	pix     []byte // red, green, blue and 255 of each device pixel
	columns []int  // of a side, where in a row of the picture each device pixel's bytes begin
	fields  []int  // of the same, how many fields of the checker lie to the left
	light   []float32
	codes   [2][]uint8 // by curve, of codeSteps + 1 values of light from 0 to 1
}

// codeSteps is how finely light is looked up: near black the display's curve makes a fifth of a
// code of 8 bits of a step.
const codeSteps = 1 << 14

// prepare gives the frame a size and fills it with the surround.
func (c *coarse) prepare(w, h int, surround [3]float32) {
	if c.light == nil {
		c.light = lights()
		for curve := range c.codes {
			c.codes[curve] = codes(curve == 1)
		}
	}
	if c.w != w || c.h != h {
		c.w, c.h, c.pix = w, h, make([]byte, 4*w*h)
	}
	r, g, b := code(surround[0]), code(surround[1]), code(surround[2])
	for i := 0; i < len(c.pix); i += 4 {
		p := c.pix[i : i+4 : i+4]
		p[0], p[1], p[2], p[3] = r, g, b, 255
	}
}

// lights are all half floats by their bits, as picture.kage has them: an infinity and what is not a
// number are numbers above all others.
func lights() []float32 {
	out := make([]float32, 1<<16)
	for bits := range out {
		e, m := bits>>10&31, float64(bits&1023)
		if e > 0 {
			m += 1024
		}
		v := math.Ldexp(m, max(e, 1)-25)
		if bits>>15 == 1 {
			v = -v
		}
		out[bits] = float32(v)
	}
	return out
}

// codes are the display's codes, by its curve (IEC 61966-2-1) or as the numbers are.
func codes(curve bool) []uint8 {
	out := make([]uint8, codeSteps+1)
	for i := range out {
		v := float64(i) / codeSteps
		switch {
		case !curve:
		case v <= 0.0031308:
			v *= 12.92
		default:
			v = 1.055*math.Pow(v, 1/2.4) - 0.055
		}
		out[i] = uint8(255*v + 0.5)
	}
	return out
}

// A patch is how a side's picture lies on the canvas.
type patch struct {
	w, h        int     // of the picture, in its pixels
	hi, lo      []byte  // its half floats' high and low bytes
	origin      point   // its corner on the canvas
	pace        point   // picture pixels from one device pixel to the next
	left, right float64 // the columns of the canvas that it takes
	gain        float32 // exposure
	pick        [4]float32
	mono        bool          // one channel, by pick
	curve       int           // 1: the display's; 0: none
	ground      [2][3]float32 // linear light under the picture: the two fields of a checker
	check       float64       // device pixels of a field
}

// draw draws a side's picture, where the canvas shows it.
func (c *coarse) draw(p *patch) {
	left, right := max(0, int(p.left+0.5)), min(c.w, int(p.right+0.5))
	top, bottom := max(0, int(p.origin.y)), min(c.h, int(p.origin.y+float64(p.h)/p.pace.y+0.5))
	if right <= left {
		return
	}
	c.columns, c.fields = c.columns[:0], c.fields[:0]
	for x := left; x < right; x++ {
		from := float64(x) - p.origin.x
		c.columns = append(c.columns, 4*min(max(int((from+0.5)*p.pace.x), 0), p.w-1))
		c.fields = append(c.fields, int(from/p.check))
	}
	for y := top; y < bottom; y++ {
		from := 4 * p.w * min(max(int((float64(y)+0.5-p.origin.y)*p.pace.y), 0), p.h-1)
		down := int((float64(y) - p.origin.y) / p.check)
		c.row(p, c.pix[4*(y*c.w+left):4*(y*c.w+right)], p.hi[from:from+4*p.w], p.lo[from:from+4*p.w], left, down)
	}
}

// row draws a row from column left on, down fields of the checker below the picture's corner. It
// calls nothing: the viewer is built without inlining.
func (c *coarse) row(p *patch, out, hi, lo []byte, left, down int) {
	light, codes := (*[1 << 16]float32)(c.light), (*[codeSteps + 1]uint8)(c.codes[p.curve])
	gain, pick := p.gain, p.pick
	for k, at := range c.columns {
		h, l := hi[at:at+4:at+4], lo[at:at+4:at+4]
		r, g, b := light[uint16(h[0])<<8|uint16(l[0])]*gain, light[uint16(h[1])<<8|uint16(l[1])]*gain, light[uint16(h[2])<<8|uint16(l[2])]*gain
		alpha := light[uint16(h[3])<<8|uint16(l[3])]
		if alpha < 1 {
			through := 1 - alpha
			if alpha < 0 {
				through = 1
			}
			ground := &p.ground[0]
			if (c.fields[k]+down)&1 == 1 {
				ground = &p.ground[1]
			}
			r, g, b = r+through*ground[0], g+through*ground[1], b+through*ground[2]
		}
		if p.mono {
			r = r*pick[0] + g*pick[1] + b*pick[2] + alpha*gain*pick[3]
			g, b = r, r
		}
		to := out[4*k : 4*k+4 : 4*k+4]
		to[0], to[1], to[2], to[3] = 0, 0, 0, 255
		if r >= 1 {
			to[0] = 255
		} else if r > 0 {
			to[0] = codes[uint32(r*codeSteps+0.5)]
		}
		if g >= 1 {
			to[1] = 255
		} else if g > 0 {
			to[1] = codes[uint32(g*codeSteps+0.5)]
		}
		if b >= 1 {
			to[2] = 255
		} else if b > 0 {
			to[2] = codes[uint32(b*codeSteps+0.5)]
		}
	}
}
