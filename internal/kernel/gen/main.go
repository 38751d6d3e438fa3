// Command gen writes the AVX2 kernels of package kernel, and their declarations in Go. It is a
// module of its own, so that who imports twinplate does not see what it needs.
//
//	go run . -pkg kernel -out ../avx2_amd64.s -stubs ../stub_amd64.go
//
// Every kernel does n values, a multiple of what a vector holds: the plain loops do the rest. rows
// points to the pointers to the first values of its rows, the results first, and c to the numbers
// that do not change along them. Nothing is checked here; the callers in avx2_amd64.go do that.
//
// Where the comment of package kernel promises bits, operations are in the order of the plain
// loops, and products are rounded before they are added.
package main

import (
	"fmt"

	. "github.com/mmcloughlin/avo/build"
	. "github.com/mmcloughlin/avo/operand"
	. "github.com/mmcloughlin/avo/reg"
)

func main() {
	solve("rowAVX2", false, false, false)
	solve("overAVX2", true, false, false)
	solve("overUnspilledAVX2", true, false, true)
	solve("plainOverAVX2", true, true, false)
	held()
	blend()
	slanted()
	fours("foursAVX2", 1)
	fours("threeFoursAVX2", 3)
	places()
	spread()
	cubic()
	mix()
	raise()
	unspill()
	mean3()
	mean2()
	weigh()
	matrix()
	decimate()
	quantize("quantize8AVX2", 1)
	quantize("quantize16AVX2", 2)
	bar()
	barred()
	tally()
	finite()
	bytes("plusAVX2", VPADDB)
	bytes("minusAVX2", VPSUBB)
	running()
	adler()
	floats()
	video()
	steps()
	gram()
	fold("foldAVX2", 1)
	fold("fold3AVX2", 3)
	dots()
	spline()
	move()
	Generate()
}

// A kernel is what a function is given: each is loaded by kernel's methods when it is wanted.
type kernel struct {
	rows, c Register
	at      GPVirtual // of the values that are done next, from the beginning of a row: bytes
	end     GPVirtual // of the row
	loops   int       // that have labels
}

const (
	signature = "func(rows **float32, c *float32, n int)"
	lanes     = 8  // floats, or whole numbers of 32 bits, in a vector
	width     = 32 // bytes
)

func begin(name, signature string) {
	TEXT(name, NOSPLIT, signature)
	Pragma("noescape")
}

// function begins a kernel of rows of values of 1<<shift bytes.
func function(name, signature string, shift uint8) *kernel {
	begin(name, signature)
	k := &kernel{rows: Load(Param("rows"), GP64()), at: GP64()}
	k.end = Load(Param("n"), GP64()).(GPVirtual)
	if shift > 0 {
		SHLQ(U8(shift), k.end)
	}
	return k
}

// row loads the pointer to row number i.
func (k *kernel) row(i int) GPVirtual {
	p := GP64()
	MOVQ(Mem{Base: k.rows, Disp: 8 * i}, p)
	return p
}

// of is the vector of the row at p that is done next, and what lies more bytes on.
func (k *kernel) of(p Register, more int) Mem { return Mem{Base: p, Index: k.at, Scale: 1, Disp: more} }

// number is the i-th of c.
func (k *kernel) number(i int) Mem {
	if k.c == nil {
		k.c = Load(Param("c"), GP64())
	}
	return Mem{Base: k.c, Disp: 4 * i}
}

// all returns a vector of copies of the i-th of c.
func (k *kernel) all(i int) VecVirtual {
	v := YMM()
	VBROADCASTSS(k.number(i), v)
	return v
}

// each repeats body for the vectors of the rows, and ends the function.
func (k *kernel) each(body func()) { k.loop(width, body); leave() }

func (k *kernel) loop(step uint64, body func()) {
	k.loops++
	loop, more := fmt.Sprint("loop", k.loops), fmt.Sprint("more", k.loops)
	XORQ(k.at, k.at)
	JMP(LabelRef(more))
	Label(loop)
	body()
	ADDQ(U32(step), k.at)
	Label(more)
	CMPQ(k.at, k.end)
	JLT(LabelRef(loop))
}

func leave() {
	VZEROUPPER()
	RET()
}

func load(m Mem) VecVirtual {
	v := YMM()
	VMOVUPS(m, v)
	return v
}

func none() VecVirtual {
	v := YMM()
	VXORPS(v, v, v)
	return v
}

// leaveFinite ends a function that reports whether no lane of sum is NaN.
func leaveFinite(sum VecVirtual) {
	const equal = 0 // and ordered
	VCMPPS(U8(equal), sum, sum, sum)
	mask, ok := GP32(), GP8()
	VMOVMSKPS(sum, mask)
	CMPL(mask, U32(0xff))
	SETEQ(ok)
	Store(ok, ReturnIndex(0))
	leave()
}

// solve is Solve.Row, Solve.Over, or Solve.OverUnspilled. Rows: t, three results, the band plate,
// its inverse, three colors; the background's three; the band's dark plate, the three of color, the
// three of K; the spill. Numbers: m, the gain, one over it, 0, the bits that t and P are brought
// between, and 1. Pointers that find no register are loaded again for every vector.
func solve(name string, over, plain, unspilled bool) {
	k := function(name, "func(rows **float32, c *float32, n int) bool", 2)
	next := 0
	row := func(keep bool) func() Mem {
		i := next
		next++
		if keep {
			p := k.row(i)
			return func() Mem { return k.of(p, 0) }
		}
		return func() Mem { return k.of(k.row(i), 0) }
	}
	rows := func(keep bool) (three [3]func() Mem) {
		for c := range three {
			three[c] = row(keep)
		}
		return three
	}
	t, out, band, inverse, color := row(true), rows(true), row(true), row(true), rows(true)
	var back, dark, screen [3]func() Mem
	var darkBand, spill func() Mem
	if over {
		back = rows(plain)
	}
	if !plain {
		darkBand, dark, screen = row(false), rows(false), rows(false)
	}
	if unspilled {
		spill = row(false)
	}
	var m [3]VecVirtual
	for c := range m {
		m[c] = k.all(c)
	}
	var gain VecVirtual
	if !plain {
		gain = k.all(3)
	}
	perGain, zero, low, high, floor := k.all(4), k.all(5), k.all(6), k.all(7), k.all(8)
	bad := none()
	k.loop(width, func() {
		var p [3]VecVirtual
		for c := range p {
			p[c] = load(color[c]())
			if !plain {
				VSUBPS(dark[c](), p[c], p[c])
			}
		}
		sum, v := YMM(), YMM()
		VMULPS(m[0], p[0], sum)
		for c := 1; c < 3; c++ {
			VMULPS(m[c], p[c], v)
			VADDPS(v, sum, sum)
		}
		VMOVUPS(band(), v)
		VSUBPS(sum, v, v)
		if !plain {
			VSUBPS(darkBand(), v, v)
		}
		VMULPS(inverse(), perGain, sum)
		VMULPS(sum, v, v)
		VADDPS(p[0], v, sum)
		VADDPS(p[1], sum, sum)
		VADDPS(p[2], sum, sum)
		VMULPS(zero, sum, sum)
		VADDPS(sum, bad, bad)
		if !plain {
			g, w := YMM(), YMM()
			VMULPS(v, gain, g)
			for c := range p {
				VMULPS(screen[c](), g, w)
				VSUBPS(w, p[c], p[c])
			}
		}
		VPMAXSD(low, v, v)
		VPMINSD(high, v, v)
		moved := v
		if unspilled {
			now, left := YMM(), k.all(9)
			VSUBPS(spill(), left, left)
			VSUBPS(spill(), v, now)
			VDIVPS(left, now, now)
			VPMAXSD(low, now, now)
			VSUBPS(now, v, moved)
			VMULPS(moved, gain, moved)
			v = now
		}
		for c := range p {
			VPMAXSD(floor, p[c], p[c])
			if unspilled {
				w := YMM()
				VMULPS(screen[c](), moved, w)
				VADDPS(w, p[c], p[c])
			}
			if over {
				w := YMM()
				VMULPS(back[c](), v, w)
				VADDPS(w, p[c], p[c])
			}
			VMOVUPS(p[c], out[c]())
		}
		VMOVUPS(v, t())
	})
	leaveFinite(bad)
}

// held is Held: out, p, t, b.
func held() {
	k := function("heldAVX2", "func(rows **float32, n int)", 2)
	out, p, t, b := k.row(0), k.row(1), k.row(2), k.row(3)
	k.each(func() {
		v := load(k.of(t, 0))
		VMULPS(k.of(b, 0), v, v)
		VADDPS(k.of(p, 0), v, v)
		VMOVUPS(v, k.of(out, 0))
	})
}

// blend is Blend: dst, src. Numbers: the weights.
func blend() {
	k := function("blendAVX2", "func(rows **float32, c *float32, n, taps, stride int)", 2)
	dst, src := k.row(0), k.row(1)
	w, taps, stride := Load(Param("c"), GP64()), Load(Param("taps"), GP64()), Load(Param("stride"), GP64())
	SHLQ(U8(2), stride)
	at, i := GP64(), GP64()
	// vectors does so many at a time, as long as there are as many.
	vectors := func(count int) {
		all, loop, done := fmt.Sprint("all", count), fmt.Sprint("tap", count), fmt.Sprint("done", count)
		rest := GP64()
		Label(all)
		MOVQ(k.end, rest)
		SUBQ(k.at, rest)
		CMPQ(rest, U32(uint64(count*width)))
		JLT(LabelRef(done))
		LEAQ(Mem{Base: src, Index: k.at, Scale: 1}, at)
		sums := make([]VecVirtual, count)
		for v := range sums {
			sums[v] = none()
		}
		XORQ(i, i)
		Label(loop)
		by := YMM()
		VBROADCASTSS(Mem{Base: w, Index: i, Scale: 4}, by)
		for v := range sums {
			u := YMM()
			VMULPS(Mem{Base: at, Disp: v * width}, by, u)
			VADDPS(u, sums[v], sums[v])
		}
		ADDQ(stride, at)
		INCQ(i)
		CMPQ(i, taps)
		JLT(LabelRef(loop))
		for v := range sums {
			VMOVUPS(sums[v], k.of(dst, v*width))
		}
		ADDQ(U32(uint64(count*width)), k.at)
		JMP(LabelRef(all))
		Label(done)
	}
	XORQ(k.at, k.at)
	vectors(4)
	vectors(1)
	leave()
}

// slanted is Slant.Cubic for one plane: dst, src, where the neighbors begin, their weights.
func slanted() {
	k := function("slantedAVX2", "func(rows **float32, n, stride int)", 2)
	dst, src, at, w, stride := k.row(0), k.row(1), k.row(2), k.row(3), Load(Param("stride"), GP64())
	SHLQ(U8(2), stride)
	k.loop(4, func() {
		p, sum, v, by := GP64(), XMM(), XMM(), XMM()
		MOVLQSX(k.of(at, 0), p)
		LEAQ(Mem{Base: src, Index: p, Scale: 4}, p)
		for row := range 4 {
			VBROADCASTSS(Mem{Base: w, Disp: 16 + 4*row}, by)
			if row == 0 {
				VMULPS(Mem{Base: p}, by, sum)
				continue
			}
			ADDQ(stride, p)
			VMULPS(Mem{Base: p}, by, v)
			VADDPS(v, sum, sum)
		}
		VMULPS(Mem{Base: w}, sum, sum)
		VHADDPS(sum, sum, sum)
		VHADDPS(sum, sum, sum)
		VMOVSS(sum, k.of(dst, 0))
		ADDQ(U32(32), w)
	})
	leave()
}

// fours is Fours for so many lines: each dst, each line, then the picks, the weights and at.
func fours(name string, lines int) {
	k := function(name, "func(rows **float32, n int)", 2)
	var dst, line []Register
	for i := range lines {
		dst, line = append(dst, k.row(i)), append(line, k.row(lines+i))
	}
	picks, weights, at := k.row(2*lines), k.row(2*lines+1), k.row(2*lines+2)
	k.loop(16, func() {
		pick, from := XMM(), GP64()
		VMOVDQU(k.of(picks, 0), pick)
		MOVLQSX(Mem{Base: at}, from)
		for i := range lines {
			var sum VecVirtual
			for tap := range 4 {
				v := XMM()
				VMOVDQU(Mem{Base: line[i], Index: from, Scale: 4, Disp: 4 * tap}, v)
				VPSHUFB(pick, v, v)
				VMULPS(Mem{Base: weights, Disp: 16 * tap}, v, v)
				if tap == 0 {
					sum = v
					continue
				}
				VADDPS(v, sum, sum)
			}
			VMOVUPS(sum, k.of(dst[i], 0))
		}
		ADDQ(U32(64), weights)
		ADDQ(U32(4), at)
	})
	leave()
}

// places is MapLine.Places: dx, dy. Numbers: those of a MapLine in their order, then the first
// place and the step, then 0 to 7 for the places of a vector, 8, 1, and whether there are radial
// terms.
func places() {
	const center, yc, yc2, unit, k1, k2, w, x, y, start, step, lane, eight, one, radial = 0, 1, 2, 3, 4, 5, 6, 10, 17, 21, 22, 23, 31, 32, 33
	k := function("placesAVX2", signature, 2)
	dx, dy := k.row(0), k.row(1)
	place, apart := load(k.number(lane)), k.all(step)
	VFMADD213PS(k.all(start), apart, place)
	VMULPS(k.all(eight), apart, apart)
	// more adds to sum what number i times v comes to.
	more := func(sum, v VecVirtual, i int) { VFMADD231PS(v, k.all(i), sum) }
	put := func(mx, ex, my, weight VecVirtual) {
		one := k.all(one)
		VDIVPS(weight, one, weight)
		VFMADD213PS(ex, place, mx)
		VMULPS(weight, mx, mx)
		VMOVUPS(mx, k.of(dx, 0))
		VMULPS(weight, my, my)
		VMOVUPS(my, k.of(dy, 0))
		VADDPS(apart, place, place)
	}
	CMPL(k.number(radial), U8(0))
	JE(LabelRef("flat"))
	k.loop(width, func() {
		xc, r2, s, f := YMM(), k.all(yc2), k.all(k1), YMM()
		VSUBPS(k.all(center), place, xc)
		VFMADD231PS(xc, xc, r2)
		VMULPS(k.all(unit), r2, r2)
		more(s, r2, k2)
		VMULPS(r2, s, s)
		VMULPS(k.all(yc), s, f)
		e := xc
		VMULPS(s, e, e)
		weight, mx, ex, my := k.all(w), k.all(x+1), k.all(x), k.all(y)
		more(weight, place, w+1)
		more(weight, e, w+2)
		more(weight, f, w+3)
		more(mx, place, x+2)
		more(mx, e, x+4)
		more(mx, f, x+6)
		more(ex, e, x+3)
		more(ex, f, x+5)
		more(my, place, y+1)
		more(my, e, y+2)
		more(my, f, y+3)
		put(mx, ex, my, weight)
	})
	leave()
	Label("flat")
	k.each(func() {
		weight, mx, my := k.all(w), k.all(x+1), k.all(y)
		more(weight, place, w+1)
		more(mx, place, x+2)
		more(my, place, y+1)
		put(mx, k.all(x), my, weight)
	})
}

// spread is Spread: dst, nodes. Numbers: how far each of the values of dst is between two nodes,
// for four vectors; a half.
func spread() {
	const vectors, half = 4, 32
	k := function("spreadAVX2", signature, 2)
	dst, node, by := k.row(0), k.row(1), k.all(half)
	k.loop(vectors*width, func() {
		a, m, bend, slope := YMM(), YMM(), YMM(), YMM()
		VBROADCASTSS(Mem{Base: node}, a)
		VBROADCASTSS(Mem{Base: node, Disp: 4}, m)
		VBROADCASTSS(Mem{Base: node, Disp: 8}, bend)
		ADDQ(U32(8), node)
		VSUBPS(m, bend, bend)
		VSUBPS(m, a, slope)
		VADDPS(bend, slope, bend)
		VMULPS(by, bend, bend)
		VSUBPS(a, m, slope)
		VSUBPS(bend, slope, slope)
		for i := range vectors {
			u, v := load(k.number(i*lanes)), YMM()
			VMOVAPS(slope, v)
			VFMADD231PS(bend, u, v)
			VFMADD213PS(a, u, v)
			VMOVUPS(v, k.of(dst, i*width))
		}
	})
	leave()
}

// cubic is Run.cubic: dst, dx, dy, and the four rows. Numbers: X and Y, 1, -0.5.
func cubic() {
	k := function("cubicAVX2", signature, 2)
	dst, dx, dy := k.row(0), k.row(1), k.row(2)
	var src [4]Register
	for i := range src {
		src[i] = k.row(3 + i)
	}
	left, top, one, minusHalf := k.all(0), k.all(1), k.all(2), k.all(3)
	// weights returns those of the four neighbors.
	weights := func(d Register, from VecVirtual) (w [4]VecVirtual) {
		t, u, h, e := load(k.of(d, 0)), YMM(), YMM(), YMM()
		VSUBPS(from, t, t)
		VSUBPS(t, one, u)
		VMULPS(t, u, h)
		VMULPS(minusHalf, h, h)
		w[0], w[3] = YMM(), h
		VMULPS(u, h, w[0])
		VMULPS(t, h, w[3])
		VSUBPS(w[0], w[3], e)
		w[1], w[2] = u, t
		VADDPS(e, u, w[1])
		VSUBPS(w[0], w[1], w[1])
		VSUBPS(e, t, w[2])
		VSUBPS(w[3], w[2], w[2])
		return w
	}
	k.each(func() {
		w := weights(dx, left)
		var row [4]VecVirtual
		for i := range row {
			row[i] = YMM()
			VMULPS(k.of(src[i], 0), w[0], row[i])
			for j := 1; j < 4; j++ {
				VFMADD231PS(k.of(src[i], 4*j), w[j], row[i])
			}
		}
		w = weights(dy, top)
		VMULPS(w[0], row[0], row[0])
		for i := 1; i < 4; i++ {
			VFMADD231PS(w[i], row[i], row[0])
		}
		VMOVUPS(row[0], k.of(dst, 0))
	})
}

// mix is Mix: dst, a, b. Number: the part.
func mix() {
	k := function("mixAVX2", signature, 2)
	dst, a, b, part := k.row(0), k.row(1), k.row(2), k.all(0)
	k.each(func() {
		v, d := load(k.of(a, 0)), load(k.of(b, 0))
		VSUBPS(v, d, d)
		VMULPS(part, d, d)
		VADDPS(d, v, v)
		VMOVUPS(v, k.of(dst, 0))
	})
}

// raise is Raise: dst, a.
func raise() {
	k := function("raiseAVX2", "func(rows **float32, n int)", 2)
	dst, a := k.row(0), k.row(1)
	k.each(func() {
		v := load(k.of(a, 0))
		VMAXPS(k.of(dst, 0), v, v)
		VMOVUPS(v, k.of(dst, 0))
	})
}

// unspill is Unspill.Row: t, what is moved, the spill, and where lanes' counts go. Numbers: the
// gain, what counts, 1, and the bits that t is brought to.
func unspill() {
	const less = 0x11 // not signaling
	k := function("unspillAVX2", signature, 2)
	t, moved, spill, counts := k.row(0), k.row(1), k.row(2), k.row(3)
	gain, least, one, floor, n := k.all(0), k.all(1), k.all(2), k.all(3), none()
	k.loop(width, func() {
		s, was, v, left := load(k.of(spill, 0)), load(k.of(t, 0)), YMM(), YMM()
		VSUBPS(was, one, v)
		VMULPS(s, v, v)
		VCMPPS(U8(less), v, least, v)
		VPSUBD(v, n, n)
		VSUBPS(s, was, v)
		VSUBPS(s, one, left)
		VDIVPS(left, v, v)
		VPMAXSD(floor, v, v)
		VMOVUPS(v, k.of(t, 0))
		VSUBPS(v, was, v)
		VMULPS(gain, v, v)
		VMOVUPS(v, k.of(moved, 0))
	})
	VMOVUPS(n, Mem{Base: counts})
	leave()
}

// mean3 is Mean3: dst, a, b, c. Number: a third.
func mean3() {
	k := function("mean3AVX2", signature, 2)
	dst, a, b, c, third := k.row(0), k.row(1), k.row(2), k.row(3), k.all(0)
	k.each(func() {
		v := load(k.of(a, 0))
		VADDPS(k.of(b, 0), v, v)
		VADDPS(k.of(c, 0), v, v)
		VMULPS(third, v, v)
		VMOVUPS(v, k.of(dst, 0))
	})
}

// mean2 is Mean2: dst, a, b. Number: a half.
func mean2() {
	k := function("mean2AVX2", signature, 2)
	dst, a, b, half := k.row(0), k.row(1), k.row(2), k.all(0)
	k.each(func() {
		v := load(k.of(a, 0))
		VADDPS(k.of(b, 0), v, v)
		VMULPS(half, v, v)
		VMOVUPS(v, k.of(dst, 0))
	})
}

// weigh is Weigh: dst, a, b, c. Numbers: the weights.
func weigh() {
	k := function("weighAVX2", signature, 2)
	dst, rows, weights := k.row(0), [3]GPVirtual{k.row(1), k.row(2), k.row(3)}, [3]VecVirtual{k.all(0), k.all(1), k.all(2)}
	k.each(func() {
		sum := YMM()
		VMULPS(k.of(rows[0], 0), weights[0], sum)
		for i := 1; i < 3; i++ {
			v := YMM()
			VMULPS(k.of(rows[i], 0), weights[i], v)
			VADDPS(v, sum, sum)
		}
		VMOVUPS(sum, k.of(dst, 0))
	})
}

// matrix is Matrix: red, green, blue. Numbers: the matrix, row by row, and the offset.
func matrix() {
	k := function("matrixAVX2", signature, 2)
	rows := [3]GPVirtual{k.row(0), k.row(1), k.row(2)}
	var m [9]VecVirtual
	for i := range m {
		m[i] = k.all(i)
	}
	k.each(func() {
		in := [3]VecVirtual{load(k.of(rows[0], 0)), load(k.of(rows[1], 0)), load(k.of(rows[2], 0))}
		for i, row := range rows {
			sum, v := YMM(), YMM()
			VMULPS(in[0], m[3*i], sum)
			for j := 1; j < 3; j++ {
				VMULPS(in[j], m[3*i+j], v)
				VADDPS(v, sum, sum)
			}
			VBROADCASTSS(k.number(9+i), v)
			VADDPS(v, sum, sum)
			VMOVUPS(sum, k.of(row, 0))
		}
	})
}

// decimate is Decimate: dst, src. Numbers: a half and a quarter.
func decimate() {
	k := function("decimateAVX2", signature, 2)
	dst, src, half, quarter := k.row(0), k.row(1), k.all(0), k.all(1)
	from := func(more int) Mem { return Mem{Base: src, Index: k.at, Scale: 2, Disp: 4 * more} }
	k.each(func() {
		// Every second value of sixteen, from the first or the second on: 0 1 4 5 2 3 6 7 of them.
		a, b, left, middle, right, c := load(from(0)), load(from(8)), YMM(), YMM(), YMM(), load(from(2))
		VSHUFPS(U8(0x88), b, a, left)
		VSHUFPS(U8(0xdd), b, a, middle)
		VSHUFPS(U8(0x88), from(10), c, right)
		VADDPS(right, left, left)
		VMULPS(quarter, left, left)
		VMULPS(half, middle, middle)
		VADDPS(left, middle, middle)
		VPERMQ(U8(0xd8), middle, middle)
		VMOVUPS(middle, k.of(dst, 0))
	})
}

// quantize is Quantize for numbers of so many bytes: a, b. Numbers: the scale, the divisor, the
// zero.
func quantize(name string, size uint8) {
	begin(name, "func(dst *byte, rows **float32, c *float32, n int)")
	k := &kernel{rows: Load(Param("rows"), GP64()), at: GP64()}
	k.end = Load(Param("n"), GP64()).(GPVirtual)
	dst := Load(Param("dst"), GP64())
	a, b, scale, by, zero := k.row(0), k.row(1), k.all(0), k.all(1), k.all(2)
	from := func(p Register) Mem { return Mem{Base: p, Index: k.at, Scale: 4} }
	k.loop(lanes, func() {
		v, high := load(from(a)), XMM()
		VSUBPS(from(b), v, v)
		VMULPS(scale, v, v)
		VDIVPS(by, v, v)
		VADDPS(zero, v, v)
		VCVTTPS2DQ(v, v)
		VEXTRACTI128(U8(1), v, high)
		VPACKUSDW(high, v.AsX(), high)
		to := Mem{Base: dst, Index: k.at, Scale: size}
		if size == 1 {
			VPACKUSWB(high, high, high)
			VMOVQ(high, to)
			return
		}
		VMOVDQU(high, to)
	})
	leave()
}

// bar is the first half of Bar: inside from its Reach-th value on, the row. Numbers: the limits.
func bar() {
	const less = 0x11 // not signaling
	k := function("insideAVX2", signature, 2)
	inside, row, low, high := k.row(0), k.row(1), k.all(0), k.all(1)
	k.each(func() {
		v, above := load(k.of(row, 0)), YMM()
		VCMPPS(U8(less), v, low, above)
		VCMPPS(U8(less), high, v, v)
		VPAND(above, v, v)
		VMOVUPS(v, k.of(inside, 0))
	})
}

// barred is the second half of Bar: barred, inside. Number: the mark.
func barred() {
	const around = 7 // 2 Reach + 1
	k := function("barAVX2", signature, 2)
	dst, inside, mark := k.row(0), k.row(1), k.all(0)
	k.each(func() {
		all := load(k.of(inside, 0))
		for i := 1; i < around; i++ {
			VPAND(k.of(inside, 4*i), all, all)
		}
		VPANDN(mark, all, all)
		VPMAXSD(k.of(dst, 0), all, all)
		VMOVUPS(all, k.of(dst, 0))
	})
}

// tally is Tally.Add: the sum, that of squares, the count, the row, what is barred. Numbers: the
// center, the mark.
func tally() {
	k := function("tallyAVX2", signature, 2)
	sum, sum2, count, row, barred, center, mark := k.row(0), k.row(1), k.row(2), k.row(3), k.row(4), k.all(0), k.all(1)
	k.each(func() {
		open, d, v := YMM(), load(k.of(row, 0)), YMM()
		VPCMPGTD(k.of(barred, 0), mark, open)
		VSUBPS(center, d, d)
		VPAND(open, d, d)
		VADDPS(k.of(sum, 0), d, v)
		VMOVUPS(v, k.of(sum, 0))
		VMULPS(d, d, d)
		VADDPS(k.of(sum2, 0), d, d)
		VMOVUPS(d, k.of(sum2, 0))
		VMOVUPS(k.of(count, 0), v)
		VPSUBD(open, v, v)
		VMOVUPS(v, k.of(count, 0))
	})
}

// finite is Finite: the row.
func finite() {
	k := function("finiteAVX2", "func(rows **float32, n int) bool", 2)
	row, zero, bad := k.row(0), none(), none()
	k.loop(width, func() {
		v := YMM()
		VMULPS(k.of(row, 0), zero, v)
		VADDPS(v, bad, bad)
	})
	leaveFinite(bad)
}

// bytes is Plus or Minus: dst, a, b.
func bytes(name string, op func(ops ...Op)) {
	k := function(name, "func(rows **byte, n int)", 0)
	dst, a, b := k.row(0), k.row(1), k.row(2)
	k.each(func() {
		v := load(k.of(a, 0))
		op(k.of(b, 0), v, v)
		VMOVUPS(v, k.of(dst, 0))
	})
}

// running is Running: each turn does step bytes of the 16 that it reads and writes. masks moves
// bytes on by one pixel, two, four and eight, and spreads the last pixel of a step over the next.
func running() {
	begin("runningAVX2", "func(line *byte, masks *[5][16]byte, step, n int)")
	line, masks, step, left := Load(Param("line"), GP64()), Load(Param("masks"), GP64()), Load(Param("step"), GP64()), Load(Param("n"), GP64())
	var mask [5]VecVirtual
	for i := range mask {
		mask[i] = XMM()
		VMOVDQU(Mem{Base: masks, Disp: 16 * i}, mask[i])
	}
	carry, v, next, moved := XMM(), XMM(), XMM(), XMM()
	VPXOR(carry, carry, carry)
	VMOVDQU(Mem{Base: line}, v)
	JMP(LabelRef("more"))
	Label("loop")
	// Before the bytes behind this step are overwritten.
	VMOVDQU(Mem{Base: line, Index: step, Scale: 1}, next)
	for _, m := range mask[:4] {
		VPSHUFB(m, v, moved)
		VPADDB(moved, v, v)
	}
	VPADDB(carry, v, v)
	VMOVDQU(v, Mem{Base: line})
	VPSHUFB(mask[4], v, carry)
	VMOVDQA(next, v)
	ADDQ(step, line)
	SUBQ(step, left)
	Label("more")
	CMPQ(left, step)
	JGE(LabelRef("loop"))
	// What the last step wrote behind itself.
	VMOVDQU(v, Mem{Base: line})
	leave()
}

// adler sums bytes, and bytes times how many there are from them on to the end.
func adler() {
	begin("adlerAVX2", "func(b *byte, n int, weights *[32]byte) (sum, weighted uint64)")
	p, left, weights := Load(Param("b"), GP64()), Load(Param("n"), GP64()), load(Mem{Base: Load(Param("weights"), GP64())})
	ones, zero, sum, before, within := YMM(), none(), none(), none(), none()
	VPCMPEQD(ones, ones, ones)
	VPABSW(ones, ones)
	JMP(LabelRef("more"))
	Label("loop")
	v, w := load(Mem{Base: p}), YMM()
	VPADDQ(sum, before, before)
	VPSADBW(zero, v, w)
	VPADDQ(w, sum, sum)
	VPMADDUBSW(weights, v, v)
	VPMADDWD(ones, v, v)
	VPADDD(v, within, within)
	ADDQ(U32(width), p)
	SUBQ(U32(width), left)
	Label("more")
	CMPQ(left, U32(width))
	JGE(LabelRef("loop"))
	// within has numbers of 32 bits.
	high := YMM()
	VPSRLQ(U8(32), within, high)
	VPBLENDD(U8(0xaa), zero, within, within)
	VPADDQ(high, within, within)
	VPSLLQ(U8(5), before, before)
	VPADDQ(within, before, before)
	for i, v := range []VecVirtual{sum, before} {
		x, h := v.AsX(), XMM()
		VEXTRACTI128(U8(1), v, h)
		VPADDQ(h, x, x)
		VPSRLDQ(U8(8), x, h)
		VPADDQ(h, x, x)
		r := GP64()
		VMOVQ(x, r)
		Store(r, ReturnIndex(i))
	}
	leave()
}

// floats is Floats: each vector is of the bytes, or of the words, of 8, 16 or 32 bytes of src. mask
// keeps of them what is wanted.
func floats() {
	for _, f := range []struct {
		name   string
		scale  uint8 // bytes of src for a value
		extend func(ops ...Op)
		mask   int
	}{
		{"floats1AVX2", 1, VPMOVZXBD, 0},
		{"floats12AVX2", 2, VPMOVZXWD, 0xff},
		{"floats2AVX2", 2, VPMOVZXWD, 0},
		{"floats22AVX2", 4, nil, 0xffff},
	} {
		begin(f.name, "func(dst *float32, src *byte, n int)")
		k := &kernel{at: GP64()}
		dst, src := Load(Param("dst"), GP64()), Load(Param("src"), GP64())
		k.end = Load(Param("n"), GP64()).(GPVirtual)
		var mask VecVirtual
		if f.mask != 0 {
			mask = YMM()
			VPCMPEQD(mask, mask, mask)
			shift := uint64(24)
			if f.mask == 0xffff {
				shift = 16
			}
			VPSRLD(U8(shift), mask, mask)
		}
		k.loop(lanes, func() {
			v, from := YMM(), Mem{Base: src, Index: k.at, Scale: f.scale}
			if f.extend == nil {
				VMOVDQU(from, v)
			} else {
				f.extend(from, v)
			}
			if f.mask != 0 {
				VPAND(mask, v, v)
			}
			VCVTDQ2PS(v, v)
			VMOVUPS(v, Mem{Base: dst, Index: k.at, Scale: 4})
		})
		leave()
	}
}

// video is Video.Places: red, green, blue, luma, cb, cr. Numbers: luma and chroma, red, blue,
// green, and the last place as a float.
func video() {
	k := function("videoAVX2", signature, 2)
	var row [6]GPVirtual
	for i := range row {
		row[i] = k.row(i)
	}
	var c [9]VecVirtual // Luma, Chroma, Red, Blue, Green, Most
	for i := range c {
		c[i] = k.all(i)
	}
	zero := none()
	k.each(func() {
		y, u, w, v := load(k.of(row[3], 0)), load(k.of(row[4], 0)), load(k.of(row[5], 0)), YMM()
		VMULPS(c[0], y, y)
		VADDPS(c[1], y, y)
		for _, v := range []VecVirtual{u, w} {
			VMULPS(c[2], v, v)
			VADDPS(c[3], v, v)
		}
		put := func(i int) {
			VPMAXSD(zero, v, v)
			VPMINSD(c[8], v, v)
			VCVTTPS2DQ(v, v)
			VMOVUPS(v, k.of(row[i], 0))
		}
		sum := func(sum, of VecVirtual, by int) {
			x := YMM()
			VMULPS(c[by], of, x)
			VADDPS(x, sum, v)
		}
		sum(y, w, 4)
		put(0)
		sum(y, u, 6)
		sum(v, w, 7)
		put(1)
		sum(y, u, 5)
		put(2)
	})
}

// steps is Steps.Row: dst, light, Lines, From. Numbers: Low, High, the unit, First, and the last
// code. It returns whether no code is behind that.
func steps() {
	const signature = "func(rows **float32, c *float32, n int) bool"
	k := function("stepsAVX2", signature, 2)
	dst, light, lines, from := k.row(0), k.row(1), k.row(2), k.row(3)
	low, high, unit, first, last, beyond := k.all(0), k.all(1), k.all(2), k.all(3), k.all(4), none()
	k.loop(width, func() {
		v, key := load(k.of(light, 0)), YMM()
		VMAXPS(low, v, v) // low where v is not a number
		VMINPS(high, v, v)
		VPSRAD(U8(31), v, key)
		VPSRLD(U8(1), key, key)
		VPXOR(v, key, key)
		at, f := YMM(), YMM()
		VPSRAD(U8(16), key, at)
		VPSUBD(first, at, at)
		VPSLLD(U8(16), key, f)
		VPSRLD(U8(16), f, f)
		VCVTDQ2PS(f, f)
		// Two numbers at a time: of values 0 to 3, and of 4 to 7.
		gather := func(at Register) VecVirtual {
			to, all := YMM(), YMM()
			VPCMPEQD(all, all, all)
			VPGATHERDQ(all, Mem{Base: lines, Index: at, Scale: 8}, to)
			return to
		}
		a := gather(at.AsX())
		next := XMM()
		VEXTRACTI128(U8(1), at, next)
		b := gather(next)
		whole, slope := YMM(), YMM()
		VSHUFPS(U8(0x88), b, a, whole) // of values 0 1 4 5 2 3 6 7
		VSHUFPS(U8(0xdd), b, a, slope)
		VPERMQ(U8(0xd8), whole, whole)
		VPERMQ(U8(0xd8), slope, slope)
		VMULPS(f, slope, slope)
		VADDPS(slope, whole, whole)
		VCVTTPS2DQ(whole, whole)
		begins, all := YMM(), YMM()
		VPCMPEQD(all, all, all)
		VPGATHERDD(all, Mem{Base: from, Index: whole, Scale: 4}, begins)
		VPCMPGTD(key, begins, begins)
		VPADDD(begins, whole, whole)
		VPCMPGTD(last, whole, begins)
		VPOR(begins, beyond, beyond)
		VCVTDQ2PS(whole, whole)
		VMULPS(unit, whole, whole)
		VMOVUPS(whole, k.of(dst, 0))
	})
	VPTEST(beyond, beyond)
	ok := GP8()
	SETEQ(ok)
	Store(ok, ReturnIndex(0))
	leave()
}

// Rows of Gram and Fold have two vectors of four numbers each.
const gramRow = 64

// gram is Gram, for a number of values that is a multiple of four: for every four, by so many loops
// over the rows as these four and those before them have parts. Of the first four of a part the
// products with the second four are not wanted, and cost less than a loop of their own.
func gram() {
	const four = 4
	begin("gramAVX2", "func(out *float64, rows *float64, w *float64, n int, parts int, values int)")
	rows, weights := Load(Param("rows"), GP64()), Load(Param("w"), GP64())
	out := Load(Param("out"), GP64())
	stride := Load(Param("parts"), GP64())
	SHLQ(U8(6), stride) // bytes of a row, of the rows as of out
	values := Load(Param("values"), GP64())
	SHLQ(U8(3), values)
	times := GP64() // values of those that are multiplied, in bytes
	XORQ(times, times)
	Label("values")
	part := GP64() // of those that they are multiplied with
	XORQ(part, part)
	Label("part")
	var sum [four][2]VecVirtual
	for i := range sum {
		sum[i] = [2]VecVirtual{none(), none()}
	}
	row, w, left := GP64(), GP64(), Load(Param("n"), GP64())
	MOVQ(rows, row)
	MOVQ(weights, w)
	Label("loop")
	by := YMM()
	VBROADCASTSD(Mem{Base: w}, by)
	a, b := YMM(), YMM()
	VMULPD(Mem{Base: row, Index: part, Scale: 1}, by, a)
	VMULPD(Mem{Base: row, Index: part, Scale: 1, Disp: width}, by, b)
	for i := range sum {
		by := YMM()
		VBROADCASTSD(Mem{Base: row, Index: times, Scale: 1, Disp: 8 * i}, by)
		VFMADD231PD(a, by, sum[i][0])
		VFMADD231PD(b, by, sum[i][1])
	}
	ADDQ(stride, row)
	ADDQ(U32(8), w)
	DECQ(left)
	JGT(LabelRef("loop"))
	to := GP64()
	MOVQ(out, to)
	for i := range sum {
		VMOVUPD(sum[i][0], Mem{Base: to, Index: part, Scale: 1})
		VMOVUPD(sum[i][1], Mem{Base: to, Index: part, Scale: 1, Disp: width})
		if i < four-1 {
			ADDQ(stride, to)
		}
	}
	ADDQ(U32(gramRow), part)
	CMPQ(part, times)
	JLE(LabelRef("part"))
	ADDQ(stride, to)
	MOVQ(to, out)
	ADDQ(U32(8*four), times)
	CMPQ(times, values)
	JLT(LabelRef("values"))
	leave()
}

// fold is Fold for so many at once: c has the pointers to their factors.
func fold(name string, sums int) {
	begin(name, "func(out *float64, rows *float64, c **float64, n int)")
	out, row, c, left := Load(Param("out"), GP64()), Load(Param("rows"), GP64()), Load(Param("c"), GP64()), Load(Param("n"), GP64())
	factor := make([]GPVirtual, sums)
	sum := make([][2]VecVirtual, sums)
	for i := range sum {
		factor[i] = GP64()
		MOVQ(Mem{Base: c, Disp: 8 * i}, factor[i])
		sum[i] = [2]VecVirtual{none(), none()}
	}
	at := GP64()
	XORQ(at, at)
	JMP(LabelRef("more"))
	Label("loop")
	a, b := load(Mem{Base: row}), load(Mem{Base: row, Disp: width})
	for i, s := range sum {
		by := YMM()
		VBROADCASTSD(Mem{Base: factor[i], Index: at, Scale: 8}, by)
		VFMADD231PD(a, by, s[0])
		VFMADD231PD(b, by, s[1])
	}
	ADDQ(U32(gramRow), row)
	INCQ(at)
	Label("more")
	CMPQ(at, left)
	JLT(LabelRef("loop"))
	for i, s := range sum {
		VMOVUPD(s[0], Mem{Base: out, Disp: gramRow * i})
		VMOVUPD(s[1], Mem{Base: out, Disp: gramRow*i + width})
	}
	leave()
}

// dots is Dots for four rows at a time.
func dots() {
	begin("dotsAVX2", "func(out *float64, rows *float64, by *float64, n int)")
	out, row, by, left := Load(Param("out"), GP64()), Load(Param("rows"), GP64()), Load(Param("by"), GP64()), Load(Param("n"), GP64())
	low, high := load(Mem{Base: by}), load(Mem{Base: by, Disp: width})
	Label("loop")
	var sum [4]VecVirtual
	for i := range sum {
		sum[i] = YMM()
		VMULPD(Mem{Base: row, Disp: gramRow * i}, low, sum[i])
		VFMADD231PD(Mem{Base: row, Disp: gramRow*i + width}, high, sum[i])
	}
	VHADDPD(sum[1], sum[0], sum[0])
	VHADDPD(sum[3], sum[2], sum[2])
	lows, highs := YMM(), YMM()
	VPERM2F128(U8(0x20), sum[2], sum[0], lows)
	VPERM2F128(U8(0x31), sum[2], sum[0], highs)
	VADDPD(highs, lows, lows)
	VMOVUPD(lows, Mem{Base: out})
	ADDQ(U32(4*gramRow), row)
	ADDQ(U32(width), out)
	SUBQ(U8(4), left)
	JGT(LabelRef("loop"))
	leave()
}

// spline is Spline, one place at a time: the weights along x in the low half of a vector and those
// along y in the high one, then the four coefficients of a row as one vector.
func spline() {
	begin("splineAVX2", "func(out *float32, c *float32, stride int, at *int32, parts *float32, numbers *float32, n int)")
	out, c, stride, at := Load(Param("out"), GP64()), Load(Param("c"), GP64()), Load(Param("stride"), GP64()), Load(Param("at"), GP64())
	parts, numbers, left := Load(Param("parts"), GP64()), Load(Param("numbers"), GP64()), Load(Param("n"), GP64())
	SHLQ(U8(2), stride)
	number := func(i int) Mem { return Mem{Base: numbers, Disp: width * i} }
	halves := load(number(7))
	Label("loop")
	part := YMM()
	VBROADCASTSD(Mem{Base: parts}, part)
	VPERMILPS(halves, part, part)
	value, slope, bend := load(number(3)), load(number(5)), load(number(6))
	VFMADD213PS(number(2), part, value)
	VFMADD213PS(number(1), part, value)
	VFMADD213PS(number(0), part, value)
	VFMADD213PS(number(4), part, slope)
	VFMADD213PS(number(1), part, slope)
	VFMADD213PS(number(4), part, bend)
	// Down the columns: value, slope and bend along y of each.
	var down, along [3]VecVirtual
	for i, v := range []VecVirtual{value, slope, bend} {
		down[i], along[i] = XMM(), v
		VEXTRACTF128(U8(1), v, down[i])
	}
	row := GP64()
	MOVLQSX(Mem{Base: at}, row)
	LEAQ(Mem{Base: c, Index: row, Scale: 4}, row)
	var sum [3]VecVirtual
	for j := range 4 {
		r := XMM()
		VMOVUPS(Mem{Base: row}, r)
		if j < 3 {
			ADDQ(stride, row)
		}
		for i := range sum {
			by := XMM()
			VPERMILPS(U8(0x55*j), down[i], by)
			if j == 0 {
				sum[i] = XMM()
				VMULPS(r, by, sum[i])
			} else {
				VFMADD231PS(r, by, sum[i])
			}
		}
	}
	// And along the rows.
	var dx, both = XMM(), XMM()
	VMULPS(along[1].AsX(), sum[0], dx)
	VMULPS(along[2].AsX(), sum[0], both)
	VFMADD231PS(along[0].AsX(), sum[2], both)
	VMULPS(along[0].AsX(), sum[0], sum[0])
	VMULPS(along[0].AsX(), sum[1], sum[1])
	VHADDPS(dx, sum[0], sum[0])
	VHADDPS(both, sum[1], sum[1])
	VHADDPS(sum[1], sum[0], sum[0])
	VMOVUPS(sum[0], Mem{Base: out})
	ADDQ(U32(16), out)
	ADDQ(U32(4), at)
	ADDQ(U32(8), parts)
	DECQ(left)
	JGT(LabelRef("loop"))
	leave()
}

// move is Window.Move. Rows: the three results; x, y; the slopes, the Laplacian, their direction and
// its turn, what is left, the weights. Numbers, each four times: of c the first with what the squares
// have of it, the others, and twice those of the squares. sums has four parts of each sum.
func move() {
	begin("moveAVX2", "func(sums *float64, rows **float64, c *float64, n int)")
	rows, c, end := Load(Param("rows"), GP64()), Load(Param("c"), GP64()), Load(Param("n"), GP64())
	SHLQ(U8(3), end)
	at := GP64()
	XORQ(at, at)
	of := func(i int) Mem {
		p := GP64()
		MOVQ(Mem{Base: rows, Disp: 8 * i}, p)
		return Mem{Base: p, Index: at, Scale: 1}
	}
	number := func(i int) Mem { return Mem{Base: c, Disp: width * i} }
	const (
		solid0 = iota
		x1
		y1
		xx1
		xy1
		yy1
		xx2
		yy2
	)
	var sum [7]VecVirtual
	for i := range sum {
		sum[i] = none()
	}
	Label("loop")
	x, y := load(of(3)), load(of(4))
	byX, byY, a, b, solid := load(number(x1)), load(number(y1)), YMM(), YMM(), load(number(solid0))
	VFMADD231PD(number(xy1), y, byX)
	VMOVAPD(byX, a)
	VFMADD231PD(number(xx1), x, a) // c2 + c4 x + c5 y
	VFMADD231PD(number(xx2), x, byX)
	VMOVAPD(byY, b)
	VFMADD231PD(number(yy1), y, b) // c3 + c6 y
	VFMADD231PD(number(xy1), x, byY)
	VFMADD231PD(number(yy2), y, byY)
	VFMADD231PD(x, a, solid)
	VFMADD231PD(y, b, solid)
	VMULPD(of(10), byX, byX)
	VFMADD231PD(of(11), byY, byX) // the turn
	gx, gy, gb := YMM(), YMM(), YMM()
	VMULPD(of(5), solid, gx)
	VFMADD231PD(of(8), byX, gx)
	VMULPD(of(6), solid, gy)
	VFMADD231PD(of(9), byX, gy)
	VMULPD(of(7), solid, gb)
	weight, left := load(of(13)), load(of(12))
	wx, wy, wb := YMM(), YMM(), YMM()
	VMULPD(weight, gx, wx)
	VMULPD(weight, gy, wy)
	VMULPD(weight, gb, wb)
	VMOVUPD(wx, of(0))
	VMOVUPD(wy, of(1))
	VMOVUPD(wb, of(2))
	VFMADD231PD(wx, gx, sum[0])
	VFMADD231PD(wx, gy, sum[1])
	VFMADD231PD(wy, gy, sum[2])
	VFMADD231PD(wb, gb, sum[3])
	VFMADD231PD(wx, left, sum[4])
	VFMADD231PD(wy, left, sum[5])
	VFMADD231PD(wb, left, sum[6])
	ADDQ(U32(width), at)
	CMPQ(at, end)
	JLT(LabelRef("loop"))
	sums := Load(Param("sums"), GP64())
	for i := range sum {
		VMOVUPD(sum[i], Mem{Base: sums, Disp: width * i})
	}
	leave()
}
