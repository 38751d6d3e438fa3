package clip

import (
	"encoding/binary"
	"strings"

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

// fill puts a frame into dst.
func (e *encoder) fill(dst []byte, f *plate.RGB, alpha *plate.Gray) {
	if !e.video() {
		e.fillRGB(dst, f, alpha)
		return
	}
	lines := e.chroma[1]
	parallel.Rows(e.w, (e.high+lines-1)/lines, func(y0, y1 int) {
		rows := list.By(lines, func(int) [3][]float32 { return plate.NewRGB(e.wide, 1).Row(0) }) // code values, 0 to 1
		for y := y0; y < y1; y++ {
			for i := range rows {
				e.codeRow(rows[i], f.Row(min(y*lines+i, e.h-1)))
				e.luma(dst, y*lines+i, rows[i])
			}
			e.colors(dst, y, rows)
		}
	})
}

// codeRow puts the code values of a row of light, 0 to 1, into dst, and repeats the last.
func (e *encoder) codeRow(dst, light [3][]float32) {
	for c := range 3 {
		to := dst[c]
		e.codes.Row(to[:e.w], light[c])
		for x := e.w; x < e.wide; x++ {
			to[x] = to[e.w-1]
		}
	}
}

// The weights of ITU-R BT.709, item 3.2.
const weightRed, weightGreen, weightBlue = 0.2126, 0.7152, 0.0722

// luma writes row y of luma.
func (e *encoder) luma(dst []byte, y int, row [3][]float32) {
	at := y * e.wide
	red, green, blue := row[0], row[1][:len(row[0])], row[2][:len(row[0])]
	// The narrow range's black and white, ITU-R BT.709 item 4.6, and a half for rounding.
	scale, black := e.narrow(219, 16)
	for x, r := range red {
		e.put(dst, at+x, uint16(scale*(weightRed*r+weightGreen*green[x]+weightBlue*blue[x])+black))
	}
}

// narrow returns the scale and the zero of the narrow range, with a half for rounding.
func (e *encoder) narrow(scale, zero float32) (float32, float32) {
	step := float32(int(1) << (e.depth - 8))
	return step * scale, step*zero + 0.5
}

func (e *encoder) put(dst []byte, i int, v uint16) {
	if e.depth == 8 {
		dst[i] = byte(v)
		return
	}
	binary.LittleEndian.PutUint16(dst[2*i:], v)
}

// colors writes row y of both chroma planes from the lines that it is of.
func (e *encoder) colors(dst []byte, y int, rows [][3][]float32) {
	columns := e.wide / e.chroma[0]
	first := e.wide*e.high + y*columns
	second := first + columns*(e.high/e.chroma[1])
	scale, zero := e.narrow(224, 128)
	share := 1 / float32(len(rows))
	for x := range columns {
		var r, g, b float32
		for _, row := range rows {
			if e.chroma[0] == 1 {
				r, g, b = r+row[0][x], g+row[1][x], b+row[2][x]
				continue
			}
			// In line with the left pixel: it, and a half of either neighbor.
			k := 2 * x
			left := max(k-1, 0)
			r += row[0][k]/2 + (row[0][left]+row[0][k+1])/4
			g += row[1][k]/2 + (row[1][left]+row[1][k+1])/4
			b += row[2][k]/2 + (row[2][left]+row[2][k+1])/4
		}
		r, g, b = r*share, g*share, b*share
		luma := weightRed*r + weightGreen*g + weightBlue*b
		e.put(dst, first+x, uint16(scale*(b-luma)/(2*(1-weightBlue))+zero))
		e.put(dst, second+x, uint16(scale*(r-luma)/(2*(1-weightRed))+zero))
	}
}

// fillRGB is fill for R'G'B' and alpha, which is linear, in the order green, blue, red, alpha.
func (e *encoder) fillRGB(dst []byte, f *plate.RGB, alpha *plate.Gray) {
	n := e.w * e.h
	parallel.Rows(e.w, e.h, func(y0, y1 int) {
		for p, c := range [3]int{1, 2, 0} {
			for i := y0 * e.w; i < y1*e.w; i++ {
				e.put(dst, p*n+i, e.codes.Code(f.Pix[c][i]))
			}
		}
		if alpha == nil {
			return
		}
		full := float32(int(1)<<e.depth - 1)
		for i := y0 * e.w; i < y1*e.w; i++ {
			e.put(dst, 3*n+i, uint16(min(max(alpha.Pix[i], 0), 1)*full+0.5))
		}
	})
}
