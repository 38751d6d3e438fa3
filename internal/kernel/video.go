package kernel

import "math"

func (v *Video) places(i int, red, green, blue []int32, luma, cb, cr []float32) {
	n := len(red)
	green, blue, luma, cb, cr = green[:n], blue[:n], luma[:n], cb[:n], cr[:n]
	most := int32(math.Float32bits(float32(v.Most)))
	// Within the table before it becomes a whole number: what is too large for one may become any.
	place := func(x float32) int32 { return int32(clamp(x, 0, most)) }
	for ; i < n; i++ {
		y := float32(v.Luma[0]*luma[i]) + v.Luma[1]
		u, w := float32(v.Chroma[0]*cb[i])+v.Chroma[1], float32(v.Chroma[0]*cr[i])+v.Chroma[1]
		red[i] = place(y + float32(v.Red*w))
		green[i] = place(y + float32(v.Green[0]*u) + float32(v.Green[1]*w))
		blue[i] = place(y + float32(v.Blue*u))
	}
}
