//go:build goexperiment.simd && go1.27 && !amd64

package kernel

import (
	"fmt"
	"math"
	"simd"
	"simd/archsimd"
	"unsafe"
)

// Go 1.27's compiler fails at vectors in methods, so these are functions.

// from is p[i:] of a row that begins at p, for a vector which must be within the row.
func from[T any](p *T, i int) []T {
	return (*[Pad]T)(unsafe.Pointer(after(p, i)))[:]
}

func vectors() string {
	return fmt.Sprintf("portable vectors, %d lanes", simd.BroadcastFloat32s(0).Len())
}

func rowFront(s *Solve, t []float32, p *[3][]float32, in *Row) (int, bool) {
	n, at := len(t), first(t, len(t))
	band, darkBand, inverse := first(in.Band, n), first(in.DarkBand, n), first(in.Inverse, n)
	c0, c1, c2 := first(in.Color[0], n), first(in.Color[1], n), first(in.Color[2], n)
	d0, d1, d2 := first(in.DarkColor[0], n), first(in.DarkColor[1], n), first(in.DarkColor[2], n)
	k0, k1, k2 := first(in.Screen[0], n), first(in.Screen[1], n), first(in.Screen[2], n)
	o0, o1, o2 := first(p[0], n), first(p[1], n), first(p[2], n)
	zero := simd.BroadcastFloat32s(0)
	m0, m1, m2 := simd.BroadcastFloat32s(s.M[0]), simd.BroadcastFloat32s(s.M[1]), simd.BroadcastFloat32s(s.M[2])
	gain := simd.BroadcastFloat32s(s.Gain)
	perGain := simd.BroadcastFloat32s(1).Div(gain)
	l, h, f := s.bits()
	low, high, floor := simd.BroadcastInt32s(l), simd.BroadcastInt32s(h), simd.BroadcastInt32s(f)
	bad := zero
	i, lanes := 0, zero.Len()
	for ; i <= n-lanes; i += lanes {
		p0 := simd.LoadFloat32s(from(c0, i)).Sub(simd.LoadFloat32s(from(d0, i)))
		p1 := simd.LoadFloat32s(from(c1, i)).Sub(simd.LoadFloat32s(from(d1, i)))
		p2 := simd.LoadFloat32s(from(c2, i)).Sub(simd.LoadFloat32s(from(d2, i)))
		v := simd.LoadFloat32s(from(band, i)).Sub(m0.Mul(p0).Add(m1.Mul(p1)).Add(m2.Mul(p2))).Sub(simd.LoadFloat32s(from(darkBand, i)))
		v = v.Mul(simd.LoadFloat32s(from(inverse, i)).Mul(perGain))
		bad = bad.Add(v.Add(p0).Add(p1).Add(p2).Mul(zero))
		g := gain.Mul(v)
		p0.Sub(g.Mul(simd.LoadFloat32s(from(k0, i)))).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Store(from(o0, i))
		p1.Sub(g.Mul(simd.LoadFloat32s(from(k1, i)))).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Store(from(o1, i))
		p2.Sub(g.Mul(simd.LoadFloat32s(from(k2, i)))).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Store(from(o2, i))
		v.ToBits().BitsToInt32().Max(low).Min(high).ToBits().BitsToFloat32().Store(from(at, i))
	}
	return i, isZero(bad)
}

func overFront(s *Solve, t []float32, out *[3][]float32, in *Row, back *[3][]float32) (int, bool) {
	if in.Plain {
		return plainOver(s, t, out, in, back)
	}
	n, at := len(t), first(t, len(t))
	band, darkBand, inverse := first(in.Band, n), first(in.DarkBand, n), first(in.Inverse, n)
	c0, c1, c2 := first(in.Color[0], n), first(in.Color[1], n), first(in.Color[2], n)
	d0, d1, d2 := first(in.DarkColor[0], n), first(in.DarkColor[1], n), first(in.DarkColor[2], n)
	k0, k1, k2 := first(in.Screen[0], n), first(in.Screen[1], n), first(in.Screen[2], n)
	o0, o1, o2 := first(out[0], n), first(out[1], n), first(out[2], n)
	b0, b1, b2 := first(back[0], n), first(back[1], n), first(back[2], n)
	zero := simd.BroadcastFloat32s(0)
	m0, m1, m2 := simd.BroadcastFloat32s(s.M[0]), simd.BroadcastFloat32s(s.M[1]), simd.BroadcastFloat32s(s.M[2])
	gain := simd.BroadcastFloat32s(s.Gain)
	perGain := simd.BroadcastFloat32s(1).Div(gain)
	l, h, f := s.bits()
	low, high, floor := simd.BroadcastInt32s(l), simd.BroadcastInt32s(h), simd.BroadcastInt32s(f)
	bad := zero
	i, lanes := 0, zero.Len()
	for ; i <= n-lanes; i += lanes {
		p0 := simd.LoadFloat32s(from(c0, i)).Sub(simd.LoadFloat32s(from(d0, i)))
		p1 := simd.LoadFloat32s(from(c1, i)).Sub(simd.LoadFloat32s(from(d1, i)))
		p2 := simd.LoadFloat32s(from(c2, i)).Sub(simd.LoadFloat32s(from(d2, i)))
		v := simd.LoadFloat32s(from(band, i)).Sub(m0.Mul(p0).Add(m1.Mul(p1)).Add(m2.Mul(p2))).Sub(simd.LoadFloat32s(from(darkBand, i)))
		v = v.Mul(simd.LoadFloat32s(from(inverse, i)).Mul(perGain))
		bad = bad.Add(v.Add(p0).Add(p1).Add(p2).Mul(zero))
		g := gain.Mul(v)
		v = v.ToBits().BitsToInt32().Max(low).Min(high).ToBits().BitsToFloat32()
		p0.Sub(g.Mul(simd.LoadFloat32s(from(k0, i)))).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(v.Mul(simd.LoadFloat32s(from(b0, i)))).Store(from(o0, i))
		p1.Sub(g.Mul(simd.LoadFloat32s(from(k1, i)))).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(v.Mul(simd.LoadFloat32s(from(b1, i)))).Store(from(o1, i))
		p2.Sub(g.Mul(simd.LoadFloat32s(from(k2, i)))).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(v.Mul(simd.LoadFloat32s(from(b2, i)))).Store(from(o2, i))
		v.Store(from(at, i))
	}
	return i, isZero(bad)
}

func overUnspilledFront(s *Solve, t []float32, out *[3][]float32, in *Row, back *[3][]float32, spill []float32) (int, bool) {
	n, at, by := len(t), first(t, len(t)), first(spill, len(t))
	band, darkBand, inverse := first(in.Band, n), first(in.DarkBand, n), first(in.Inverse, n)
	c0, c1, c2 := first(in.Color[0], n), first(in.Color[1], n), first(in.Color[2], n)
	d0, d1, d2 := first(in.DarkColor[0], n), first(in.DarkColor[1], n), first(in.DarkColor[2], n)
	k0, k1, k2 := first(in.Screen[0], n), first(in.Screen[1], n), first(in.Screen[2], n)
	o0, o1, o2 := first(out[0], n), first(out[1], n), first(out[2], n)
	b0, b1, b2 := first(back[0], n), first(back[1], n), first(back[2], n)
	zero := simd.BroadcastFloat32s(0)
	m0, m1, m2 := simd.BroadcastFloat32s(s.M[0]), simd.BroadcastFloat32s(s.M[1]), simd.BroadcastFloat32s(s.M[2])
	gain := simd.BroadcastFloat32s(s.Gain)
	one := simd.BroadcastFloat32s(1)
	perGain := one.Div(gain)
	l, h, f := s.bits()
	low, high, floor := simd.BroadcastInt32s(l), simd.BroadcastInt32s(h), simd.BroadcastInt32s(f)
	bad := zero
	i, lanes := 0, zero.Len()
	for ; i <= n-lanes; i += lanes {
		p0 := simd.LoadFloat32s(from(c0, i)).Sub(simd.LoadFloat32s(from(d0, i)))
		p1 := simd.LoadFloat32s(from(c1, i)).Sub(simd.LoadFloat32s(from(d1, i)))
		p2 := simd.LoadFloat32s(from(c2, i)).Sub(simd.LoadFloat32s(from(d2, i)))
		v := simd.LoadFloat32s(from(band, i)).Sub(m0.Mul(p0).Add(m1.Mul(p1)).Add(m2.Mul(p2))).Sub(simd.LoadFloat32s(from(darkBand, i)))
		v = v.Mul(simd.LoadFloat32s(from(inverse, i)).Mul(perGain))
		bad = bad.Add(v.Add(p0).Add(p1).Add(p2).Mul(zero))
		g := gain.Mul(v)
		v = v.ToBits().BitsToInt32().Max(low).Min(high).ToBits().BitsToFloat32()
		spilled := simd.LoadFloat32s(from(by, i))
		now := v.Sub(spilled).Div(one.Sub(spilled)).ToBits().BitsToInt32().Max(low).ToBits().BitsToFloat32()
		moved := gain.Mul(v.Sub(now))
		k := simd.LoadFloat32s(from(k0, i))
		p0.Sub(g.Mul(k)).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(moved.Mul(k)).Add(now.Mul(simd.LoadFloat32s(from(b0, i)))).Store(from(o0, i))
		k = simd.LoadFloat32s(from(k1, i))
		p1.Sub(g.Mul(k)).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(moved.Mul(k)).Add(now.Mul(simd.LoadFloat32s(from(b1, i)))).Store(from(o1, i))
		k = simd.LoadFloat32s(from(k2, i))
		p2.Sub(g.Mul(k)).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(moved.Mul(k)).Add(now.Mul(simd.LoadFloat32s(from(b2, i)))).Store(from(o2, i))
		now.Store(from(at, i))
	}
	return i, isZero(bad)
}

// plainOver is overFront where the dark plates and K are 0.
func plainOver(s *Solve, t []float32, out *[3][]float32, in *Row, back *[3][]float32) (int, bool) {
	n, at := len(t), first(t, len(t))
	band, inverse := first(in.Band, n), first(in.Inverse, n)
	c0, c1, c2 := first(in.Color[0], n), first(in.Color[1], n), first(in.Color[2], n)
	o0, o1, o2 := first(out[0], n), first(out[1], n), first(out[2], n)
	b0, b1, b2 := first(back[0], n), first(back[1], n), first(back[2], n)
	zero := simd.BroadcastFloat32s(0)
	m0, m1, m2 := simd.BroadcastFloat32s(s.M[0]), simd.BroadcastFloat32s(s.M[1]), simd.BroadcastFloat32s(s.M[2])
	perGain := simd.BroadcastFloat32s(1).Div(simd.BroadcastFloat32s(s.Gain))
	l, h, f := s.bits()
	low, high, floor := simd.BroadcastInt32s(l), simd.BroadcastInt32s(h), simd.BroadcastInt32s(f)
	bad := zero
	i, lanes := 0, zero.Len()
	for ; i <= n-lanes; i += lanes {
		p0, p1, p2 := simd.LoadFloat32s(from(c0, i)), simd.LoadFloat32s(from(c1, i)), simd.LoadFloat32s(from(c2, i))
		v := simd.LoadFloat32s(from(band, i)).Sub(m0.Mul(p0).Add(m1.Mul(p1)).Add(m2.Mul(p2)))
		v = v.Mul(simd.LoadFloat32s(from(inverse, i)).Mul(perGain))
		bad = bad.Add(v.Add(p0).Add(p1).Add(p2).Mul(zero))
		v = v.ToBits().BitsToInt32().Max(low).Min(high).ToBits().BitsToFloat32()
		p0.ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(v.Mul(simd.LoadFloat32s(from(b0, i)))).Store(from(o0, i))
		p1.ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(v.Mul(simd.LoadFloat32s(from(b1, i)))).Store(from(o1, i))
		p2.ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32().Add(v.Mul(simd.LoadFloat32s(from(b2, i)))).Store(from(o2, i))
		v.Store(from(at, i))
	}
	return i, isZero(bad)
}

// isZero reports whether all of v is 0.
func isZero(v simd.Float32s) bool {
	var lanes [Pad]float32
	v.Store(lanes[:])
	var sum float32
	for _, x := range lanes {
		sum += x
	}
	return sum == 0
}

func heldFront(out, p, t, b []float32) int {
	n := len(out)
	p, t, b = p[:n], t[:n], b[:n]
	i, lanes := 0, simd.BroadcastFloat32s(0).Len()
	for ; i <= n-lanes; i += lanes {
		simd.LoadFloat32s(p[i:]).Add(simd.LoadFloat32s(t[i:]).Mul(simd.LoadFloat32s(b[i:]))).Store(out[i:])
	}
	return i
}

// The weights of some rows at a time stay in registers: in a loop over the rows the sums would be
// put away and fetched with every turn. The first one to eight set the sums, so that the rest are
// eights and a four.
func blendFront(dst, src []float32, stride int, weights []float32) int {
	taps := len(weights)
	n := len(dst) - len(dst)%simd.BroadcastFloat32s(0).Len()
	if n == 0 {
		return 0
	}
	to, p, w := first(dst, n), first(src, (taps-1)*stride+n), first(weights, taps)
	k := taps
	if k > 8 {
		k = (taps-1)%4 + 5
	}
	switch k {
	case 1:
		set1(to, p, w, n)
	case 2:
		set2(to, p, stride, w, n)
	case 3:
		set3(to, p, stride, w, n)
	case 4:
		set4(to, p, stride, w, n)
	case 5:
		set5(to, p, stride, w, n)
	case 6:
		set6(to, p, stride, w, n)
	case 7:
		set7(to, p, stride, w, n)
	case 8:
		set8(to, p, stride, w, n)
	}
	if (taps-k)%8 != 0 {
		blend4(to, after(p, k*stride), stride, after(w, k), n)
		k += 4
	}
	for ; k < taps; k += 8 {
		blend8(to, after(p, k*stride), stride, after(w, k), n)
	}
	return n
}

func blend8(to, p *float32, stride int, w *float32, n int) {
	w0, w1, w2, w3, w4, w5, w6, w7 := simd.BroadcastFloat32s(*after(w, 0)), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(*after(w, 2)), simd.BroadcastFloat32s(*after(w, 3)), simd.BroadcastFloat32s(*after(w, 4)), simd.BroadcastFloat32s(*after(w, 5)), simd.BroadcastFloat32s(*after(w, 6)), simd.BroadcastFloat32s(*after(w, 7))
	p1, p2, p3, p4, p5, p6, p7 := after(p, stride), after(p, 2*stride), after(p, 3*stride), after(p, 4*stride), after(p, 5*stride), after(p, 6*stride), after(p, 7*stride)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		sum := simd.LoadFloat32s(from(to, i))
		sum = sum.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1))
		sum = sum.Add(simd.LoadFloat32s(from(p2, i)).Mul(w2)).Add(simd.LoadFloat32s(from(p3, i)).Mul(w3))
		sum = sum.Add(simd.LoadFloat32s(from(p4, i)).Mul(w4)).Add(simd.LoadFloat32s(from(p5, i)).Mul(w5))
		sum.Add(simd.LoadFloat32s(from(p6, i)).Mul(w6)).Add(simd.LoadFloat32s(from(p7, i)).Mul(w7)).Store(from(to, i))
	}
}

func blend4(to, p *float32, stride int, w *float32, n int) {
	w0, w1, w2, w3 := simd.BroadcastFloat32s(*after(w, 0)), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(*after(w, 2)), simd.BroadcastFloat32s(*after(w, 3))
	p1, p2, p3 := after(p, stride), after(p, 2*stride), after(p, 3*stride)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		sum := simd.LoadFloat32s(from(to, i))
		sum = sum.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1))
		sum.Add(simd.LoadFloat32s(from(p2, i)).Mul(w2)).Add(simd.LoadFloat32s(from(p3, i)).Mul(w3)).Store(from(to, i))
	}
}

// What is below 0 by nothing is 0 in a sum that begins with 0.

func set1(to, p, w *float32, n int) {
	w0, zero := simd.BroadcastFloat32s(*w), simd.BroadcastFloat32s(0)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		zero.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Store(from(to, i))
	}
}

func set2(to, p *float32, stride int, w *float32, n int) {
	w0, w1, zero := simd.BroadcastFloat32s(*w), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(0)
	p1 := after(p, stride)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		zero.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1)).Store(from(to, i))
	}
}

func set3(to, p *float32, stride int, w *float32, n int) {
	w0, w1, w2, zero := simd.BroadcastFloat32s(*w), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(*after(w, 2)), simd.BroadcastFloat32s(0)
	p1, p2 := after(p, stride), after(p, 2*stride)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		sum := zero.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1))
		sum.Add(simd.LoadFloat32s(from(p2, i)).Mul(w2)).Store(from(to, i))
	}
}

func set4(to, p *float32, stride int, w *float32, n int) {
	w0, w1, w2, w3 := simd.BroadcastFloat32s(*w), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(*after(w, 2)), simd.BroadcastFloat32s(*after(w, 3))
	p1, p2, p3, zero := after(p, stride), after(p, 2*stride), after(p, 3*stride), simd.BroadcastFloat32s(0)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		sum := zero.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1))
		sum.Add(simd.LoadFloat32s(from(p2, i)).Mul(w2)).Add(simd.LoadFloat32s(from(p3, i)).Mul(w3)).Store(from(to, i))
	}
}

func set5(to, p *float32, stride int, w *float32, n int) {
	w0, w1, w2, w3, w4, zero := simd.BroadcastFloat32s(*after(w, 0)), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(*after(w, 2)), simd.BroadcastFloat32s(*after(w, 3)), simd.BroadcastFloat32s(*after(w, 4)), simd.BroadcastFloat32s(0)
	p1, p2, p3, p4 := after(p, stride), after(p, 2*stride), after(p, 3*stride), after(p, 4*stride)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		sum := zero.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1))
		sum = sum.Add(simd.LoadFloat32s(from(p2, i)).Mul(w2)).Add(simd.LoadFloat32s(from(p3, i)).Mul(w3))
		sum.Add(simd.LoadFloat32s(from(p4, i)).Mul(w4)).Store(from(to, i))
	}
}

func set6(to, p *float32, stride int, w *float32, n int) {
	w0, w1, w2, w3, w4, w5, zero := simd.BroadcastFloat32s(*after(w, 0)), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(*after(w, 2)), simd.BroadcastFloat32s(*after(w, 3)), simd.BroadcastFloat32s(*after(w, 4)), simd.BroadcastFloat32s(*after(w, 5)), simd.BroadcastFloat32s(0)
	p1, p2, p3, p4, p5 := after(p, stride), after(p, 2*stride), after(p, 3*stride), after(p, 4*stride), after(p, 5*stride)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		sum := zero.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1))
		sum = sum.Add(simd.LoadFloat32s(from(p2, i)).Mul(w2)).Add(simd.LoadFloat32s(from(p3, i)).Mul(w3))
		sum.Add(simd.LoadFloat32s(from(p4, i)).Mul(w4)).Add(simd.LoadFloat32s(from(p5, i)).Mul(w5)).Store(from(to, i))
	}
}

func set7(to, p *float32, stride int, w *float32, n int) {
	w0, w1, w2, w3, w4, w5, w6, zero := simd.BroadcastFloat32s(*after(w, 0)), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(*after(w, 2)), simd.BroadcastFloat32s(*after(w, 3)), simd.BroadcastFloat32s(*after(w, 4)), simd.BroadcastFloat32s(*after(w, 5)), simd.BroadcastFloat32s(*after(w, 6)), simd.BroadcastFloat32s(0)
	p1, p2, p3, p4, p5, p6 := after(p, stride), after(p, 2*stride), after(p, 3*stride), after(p, 4*stride), after(p, 5*stride), after(p, 6*stride)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		sum := zero.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1))
		sum = sum.Add(simd.LoadFloat32s(from(p2, i)).Mul(w2)).Add(simd.LoadFloat32s(from(p3, i)).Mul(w3))
		sum = sum.Add(simd.LoadFloat32s(from(p4, i)).Mul(w4)).Add(simd.LoadFloat32s(from(p5, i)).Mul(w5))
		sum.Add(simd.LoadFloat32s(from(p6, i)).Mul(w6)).Store(from(to, i))
	}
}

func set8(to, p *float32, stride int, w *float32, n int) {
	w0, w1, w2, w3, w4, w5, w6, w7, zero := simd.BroadcastFloat32s(*after(w, 0)), simd.BroadcastFloat32s(*after(w, 1)), simd.BroadcastFloat32s(*after(w, 2)), simd.BroadcastFloat32s(*after(w, 3)), simd.BroadcastFloat32s(*after(w, 4)), simd.BroadcastFloat32s(*after(w, 5)), simd.BroadcastFloat32s(*after(w, 6)), simd.BroadcastFloat32s(*after(w, 7)), simd.BroadcastFloat32s(0)
	p1, p2, p3, p4, p5, p6, p7 := after(p, stride), after(p, 2*stride), after(p, 3*stride), after(p, 4*stride), after(p, 5*stride), after(p, 6*stride), after(p, 7*stride)
	for i, lanes := 0, w0.Len(); i < n; i += lanes {
		sum := zero.Add(simd.LoadFloat32s(from(p, i)).Mul(w0)).Add(simd.LoadFloat32s(from(p1, i)).Mul(w1))
		sum = sum.Add(simd.LoadFloat32s(from(p2, i)).Mul(w2)).Add(simd.LoadFloat32s(from(p3, i)).Mul(w3))
		sum = sum.Add(simd.LoadFloat32s(from(p4, i)).Mul(w4)).Add(simd.LoadFloat32s(from(p5, i)).Mul(w5))
		sum.Add(simd.LoadFloat32s(from(p6, i)).Mul(w6)).Add(simd.LoadFloat32s(from(p7, i)).Mul(w7)).Store(from(to, i))
	}
}

// Where a slope is gentle some pixels in a row have the same whole numbers below their
// displacements, and neighbors that follow each other.
func slopedFront(s Slant, dst, src [][]float32, stride int) int {
	const least = 3 // pixels in such a run, in the mean, from which this is quicker than one by one; measured
	if byX, byY := s.DX-Whole, s.DY; (max(byX, -byX)+max(byY, -byY))*least > Whole {
		return 0
	}
	n, values := len(dst[0]), len(src[0])
	for c := range src {
		values = min(values, len(src[c]))
	}
	var weights slopedWeights
	var runs [slopedBlock]span
	for i := 0; i < n; {
		all := slopedRuns(runs[:0], s.At(i), n-i, stride, values)
		if len(all) == 0 {
			return i
		}
		done := all[len(all)-1].To
		slopes(&weights.across, uint32(s.At(i).X), uint32(s.DX), done)
		slopes(&weights.down, uint32(s.At(i).Y), uint32(s.DY), done)
		for c := range dst {
			sloped(first(dst[c][i:], done), first(src[c], values), stride, &weights, all)
		}
		i += done
	}
	return n
}

// A span is a part of a row, from pixel From up to but not including To, of which each is made from
// neighbors of its own: the first of them from those at At on, each next from the next ones.
type span struct{ From, To, At int }

// slopedBlock is how many pixels are done at once, so that their weights stay in the first cache.
const slopedBlock = 256

// slopedRuns appends the first runs of a row of n pixels, as far as whole vectors stay in the row
// and in src, which has so many values. What they write after a run belongs to the next one.
func slopedRuns(runs []span, s Slant, n, stride, values int) []span {
	lanes := simd.BroadcastFloat32s(0).Len()
	byX, byY := s.DX-Whole, s.DY
	nextX, nextY := stays(s.X, byX), stays(s.Y, byY)
	for k := 0; k < min(n, slopedBlock); {
		p := s.At(k)
		at := (int(p.Y>>32)-1)*stride + int(p.X>>32) - 1
		to := min(nextX, nextY, n, slopedBlock)
		room := min(n-k, values-at-3*stride-3) / lanes * lanes
		if at < 0 || room < lanes {
			break
		}
		if to = min(to, k+room); to == nextX {
			nextX += stays(s.At(to).X, byX)
		}
		if to == nextY {
			nextY += stays(s.At(to).Y, byY)
		}
		runs = append(runs, span{k, to, at})
		k = to
	}
	return runs
}

// stays returns in how many steps from a place on, that one too, the whole number stays.
func stays(at, step int64) int {
	part := at & (Whole - 1)
	switch {
	case step > 0:
		return int((Whole - part + step - 1) / step)
	case step < 0:
		return int(part/-step) + 1
	}
	return math.MaxInt32
}

// slopedWeights are those of the pixels of a block, for the four neighbors across and down.
type slopedWeights struct{ across, down [4][slopedBlock + Pad]float32 }

// slopes is cubicWeights for n places, of which each is so many steps on from the one before.
func slopes(w *[4][slopedBlock + Pad]float32, at, step uint32, n int) {
	var places [Pad]int32
	lanes := simd.BroadcastFloat32s(0).Len()
	for i := range places {
		places[i] = int32(at + uint32(i)*step)
	}
	place, next := simd.LoadInt32s(places[:]), simd.BroadcastInt32s(int32(uint32(lanes)*step))
	bits, unit := simd.BroadcastInt32s(1<<24-1), simd.BroadcastFloat32s(1./(1<<24))
	one, minusHalf := simd.BroadcastFloat32s(1), simd.BroadcastFloat32s(-0.5)
	w0, w1, w2, w3 := &w[0][0], &w[1][0], &w[2][0], &w[3][0]
	for i := 0; i < n; i += lanes {
		t := place.ShiftAllRight(8).And(bits).ConvertToFloat32().Mul(unit)
		u := one.Sub(t)
		h := t.Mul(u).Mul(minusHalf)
		a, d := h.Mul(u), h.Mul(t)
		e := d.Sub(a)
		a.Store(from(w0, i))
		u.Add(e).Sub(a).Store(from(w1, i))
		t.Sub(e).Sub(d).Store(from(w2, i))
		d.Store(from(w3, i))
		place = place.Add(next)
	}
}

func sloped(dst, src *float32, stride int, w *slopedWeights, runs []span) {
	lanes := simd.BroadcastFloat32s(0).Len()
	x0, x1, x2, x3 := &w.across[0][0], &w.across[1][0], &w.across[2][0], &w.across[3][0]
	y0, y1, y2, y3 := &w.down[0][0], &w.down[1][0], &w.down[2][0], &w.down[3][0]
	for k := range runs {
		r := &runs[k]
		a := after(src, r.At)
		b, c, d := after(a, stride), after(a, 2*stride), after(a, 3*stride)
		for i := r.From; i < r.To; i += lanes {
			w0, w1, w2, w3 := simd.LoadFloat32s(from(y0, i)), simd.LoadFloat32s(from(y1, i)), simd.LoadFloat32s(from(y2, i)), simd.LoadFloat32s(from(y3, i))
			p := simd.LoadFloat32s(from(a, 0)).Mul(w0).Add(simd.LoadFloat32s(from(b, 0)).Mul(w1)).Add(simd.LoadFloat32s(from(c, 0)).Mul(w2)).Add(simd.LoadFloat32s(from(d, 0)).Mul(w3))
			q := simd.LoadFloat32s(from(a, 1)).Mul(w0).Add(simd.LoadFloat32s(from(b, 1)).Mul(w1)).Add(simd.LoadFloat32s(from(c, 1)).Mul(w2)).Add(simd.LoadFloat32s(from(d, 1)).Mul(w3))
			left := p.Mul(simd.LoadFloat32s(from(x0, i))).Add(q.Mul(simd.LoadFloat32s(from(x1, i))))
			p = simd.LoadFloat32s(from(a, 2)).Mul(w0).Add(simd.LoadFloat32s(from(b, 2)).Mul(w1)).Add(simd.LoadFloat32s(from(c, 2)).Mul(w2)).Add(simd.LoadFloat32s(from(d, 2)).Mul(w3))
			q = simd.LoadFloat32s(from(a, 3)).Mul(w0).Add(simd.LoadFloat32s(from(b, 3)).Mul(w1)).Add(simd.LoadFloat32s(from(c, 3)).Mul(w2)).Add(simd.LoadFloat32s(from(d, 3)).Mul(w3))
			left.Add(p.Mul(simd.LoadFloat32s(from(x2, i))).Add(q.Mul(simd.LoadFloat32s(from(x3, i))))).Store(from(dst, i))
			a, b, c, d = after(a, lanes), after(b, lanes), after(c, lanes), after(d, lanes)
		}
	}
}

func slantedFront(dst, src []float32, stride int, at []int32, weights []float32) int {
	n := len(dst)
	if n == 0 || simd.BroadcastFloat32s(0).Len() != 4 {
		return 0
	}
	for _, k := range []int32{at[0], at[n-1]} { // the others lie between
		_ = src[k : int(k)+3*stride+4]
	}
	slanted(first(dst, n), first(src, 1), first(at, n), first(weights, 8*n), stride, n)
	return n
}

func slanted(dst, src *float32, at *int32, weights *float32, stride, n int) {
	var v [Pad]float32
	for i := range n {
		w, p := after(weights, 8*i), after(src, int(*after(at, i)))
		sum := simd.LoadFloat32s(from(p, 0)).Mul(simd.BroadcastFloat32s(*after(w, 4)))
		sum = sum.Add(simd.LoadFloat32s(from(p, stride)).Mul(simd.BroadcastFloat32s(*after(w, 5))))
		sum = sum.Add(simd.LoadFloat32s(from(p, 2*stride)).Mul(simd.BroadcastFloat32s(*after(w, 6))))
		sum = sum.Add(simd.LoadFloat32s(from(p, 3*stride)).Mul(simd.BroadcastFloat32s(*after(w, 7))))
		sum.Mul(simd.LoadFloat32s(from(w, 0))).Store(v[:])
		*after(dst, i) = v[0] + v[1] + (v[2] + v[3])
	}
}

var iota16 = [Pad]float32{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}

func placesFront(l *MapLine, dx, dy []float32, at [2]float32) int {
	n := len(dx)
	tox, toy := first(dx, n), first(dy, n)
	one := simd.BroadcastFloat32s(1)
	step := simd.BroadcastFloat32s(at[1])
	x := simd.LoadFloat32s(iota16[:]).MulAdd(step, simd.BroadcastFloat32s(at[0]))
	center, yc, yc2, unit := simd.BroadcastFloat32s(l.Center), simd.BroadcastFloat32s(l.YC), simd.BroadcastFloat32s(l.YC2), simd.BroadcastFloat32s(l.Unit)
	k1, k2 := simd.BroadcastFloat32s(l.K1), simd.BroadcastFloat32s(l.K2)
	w0, w1, w2, w3 := simd.BroadcastFloat32s(l.W[0]), simd.BroadcastFloat32s(l.W[1]), simd.BroadcastFloat32s(l.W[2]), simd.BroadcastFloat32s(l.W[3])
	x0, x1, x2, x3 := simd.BroadcastFloat32s(l.X[0]), simd.BroadcastFloat32s(l.X[1]), simd.BroadcastFloat32s(l.X[2]), simd.BroadcastFloat32s(l.X[3])
	x4, x5, x6 := simd.BroadcastFloat32s(l.X[4]), simd.BroadcastFloat32s(l.X[5]), simd.BroadcastFloat32s(l.X[6])
	y0, y1, y2, y3 := simd.BroadcastFloat32s(l.Y[0]), simd.BroadcastFloat32s(l.Y[1]), simd.BroadcastFloat32s(l.Y[2]), simd.BroadcastFloat32s(l.Y[3])
	i, lanes := 0, one.Len()
	step = step.Mul(simd.BroadcastFloat32s(float32(lanes)))
	if l.K1 == 0 && l.K2 == 0 {
		for ; i <= n-lanes; i += lanes {
			w := one.Div(x.MulAdd(w1, w0))
			x.MulAdd(x.MulAdd(x2, x1), x0).Mul(w).Store(from(tox, i))
			x.MulAdd(y1, y0).Mul(w).Store(from(toy, i))
			x = x.Add(step)
		}
	}
	for ; i <= n-lanes; i += lanes {
		xc := x.Sub(center)
		r2 := xc.MulAdd(xc, yc2).Mul(unit)
		s := r2.MulAdd(k2, k1).Mul(r2)
		e, f := xc.Mul(s), yc.Mul(s)
		w := one.Div(f.MulAdd(w3, e.MulAdd(w2, x.MulAdd(w1, w0))))
		mx := f.MulAdd(x6, e.MulAdd(x4, x.MulAdd(x2, x1)))
		x.MulAdd(mx, f.MulAdd(x5, e.MulAdd(x3, x0))).Mul(w).Store(from(tox, i))
		f.MulAdd(y3, e.MulAdd(y2, x.MulAdd(y1, y0))).Mul(w).Store(from(toy, i))
		x = x.Add(step)
	}
	return i
}

func spreadFront(dst, nodes []float32) int {
	half, start := simd.BroadcastFloat32s(0.5), simd.LoadFloat32s(iota16[:]).Mul(simd.BroadcastFloat32s(1./Apart))
	lanes := half.Len()
	step := simd.BroadcastFloat32s(float32(lanes) / Apart)
	second := start.Add(step)
	step = step.Add(step)
	to, node := first(dst, len(dst)), first(nodes, len(nodes))
	for i := 0; i < len(dst); i += 2 * Apart {
		three := from(node, i/Apart)
		a, m, b := simd.BroadcastFloat32s(three[0]), simd.BroadcastFloat32s(three[1]), simd.BroadcastFloat32s(three[2])
		bend := a.Sub(m).Add(b.Sub(m)).Mul(half)
		slope := m.Sub(a).Sub(bend)
		u, v := start, second
		for k := i; k < i+2*Apart; k += 2 * lanes {
			u.MulAdd(u.MulAdd(bend, slope), a).Store(from(to, k))
			v.MulAdd(v.MulAdd(bend, slope), a).Store(from(to, k+lanes))
			u, v = u.Add(step), v.Add(step)
		}
	}
	return len(dst)
}

func cubicFront(r *Run, dst, src []float32, stride int, dx, dy []float32) int {
	lanes := simd.BroadcastFloat32s(0).Len()
	// Whole vectors, as far as there is room: what they write after the run belongs to the next
	// run, which comes later.
	n := min(r.To-r.From+lanes-1, cap(dst)-r.From, cap(dx)-r.From, cap(dy)-r.From, len(src)-r.At-3*stride-3)
	n = max(n-n%lanes, 0)
	stretch(&cubicRows{
		r.X, r.Y, first(dst[r.From:], n), first(dx[r.From:], n), first(dy[r.From:], n),
		first(src[r.At:], n+3), first(src[r.At+stride:], n+3), first(src[r.At+2*stride:], n+3), first(src[r.At+3*stride:], n+3),
	}, n)
	return n
}

// A cubicRows is where the rows of a run begin.
type cubicRows struct {
	x, y                   float32
	to, dx, dy, a, b, c, d *float32
}

func stretch(r *cubicRows, n int) {
	one, minusHalf := simd.BroadcastFloat32s(1), simd.BroadcastFloat32s(-0.5)
	left, top := simd.BroadcastFloat32s(r.x), simd.BroadcastFloat32s(r.y)
	to, fx, fy, a, b, c, d := r.to, r.dx, r.dy, r.a, r.b, r.c, r.d
	lanes := one.Len()
	for i := 0; i < n; i += lanes {
		t := simd.LoadFloat32s(from(fx, i)).Sub(left)
		u := one.Sub(t)
		h := t.Mul(u).Mul(minusHalf)
		w0, w3 := h.Mul(u), h.Mul(t)
		e := w3.Sub(w0)
		w1, w2 := u.Add(e).Sub(w0), t.Sub(e).Sub(w3)
		ra := simd.LoadFloat32s(from(a, i+3)).MulAdd(w3, simd.LoadFloat32s(from(a, i+2)).MulAdd(w2, simd.LoadFloat32s(from(a, i+1)).MulAdd(w1, simd.LoadFloat32s(from(a, i)).Mul(w0))))
		rb := simd.LoadFloat32s(from(b, i+3)).MulAdd(w3, simd.LoadFloat32s(from(b, i+2)).MulAdd(w2, simd.LoadFloat32s(from(b, i+1)).MulAdd(w1, simd.LoadFloat32s(from(b, i)).Mul(w0))))
		rc := simd.LoadFloat32s(from(c, i+3)).MulAdd(w3, simd.LoadFloat32s(from(c, i+2)).MulAdd(w2, simd.LoadFloat32s(from(c, i+1)).MulAdd(w1, simd.LoadFloat32s(from(c, i)).Mul(w0))))
		rd := simd.LoadFloat32s(from(d, i+3)).MulAdd(w3, simd.LoadFloat32s(from(d, i+2)).MulAdd(w2, simd.LoadFloat32s(from(d, i+1)).MulAdd(w1, simd.LoadFloat32s(from(d, i)).Mul(w0))))
		t = simd.LoadFloat32s(from(fy, i)).Sub(top)
		u = one.Sub(t)
		h = t.Mul(u).Mul(minusHalf)
		w0, w3 = h.Mul(u), h.Mul(t)
		e = w3.Sub(w0)
		w1, w2 = u.Add(e).Sub(w0), t.Sub(e).Sub(w3)
		rd.MulAdd(w3, rc.MulAdd(w2, rb.MulAdd(w1, ra.Mul(w0)))).Store(from(to, i))
	}
}

// The first neighbors of four pixels are picked from one vector; the second ones lie in the same
// way one value further on, and so do the others.

func foursFront(f *Fours, dst, line []float32) int {
	n := f.n / 4 * 4
	fours(f, n, first(dst, n), first(line, f.line))
	return n
}

func fours(f *Fours, n int, to, line *float32) {
	at, picks, weights := first(f.at, n/4), first(f.picks, 4*n), first(f.weights, 4*n)
	for i := 0; i < n; i += 4 {
		pick, w, p := archsimd.LoadInt8x16(from(picks, 4*i)), after(weights, 4*i), after(line, int(*after(at, i/4)))
		sum := picked(p, pick).Mul(quad(w)).Add(picked(after(p, 1), pick).Mul(quad(after(w, 4))))
		sum.Add(picked(after(p, 2), pick).Mul(quad(after(w, 8)))).Add(picked(after(p, 3), pick).Mul(quad(after(w, 12)))).Store(from(to, i))
	}
}

func threeFoursFront(f *Fours, dst, lines *[3][]float32) int {
	n, line := f.n/4*4, f.line
	threeFours(f, n, first(dst[0], n), first(dst[1], n), first(dst[2], n), first(lines[0], line), first(lines[1], line), first(lines[2], line))
	return n
}

func threeFours(f *Fours, n int, to0, to1, to2, line0, line1, line2 *float32) {
	at, picks, weights := first(f.at, n/4), first(f.picks, 4*n), first(f.weights, 4*n)
	for i := 0; i < n; i += 4 {
		pick, w, k := archsimd.LoadInt8x16(from(picks, 4*i)), after(weights, 4*i), int(*after(at, i/4))
		w0, w1, w2, w3 := quad(w), quad(after(w, 4)), quad(after(w, 8)), quad(after(w, 12))
		p := after(line0, k)
		picked(p, pick).Mul(w0).Add(picked(after(p, 1), pick).Mul(w1)).Add(picked(after(p, 2), pick).Mul(w2)).Add(picked(after(p, 3), pick).Mul(w3)).Store(from(to0, i))
		p = after(line1, k)
		picked(p, pick).Mul(w0).Add(picked(after(p, 1), pick).Mul(w1)).Add(picked(after(p, 2), pick).Mul(w2)).Add(picked(after(p, 3), pick).Mul(w3)).Store(from(to1, i))
		p = after(line2, k)
		picked(p, pick).Mul(w0).Add(picked(after(p, 1), pick).Mul(w1)).Add(picked(after(p, 2), pick).Mul(w2)).Add(picked(after(p, 3), pick).Mul(w3)).Store(from(to2, i))
	}
}

func quad(p *float32) archsimd.Float32x4 { return archsimd.LoadFloat32x4(from(p, 0)) }

// picked returns the bytes of the vector at p that pick says.
func picked(p *float32, pick archsimd.Int8x16) archsimd.Float32x4 {
	return quad(p).ToBits().ReshapeToUint8s().BitsToInt8().LookupOrZero(pick).ToBits().ReshapeToUint32s().BitsToFloat32()
}

func mixFront(dst, a, b []float32, part float32) int {
	n := len(dst)
	to, x, y := first(dst, n), first(a, n), first(b, n)
	p := simd.BroadcastFloat32s(part)
	i, lanes := 0, p.Len()
	for ; i <= n-lanes; i += lanes {
		v := simd.LoadFloat32s(from(x, i))
		v.Add(simd.LoadFloat32s(from(y, i)).Sub(v).Mul(p)).Store(from(to, i))
	}
	return i
}

func raiseFront(dst, a []float32) int {
	n := len(dst)
	to, x := first(dst, n), first(a, n)
	i, lanes := 0, simd.BroadcastFloat32s(0).Len()
	for ; i <= n-lanes; i += lanes {
		v, d := simd.LoadFloat32s(from(x, i)), simd.LoadFloat32s(from(to, i))
		v.IfElse(v.Greater(d), d).Store(from(to, i))
	}
	return i
}

func unspillFront(u *Unspill, t, moved, spill []float32) (i, count int) {
	n := len(t)
	at, to, by := first(t, n), first(moved, n), first(spill, n)
	gain, counts, one, floor := simd.BroadcastFloat32s(u.Gain), simd.BroadcastFloat32s(u.Counts), simd.BroadcastFloat32s(1), simd.BroadcastInt32s(u.floor())
	all, lanes := simd.BroadcastInt32s(0), one.Len()
	for ; i <= n-lanes; i += lanes {
		s, was := simd.LoadFloat32s(from(by, i)), simd.LoadFloat32s(from(at, i))
		all = all.Sub(s.Mul(one.Sub(was)).Greater(counts).ToInt32s())
		now := was.Sub(s).Div(one.Sub(s)).ToBits().BitsToInt32().Max(floor).ToBits().BitsToFloat32()
		now.Store(from(at, i))
		gain.Mul(was.Sub(now)).Store(from(to, i))
	}
	var parts [Pad]int32
	all.Store(parts[:])
	for _, some := range parts {
		count += int(some)
	}
	return i, count
}

func mean3Front(dst, a, b, c []float32) int {
	n := len(dst)
	to, x, y, z := first(dst, n), first(a, n), first(b, n), first(c, n)
	third := simd.BroadcastFloat32s(1. / 3)
	i, lanes := 0, third.Len()
	for ; i <= n-lanes; i += lanes {
		simd.LoadFloat32s(from(x, i)).Add(simd.LoadFloat32s(from(y, i))).Add(simd.LoadFloat32s(from(z, i))).Mul(third).Store(from(to, i))
	}
	return i
}

func mean2Front(dst, a, b []float32) int { return 0 }

func weighFront(dst, a, b, c []float32, weights *[3]float32) int { return 0 }

func matrixFront(rgb *[3][]float32, m *[12]float32) int {
	n := len(rgb[0])
	red, green, blue := first(rgb[0], n), first(rgb[1], n), first(rgb[2], n)
	all := simd.BroadcastFloat32s
	m0, m1, m2, m3, m4, m5 := all(m[0]), all(m[1]), all(m[2]), all(m[3]), all(m[4]), all(m[5])
	m6, m7, m8, m9, m10, m11 := all(m[6]), all(m[7]), all(m[8]), all(m[9]), all(m[10]), all(m[11])
	i, lanes := 0, m0.Len()
	for ; i <= n-lanes; i += lanes {
		x, y, z := simd.LoadFloat32s(from(red, i)), simd.LoadFloat32s(from(green, i)), simd.LoadFloat32s(from(blue, i))
		m0.Mul(x).Add(m1.Mul(y)).Add(m2.Mul(z)).Add(m9).Store(from(red, i))
		m3.Mul(x).Add(m4.Mul(y)).Add(m5.Mul(z)).Add(m10).Store(from(green, i))
		m6.Mul(x).Add(m7.Mul(y)).Add(m8.Mul(z)).Add(m11).Store(from(blue, i))
	}
	return i
}

func decimateFront(dst, src []float32) int { return 0 }

func quantizeFront(dst []byte, size int, a, b []float32, scale, by, zero float32) int { return 0 }

func insideFront(inside []int32, row []float32, low, high float32) int {
	n := len(row)
	in, v := first(inside[Reach:], n), first(row, n)
	above, below := simd.BroadcastFloat32s(low), simd.BroadcastFloat32s(high)
	i, lanes := 0, above.Len()
	for ; i <= n-lanes; i += lanes {
		x := simd.LoadFloat32s(from(v, i))
		x.Greater(above).And(x.Less(below)).ToInt32s().Store(from(in, i))
	}
	return i
}

func barFront(barred, inside []int32, mark int32) int {
	n := len(barred)
	b, in := first(barred, n), first(inside, n+2*Reach)
	at := simd.BroadcastInt32s(mark)
	i, lanes := 0, at.Len()
	for ; i <= n-lanes; i += lanes {
		// -1 only if all are: not And, of which Go 1.27's compiler makes an instruction that it
		// then refuses.
		all := simd.LoadInt32s(from(in, i)).Max(simd.LoadInt32s(from(in, i+1))).Max(simd.LoadInt32s(from(in, i+2))).Max(simd.LoadInt32s(from(in, i+3)))
		all = all.Max(simd.LoadInt32s(from(in, i+4))).Max(simd.LoadInt32s(from(in, i+5))).Max(simd.LoadInt32s(from(in, i+6)))
		simd.LoadInt32s(from(b, i)).Max(at.AndNot(all)).Store(from(b, i))
	}
	return i
}

func tallyFront(t *Tally, row []float32, barred []int32, mark int32, center float32) int {
	n := len(row)
	sum, sum2, count, b, v := first(t.Sum, n), first(t.Sum2, n), first(t.Count, n), first(barred, n), first(row, n)
	below, middle := simd.BroadcastInt32s(mark), simd.BroadcastFloat32s(center)
	i, lanes := 0, below.Len()
	for ; i <= n-lanes; i += lanes {
		open := simd.LoadInt32s(from(b, i)).Less(below)
		d := simd.LoadFloat32s(from(v, i)).Sub(middle).Masked(open)
		simd.LoadFloat32s(from(sum, i)).Add(d).Store(from(sum, i))
		simd.LoadFloat32s(from(sum2, i)).Add(d.Mul(d)).Store(from(sum2, i))
		simd.LoadInt32s(from(count, i)).Sub(open.ToInt32s()).Store(from(count, i))
	}
	return i
}

func finiteFront(s []float32) (int, bool) {
	zero := simd.BroadcastFloat32s(0)
	sum := zero
	i, lanes := 0, zero.Len()
	for ; i <= len(s)-lanes; i += lanes {
		sum = sum.Add(simd.LoadFloat32s(s[i:]).Mul(zero))
	}
	return i, isZero(sum)
}

func plusFront(dst, a, b []byte) int {
	n := len(dst)
	a, b = a[:n], b[:n]
	i, lanes := 0, simd.BroadcastUint8s(0).Len()
	for ; i <= n-lanes; i += lanes {
		simd.LoadUint8s(a[i:]).Add(simd.LoadUint8s(b[i:])).Store(dst[i:])
	}
	return i
}

func minusFront(dst, a, b []byte) int {
	n := len(dst)
	a, b = a[:n], b[:n]
	i, lanes := 0, simd.BroadcastUint8s(0).Len()
	for ; i <= n-lanes; i += lanes {
		simd.LoadUint8s(a[i:]).Sub(simd.LoadUint8s(b[i:])).Store(dst[i:])
	}
	return i
}

// runningFront adds to each pixel the one before it, then to each such sum the one two pixels
// before, and so on: backward, so that what is added has not been changed yet. When the sums fill
// whole vectors, each needs but the finished one before it.
func runningFront(line []byte, n int) int {
	width := simd.BroadcastUint8s(0).Len()
	if n != 6 && n != 3 && n&(n-1) != 0 {
		return 0
	}
	for ; n%width != 0 && n < len(line); n *= 2 {
		i := len(line) - width
		for ; i >= n; i -= width {
			simd.LoadUint8s(line[i:]).Add(simd.LoadUint8s(line[i-n:])).Store(line[i:])
		}
		head := line[n : i+width]
		a, _ := simd.LoadUint8sPart(head)
		b, _ := simd.LoadUint8sPart(line[:len(head)])
		a.Add(b).StorePart(head)
	}
	i := 0
	switch n {
	case width:
		sum := simd.BroadcastUint8s(0)
		for ; i <= len(line)-n; i += n {
			sum = sum.Add(simd.LoadUint8s(line[i:]))
			sum.Store(line[i:])
		}
	case 3 * width:
		a := simd.BroadcastUint8s(0)
		b, c := a, a
		for ; i <= len(line)-n; i += n {
			p := line[i : i+n]
			a = a.Add(simd.LoadUint8s(p))
			b = b.Add(simd.LoadUint8s(p[width:]))
			c = c.Add(simd.LoadUint8s(p[2*width:]))
			a.Store(p)
			b.Store(p[width:])
			c.Store(p[2*width:])
		}
	}
	runningFrom(max(i, n), line, n) // whose stride is no longer the pixels'
	return len(line)
}

// adlerFront sums each lane by itself. With a vector of w bytes, byte number k w + j of m w counts
// m w - (k w + j) times in the second sum: w (m - k) times, which is how often lane j's sum is
// summed if that is done after each vector, less j. The lanes have 16 bits, which hold that for 22
// vectors.
func adlerFront(b []byte) (sum uint32, done int) {
	const most = 22
	zero := simd.BroadcastUint16s(0)
	low := simd.BroadcastUint16s(0xff)
	lanes := zero.Len()
	width := 2 * lanes
	n := len(b)
	sum = 1
	for len(b) >= width {
		m := min(len(b)/width, most)
		run := b[:m*width]
		b = b[len(run):]
		even, odd, evens, odds := zero, zero, zero, zero
		for i := 0; i <= len(run)-width; i += width {
			v := simd.LoadUint8s(run[i:]).ReshapeToUint16s()
			even = even.Add(v.And(low))
			odd = odd.Add(v.ShiftAllRight(8))
			evens = evens.Add(even)
			odds = odds.Add(odd)
		}
		var first, second [2][4 * Pad]uint16
		even.Store(first[0][:])
		odd.Store(first[1][:])
		evens.Store(second[0][:])
		odds.Store(second[1][:])
		var one, two, less uint32
		for j := range lanes {
			e, o := uint32(first[0][j]), uint32(first[1][j])
			one += e + o
			less += uint32(2*j)*(e+o) + o
			two += uint32(second[0][j]) + uint32(second[1][j])
		}
		sum = JoinAdler32(sum, (1+one)%adlerMod|(uint32(len(run))+uint32(width)*two-less)%adlerMod<<16, len(run))
	}
	return sum, n - len(b)
}

// halvesFront does what half.FromFloat32 does, with a mask for each of its cases.
func halvesFront(dst []uint32, src []float32) int {
	n := len(dst)
	src = src[:n]
	shift, most, number := simd.BroadcastFloat32s(0.5), simd.BroadcastFloat32s(largestHalf).ToBits(), simd.BroadcastUint32s(1<<31-1)
	sign, one, normal := simd.BroadcastUint32s(0x8000), simd.BroadcastUint32s(1), simd.BroadcastUint32s(0x38800000)
	rounding, subnormal := simd.BroadcastUint32s(0xfff+1<<32-(127-15)<<23), shift.ToBits()
	i, lanes := 0, shift.Len()
	for ; i <= n-lanes; i += lanes {
		v := simd.LoadFloat32s(src[i:])
		bits := v.Masked(v.Equal(v)).ToBits()
		rest := bits.And(number).Min(most)
		large := rest.Add(rest.ShiftAllRight(13).And(one)).Add(rounding)
		small := rest.BitsToFloat32().Add(shift).ToBits().Sub(subnormal).ShiftAllLeft(13)
		// Shifted after the choice: Go 1.27's compiler fails at a choice of what was just shifted.
		large.IfElse(rest.GreaterEqual(normal), small).ShiftAllRight(13).Or(bits.ShiftAllRight(16).And(sign)).Store(dst[i:])
	}
	return i
}

func weaveFront(high, low []uint32, planes *[4][]uint32) int {
	n := len(high)
	low = low[:n]
	r, g, b, a := planes[0][:n], planes[1][:n], planes[2][:n], planes[3][:n]
	upper, lower := simd.BroadcastUint32s(0xff00), simd.BroadcastUint32s(0xff)
	i, lanes := 0, upper.Len()
	for ; i <= n-lanes; i += lanes {
		r, g, b, a := simd.LoadUint32s(r[i:]), simd.LoadUint32s(g[i:]), simd.LoadUint32s(b[i:]), simd.LoadUint32s(a[i:])
		r.ShiftAllRight(8).Or(g.And(upper)).Or(b.And(upper).ShiftAllLeft(8)).Or(a.And(upper).ShiftAllLeft(16)).Store(high[i:])
		r.And(lower).Or(g.And(lower).ShiftAllLeft(8)).Or(b.And(lower).ShiftAllLeft(16)).Or(a.ShiftAllLeft(24)).Store(low[i:])
	}
	return i
}

func floatsFront(dst []float32, src []byte, size, step int) int { return 0 }

func videoFront(v *Video, red, green, blue []int32, luma, cb, cr []float32) int {
	n := len(red)
	r, g, b := first(red, n), first(green, n), first(blue, n)
	y, u, w := first(luma, n), first(cb, n), first(cr, n)
	ly, l0, c, c0 := simd.BroadcastFloat32s(v.Luma[0]), simd.BroadcastFloat32s(v.Luma[1]), simd.BroadcastFloat32s(v.Chroma[0]), simd.BroadcastFloat32s(v.Chroma[1])
	kr, kb, kg0, kg1 := simd.BroadcastFloat32s(v.Red), simd.BroadcastFloat32s(v.Blue), simd.BroadcastFloat32s(v.Green[0]), simd.BroadcastFloat32s(v.Green[1])
	least, most := simd.BroadcastInt32s(0), simd.BroadcastFloat32s(float32(v.Most)).ToBits().BitsToInt32()
	i, lanes := 0, ly.Len()
	for ; i <= n-lanes; i += lanes {
		y := simd.LoadFloat32s(from(y, i)).Mul(ly).Add(l0)
		u := simd.LoadFloat32s(from(u, i)).Mul(c).Add(c0)
		w := simd.LoadFloat32s(from(w, i)).Mul(c).Add(c0)
		y.Add(w.Mul(kr)).ToBits().BitsToInt32().Max(least).Min(most).ToBits().BitsToFloat32().ConvertToInt32().Store(from(r, i))
		y.Add(u.Mul(kg0)).Add(w.Mul(kg1)).ToBits().BitsToInt32().Max(least).Min(most).ToBits().BitsToFloat32().ConvertToInt32().Store(from(g, i))
		y.Add(u.Mul(kb)).ToBits().BitsToInt32().Max(least).Min(most).ToBits().BitsToFloat32().ConvertToInt32().Store(from(b, i))
	}
	return i
}

func stepsFront(s *Steps, dst, light []float32, unit float32) (int, bool) { return 0, true }

// gramFront goes over the rows for every four values and the lanes of those before them and of
// themselves.
func gramFront(out []float64, rows [][Columns]float64, parts, values int, w []float64) int {
	n, side := len(rows)/parts, parts*Columns
	lanes := min(simd.BroadcastFloat64s(0).Len(), Columns)
	if n == 0 {
		return 0
	}
	row, weights, to := &first(rows, n*parts)[0], first(w, n), first(out, side*side)
	for j := 0; j < values; j += 4 {
		for p := 0; p < j+4; p += lanes {
			gram4(after(to, j*side+p), after(row, j), after(row, p), side, weights, n)
		}
	}
	return n
}

// gram4 is the sums of the products of the four values of a row that begin at row with the vector at
// by, in side values a row.
func gram4(to, row, by *float64, side int, w *float64, n int) {
	zero := simd.BroadcastFloat64s(0)
	a0, a1, a2, a3 := zero, zero, zero, zero
	for i := range n {
		r := (*[4]float64)(unsafe.Pointer(after(row, i*side)))
		some := simd.LoadFloat64s(from(by, i*side)).Mul(simd.BroadcastFloat64s(*after(w, i)))
		a0 = some.MulAdd(simd.BroadcastFloat64s(r[0]), a0)
		a1 = some.MulAdd(simd.BroadcastFloat64s(r[1]), a1)
		a2 = some.MulAdd(simd.BroadcastFloat64s(r[2]), a2)
		a3 = some.MulAdd(simd.BroadcastFloat64s(r[3]), a3)
	}
	a0.Store(from(to, 0))
	a1.Store(from(to, side))
	a2.Store(from(to, 2*side))
	a3.Store(from(to, 3*side))
}

func foldFront(out *[Columns]float64, rows [][Columns]float64, c []float64) int {
	zero := simd.BroadcastFloat64s(0)
	lanes := min(zero.Len(), Columns)
	v, to := first(c, len(rows)), first(out[:], len(out))
	for p := 0; p < Columns; p += lanes {
		sum := zero
		for i := range rows {
			sum = simd.LoadFloat64s(from(&rows[i][0], p)).MulAdd(simd.BroadcastFloat64s(*after(v, i)), sum)
		}
		sum.Store(from(to, p))
	}
	return len(rows)
}

func fold3Front(out *[3][Columns]float64, rows [][Columns]float64, c *[3][]float64) int {
	zero := simd.BroadcastFloat64s(0)
	lanes := min(zero.Len(), Columns)
	u, v, w := first(c[0], len(rows)), first(c[1], len(rows)), first(c[2], len(rows))
	to0, to1, to2 := first(out[0][:], Columns), first(out[1][:], Columns), first(out[2][:], Columns)
	for p := 0; p < Columns; p += lanes {
		s0, s1, s2 := zero, zero, zero
		for i := range rows {
			r := simd.LoadFloat64s(from(&rows[i][0], p))
			s0 = r.MulAdd(simd.BroadcastFloat64s(*after(u, i)), s0)
			s1 = r.MulAdd(simd.BroadcastFloat64s(*after(v, i)), s1)
			s2 = r.MulAdd(simd.BroadcastFloat64s(*after(w, i)), s2)
		}
		s0.Store(from(to0, p))
		s1.Store(from(to1, p))
		s2.Store(from(to2, p))
	}
	return len(rows)
}

func dotsFront(out []float64, rows [][Columns]float64, by *[Columns]float64) int {
	if simd.BroadcastFloat64s(0).Len() != 2 {
		return 0
	}
	by0, by2, by4, by6 := simd.LoadFloat64s(by[0:]), simd.LoadFloat64s(by[2:]), simd.LoadFloat64s(by[4:]), simd.LoadFloat64s(by[6:])
	var v [2]float64
	for i := range out {
		r := &rows[i]
		sum := simd.LoadFloat64s(r[0:]).Mul(by0)
		sum = simd.LoadFloat64s(r[2:]).MulAdd(by2, sum)
		sum = simd.LoadFloat64s(r[4:]).MulAdd(by4, sum)
		simd.LoadFloat64s(r[6:]).MulAdd(by6, sum).Store(v[:])
		out[i] = v[0] + v[1]
	}
	return len(out)
}

// splineFront does one place at a time, with the four coefficients of a row as one vector.
func splineFront(out [][4]float32, c []float32, stride int, at []int32, parts [][2]float32) int {
	if len(out) == 0 || simd.BroadcastFloat32s(0).Len() != 4 {
		return 0
	}
	low, high := at[0], at[0]
	for _, k := range at {
		low, high = min(low, k), max(high, k)
	}
	_, _ = c[low], c[int(high)+3*stride+3]
	p := first(c, 1)
	w0, w1, w2, w3 := simd.LoadFloat32s(splineWeights[0][:]), simd.LoadFloat32s(splineWeights[1][:]), simd.LoadFloat32s(splineWeights[2][:]), simd.LoadFloat32s(splineWeights[3][:])
	d1, d2, b1 := w2.Add(w2), w3.Add(w3).Add(w3), w3.Mul(simd.BroadcastFloat32s(6))
	var y, dy, by, sums [4]float32
	for i := range out {
		u, v := simd.BroadcastFloat32s(parts[i][0]), simd.BroadcastFloat32s(parts[i][1])
		w3.MulAdd(v, w2).MulAdd(v, w1).MulAdd(v, w0).Store(y[:])
		d2.MulAdd(v, d1).MulAdd(v, w1).Store(dy[:])
		b1.MulAdd(v, d1).Store(by[:])
		about := after(p, int(at[i]))
		row := simd.LoadFloat32s(from(about, 0))
		value, down, bend := row.Mul(simd.BroadcastFloat32s(y[0])), row.Mul(simd.BroadcastFloat32s(dy[0])), row.Mul(simd.BroadcastFloat32s(by[0]))
		row = simd.LoadFloat32s(from(about, stride))
		value, down, bend = row.MulAdd(simd.BroadcastFloat32s(y[1]), value), row.MulAdd(simd.BroadcastFloat32s(dy[1]), down), row.MulAdd(simd.BroadcastFloat32s(by[1]), bend)
		row = simd.LoadFloat32s(from(about, 2*stride))
		value, down, bend = row.MulAdd(simd.BroadcastFloat32s(y[2]), value), row.MulAdd(simd.BroadcastFloat32s(dy[2]), down), row.MulAdd(simd.BroadcastFloat32s(by[2]), bend)
		row = simd.LoadFloat32s(from(about, 3*stride))
		value, down, bend = row.MulAdd(simd.BroadcastFloat32s(y[3]), value), row.MulAdd(simd.BroadcastFloat32s(dy[3]), down), row.MulAdd(simd.BroadcastFloat32s(by[3]), bend)
		x := w3.MulAdd(u, w2).MulAdd(u, w1).MulAdd(u, w0)
		sum := func(v simd.Float32s) float32 {
			v.Store(sums[:])
			return sums[0] + sums[1] + (sums[2] + sums[3])
		}
		out[i] = [4]float32{
			sum(x.Mul(value)), sum(d2.MulAdd(u, d1).MulAdd(u, w1).Mul(value)), sum(x.Mul(down)),
			sum(x.MulAdd(bend, b1.MulAdd(u, d1).Mul(value))),
		}
	}
	return len(out)
}

func moveFront(sums *[7]float64, out *[3][]float64, w *Window, c *[Columns]float64) int {
	all := simd.BroadcastFloat64s
	lanes := all(0).Len()
	n := len(w.X) / lanes * lanes
	solid0, x1, y1, xx, xy, yy := all(c[1]-(c[4]+c[6])/3), all(c[2]), all(c[3]), all(c[4]), all(c[5]), all(c[6])
	px, py, slopeX, slopeY, bend := first(w.X, n), first(w.Y, n), first(w.SlopeX, n), first(w.SlopeY, n), first(w.Bend, n)
	toX, toY, byX, byY, lefts, weights := first(w.ToX, n), first(w.ToY, n), first(w.TurnX, n), first(w.TurnY, n), first(w.Left, n), first(w.Weight, n)
	out0, out1, out2 := first(out[0], n), first(out[1], n), first(out[2], n)
	zero := all(0)
	s0, s1, s2, s3, s4, s5, s6 := zero, zero, zero, zero, zero, zero, zero
	for i := 0; i < n; i += lanes {
		x, y := simd.LoadFloat64s(from(px, i)), simd.LoadFloat64s(from(py, i))
		alongX, alongY := xy.MulAdd(y, x1), xy.MulAdd(x, y1)
		solid := alongX.Add(xx.Mul(x)).MulAdd(x, yy.MulAdd(y, y1).MulAdd(y, solid0))
		turnX, turnY := xx.Add(xx).MulAdd(x, alongX), yy.Add(yy).MulAdd(y, alongY)
		turn := turnX.Mul(simd.LoadFloat64s(from(byX, i))).Add(turnY.Mul(simd.LoadFloat64s(from(byY, i))))
		gx := solid.MulAdd(simd.LoadFloat64s(from(slopeX, i)), turn.Mul(simd.LoadFloat64s(from(toX, i))))
		gy := solid.MulAdd(simd.LoadFloat64s(from(slopeY, i)), turn.Mul(simd.LoadFloat64s(from(toY, i))))
		gb := solid.Mul(simd.LoadFloat64s(from(bend, i)))
		weight, left := simd.LoadFloat64s(from(weights, i)), simd.LoadFloat64s(from(lefts, i))
		wx, wy, wb := weight.Mul(gx), weight.Mul(gy), weight.Mul(gb)
		wx.Store(from(out0, i))
		wy.Store(from(out1, i))
		wb.Store(from(out2, i))
		s0, s1, s2, s3 = wx.MulAdd(gx, s0), wx.MulAdd(gy, s1), wy.MulAdd(gy, s2), wb.MulAdd(gb, s3)
		s4, s5, s6 = wx.MulAdd(left, s4), wy.MulAdd(left, s5), wb.MulAdd(left, s6)
	}
	var part [Pad]float64
	for i, v := range [...]simd.Float64s{s0, s1, s2, s3, s4, s5, s6} {
		v.Store(part[:])
		for _, p := range part[:lanes] {
			sums[i] += p
		}
	}
	return n
}
