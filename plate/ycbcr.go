package plate

import "image"

// ycbcr tells whether m is a picture that ycbcrRow decodes: as decoders make them, not left of 0, where package image
// counts chroma otherwise.
func ycbcr(m image.Image) (*image.YCbCr, bool) {
	y, ok := m.(*image.YCbCr)
	return y, ok && y.Rect.Min.X >= 0
}

// ycbcrRow decodes row y of a picture of 8-bit Y'CbCr, a JPEG's, through a table of 16-bit codes: the conversion to 16
// bits, which is that of color.YCbCr.RGBA (JFIF), keeps what rounding to 8 would lose.
func ycbcrRow(m *image.YCbCr, y int, light []float32, red, green, blue []float32) {
	light = light[:1<<16]
	left, n := m.Rect.Min.X, len(red)
	green, blue = green[:n], blue[:n]
	luma := m.Y[m.YOffset(left, y):][:n]
	chroma := m.COffset(left, y)
	cb, cr := m.Cb[chroma:], m.Cr[chroma:]
	shift := 0
	switch m.SubsampleRatio {
	case image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420:
		shift = 1
	case image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410:
		shift = 2
	}
	if shift == 1 && left&1 == 0 && n&1 == 0 {
		pairs(luma, cb[:n/2], cr[:n/2], light, red, green, blue)
		return
	}
	for x, v := range luma {
		k := (left+x)>>shift - left>>shift
		l, b, r := int32(v)*0x10101, int32(cb[k])-128, int32(cr[k])-128
		red[x] = light[code16(l+91881*r)]
		green[x] = light[code16(l-22554*b-46802*r)]
		blue[x] = light[code16(l+116130*b)]
	}
}

// pairs is ycbcrRow where two pixels have their chroma in common.
func pairs(luma, cb, cr []byte, light, red, green, blue []float32) {
	cr = cr[:len(cb)]
	light = light[:1<<16]
	for k, v := range cb {
		b, r := int32(v)-128, int32(cr[k])-128
		toRed, toGreen, toBlue := 91881*r, -22554*b-46802*r, 116130*b
		y, p, q, s := luma[2*k:][:2], red[2*k:][:2], green[2*k:][:2], blue[2*k:][:2]
		l, m := int32(y[0])*0x10101, int32(y[1])*0x10101
		p[0], p[1] = light[code16(l+toRed)], light[code16(m+toRed)]
		q[0], q[1] = light[code16(l+toGreen)], light[code16(m+toGreen)]
		s[0], s[1] = light[code16(l+toBlue)], light[code16(m+toBlue)]
	}
}

// code16 returns the upper 16 of 24 bits, and the nearest code for what is outside them.
func code16(v int32) uint16 {
	if uint32(v)&0xff000000 == 0 {
		return uint16(v >> 8)
	}
	return uint16(^(v >> 31))
}

// ycbcrRGB and ycbcrGray are decode for a JPEG, without a call a pixel.
func ycbcrRGB(f *RGB, m *image.YCbCr, c Curve) {
	light := c.transfer().light16()
	inBands(f.W, f.H, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			i, j := y*f.W, (y+1)*f.W
			ycbcrRow(m, m.Rect.Min.Y+y, light, f.Pix[0][i:j], f.Pix[1][i:j], f.Pix[2][i:j])
		}
	})
}

func ycbcrGray(f *Gray, m *image.YCbCr, c Curve, w *[3]float32) {
	light := c.transfer().light16()
	inBands(f.W, f.H, func(y0, y1 int) {
		red, green, blue := make([]float32, f.W), make([]float32, f.W), make([]float32, f.W)
		for y := y0; y < y1; y++ {
			ycbcrRow(m, m.Rect.Min.Y+y, light, red, green, blue)
			grayRow(f.Pix[y*f.W:(y+1)*f.W], red, green, blue, w)
		}
	})
}
