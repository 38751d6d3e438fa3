package kernel

import (
	"encoding/binary"
	"math"
	"unsafe"
)

// lowFirst reports whether a number's lowest byte is the first.
var lowFirst = binary.NativeEndian.Uint16([]byte{1, 0}) == 1

// Where there is time to gain, rows are cut to their length once and then read through pointers,
// and plain loops do several values at a time: in WebAssembly every check of a bound and every turn
// of a loop begins a block of its own, and between two of those all that is in registers is put
// away and fetched again.

// first returns where the n values of s begin, and panics where there are not as many.
func first[T any](s []T, n int) *T { return unsafe.SliceData(s[:n]) }

// after is &p[i] of a row that begins at p, which must have it.
func after[T any](p *T, i int) *T {
	return (*T)(unsafe.Add(unsafe.Pointer(p), i*int(unsafe.Sizeof(*p))))
}

// Floats sets dst to every step-th whole number of src, which has them in size bytes, 1 or 2, the
// lowest first.
func Floats(dst []float32, src []byte, size, step int) {
	n := len(dst)
	if n == 0 {
		return
	}
	stride := size * step
	d, s := first(dst, n), first(src, (n-1)*stride+size)
	i := floatsFront(dst, src, size, step)
	if size == 1 {
		for ; i <= n-8; i += 8 {
			p, to := after(s, i*stride), (*[8]float32)(unsafe.Pointer(after(d, i)))
			to[0], to[1], to[2], to[3] = float32(*p), float32(*after(p, stride)), float32(*after(p, 2*stride)), float32(*after(p, 3*stride))
			to[4], to[5], to[6], to[7] = float32(*after(p, 4*stride)), float32(*after(p, 5*stride)), float32(*after(p, 6*stride)), float32(*after(p, 7*stride))
		}
		for ; i < n; i++ {
			*after(d, i) = float32(*after(s, i*stride))
		}
		return
	}
	for ; i <= n-4; i += 4 {
		p, to := after(s, i*stride), (*[4]float32)(unsafe.Pointer(after(d, i)))
		to[0], to[1], to[2], to[3] = wide(p), wide(after(p, stride)), wide(after(p, 2*stride)), wide(after(p, 3*stride))
	}
	for ; i < n; i++ {
		*after(d, i) = wide(after(s, i*stride))
	}
}

func wide(p *byte) float32 { return float32(uint32(*p) | uint32(*after(p, 1))<<8) }

// Codes8 sets dst to what the table has at the bytes of src, each step bytes after the one before
// it.
func Codes8(dst []float32, src []byte, step int, table *[1 << 8]float32) {
	n := len(dst)
	if n == 0 {
		return
	}
	d, s := first(dst, n), first(src, (n-1)*step+1)
	i := 0
	for ; i <= n-4; i += 4 {
		p, to := after(s, step*i), (*[4]float32)(unsafe.Pointer(after(d, i)))
		to[0], to[1], to[2], to[3] = table[*p], table[*after(p, step)], table[*after(p, 2*step)], table[*after(p, 3*step)]
	}
	for ; i < n; i++ {
		*after(d, i) = table[*after(s, step*i)]
	}
}

// Codes16 is Codes8 for codes of two bytes, the higher first, with none between them.
func Codes16(dst []float32, src []byte, table *[1 << 16]float32) {
	n := len(dst)
	d, s := first(dst, n), first(src, 2*n)
	i := 0
	for ; i <= n-4; i += 4 {
		p, to := after(s, 2*i), (*[4]float32)(unsafe.Pointer(after(d, i)))
		to[0], to[1], to[2], to[3] = table[code(p)], table[code(after(p, 2))], table[code(after(p, 4))], table[code(after(p, 6))]
	}
	for ; i < n; i++ {
		*after(d, i) = table[code(after(s, 2*i))]
	}
}

// RGBCodes8 is Codes8 for pixels of three codes, red, green and blue, which go to a row each. A
// pixel begins step bytes after the one before it.
func RGBCodes8(r, g, b []float32, src []byte, step int, table *[1 << 8]float32) {
	n := len(r)
	if n == 0 {
		return
	}
	to0, to1, to2, s := first(r, n), first(g, n), first(b, n), first(src, (n-1)*step+3)
	i := 0
	if step == 4 && lowFirst { // one load for the three
		for ; i <= n-5; i += 4 { // the last pixel may have three bytes
			p := (*[4]uint32)(unsafe.Pointer(after(s, 4*i)))
			r, g, b := (*[4]float32)(unsafe.Pointer(after(to0, i))), (*[4]float32)(unsafe.Pointer(after(to1, i))), (*[4]float32)(unsafe.Pointer(after(to2, i)))
			p0, p1, p2, p3 := p[0], p[1], p[2], p[3]
			r[0], g[0], b[0] = table[byte(p0)], table[byte(p0>>8)], table[byte(p0>>16)]
			r[1], g[1], b[1] = table[byte(p1)], table[byte(p1>>8)], table[byte(p1>>16)]
			r[2], g[2], b[2] = table[byte(p2)], table[byte(p2>>8)], table[byte(p2>>16)]
			r[3], g[3], b[3] = table[byte(p3)], table[byte(p3>>8)], table[byte(p3>>16)]
		}
	}
	for ; i <= n-2; i += 2 {
		p, q := (*[3]byte)(unsafe.Pointer(after(s, step*i))), (*[3]byte)(unsafe.Pointer(after(s, step*i+step)))
		*after(to0, i), *after(to1, i), *after(to2, i) = table[p[0]], table[p[1]], table[p[2]]
		*after(to0, i+1), *after(to1, i+1), *after(to2, i+1) = table[q[0]], table[q[1]], table[q[2]]
	}
	for ; i < n; i++ {
		p := (*[3]byte)(unsafe.Pointer(after(s, step*i)))
		*after(to0, i), *after(to1, i), *after(to2, i) = table[p[0]], table[p[1]], table[p[2]]
	}
}

// RGBCodes16 is RGBCodes8 for two bytes a code, the higher first.
func RGBCodes16(r, g, b []float32, src []byte, table *[1 << 16]float32) {
	n := len(r)
	to0, to1, to2, s := first(r, n), first(g, n), first(b, n), first(src, 6*n)
	i := 0
	for ; i <= n-2; i += 2 {
		p := after(s, 6*i)
		*after(to0, i), *after(to1, i), *after(to2, i) = table[code(p)], table[code(after(p, 2))], table[code(after(p, 4))]
		p = after(p, 6)
		*after(to0, i+1), *after(to1, i+1), *after(to2, i+1) = table[code(p)], table[code(after(p, 2))], table[code(after(p, 4))]
	}
	for ; i < n; i++ {
		p := after(s, 6*i)
		*after(to0, i), *after(to1, i), *after(to2, i) = table[code(p)], table[code(after(p, 2))], table[code(after(p, 4))]
	}
}

func code(p *byte) uint16 { return uint16(*p)<<8 | uint16(*after(p, 1)) }

// TableSize is how many values the table of Look has.
const TableSize = 1 << 17

// Look sets every step-th value of dst to what the table has at the places. Places beyond the table
// are those that they are modulo its size.
func Look(dst []float32, step int, places []int32, table *[TableSize]float32) {
	n := len(places)
	if n == 0 {
		return
	}
	d, p := first(dst, (n-1)*step+1), first(places, n)
	i := 0
	for ; i <= n-4; i += 4 {
		from, to := (*[4]int32)(unsafe.Pointer(after(p, i))), after(d, i*step)
		*to = table[uint32(from[0])%TableSize]
		*after(to, step) = table[uint32(from[1])%TableSize]
		*after(to, 2*step) = table[uint32(from[2])%TableSize]
		*after(to, 3*step) = table[uint32(from[3])%TableSize]
	}
	for ; i < n; i++ {
		*after(d, i*step) = table[uint32(*after(p, i))%TableSize]
	}
}

// Mix sets dst, which may be a or b, to a + part (b - a). All have dst's length.
func Mix(dst, a, b []float32, part float32) {
	mixFrom(mixFront(dst, a, b, part), dst, a, b, part)
}

func mixFrom(i int, dst, a, b []float32, part float32) {
	a, b = a[:len(dst)], b[:len(dst)]
	for ; i < len(dst); i++ {
		dst[i] = a[i] + float32(part*(b[i]-a[i]))
	}
}

// Raise sets each value of dst to that of a where that is larger. It goes from the first on, so
// that dst may be the beginning of what a is a later part of. a has dst's length.
func Raise(dst, a []float32) {
	raiseFrom(raiseFront(dst, a), dst, a)
}

func raiseFrom(i int, dst, a []float32) {
	a = a[:len(dst)]
	for ; i < len(dst); i++ {
		if a[i] > dst[i] {
			dst[i] = a[i]
		}
	}
}

// An Unspill takes light off transmissions that fell on whom the screen lies behind: of the
// measured t + (1 - t) s it leaves t.
type Unspill struct {
	Gain   float32 // of the screen's light that goes with the transmission
	Clamp  bool    // what would be below 0 becomes 0
	Counts float32 // by how much a transmission must be lowered to count, before it is clamped
}

// Row takes the spill, which must be below 1, off the transmissions t, sets moved to what that was,
// times the gain, and returns how many count. All have t's length.
func (u *Unspill) Row(t, moved, spill []float32) int {
	i, n := unspillFront(u, t, moved, spill)
	return n + u.from(i, t, moved, spill)
}

func (u *Unspill) from(i int, t, moved, spill []float32) (n int) {
	floor := u.floor()
	moved, spill = moved[:len(t)], spill[:len(t)]
	for ; i < len(t); i++ {
		s, was := spill[i], t[i]
		if float32(s*(1-was)) > u.Counts {
			n++
		}
		now := atLeast((was-s)/(1-s), floor)
		t[i], moved[i] = now, float32(u.Gain*(was-now))
	}
	return n
}

// floor is what transmissions are brought to, as atLeast has it.
func (u *Unspill) floor() int32 {
	if u.Clamp {
		return 0
	}
	return math.MinInt32
}

// Mean3 sets dst to the means of a, b and c. All have dst's length.
func Mean3(dst, a, b, c []float32) {
	mean3From(mean3Front(dst, a, b, c), dst, a, b, c)
}

func mean3From(i int, dst, a, b, c []float32) {
	a, b, c = a[:len(dst)], b[:len(dst)], c[:len(dst)]
	for ; i < len(dst); i++ {
		dst[i] = (a[i] + b[i] + c[i]) * (1. / 3)
	}
}

// Mean2 sets dst, which may be a or b, to the means of a and b. All have dst's length.
func Mean2(dst, a, b []float32) {
	mean2From(mean2Front(dst, a, b), dst, a, b)
}

func mean2From(i int, dst, a, b []float32) {
	a, b = a[:len(dst)], b[:len(dst)]
	for ; i < len(dst); i++ {
		dst[i] = (a[i] + b[i]) * 0.5
	}
}

// Weigh sets dst, which may be one of the others, to the sums of a, b and c, each times its weight.
// All have dst's length. It gives the same bits on every machine.
func Weigh(dst, a, b, c []float32, weights *[3]float32) {
	weighFrom(weighFront(dst, a, b, c, weights), dst, a, b, c, weights)
}

func weighFrom(i int, dst, a, b, c []float32, weights *[3]float32) {
	a, b, c = a[:len(dst)], b[:len(dst)], c[:len(dst)]
	for ; i < len(dst); i++ {
		dst[i] = float32(weights[0]*a[i]) + float32(weights[1]*b[i]) + float32(weights[2]*c[i])
	}
}

// Matrix puts rows of red, green and blue, of one length, through a matrix, which is given row by
// row and followed by what is added then. It gives the same bits on every machine.
func Matrix(rgb *[3][]float32, m *[12]float32) {
	matrixFrom(matrixFront(rgb, m), rgb, m)
}

func matrixFrom(i int, rgb *[3][]float32, m *[12]float32) {
	red := rgb[0]
	green, blue := rgb[1][:len(red)], rgb[2][:len(red)]
	for ; i < len(red); i++ {
		x, y, z := red[i], green[i], blue[i]
		red[i] = float32(m[0]*x) + float32(m[1]*y) + float32(m[2]*z) + m[9]
		green[i] = float32(m[3]*x) + float32(m[4]*y) + float32(m[5]*z) + m[10]
		blue[i] = float32(m[6]*x) + float32(m[7]*y) + float32(m[8]*z) + m[11]
	}
}

// Decimate sets dst to every second value of src, from the second on, each mixed with a half of
// either neighbor. src has 2 more than twice dst's length, of which the last is not used.
func Decimate(dst, src []float32) {
	src = src[:2*len(dst)+2]
	decimateFrom(decimateFront(dst, src), dst, src)
}

func decimateFrom(i int, dst, src []float32) {
	for ; i < len(dst); i++ {
		from := src[2*i:][:3]
		dst[i] = from[1]/2 + (from[0]+from[2])/4
	}
}

// Quantize sets dst to the numbers scale (a - b) / by + zero, rounded toward 0, in size bytes each,
// 1 or 2, the lowest first. They must fit into these. a and b have one length, and dst size times
// it. It gives the same bits on every machine.
func Quantize(dst []byte, size int, a, b []float32, scale, by, zero float32) {
	b, dst = b[:len(a)], dst[:size*len(a)]
	quantizeFrom(quantizeFront(dst, size, a, b, scale, by, zero), dst, size, a, b, scale, by, zero)
}

func quantizeFrom(i int, dst []byte, size int, a, b []float32, scale, by, zero float32) {
	for ; i < len(a); i++ {
		v := uint16(int32(float32(scale*(a[i]-b[i]))/by + zero))
		if size == 1 {
			dst[i] = byte(v)
		} else {
			binary.LittleEndian.PutUint16(dst[2*i:], v)
		}
	}
}

func blendFrom(i int, dst, src []float32, stride int, weights []float32) {
	for ; i < len(dst); i++ {
		var sum float32
		for k, w := range weights {
			sum += float32(w * src[i+k*stride])
		}
		dst[i] = sum
	}
}

// Pick sets dst to every step-th value of src, from the first on.
func Pick(dst, src []float32, step int) {
	n := len(dst)
	if n == 0 {
		return
	}
	d, s := first(dst, n), first(src, (n-1)*step+1)
	i := 0
	for ; i <= n-4; i += 4 {
		p, to := after(s, i*step), (*[4]float32)(unsafe.Pointer(after(d, i)))
		to[0], to[1], to[2], to[3] = *p, *after(p, step), *after(p, 2*step), *after(p, 3*step)
	}
	for ; i < n; i++ {
		*after(d, i) = *after(s, i*step)
	}
}

// Place sets every step-th value of dst, from the first on, to those of src.
func Place(dst []float32, step int, src []float32) {
	n := len(src)
	if n == 0 {
		return
	}
	d, s := first(dst, (n-1)*step+1), first(src, n)
	i := 0
	for ; i <= n-4; i += 4 {
		p, from := after(d, i*step), (*[4]float32)(unsafe.Pointer(after(s, i)))
		*p, *after(p, step), *after(p, 2*step), *after(p, 3*step) = from[0], from[1], from[2], from[3]
	}
	for ; i < n; i++ {
		*after(d, i*step) = *after(s, i)
	}
}
