package plate

import (
	"image"
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
)

// A rowLight puts the linear light of row y of a picture, counted from its top, into red, green and
// blue.
type rowLight func(y int, red, green, blue []float32)

// rowsOf returns what makes a rowLight of m for each goroutine that wants one, or nil where m is
// none of the kinds that most plates are: those are decoded without a call a pixel.
func rowsOf(m image.Image, c Curve) func() rowLight {
	every := func(row rowLight) func() rowLight { return func() rowLight { return row } }
	switch m := m.(type) {
	case *video:
		return m.rows(c)
	case *image.YCbCr:
		// Left of 0 package image counts chroma otherwise than decoders make it.
		if m.Rect.Min.X >= 0 {
			light := c.transfer().lightTint()
			return every(func(y int, red, green, blue []float32) { ycbcrRow(m, m.Rect.Min.Y+y, light, red, green, blue) })
		}
	case *image.RGBA:
		if m.Opaque() {
			light := c.transfer().light8()
			return every(func(y int, red, green, blue []float32) { lightsOf(red, green, blue, m.Pix[y*m.Stride:], light, 4) })
		}
	case *image.RGBA64:
		light := c.transfer().light16()
		return every(func(y int, red, green, blue []float32) { deepRow(m, y, light, red, green, blue) })
	}
	return nil
}

// eachRow calls do with the linear light of every row of a picture, for several rows at a time.
func eachRow(rows func() rowLight, w, h int, do rowLight) {
	parallel.Rows(w, h, func(y0, y1 int) {
		row := rows()
		red, green, blue := make([]float32, w), make([]float32, w), make([]float32, w)
		for y := y0; y < y1; y++ {
			row(y, red, green, blue)
			do(y, red, green, blue)
		}
	})
}

// deepRow is a rowLight for the commonest plates by far, 16 bits and opaque; the pixels that are
// not go the long way.
func deepRow(m *image.RGBA64, y int, light []float32, red, green, blue []float32) {
	light = light[:1<<16]
	n := len(red)
	green, blue = green[:n], blue[:n]
	pix := m.Pix[y*m.Stride:][:8*n]
	for x := range red {
		p := pix[8*x : 8*x+8 : 8*x+8]
		if p[6] != 0xff || p[7] != 0xff {
			setPremultiplied(light, func(_ int, r, g, b, a float32) { red[x], green[x], blue[x] = r*a, g*a, b*a },
				x, get16(p), get16(p[2:]), get16(p[4:]), get16(p[6:]))
			continue
		}
		red[x], green[x], blue[x] = light[uint16(p[0])<<8|uint16(p[1])], light[uint16(p[2])<<8|uint16(p[3])], light[uint16(p[4])<<8|uint16(p[5])]
	}
}

// grayRow makes the values that GrayFromImage makes of a row of colors.
func grayRow(dst, red, green, blue []float32, w *[3]float32) {
	n := len(dst)
	red, green, blue = red[:n], green[:n], blue[:n]
	if w == nil {
		for x, r := range red {
			g, b := green[x], blue[x]
			mean := (r + g + b) / 3
			// One comparison, for which there is a move on a condition.
			if k := math.Float32bits(r); (k^math.Float32bits(g))|(k^math.Float32bits(b)) == 0 {
				mean = r
			}
			dst[x] = mean
		}
		return
	}
	kernel.Weigh(dst, red, green, blue, w)
}
