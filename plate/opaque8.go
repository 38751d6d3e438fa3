package plate

import (
	"image"
	"math"

	"example.com/twinplate/internal/parallel"
)

// opaque8Of tells whether a picture is opaque, of 8 bits.
func opaque8Of(m image.Image) (*image.RGBA, bool) {
	rgba, ok := m.(*image.RGBA)
	return rgba, ok && rgba.Opaque()
}

// opaque8RGB and opaque8Gray are decode for opaque pictures of 8 bits, without a call a pixel.
func opaque8RGB(f *RGB, m *image.RGBA, c Curve) {
	light := c.transfer().light8()
	parallel.Rows(f.W, f.H, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			i, j := y*f.W, (y+1)*f.W
			opaque8Row(m, y, light, f.Pix[0][i:j], f.Pix[1][i:j], f.Pix[2][i:j])
		}
	})
}

func opaque8Gray(f *Gray, m *image.RGBA, c Curve, w *[3]float32) {
	light := c.transfer().light8()
	parallel.Rows(f.W, f.H, func(y0, y1 int) {
		red, green, blue := make([]float32, f.W), make([]float32, f.W), make([]float32, f.W)
		for y := y0; y < y1; y++ {
			opaque8Row(m, y, light, red, green, blue)
			grayRow(f.Pix[y*f.W:(y+1)*f.W], red, green, blue, w)
		}
	})
}

func opaque8Row(m *image.RGBA, y int, light []float32, red, green, blue []float32) {
	lightsOf(red, green, blue, m.Pix[y*m.Stride:], light, 4)
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
