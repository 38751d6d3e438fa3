package plate

import (
	"image"
	"image/color"

	"example.com/twinplate/internal/parallel"
)

// FromImage decodes a picture with the curve c. The color that the picture holds for a pixel, less
// its alpha where that is multiplied in, is decoded to linear light and then multiplied by alpha;
// alpha itself is linear.
//
// A frame of this package is linear light already: its values are copied, and c is not used. The
// picture's top left pixel becomes (0, 0), wherever its bounds begin.
func FromImage(m image.Image, c Curve) *RGBA {
	if f, ok := m.(*RGBA); ok {
		return f.Clone()
	}
	size := m.Bounds().Size()
	f := NewRGBA(size.X, size.Y)
	decode(m, c, func(i int, r, g, b, a float32) {
		f.Pix[0][i], f.Pix[1][i], f.Pix[2][i], f.A[i] = r*a, g*a, b*a, a
	})
	return f
}

// RGBFromImage decodes a picture as FromImage does, and leaves alpha out: a picture with alpha
// comes as it looks over black.
func RGBFromImage(m image.Image, c Curve) *RGB {
	switch f := m.(type) {
	case *RGB:
		return f.Clone()
	case *RGBA:
		return f.RGB.Clone()
	}
	return rgbFromImage(nil, m, c)
}

// rgbFromImage is RGBFromImage into f where that has the right size, for pictures of code values.
func rgbFromImage(f *RGB, m image.Image, c Curve) *RGB {
	f = f.Sized(m.Bounds().Size())
	if rows := rowsOf(m, c); rows != nil {
		parallel.Rows(f.W, f.H, func(y0, y1 int) {
			row := rows()
			for y := y0; y < y1; y++ {
				to := f.Row(y)
				row(y, to[0], to[1], to[2])
			}
		})
		return f
	}
	decode(m, c, func(i int, r, g, b, a float32) {
		f.Pix[0][i], f.Pix[1][i], f.Pix[2][i] = r*a, g*a, b*a
	})
	return f
}

// GrayFromImage decodes a picture as FromImage does, and makes one value of each pixel: w[0]*R +
// w[1]*G + w[2]*B in linear light. The weights need not add up to 1. Where w is nil it is the value
// of a gray picture, and equal thirds of a color one. Alpha is left out: a picture with alpha comes
// as it looks over black.
func GrayFromImage(m image.Image, c Curve, w *[3]float32) *Gray {
	if f, ok := m.(*Gray); ok && w == nil {
		return f.Clone()
	}
	return grayFromImage(nil, m, c, w)
}

// grayFromImage is GrayFromImage into f where that has the right size.
func grayFromImage(f *Gray, m image.Image, c Curve, w *[3]float32) *Gray {
	f = f.Sized(m.Bounds().Size())
	if rows := rowsOf(m, c); rows != nil {
		eachRow(rows, f.W, f.H, func(y int, red, green, blue []float32) { grayRow(f.Pix[y*f.W:(y+1)*f.W], red, green, blue, w) })
		return f
	}
	if w != nil {
		decode(m, c, func(i int, r, g, b, a float32) { f.Pix[i] = oneOf(r, g, b, w) * a })
		return f
	}
	rows := func(pix []byte, stride int, light []float32, size int) *Gray {
		parallel.EachRow(f.W, f.H, func(y int) {
			lightOf(f.Pix[y*f.W:(y+1)*f.W], pix[y*stride:], light, size)
		})
		return f
	}
	switch m := m.(type) {
	case *image.Gray:
		return rows(m.Pix, m.Stride, c.transfer().light8(), 1)
	case *image.Gray16:
		return rows(m.Pix, m.Stride, c.transfer().light16(), 2)
	}
	decode(m, c, func(i int, r, g, b, a float32) { f.Pix[i] = oneOf(r, g, b, nil) * a })
	return f
}

// oneOf returns the value that GrayFromImage makes of a color.
func oneOf(r, g, b float32, w *[3]float32) float32 {
	switch {
	case w != nil:
		return w[0]*r + w[1]*g + w[2]*b
	case r == g && g == b:
		return r
	}
	return (r + g + b) / 3
}

// decode calls set for every pixel of m, i counting them from 0 by rows, with its color in linear
// light and its alpha, which is not multiplied in. It calls for several rows at a time.
func decode(m image.Image, c Curve, set func(i int, r, g, b, a float32)) {
	t := c.transfer()
	b := m.Bounds()
	w, h := b.Dx(), b.Dy()
	// each calls at for the bytes of every pixel, of which the first is at the start of pix.
	each := func(pix []uint8, stride, size int, at func(i int, p []uint8)) {
		parallel.EachRow(w, h, func(y int) {
			row := pix[y*stride:][:size*w]
			for x := range w {
				at(y*w+x, row[x*size:][:size])
			}
		})
	}
	switch m := m.(type) {
	case *image.Gray:
		light := t.light8()
		each(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, 1, func(i int, p []uint8) {
			l := light[p[0]]
			set(i, l, l, l, 1)
		})
	case *image.Gray16:
		light := t.light16()
		each(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, 2, func(i int, p []uint8) {
			l := light[get16(p)]
			set(i, l, l, l, 1)
		})
	case *image.NRGBA:
		light := t.light8()
		each(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, 4, func(i int, p []uint8) {
			set(i, light[p[0]], light[p[1]], light[p[2]], float32(p[3])/0xff)
		})
	case *image.NRGBA64:
		light := t.light16()
		each(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, 8, func(i int, p []uint8) {
			set(i, light[get16(p)], light[get16(p[2:])], light[get16(p[4:])], float32(get16(p[6:]))/0xffff)
		})
	case *image.RGBA:
		light := t.light16()
		each(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, 4, func(i int, p []uint8) {
			const k = 0x101
			setPremultiplied(light, set, i, k*uint32(p[0]), k*uint32(p[1]), k*uint32(p[2]), k*uint32(p[3]))
		})
	case *image.RGBA64:
		light := t.light16()
		each(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, 8, func(i int, p []uint8) {
			setPremultiplied(light, set, i, get16(p), get16(p[2:]), get16(p[4:]), get16(p[6:]))
		})
	case *image.Paletted:
		type entry struct{ r, g, b, a float32 }
		var table [256]entry
		for i, v := range m.Palette[:min(len(m.Palette), len(table))] {
			decodeColor(t, v, func(_ int, r, g, b, a float32) { table[i] = entry{r, g, b, a} }, i)
		}
		each(m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, 1, func(i int, p []uint8) {
			e := &table[p[0]]
			set(i, e.r, e.g, e.b, e.a)
		})
	case *image.YCbCr, *image.NYCbCrA:
		parallel.Rows(w, h, func(y0, y1 int) {
			for i := y0 * w; i < y1*w; i++ {
				decodeColor(t, m.At(b.Min.X+i%w, b.Min.Y+i/w), set, i)
			}
		})
	case *video:
		eachRow(m.rows(c), w, h, func(y int, red, green, blue []float32) {
			for x := range red {
				set(y*w+x, red[x], green[x], blue[x], 1)
			}
		})
	case *Gray:
		for i, v := range m.Pix {
			set(i, v, v, v, 1)
		}
	case *RGB:
		for i := range m.Pix[0] {
			set(i, m.Pix[0][i], m.Pix[1][i], m.Pix[2][i], 1)
		}
	case *RGBA:
		for i := range m.Pix[0] {
			set(i, m.Pix[0][i], m.Pix[1][i], m.Pix[2][i], 1) // over black
		}
	default:
		// A picture of another package need not be safe to read from several goroutines.
		i := 0
		for y := b.Min.Y; y < b.Max.Y; y++ {
			for x := b.Min.X; x < b.Max.X; x++ {
				decodeColor(t, m.At(x, y), set, i)
				i++
			}
		}
	}
}

// decodeColor calls set for one color.
func decodeColor(t *transfer, v color.Color, set func(i int, r, g, b, a float32), i int) {
	light := t.light16()
	switch v := v.(type) {
	case color.NRGBA:
		set(i, light[uint16(v.R)*0x101], light[uint16(v.G)*0x101], light[uint16(v.B)*0x101], float32(v.A)/0xff)
	case color.NRGBA64:
		set(i, light[v.R], light[v.G], light[v.B], float32(v.A)/0xffff)
	case color.NYCbCrA: // 16 bits keep what rounding to 8 would lose
		r, g, b, _ := v.YCbCr.RGBA()
		set(i, light[r], light[g], light[b], float32(v.A)/0xff)
	default:
		r, g, b, a := v.RGBA()
		setPremultiplied(light, set, i, r, g, b, a)
	}
}

// setPremultiplied calls set for 16-bit codes that alpha is multiplied into. Taking it out again
// gives 16-bit codes, which are finer than what such a picture holds.
func setPremultiplied(light []float32, set func(i int, r, g, b, a float32), i int, r, g, b, a uint32) {
	switch a {
	case 0xffff:
		set(i, light[r], light[g], light[b], 1)
	case 0:
		set(i, 0, 0, 0, 0)
	default:
		straight := func(v uint32) float32 { return light[min((v*0xffff+a/2)/a, 0xffff)] }
		set(i, straight(r), straight(g), straight(b), float32(a)/0xffff)
	}
}

func get16(p []uint8) uint32 { return uint32(p[0])<<8 | uint32(p[1]) }
