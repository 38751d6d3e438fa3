package plate

import "image"

// ycbcrRow decodes row y of a picture of 8-bit Y'CbCr, a JPEG's, through a table of 16-bit codes:
// the conversion to 16 bits, which is that of color.YCbCr.RGBA (JFIF), keeps what rounding to 8
// would lose.
func ycbcrRow(m *image.YCbCr, y int, light []float32, red, green, blue []float32) {
	light = light[:tintCodes]
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
		l, b, r := uint32(v)*0x10101+tintZero<<8, uint32(cb[k])-128, uint32(cr[k])-128
		red[x] = light[(l+91881*r)>>8%tintCodes]
		green[x] = light[(l-22554*b-46802*r)>>8%tintCodes]
		blue[x] = light[(l+116130*b)>>8%tintCodes]
	}
}

// pairs is ycbcrRow where two pixels have their chroma in common.
func pairs(luma, cb, cr []byte, light, red, green, blue []float32) {
	n := len(red)
	luma, green, blue = luma[:n], green[:n], blue[:n]
	cr = cr[:len(cb)]
	light = light[:tintCodes]
	for i := 1; i < n; i += 2 {
		b, r := uint32(cb[i/2])-128, uint32(cr[i/2])-128
		toRed, toGreen, toBlue := 91881*r, -(22554*b + 46802*r), 116130*b
		l, m := uint32(luma[i-1])*0x10101+tintZero<<8, uint32(luma[i])*0x10101+tintZero<<8
		red[i-1], red[i] = light[(l+toRed)>>8%tintCodes], light[(m+toRed)>>8%tintCodes]
		green[i-1], green[i] = light[(l+toGreen)>>8%tintCodes], light[(m+toGreen)>>8%tintCodes]
		blue[i-1], blue[i] = light[(l+toBlue)>>8%tintCodes], light[(m+toBlue)>>8%tintCodes]
	}
}
