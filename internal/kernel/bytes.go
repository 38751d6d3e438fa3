package kernel

import "hash/adler32"

// Plus sets dst to a + b, each byte modulo 256. All have dst's length at the least; dst may be a or
// b.
func Plus(dst, a, b []byte) {
	plusFrom(plusFront(dst, a, b), dst, a, b)
}

// Minus sets dst to a - b, each byte modulo 256. All have dst's length at the least; dst may be a
// or b.
func Minus(dst, a, b []byte) {
	minusFrom(minusFront(dst, a, b), dst, a, b)
}

// Adler32 returns the checksum of RFC 1950.
func Adler32(b []byte) uint32 {
	sum, n := adlerFront(b)
	return JoinAdler32(sum, adler32.Checksum(b[n:]), len(b)-n)
}

// JoinAdler32 returns the checksum of bytes of sum a followed by n bytes of sum b.
func JoinAdler32(a, b uint32, n int) uint32 {
	low := (a&0xffff + b&0xffff + adlerMod - 1) % adlerMod
	high := (uint64(a>>16) + uint64(b>>16) + uint64(n%adlerMod)*uint64((a&0xffff+adlerMod-1)%adlerMod)) % adlerMod
	return uint32(high)<<16 | low
}

const adlerMod = 65521

// Running makes of each pixel of n bytes its sum with all before it, each byte modulo 256.
func Running(line []byte, n int) {
	runningFrom(max(runningFront(line, n), n), line, n)
}
