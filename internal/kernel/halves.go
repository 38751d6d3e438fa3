package kernel

import "example.com/twinplate/internal/half"

const largestHalf = 65504

func halvesFrom(i int, dst []uint32, src []float32) {
	for ; i < len(dst); i++ {
		v := src[i]
		if v != v {
			v = 0
		}
		dst[i] = uint32(half.FromFloat32(min(max(v, -largestHalf), largestHalf)))
	}
}

func weaveFrom(i int, high, low []uint32, p *[4][]uint32) {
	n := len(high)
	low = low[:n]
	r, g, b, a := p[0][:n], p[1][:n], p[2][:n], p[3][:n]
	for ; i < n; i++ {
		high[i] = r[i]>>8 | g[i]&0xff00 | b[i]&0xff00<<8 | a[i]&0xff00<<16
		low[i] = r[i]&0xff | g[i]&0xff<<8 | b[i]&0xff<<16 | a[i]<<24
	}
}
