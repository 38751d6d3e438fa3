// Package half converts IEEE 754 binary16 numbers.
package half

import "math"

// ToFloat32 returns the value of the IEEE 754 binary16 number of those bits.
func ToFloat32(h uint16) float32 {
	sign, rest := uint32(h&0x8000)<<16, uint32(h&0x7fff)
	switch {
	case rest >= 0x7c00: // infinite, or NaN
		return math.Float32frombits(sign | 0x7f800000 | rest<<13&0x7fffff)
	case rest >= 0x400:
		return math.Float32frombits(sign | rest<<13 + (127-15)<<23)
	}
	v := float32(rest) * (1.0 / (1 << 24)) // subnormal
	return math.Float32frombits(sign | math.Float32bits(v))
}

// FromFloat32 returns the bits of the binary16 number nearest to v, the even one of two.
func FromFloat32(v float32) uint16 {
	u := math.Float32bits(v)
	sign, rest := uint16(u>>16&0x8000), u&0x7fffffff
	switch {
	case rest > 0x7f800000: // NaN
		return sign | 0x7e00
	case rest >= 0x477ff000: // 65520 and above
		return sign | 0x7c00
	case rest >= 0x38800000: // 2^-14 and above
		rest += 0xfff + rest>>13&1
		return sign | uint16((rest-(127-15)<<23)>>13)
	}
	// Subnormal: the sum's lowest bit is 2^-24, and it is rounded as every sum is.
	return sign | uint16(math.Float32bits(math.Float32frombits(rest)+0.5)-math.Float32bits(0.5))
}
