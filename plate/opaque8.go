package plate

import (
	"image"
	"math"
)

// opaque8 is a picture of 8 bits whose alpha is not looked at.
type opaque8 struct{ *image.RGBA }

// opaque8Of tells whether a picture is opaque, of 8 bits.
func opaque8Of(m image.Image) (*image.RGBA, bool) {
	switch m := m.(type) {
	case opaque8:
		return m.RGBA, true
	case *image.RGBA:
		return m, m.Opaque()
	}
	return nil, false
}

// opaque8RGB and opaque8Gray are decode for opaque pictures of 8 bits, without a call a pixel.
func opaque8RGB(f *RGB, m *image.RGBA, c Curve) {
	light := c.transfer().light8()
	inBands(f.W, f.H, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			i, j := y*f.W, (y+1)*f.W
			opaque8Row(m, y, light, f.Pix[0][i:j], f.Pix[1][i:j], f.Pix[2][i:j])
		}
	})
}

func opaque8Gray(f *Gray, m *image.RGBA, c Curve, w *[3]float32) {
	light := c.transfer().light8()
	inBands(f.W, f.H, func(y0, y1 int) {
		red, green, blue := make([]float32, f.W), make([]float32, f.W), make([]float32, f.W)
		for y := y0; y < y1; y++ {
			opaque8Row(m, y, light, red, green, blue)
			grayRow(f.Pix[y*f.W:(y+1)*f.W], red, green, blue, w)
		}
	})
}

func opaque8Row(m *image.RGBA, y int, light []float32, red, green, blue []float32) {
	light = light[:1<<8]
	green, blue = green[:len(red)], blue[:len(red)]
	p := m.Pix[m.PixOffset(m.Rect.Min.X, m.Rect.Min.Y+y):][:4*len(red)]
	for x := range red {
		p := p[4*x : 4*x+4 : 4*x+4]
		red[x], green[x], blue[x] = light[p[0]], light[p[1]], light[p[2]]
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
	for x, r := range red {
		dst[x] = w[0]*r + w[1]*green[x] + w[2]*blue[x]
	}
}
