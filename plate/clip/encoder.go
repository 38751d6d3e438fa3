package clip

import (
	"strings"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// An encoder turns linear light into the values that go through the pipe: R'G'B' in planes, or
// Y'CbCr by ITU-R BT.709 at the narrow range, with the chroma of 4:2:0 and 4:2:2 where BT.709 and
// H.264 have it by default: in line with the left one of two pixels, and between two lines.
type encoder struct {
	w, h       int
	wide, high int // of what is written: even where chroma has half as many columns or lines
	depth      int // of the values that are written
	alpha      bool
	chroma     [2]int // columns and lines of a chroma value; 0: R'G'B'
	codes      *plate.Encoder
}

// newEncoder returns the encoder for a pixel format of Y'CbCr, or "" or one with alpha for R'G'B'.
func newEncoder(o *WriterOptions, pixels string) *encoder {
	e := &encoder{w: o.W, h: o.H, wide: o.W, high: o.H, depth: o.Depth, alpha: o.Alpha != "", codes: plate.NewEncoder(o.Curve, 16)}
	if pixels == "" || e.alpha {
		e.codes = plate.NewEncoder(o.Curve, o.Depth)
		return e
	}
	e.depth = 8
	if strings.HasSuffix(pixels, "p10le") {
		e.depth = 10
	}
	e.chroma = [2]int{1, 1}
	switch {
	case strings.Contains(pixels, "420"):
		e.chroma = [2]int{2, 2}
	case strings.Contains(pixels, "422"):
		e.chroma = [2]int{2, 1}
	}
	e.wide = (o.W + e.chroma[0] - 1) / e.chroma[0] * e.chroma[0]
	e.high = (o.H + e.chroma[1] - 1) / e.chroma[1] * e.chroma[1]
	return e
}

// video reports whether Y'CbCr is written.
func (e *encoder) video() bool { return e.chroma[0] > 0 }

// bytes returns how many bytes a frame has.
func (e *encoder) bytes() int {
	n := 3 * e.w * e.h
	switch {
	case e.video():
		n = e.wide*e.high + 2*(e.wide/e.chroma[0])*(e.high/e.chroma[1])
	case e.alpha:
		n = 4 * e.w * e.h
	}
	if e.depth > 8 {
		n *= 2
	}
	return n
}

// fill puts a frame into dst, on all cores.
func (e *encoder) fill(dst []byte, f *plate.RGB, alpha *plate.Gray) {
	lines := max(e.chroma[1], 1)
	parallel.Rows(e.w, (e.h+lines-1)/lines, func(from, to int) {
		s := e.newScratch()
		for y := from * lines; y < min(to*lines, e.h); y++ {
			var a []float32
			if alpha != nil {
				a = alpha.Pix[y*e.w : (y+1)*e.w]
			}
			e.row(dst, y, f.Row(y), a, s)
		}
	})
}

// row puts row y into dst. The rows of one row of chroma come in turn, with one scratch.
func (e *encoder) row(dst []byte, y int, light [3][]float32, alpha []float32, s *scratch) {
	if !e.video() {
		e.rowRGB(dst, y, light, alpha, s)
		return
	}
	line := s.lines[y%len(s.lines)]
	e.codeRow(line, light)
	e.luma(dst, y, line, s)
	if y == e.h-1 && e.high > e.h { // the last row goes on to an even one
		for c, code := range line {
			copy(s.lines[1][c], code)
		}
		e.luma(dst, y+1, line, s)
		y++
	}
	if (y+1)%len(s.lines) == 0 {
		e.colors(dst, y/len(s.lines), s)
	}
}

// A scratch is the rows that it takes to encode those of one row of chroma.
type scratch struct {
	lines       [][3][]float32 // code values, 0 to 1, with one more before the first and one after the last
	luma, zeros []float32
	mean        [3][]float32 // code values where chroma is
	other       []float32    // of a second line
}

func (e *encoder) newScratch() *scratch {
	row := func(w int) []float32 { return make([]float32, w) }
	if !e.video() {
		return &scratch{luma: row(e.w), zeros: row(e.w)}
	}
	three := func(w int) [3][]float32 { return [3][]float32{row(w), row(w), row(w)} }
	columns := e.wide / e.chroma[0]
	return &scratch{
		lines: list.By(e.chroma[1], func(int) [3][]float32 { return three(e.wide + 2) }),
		luma:  row(e.wide), zeros: row(e.wide), mean: three(columns), other: row(columns),
	}
}

// codeRow puts the code values of a row of light into a scratch's line, and goes on with the first
// and the last.
func (e *encoder) codeRow(dst, light [3][]float32) {
	for c, to := range dst {
		e.codes.Row(to[1:1+e.w], light[c])
		to[0] = to[1]
		for x := 1 + e.w; x < len(to); x++ {
			to[x] = to[e.w]
		}
	}
}

// The weights of ITU-R BT.709, item 3.2.
const weightRed, weightGreen, weightBlue = 0.2126, 0.7152, 0.0722

var weights = [3]float32{weightRed, weightGreen, weightBlue}

// luma writes row y of luma.
func (e *encoder) luma(dst []byte, y int, line [3][]float32, s *scratch) {
	n := e.wide
	kernel.Weigh(s.luma, line[0][1:1+n], line[1][1:1+n], line[2][1:1+n], &weights)
	// The narrow range's black and white, ITU-R BT.709 item 4.6.
	scale, black := e.narrow(219, 16)
	e.quantize(dst, y*n, s.luma, s.zeros, scale, 1, black)
}

// narrow returns the scale and the zero of the narrow range, with a half for rounding.
func (e *encoder) narrow(scale, zero float32) (float32, float32) {
	step := float32(int(1) << (e.depth - 8))
	return step * scale, step*zero + 0.5
}

// quantize puts the values scale (a - b) / by + zero into dst, from value at on.
func (e *encoder) quantize(dst []byte, at int, a, b []float32, scale, by, zero float32) {
	size := (e.depth + 7) / 8
	kernel.Quantize(dst[at*size:][:len(a)*size], size, a, b[:len(a)], scale, by, zero)
}

// colors writes row y of both chroma planes from the lines that it is of.
func (e *encoder) colors(dst []byte, y int, s *scratch) {
	columns := len(s.other)
	for c, mean := range s.mean {
		for i, line := range s.lines {
			to := mean
			if i > 0 {
				to = s.other
			}
			if e.chroma[0] == 1 {
				copy(to, line[c][1:])
			} else { // in line with the left pixel: it, and a half of either neighbor
				kernel.Decimate(to, line[c])
			}
			if i > 0 {
				kernel.Mean2(mean, mean, to)
			}
		}
	}
	luma := s.luma[:columns]
	kernel.Weigh(luma, s.mean[0], s.mean[1], s.mean[2], &weights)
	scale, zero := e.narrow(224, 128)
	first := e.wide*e.high + y*columns
	second := first + columns*(e.high/e.chroma[1])
	e.quantize(dst, first, s.mean[2], luma, scale, 2*(1-weightBlue), zero)
	e.quantize(dst, second, s.mean[0], luma, scale, 2*(1-weightRed), zero)
}

// rowRGB is row for R'G'B' and alpha, which is linear, in the order green, blue, red, alpha.
func (e *encoder) rowRGB(dst []byte, y int, light [3][]float32, alpha []float32, s *scratch) {
	n, full := e.w*e.h, float32(int(1)<<e.depth-1)
	for p, c := range [3]int{1, 2, 0} {
		e.codes.Row(s.luma, light[c])
		e.quantize(dst, p*n+y*e.w, s.luma, s.zeros, full, 1, 0.5)
	}
	if alpha == nil {
		return
	}
	for x, v := range alpha {
		s.luma[x] = min(max(v, 0), 1)
	}
	e.quantize(dst, 3*n+y*e.w, s.luma, s.zeros, full, 1, 0.5)
}
