package kernel

import (
	"bytes"
	"fmt"
	"hash/adler32"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
)

// noise begins at another cache line of a page each time, as the planes of package plate do.
func noise(r *rand.Rand, n int) []float32 {
	const page, line = 4096 / 4, 64 / 4
	rows += 5
	at := rows % (page / line) * line
	s := make([]float32, at+n+Pad)[at : at+n : at+n+Pad]
	for i := range s {
		s[i] = r.Float32()*1.2 - 0.1
	}
	return s
}

var rows int // that noise has made

func noise3(r *rand.Rand, n int) [3][]float32 {
	return [3][]float32{noise(r, n), noise(r, n), noise(r, n)}
}

func randomRow(r *rand.Rand, n int) (*Solve, *Row) {
	return &Solve{M: [3]float32{0.03, 0.02, 0.005}, Gain: 0.9, ClampT: true, ClampP: true},
		&Row{noise(r, n), noise(r, n), noise(r, n), noise3(r, n), noise3(r, n), noise3(r, n), false}
}

// The lengths at which a vector of 4, 8 or 16 values leaves nothing, one or all but one over, and
// 0.
var lengths = []int{0, 1, 3, 4, 5, 7, 8, 9, 15, 16, 17, 31, 32, 33, 100}

// The expected values are the capture model's formulas in float64.
func TestSolve(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range lengths {
		s, in := randomRow(r, n)
		back := noise3(r, n)
		for _, free := range []bool{false, true} {
			if free {
				s.ClampT, s.ClampP = false, false
			}
			tr, tr2 := noise(r, n), noise(r, n)
			p, out, added := noise3(r, n), noise3(r, n), noise3(r, n)
			if !s.Row(tr, &p, in) || !s.Over(tr2, &out, in, &back) {
				t.Errorf("%d pixels: finite plates are said not to be", n)
			}
			for i := range n {
				v := float64(in.Band[i]) - float64(in.DarkBand[i])
				for c := range 3 {
					v -= float64(s.M[c]) * (float64(in.Color[c][i]) - float64(in.DarkColor[c][i]))
				}
				v *= float64(in.Inverse[i]) / float64(s.Gain)
				want := v
				if !free {
					want = math.Min(math.Max(v, 0), 1)
				}
				if math.Abs(float64(tr[i])-want) > 1e-6 || tr[i] != tr2[i] {
					t.Fatalf("pixel %d of %d: t is %v and %v, want %v", i, n, tr[i], tr2[i], want)
				}
				for c := range 3 {
					want := float64(in.Color[c][i]) - float64(in.DarkColor[c][i]) - float64(s.Gain)*v*float64(in.Screen[c][i])
					if !free {
						want = math.Max(want, 0)
					}
					if math.Abs(float64(p[c][i])-want) > 1e-6 {
						t.Fatalf("pixel %d of %d: P is %v, want %v", i, n, p[c][i], want)
					}
				}
			}
			for c := range 3 {
				Held(added[c], p[c], tr, back[c])
				for i := range n {
					if added[c][i] != out[c][i] {
						t.Fatalf("pixel %d of %d: at once %v, in two steps %v", i, n, out[c][i], added[c][i])
					}
				}
			}
			// Bit for bit what the plain loops make.
			plain, p2 := noise(r, n), noise3(r, n)
			s.solve(0, plain, &p2, in)
			for i := range n {
				if plain[i] != tr[i] || p2[0][i] != p[0][i] || p2[1][i] != p[1][i] || p2[2][i] != p[2][i] {
					t.Fatalf("pixel %d of %d: %v, and the plain loop has %v", i, n, tr[i], plain[i])
				}
			}
		}
	}
}

// Without dark plates and screen color the result is what rows of zeros give.
func TestSolvePlain(t *testing.T) {
	r := rand.New(rand.NewPCG(31, 32))
	for _, n := range lengths {
		s, in := randomRow(r, n)
		none := make([]float32, n)
		in.DarkBand, in.DarkColor, in.Screen = none, [3][]float32{none, none, none}, [3][]float32{none, none, none}
		t1, t2, out1, out2, back := noise(r, n), noise(r, n), noise3(r, n), noise3(r, n), noise3(r, n)
		ok := s.Over(t1, &out1, in, &back)
		in.Plain = true
		if plain := s.Over(t2, &out2, in, &back); !ok || !plain || !slices.Equal(t1, t2) || !reflect.DeepEqual(out1, out2) {
			t.Fatalf("%d pixels: %v, %v, %v, and by zeros %v, %v, %v", n, plain, t2, out2, ok, t1, out1)
		}
	}
}

// A row that spill is taken off is to the bit what Row, Unspill and Held make of it one after the
// other, whole or in parts.
func TestSolveUnspilled(t *testing.T) {
	r := rand.New(rand.NewPCG(61, 62))
	for _, n := range lengths {
		for clamp := range 4 {
			s, in := randomRow(r, n)
			s.ClampT, s.ClampP = clamp&1 != 0, clamp&2 != 0
			spill, moved, back := noise(r, n), noise(r, n), noise3(r, n)
			for i, v := range spill {
				spill[i] = float32(math.Abs(float64(v))) / 2
			}
			t1, t2, p, out := noise(r, n), noise(r, n), noise3(r, n), noise3(r, n)
			ok := s.Row(t1, &p, in)
			u := &Unspill{Gain: s.Gain, Clamp: s.ClampT}
			u.Row(t1, moved, spill)
			for c := range p {
				Held(p[c], p[c], moved, in.Screen[c])
				Held(p[c], p[c], t1, back[c])
			}
			part := func(i, j int) bool {
				at := func(p [3][]float32) *[3][]float32 { return &[3][]float32{p[0][i:j], p[1][i:j], p[2][i:j]} }
				some := in.Part(i, j)
				return s.OverUnspilled(t2[i:j], at(out), &some, at(back), spill[i:j])
			}
			if !ok || !part(0, n/3) || !part(n/3, n) || !slices.Equal(t1, t2) || !reflect.DeepEqual(p, out) {
				t.Fatalf("%d pixels: %v, %v, want %v, %v", n, t2, out, t1, p)
			}
		}
	}
}

func TestSolveNotFinite(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, n := range lengths[1:] {
		for _, v := range []float32{float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1))} {
			for _, i := range []int{0, n / 2, n - 1} {
				for _, which := range []string{"band", "red", "blue"} {
					s, in := randomRow(r, n)
					map[string][]float32{"band": in.Band, "red": in.Color[0], "blue": in.Color[2]}[which][i] = v
					tr, p := noise(r, n), noise3(r, n)
					in.Plain = i%2 == 0
					if s.Row(tr, &p, in) || s.Over(tr, &p, in, &p) {
						t.Errorf("%v in %s at %d of %d pixels was not noticed", v, which, i, n)
					}
				}
			}
		}
	}
}

func TestFinite(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	for _, n := range lengths {
		s := noise(r, n)
		if n > 0 {
			s[n/2] = -math.MaxFloat32
		}
		if !Finite(s) {
			t.Errorf("%d finite values are said not to be", n)
		}
		for i := range s {
			for _, v := range []float32{float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1))} {
				old := s[i]
				if s[i] = v; Finite(s) {
					t.Errorf("%v at %d of %d was not noticed", v, i, n)
				}
				s[i] = old
			}
		}
	}
}

func TestHeldInPlace(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, n := range lengths {
		p, tr, b := noise(r, n), noise(r, n), noise(r, n)
		want := make([]float32, n)
		Held(want, p, tr, b)
		Held(b, p, tr, b)
		for i := range n {
			if b[i] != want[i] || math.Abs(float64(want[i])-(float64(p[i])+float64(tr[i])*(float64(want[i])-float64(p[i]))/float64(tr[i]))) > 1e-6 {
				t.Fatalf("%d pixels: in place %v, apart %v", n, b[i], want[i])
			}
		}
	}
}

// The expected values are the formulas of MapLine's comment in float64.
func TestPlaces(t *testing.T) {
	l := MapLine{Center: 2000, YC: -700, YC2: 490000, Unit: 1. / (2300 * 2300), K1: 0.02, K2: -0.01,
		W: [4]float32{1, 1e-6, 1e-6, -2e-6}, X: [7]float32{3, -0.004, 1e-6, 0.999, 1e-6, 0.01, -1e-6}, Y: [4]float32{-2, 0.01, 0.01, 0.998}}
	flat := l
	flat.K1, flat.K2 = 0, 0
	for _, l := range []MapLine{l, flat} {
		for _, n := range append(lengths, 4096) {
			dx, dy := make([]float32, n), make([]float32, n)
			for _, row := range [][2]float32{{0, 1}, {float32(n) - 1, -1}} {
				l.Places(dx, dy, row[0], row[1])
				for i := range n {
					f := func(v float32) float64 { return float64(v) }
					x := f(row[0]) + float64(i)*f(row[1])
					xc := x - f(l.Center)
					r2 := (xc*xc + f(l.YC2)) * f(l.Unit)
					s := r2 * (f(l.K1) + r2*f(l.K2))
					a, b := xc*s, f(l.YC)*s
					w := f(l.W[0]) + f(l.W[1])*x + f(l.W[2])*a + f(l.W[3])*b
					wx := (f(l.X[0]) + x*(f(l.X[1])+x*f(l.X[2])+a*f(l.X[4])+b*f(l.X[6])) + a*f(l.X[3]) + b*f(l.X[5])) / w
					wy := (f(l.Y[0]) + x*f(l.Y[1]) + a*f(l.Y[2]) + b*f(l.Y[3])) / w
					if math.Abs(f(dx[i])-wx) > 2e-5 || math.Abs(f(dy[i])-wy) > 2e-5 {
						t.Fatalf("pixel %d of %d: moved by %v, %v, want %v, %v", i, n, dx[i], dy[i], wx, wy)
					}
				}
			}
		}
	}
}

// A parabola is what goes through three of its points.
func TestSpread(t *testing.T) {
	for _, n := range []int{0, 2 * Apart, 6 * Apart} {
		dst, nodes := make([]float32, n, n+1), make([]float32, n/Apart+1)
		dst[:n+1][n] = 7
		want := func(i int) float64 { // another parabola from every second node on
			x, k := float64(i), float64(max(0, i-1)/(2*Apart))
			return 3 + 0.02*x + 0.001*k*(x-k*2*Apart)*(x-k*2*Apart-2*Apart)
		}
		for i := range nodes {
			nodes[i] = float32(want(i * Apart))
		}
		Spread(dst, nodes)
		for i, v := range dst {
			if math.Abs(float64(v)-want(i)) > 2e-6 {
				t.Errorf("value %d of %d is %v, want %v", i, n, v, want(i))
			}
		}
		if dst[:n+1][n] != 7 {
			t.Errorf("the value after %d was overwritten", n)
		}
	}
}

// The expected values are Keys's kernel (1981, equation 15 with a = -1/2) summed in float64.
func TestCubic(t *testing.T) {
	keys := func(x float64) float64 {
		switch x = math.Abs(x); {
		case x < 1:
			return (1.5*x-2.5)*x*x + 1
		case x < 2:
			return ((-0.5*x+2.5)*x-4)*x + 2
		}
		return 0
	}
	r := rand.New(rand.NewPCG(7, 8))
	for _, n := range lengths {
		for _, more := range []int{0, 5, Pad} { // what follows the run in src and in dst
			const at = 2
			stride := at + n + 3
			src := noise(r, 4*stride+more)
			full := make([]float32, n+more)
			dst := full[:n]
			dx, dy := make([]float32, n, n+Pad), make([]float32, n, n+Pad)
			for i := range n {
				dx[i], dy[i] = 7+r.Float32(), -3+r.Float32()
			}
			Cubic(dst, src, stride, dx, dy, []Run{{0, n / 3, at, 7, -3}, {n / 3, n, at + n/3, 7, -3}})
			for i := range n {
				want := 0.0
				for j := range 4 {
					for k := range 4 {
						want += keys(float64(dx[i])-7+1-float64(k)) * keys(float64(dy[i])+3+1-float64(j)) * float64(src[at+i+k+j*stride])
					}
				}
				if math.Abs(float64(dst[i])-want) > 2e-6 {
					t.Fatalf("pixel %d of %d: %v, want %v", i, n, dst[i], want)
				}
			}
		}
	}
}

func randomBytes(r *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

func TestBytes(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	for _, n := range append(lengths, 63, 64, 65, 1000) {
		a, b, sum, difference := randomBytes(r, n), randomBytes(r, n), make([]byte, n), make([]byte, n)
		Plus(sum, a, b)
		Minus(difference, a, b)
		for i := range n {
			if sum[i] != a[i]+b[i] || difference[i] != a[i]-b[i] {
				t.Fatalf("byte %d of %d: %d and %d make %d and %d", i, n, a[i], b[i], sum[i], difference[i])
			}
		}
		Plus(difference, difference, b)
		Minus(sum, sum, b)
		if !bytes.Equal(difference, a) || !bytes.Equal(sum, a) {
			t.Errorf("%d bytes: not the same after it was added and taken away in place", n)
		}
	}
}

func TestRunningBytes(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 16))
	for _, size := range []int{1, 2, 3, 4, 6, 8, 100} {
		for _, n := range append(lengths, 63, 64, 65, 1000) {
			line := randomBytes(r, n)
			want := bytes.Clone(line)
			for i := size; i < n; i++ {
				want[i] += want[i-size]
			}
			if Running(line, size); !bytes.Equal(line, want) {
				t.Fatalf("%d bytes, pixels of %d: %v, want %v", n, size, line, want)
			}
		}
	}
}

// Package adler32 is the reference.
func TestAdler32Bytes(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 18))
	for _, n := range append(lengths, 63, 64, 65, 22*64-1, 22*64, 22*64+1, 100000) {
		for _, b := range [][]byte{randomBytes(r, n), bytes.Repeat([]byte{255}, n), make([]byte, n)} {
			if got, want := Adler32(b), adler32.Checksum(b); got != want {
				t.Errorf("%d bytes: %08x, want %08x", n, got, want)
			}
			for _, k := range []int{0, n / 3, n} {
				if got, want := JoinAdler32(Adler32(b[:k]), Adler32(b[k:]), n-k), adler32.Checksum(b); got != want {
					t.Errorf("%d bytes and %d more: %08x, want %08x", k, n-k, got, want)
				}
			}
		}
	}
}

func BenchmarkBytes(b *testing.B) {
	r := rand.New(rand.NewPCG(19, 20))
	const n = 6 * 1920
	x, y, to := randomBytes(r, n), randomBytes(r, n), make([]byte, n)
	for _, k := range []struct {
		name string
		do   func()
	}{
		{"Plus", func() { Plus(to, x, y) }},
		{"Minus", func() { Minus(to, x, y) }},
		{"Running1", func() { Running(to, 1) }},
		{"Running2", func() { Running(to, 2) }},
		{"Running3", func() { Running(to, 3) }},
		{"Running6", func() { Running(to, 6) }},
		{"Adler32", func() { Adler32(x) }},
	} {
		b.Run(k.name, func(b *testing.B) {
			b.SetBytes(n)
			for b.Loop() {
				k.do()
			}
		})
	}
}

func BenchmarkKernel(b *testing.B) {
	r := rand.New(rand.NewPCG(9, 10))
	const n = 1920
	s, in := randomRow(r, n)
	t, p, back := noise(r, n), noise3(r, n), noise3(r, n)
	_, plain := randomRow(r, n)
	plain.Plain = true
	src := noise(r, 4*(n+4)+Pad)
	l := MapLine{K1: 0.01, Unit: 1e-6, W: [4]float32{1}, X: [7]float32{3: 1}, Y: [4]float32{3: 1}}
	flat := MapLine{W: [4]float32{1}, X: [7]float32{3: 1}, Y: [4]float32{3: 1}}
	dx, dy := noise(r, n), noise(r, n)
	nodes := noise(r, n/Apart+1)
	var short []Run
	for i := 0; i < n; i += 60 {
		short = append(short, Run{From: i, To: i + 60, At: i})
	}
	bits := [4][]uint32{make([]uint32, n), make([]uint32, n), make([]uint32, n), make([]uint32, n)}
	for _, k := range []struct {
		name string
		do   func()
	}{
		{"Halves", func() { Halves(bits[0], t) }},
		{"Weave", func() { Weave(bits[0], bits[1], &bits) }},
		{"Row", func() { s.Row(t, &p, in) }},
		{"Over", func() { s.Over(t, &p, in, &back) }},
		{"OverPlain", func() { s.Over(t, &p, plain, &back) }},
		{"Blend9", func() { Blend(t, src, n/4, src[:9]) }},
		{"Slant", func() {
			Slant{X: Whole, Y: Whole, DX: Whole * 9 / 10, DY: Whole / 2000}.Cubic([][]float32{t}, [][]float32{src}, n+4)
		}},
		{"Held", func() { Held(t, p[0], in.Band, back[0]) }},
		{"Places", func() { l.Places(dx, dy, 0, 1) }},
		{"PlacesFlat", func() { flat.Places(dx, dy, 0, 1) }},
		{"Spread", func() { Spread(dx, nodes) }},
		{"Cubic", func() { Cubic(t, src, n+4, dx, dy, []Run{{To: n}}) }},
		{"CubicRuns", func() { Cubic(t, src, n+4, dx, dy, short) }},
	} {
		b.Run(fmt.Sprintf("%s/%d", k.name, n), func(b *testing.B) {
			for b.Loop() {
				k.do()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/pixel")
		})
	}
}
