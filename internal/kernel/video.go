package kernel

func (v *Video) places(i int, red, green, blue []int32, luma, cb, cr []float32) {
	n := len(red)
	green, blue, luma, cb, cr = green[:n], blue[:n], luma[:n], cb[:n], cr[:n]
	place := func(x float32) int32 { return min(max(int32(x), 0), v.Most) }
	for ; i < n; i++ {
		y := float32(v.Luma[0]*luma[i]) + v.Luma[1]
		u, w := float32(v.Chroma[0]*cb[i])+v.Chroma[1], float32(v.Chroma[0]*cr[i])+v.Chroma[1]
		red[i] = place(y + float32(v.Red*w))
		green[i] = place(y + float32(v.Green[0]*u) + float32(v.Green[1]*w))
		blue[i] = place(y + float32(v.Blue*u))
	}
}
