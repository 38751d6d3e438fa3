package kernel

import (
	"encoding/binary"
	"math"
)

// bits returns what t and P are brought between, as the bits of floats, which as whole numbers have
// the order of what is not negative. For whole numbers min and max are one instruction nearly
// everywhere; for floats, which keep NaN, they are six or eight.
func (s *Solve) bits() (low, high, floor int32) {
	low, high, floor = math.MinInt32, math.MaxInt32, math.MinInt32
	if s.ClampT {
		low, high = 0, int32(math.Float32bits(1))
	}
	if s.ClampP {
		floor = 0
	}
	return low, high, floor
}

// clamp brings v between numbers that bits returned.
func clamp(v float32, low, high int32) float32 {
	return math.Float32frombits(uint32(min(max(int32(math.Float32bits(v)), low), high)))
}

// atLeast is clamp without an upper end.
func atLeast(v float32, floor int32) float32 {
	return math.Float32frombits(uint32(max(int32(math.Float32bits(v)), floor)))
}

// three returns the first n values of three rows each: as variables of their own, for which bounds
// are checked once and not for every value.
func three(p *[3][]float32, n int) (a, b, c []float32) { return p[0][:n], p[1][:n], p[2][:n] }

// solve is Solve.Row for the pixels from i on.
func (s *Solve) solve(i int, t []float32, p *[3][]float32, in *Row) bool {
	n := len(t)
	band, darkBand, inverse := in.Band[:n], in.DarkBand[:n], in.Inverse[:n]
	c0, c1, c2 := three(&in.Color, n)
	d0, d1, d2 := three(&in.DarkColor, n)
	k0, k1, k2 := three(&in.Screen, n)
	o0, o1, o2 := three(p, n)
	m0, m1, m2, gain, perGain := s.M[0], s.M[1], s.M[2], s.Gain, 1/s.Gain
	low, high, floor := s.bits()
	var bad float32
	for ; i < n; i++ {
		p0, p1, p2 := c0[i]-d0[i], c1[i]-d1[i], c2[i]-d2[i]
		v := band[i] - (float32(m0*p0) + float32(m1*p1) + float32(m2*p2)) - darkBand[i]
		v = float32(v * (inverse[i] * perGain))
		bad += float32((v + p0 + p1 + p2) * 0) // NaN as soon as one of them is not finite
		g := gain * v
		o0[i] = atLeast(p0-float32(g*k0[i]), floor)
		o1[i] = atLeast(p1-float32(g*k1[i]), floor)
		o2[i] = atLeast(p2-float32(g*k2[i]), floor)
		t[i] = clamp(v, low, high)
	}
	return bad == 0
}

// over is Solve.Over for the pixels from i on.
func (s *Solve) over(i int, t []float32, out *[3][]float32, in *Row, back *[3][]float32) bool {
	n := len(t)
	band, darkBand, inverse := in.Band[:n], in.DarkBand[:n], in.Inverse[:n]
	c0, c1, c2 := three(&in.Color, n)
	d0, d1, d2 := three(&in.DarkColor, n)
	k0, k1, k2 := three(&in.Screen, n)
	o0, o1, o2 := three(out, n)
	b0, b1, b2 := three(back, n)
	m0, m1, m2, gain, perGain := s.M[0], s.M[1], s.M[2], s.Gain, 1/s.Gain
	low, high, floor := s.bits()
	var bad float32
	for ; i < n; i++ {
		p0, p1, p2 := c0[i]-d0[i], c1[i]-d1[i], c2[i]-d2[i]
		v := band[i] - (float32(m0*p0) + float32(m1*p1) + float32(m2*p2)) - darkBand[i]
		v = float32(v * (inverse[i] * perGain))
		bad += float32((v + p0 + p1 + p2) * 0)
		g := gain * v
		v = clamp(v, low, high)
		o0[i] = atLeast(p0-float32(g*k0[i]), floor) + float32(v*b0[i])
		o1[i] = atLeast(p1-float32(g*k1[i]), floor) + float32(v*b1[i])
		o2[i] = atLeast(p2-float32(g*k2[i]), floor) + float32(v*b2[i])
		t[i] = v
	}
	return bad == 0
}

// overUnspilled is Solve.OverUnspilled for the pixels from i on.
func (s *Solve) overUnspilled(i int, t []float32, out *[3][]float32, in *Row, back *[3][]float32, spill []float32) bool {
	n := len(t)
	band, darkBand, inverse := in.Band[:n], in.DarkBand[:n], in.Inverse[:n]
	spill = spill[:n]
	c0, c1, c2 := three(&in.Color, n)
	d0, d1, d2 := three(&in.DarkColor, n)
	k0, k1, k2 := three(&in.Screen, n)
	o0, o1, o2 := three(out, n)
	b0, b1, b2 := three(back, n)
	m0, m1, m2, gain, perGain := s.M[0], s.M[1], s.M[2], s.Gain, 1/s.Gain
	low, high, floor := s.bits()
	var bad float32
	for ; i < n; i++ {
		p0, p1, p2 := c0[i]-d0[i], c1[i]-d1[i], c2[i]-d2[i]
		v := band[i] - (float32(m0*p0) + float32(m1*p1) + float32(m2*p2)) - darkBand[i]
		v = float32(v * (inverse[i] * perGain))
		bad += float32((v + p0 + p1 + p2) * 0)
		g := gain * v
		v = clamp(v, low, high)
		now := atLeast((v-spill[i])/(1-spill[i]), low)
		moved := float32(gain * (v - now))
		o0[i] = atLeast(p0-float32(g*k0[i]), floor) + float32(moved*k0[i]) + float32(now*b0[i])
		o1[i] = atLeast(p1-float32(g*k1[i]), floor) + float32(moved*k1[i]) + float32(now*b1[i])
		o2[i] = atLeast(p2-float32(g*k2[i]), floor) + float32(moved*k2[i]) + float32(now*b2[i])
		t[i] = now
	}
	return bad == 0
}

// plainOver is over where the dark plates and K are 0.
func (s *Solve) plainOver(i int, t []float32, out *[3][]float32, in *Row, back *[3][]float32) bool {
	n := len(t)
	band, inverse := in.Band[:n], in.Inverse[:n]
	c0, c1, c2 := three(&in.Color, n)
	o0, o1, o2 := three(out, n)
	b0, b1, b2 := three(back, n)
	m0, m1, m2, perGain := s.M[0], s.M[1], s.M[2], 1/s.Gain
	low, high, floor := s.bits()
	var bad float32
	for ; i < n; i++ {
		p0, p1, p2 := c0[i], c1[i], c2[i]
		v := band[i] - (float32(m0*p0) + float32(m1*p1) + float32(m2*p2))
		v = float32(v * (inverse[i] * perGain))
		bad += float32((v + p0 + p1 + p2) * 0)
		v = clamp(v, low, high)
		o0[i] = atLeast(p0, floor) + float32(v*b0[i])
		o1[i] = atLeast(p1, floor) + float32(v*b1[i])
		o2[i] = atLeast(p2, floor) + float32(v*b2[i])
		t[i] = v
	}
	return bad == 0
}

func held(i int, out, p, t, b []float32) {
	p, t, b = p[:len(out)], t[:len(out)], b[:len(out)]
	for ; i < len(out); i++ {
		out[i] = p[i] + float32(t[i]*b[i])
	}
}

func (l *MapLine) places(i int, dx, dy []float32, at [2]float32) {
	dy = dy[:len(dx)]
	for ; i < len(dx); i++ {
		x := at[0] + float32(i)*at[1]
		xc := x - l.Center
		r2 := (xc*xc + l.YC2) * l.Unit
		s := r2 * (l.K1 + r2*l.K2)
		e, f := xc*s, l.YC*s
		w := 1 / (l.W[0] + l.W[1]*x + l.W[2]*e + l.W[3]*f)
		dx[i] = (l.X[0] + x*(l.X[1]+x*l.X[2]+e*l.X[4]+f*l.X[6]) + e*l.X[3] + f*l.X[5]) * w
		dy[i] = (l.Y[0] + x*l.Y[1] + e*l.Y[2] + f*l.Y[3]) * w
	}
}

// spreadFrom is Spread for the values from i on, a multiple of 2 Apart.
func spreadFrom(i int, dst, nodes []float32) {
	for ; i < len(dst); i += 2 * Apart {
		a, m, b := nodes[i/Apart], nodes[i/Apart+1], nodes[i/Apart+2]
		bend := (a - m) + (b - m)
		bend *= 0.5
		slope := (m - a) - bend
		part := dst[i:][:2*Apart]
		for k := range part {
			u := float32(k) * (1. / Apart)
			part[k] = a + u*(slope+u*bend)
		}
	}
}

// cubic resamples the pixels of the run from its i-th on.
func (r *Run) cubic(i int, dst, src []float32, stride int, dx, dy []float32) {
	n := r.To - r.From
	dst, dx, dy = dst[r.From:r.To], dx[r.From:r.To], dy[r.From:r.To]
	for ; i < n; i++ {
		// The weights of Keys 1981, equation 15 with a = -1/2. The outer two are -t (1-t)^2/2 and
		// -t^2 (1-t)/2; the inner two follow from them, since all four make 1 and a ramp stays what
		// it is.
		t := dx[i] - r.X
		h := -0.5 * t * (1 - t)
		x0, x3 := h*(1-t), h*t
		x1, x2 := 1-t+(x3-x0)-x0, t-(x3-x0)-x3
		t = dy[i] - r.Y
		h = -0.5 * t * (1 - t)
		y0, y3 := h*(1-t), h*t
		y1, y2 := 1-t+(y3-y0)-y0, t-(y3-y0)-y3
		k := r.At + i
		a := src[k : k+4 : k+4]
		b := src[k+stride : k+stride+4 : k+stride+4]
		c := src[k+2*stride : k+2*stride+4 : k+2*stride+4]
		d := src[k+3*stride : k+3*stride+4 : k+3*stride+4]
		dst[i] = y0*(x0*a[0]+x1*a[1]+x2*a[2]+x3*a[3]) +
			y1*(x0*b[0]+x1*b[1]+x2*b[2]+x3*b[3]) +
			y2*(x0*c[0]+x1*c[1]+x2*c[2]+x3*c[3]) +
			y3*(x0*d[0]+x1*d[1]+x2*d[2]+x3*d[3])
	}
}

func (f *Fours) from(i int, dst, line []float32) {
	for ; i < len(dst); i++ {
		w := (*[13]float32)(f.weights[i/4*16+i%4:])
		l := (*[4]float32)(line[int(f.at[i/4])+int(f.picks[4*i])/4:])
		dst[i] = float32(w[0]*l[0]) + float32(w[4]*l[1]) + float32(w[8]*l[2]) + float32(w[12]*l[3])
	}
}

// weights sets where the neighbors of a row's pixels begin, and their weights, four across and four
// down.
func (s Slant) weights(at []int32, weights []float32, stride int) {
	x, y := s.X, s.Y
	for i := range at {
		at[i] = int32((int(y>>32)-1)*stride + int(x>>32) - 1)
		w := (*[8]float32)(weights[8*i:])
		w[0], w[1], w[2], w[3] = cubicWeights(x)
		w[4], w[5], w[6], w[7] = cubicWeights(y)
		x, y = x+s.DX, y+s.DY
	}
}

// cubicWeights returns Keys's kernel for the four neighbors of a place of a Slant.
func cubicWeights(at int64) (a, b, c, d float32) {
	const bits = 24 // that a float32 has
	t := float32(uint32(at)>>(32-bits)) * (1. / (1 << bits))
	u := 1 - t
	h := float32(-0.5 * float32(t*u))
	a, d = float32(h*u), float32(h*t)
	e := d - a
	return a, u + e - a, t - e - d, d
}

func slantedFrom(i int, dst, src []float32, stride int, at []int32, weights []float32) {
	for ; i < len(dst); i++ {
		w, k := (*[8]float32)(weights[8*i:]), int(at[i])
		a, b, c, d := (*[4]float32)(src[k:]), (*[4]float32)(src[k+stride:]), (*[4]float32)(src[k+2*stride:]), (*[4]float32)(src[k+3*stride:])
		var v [4]float32
		for j := range v {
			v[j] = float32(w[j] * (float32(w[4]*a[j]) + float32(w[5]*b[j]) + float32(w[6]*c[j]) + float32(w[7]*d[j])))
		}
		dst[i] = v[0] + v[1] + (v[2] + v[3])
	}
}

func allFinite(s []float32) bool {
	var sum float32 // NaN as soon as one of them is not finite
	for _, v := range s {
		sum += float32(v * 0)
	}
	return sum == 0
}

// The highest bit of each of eight bytes: sums without it do not reach the next byte.
const tops = 0x8080808080808080

func plusFrom(i int, dst, a, b []byte) {
	a, b = a[:len(dst)], b[:len(dst)]
	for ; i <= len(dst)-8; i += 8 {
		x, y := binary.LittleEndian.Uint64(a[i:]), binary.LittleEndian.Uint64(b[i:])
		binary.LittleEndian.PutUint64(dst[i:], (x&^tops+y&^tops)^(x^y)&tops)
	}
	for ; i < len(dst); i++ {
		dst[i] = a[i] + b[i]
	}
}

func minusFrom(i int, dst, a, b []byte) {
	a, b = a[:len(dst)], b[:len(dst)]
	for ; i <= len(dst)-8; i += 8 {
		x, y := binary.LittleEndian.Uint64(a[i:]), binary.LittleEndian.Uint64(b[i:])
		binary.LittleEndian.PutUint64(dst[i:], (x|tops-y&^tops)^(x^^y)&tops)
	}
	for ; i < len(dst); i++ {
		dst[i] = a[i] - b[i]
	}
}

func runningFrom(i int, line []byte, n int) {
	for ; i < len(line); i++ {
		line[i] += line[i-n]
	}
}
