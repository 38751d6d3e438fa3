package kernel

import (
	"bytes"
	"encoding/binary"
	"hash/adler32"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"unsafe"
)

// A memory hands out rows that begin anywhere and have a guard on either side, which nothing may
// change. What they hold comes from a source of bits.
type memory struct {
	bits   func() uint32
	at     int // how far behind the guard a row begins, which moves on with each
	guards []guarded
}

type guarded struct {
	all      []uint32
	from, to int
}

const guard, marked = 2 * Pad, 0xa5a5a5a5

func (m *memory) words(n int) []uint32 {
	m.at = (m.at + 3) % 16
	from := guard + m.at
	all := make([]uint32, from+n+guard)
	for i := range all {
		all[i] = marked
	}
	row := all[from : from+n : from+n]
	for i := range row {
		row[i] = m.bits()
	}
	m.guards = append(m.guards, guarded{all, from, from + n})
	return row
}

func (m *memory) whole(n int) []int32 { return as[int32](m.words(n)) }

func (m *memory) floats(n int) []float32 { return as[float32](m.words(n)) }

func (m *memory) three(n int) [3][]float32 {
	return [3][]float32{m.floats(n), m.floats(n), m.floats(n)}
}

func (m *memory) bytes(n int) []byte {
	n4 := (n + 3) / 4
	return as[byte](m.words(n4))[: n : 4*n4]
}

// check reports the guards that were changed.
func (m *memory) check(t *testing.T, name string) {
	t.Helper()
	for _, g := range m.guards {
		for i, v := range g.all {
			if v != marked && (i < g.from || i >= g.to) {
				t.Fatalf("%s wrote at %d of a row of %d", name, i-g.from, g.to-g.from)
			}
		}
	}
	m.guards = m.guards[:0]
}

// same reports whether both are one number, or no number.
func same(a, b float32) bool {
	return math.Float32bits(a) == math.Float32bits(b) || a != a && b != b
}

// pixel returns pixel i of rows, as rows of one.
func pixel(rows [3][]float32, i int) [3][]float32 {
	return [3][]float32{rows[0][i : i+1], rows[1][i : i+1], rows[2][i : i+1]}
}

func (r *Row) pixel(i int) *Row {
	return &Row{r.Band[i : i+1], r.DarkBand[i : i+1], r.Inverse[i : i+1], pixel(r.Color, i), pixel(r.DarkColor, i), pixel(r.Screen, i), r.Plain}
}

// compare runs every kernel on rows of n values, and each again by the plain loop, which defines
// what it gives: the same bits where these are promised, and a few units in the last place
// elsewhere.
func compare(t *testing.T, bits func() uint32, n, at int) {
	t.Helper()
	m := &memory{bits: bits, at: at}
	number := func() float32 { return math.Float32frombits(bits()) }
	rows := func(name string, got, want []float32) {
		t.Helper()
		for i := range want {
			if !same(got[i], want[i]) {
				t.Fatalf("%s: value %d of %d is %v (%#x), and the plain loop has %v (%#x)", name, i, n, got[i], math.Float32bits(got[i]), want[i], math.Float32bits(want[i]))
			}
		}
		m.check(t, name)
	}

	// What is not finite is told, and what is made of it may be anything.
	for k := range 8 {
		s := &Solve{[3]float32{number(), number(), number()}, number(), k&1 != 0, k&2 != 0}
		if s.Gain-s.Gain != 0 || s.Gain == 0 {
			s.Gain = 1
		}
		in := &Row{m.floats(n), m.floats(n), m.floats(n), m.three(n), m.three(n), m.three(n), k&4 != 0}
		back, tr, out := m.three(n), m.floats(n), m.three(n)
		tr2, out2 := make([]float32, n), [3][]float32{make([]float32, n), make([]float32, n), make([]float32, n)}
		solved := func(name string, ok bool, plain func(t []float32, out, back *[3][]float32, in *Row) bool) {
			t.Helper()
			all := true
			for i := range n {
				o, b := pixel(out2, i), pixel(back, i)
				if !plain(tr2[i:i+1], &o, &b, in.pixel(i)) {
					all = false
					continue
				}
				for c := range 3 {
					if !same(tr[i], tr2[i]) || !same(out[c][i], out2[c][i]) {
						t.Fatalf("%s: pixel %d of %d: %v and %v, and the plain loop has %v and %v", name, i, n, tr[i], out[c][i], tr2[i], out2[c][i])
					}
				}
			}
			if ok != all {
				t.Fatalf("%s: %d pixels are finite: %v, and the plain loop says %v", name, n, ok, all)
			}
			m.check(t, name)
		}
		solved("Over", s.Over(tr, &out, in, &back), func(t []float32, out, back *[3][]float32, in *Row) bool {
			if in.Plain {
				return s.plainOver(0, t, out, in, back)
			}
			return s.over(0, t, out, in, back)
		})
		spill := m.floats(n)
		for i := range spill {
			if spill[i] = min(max(spill[i], 0), 0.99); spill[i]-spill[i] != 0 {
				spill[i] = 0.5
			}
		}
		solved("OverUnspilled", s.OverUnspilled(tr, &out, in, &back, spill), func(t []float32, out, back *[3][]float32, one *Row) bool {
			i := 0
			for &one.Band[0] != &in.Band[i] {
				i++
			}
			return s.overUnspilled(0, t, out, one, back, spill[i:i+1])
		})
		solved("Row", s.Row(tr, &out, in), func(t []float32, out, _ *[3][]float32, in *Row) bool { return s.solve(0, t, out, in) })
	}

	a, b, c, dst := m.floats(n), m.floats(n), m.floats(n), m.floats(n)
	want := make([]float32, n)
	held(0, want, a, b, c)
	Held(dst, a, b, c)
	rows("Held", dst, want)
	for _, taps := range []int{1, 2, 7} {
		for _, stride := range []int{1, 3, n + 5} {
			weights, from := m.floats(taps), m.floats((taps-1)*stride+n)
			blendFrom(0, want, from, stride, weights)
			Blend(dst, from, stride, weights)
			rows("Blend", dst, want)
		}
	}
	for _, gentle := range []bool{false, true} { // a gentle slope has neighbors that follow each other
		w, h := 40, 30
		if gentle {
			w += n * 5 / 4
		}
		inside := func(size int) int64 {
			return int64((uint64(bits())<<32|uint64(bits()))>>1)%(int64(size-4)*Whole) + Whole
		}
		s := Slant{X: inside(w), Y: inside(h)}
		s.DX, s.DY = (inside(w)-s.X)/int64(max(n, 1)), (inside(h)-s.Y)/int64(max(n, 1))
		if gentle {
			s.X = inside(40)
			s.DX, s.DY = Whole+int64(int32(bits()))/8, min(max(s.DY, -Whole/5), Whole/5)
		}
		from := [][]float32{m.floats(w * h), m.floats(w * h)}
		at, weights := make([]int32, n), make([]float32, 8*n)
		s.weights(at, weights, w)
		other := m.floats(n)
		s.Cubic([][]float32{dst, other}, from, w)
		slantedFrom(0, want, from[0], w, at, weights)
		rows("Slant", dst, want)
		slantedFrom(0, want, from[1], w, at, weights)
		rows("Slant", other, want)
	}
	lines, rest, own := m.three(n+7), m.three(n), make([][4]float32, n)
	first, step := m.whole(n), bits()>>8%2 // one after the other, or at times one twice
	for i := range own {
		own[i] = [4]float32{number(), number(), number(), number()}
		if first[i] = 0; i > 0 {
			first[i] = first[i-1] + int32(step|bits()>>8%2)
		}
	}
	fours := NewFours(n+7, first, own)
	fours.from(0, want, lines[0])
	fours.Row(dst, lines[0])
	rows("Fours", dst, want)
	fours.Three(&rest, &lines)
	for c := range rest {
		fours.from(0, want, lines[c])
		rows("three Fours", rest[c], want)
	}
	part := number()
	mixFrom(0, want, a, b, part)
	Mix(dst, a, b, part)
	rows("Mix", dst, want)
	copy(dst, b)
	copy(want, b)
	raiseFrom(0, want, a)
	Raise(dst, a)
	rows("Raise", dst, want)
	mean3From(0, want, a, b, c)
	Mean3(dst, a, b, c)
	rows("Mean3", dst, want)
	for _, clamp := range []bool{false, true} {
		// What is not finite never gets so far.
		tr, spill, moved := m.floats(n), m.floats(n), m.floats(n)
		for i := range n {
			if tr[i]-tr[i] != 0 {
				tr[i] = 1
			}
			spill[i] = min(max(spill[i], 0), 0.99)
			if spill[i]-spill[i] != 0 {
				spill[i] = 0.5
			}
		}
		u := &Unspill{Gain: 0.9, Clamp: clamp, Counts: 0.25}
		was, wanted, wantMoved := slices.Clone(spill), slices.Clone(tr), make([]float32, n)
		count := u.from(0, wanted, wantMoved, was)
		if got := u.Row(tr, moved, spill); got != count {
			t.Fatalf("Unspill: %d of %d count, and for the plain loop %d", got, n, count)
		}
		rows("Unspill", tr, wanted)
		rows("Unspill", moved, wantMoved)
	}
	mean2From(0, want, a, b)
	Mean2(dst, a, b)
	rows("Mean2", dst, want)
	weights := [3]float32{number(), number(), number()}
	weighFrom(0, want, a, b, c, &weights)
	Weigh(dst, a, b, c, &weights)
	rows("Weigh", dst, want)
	rgb, graded, of := m.three(n), m.three(n), [12]float32{number(), number(), number(), number(), number(), number(), number(), number(), number(), number(), number(), number()}
	for c := range rgb {
		copy(graded[c], rgb[c])
	}
	matrixFrom(0, &graded, &of)
	Matrix(&rgb, &of)
	for c := range rgb {
		rows("Matrix", rgb[c], graded[c])
	}
	wide := m.floats(2*n + 2)
	decimateFrom(0, want, wide)
	Decimate(dst, wide)
	rows("Decimate", dst, want)
	levels := [2][]float32{m.floats(n), m.floats(n)}
	for _, row := range levels {
		for i := range row {
			row[i] = float32(bits()) / (1 << 32)
		}
	}
	for size := 1; size <= 2; size++ {
		got, plain := m.bytes(size*n), make([]byte, size*n)
		Quantize(got, size, levels[0], levels[1], 110, 1.3, 128.5)
		quantizeFrom(0, plain, size, levels[0], levels[1], 110, 1.3, 128.5)
		if !bytes.Equal(got, plain) {
			t.Fatalf("Quantize: %d numbers of %d bytes are %v, and the plain loop has %v", n, size, got, plain)
		}
		m.check(t, "Quantize")
	}
	if Finite(a) != allFinite(a) {
		t.Fatalf("Finite: %v of %d values, and the plain loop says %v", Finite(a), n, allFinite(a))
	}

	low, high, mark := number(), number(), int32(bits()>>1)
	barred, inside := m.whole(n), m.whole(n+2*Reach)
	for i := range barred {
		barred[i] = min(barred[i], mark)
	}
	for i := range Reach {
		inside[i], inside[n+Reach+i] = -1, -1
	}
	barred2, inside2 := slices.Clone(barred), slices.Clone(inside)
	Bar(barred, inside, a, low, high, mark)
	insideFrom(0, inside2, a, low, high)
	barFrom(0, barred2, inside2, mark)
	if !slices.Equal(barred, barred2) || !slices.Equal(inside, inside2) {
		t.Fatalf("Bar: %v, and the plain loop has %v", barred, barred2)
	}
	tally := Tally{m.floats(n), m.floats(n), m.whole(n)}
	for i := range n { // a sum that began at 0 is never -0
		tally.Sum[i], tally.Sum2[i] = tally.Sum[i]+0, tally.Sum2[i]+0
	}
	tally2 := Tally{slices.Clone(tally.Sum), slices.Clone(tally.Sum2), slices.Clone(tally.Count)}
	mark /= 2
	tally.Add(a, barred, mark, low)
	tally2.from(0, a, barred, mark, low)
	rows("Tally", tally.Sum, tally2.Sum)
	rows("Tally", tally.Sum2, tally2.Sum2)
	if !slices.Equal(tally.Count, tally2.Count) {
		t.Fatalf("Tally: %v, and the plain loop has %v", tally.Count, tally2.Count)
	}

	x, y, z := m.bytes(n), m.bytes(n), m.bytes(n)
	z2 := slices.Clone(z)
	Plus(z, x, y)
	plusFrom(0, z2, x, y)
	if !slices.Equal(z, z2) {
		t.Fatalf("Plus: %v, and the plain loop has %v", z, z2)
	}
	Minus(z, x, y)
	minusFrom(0, z2, x, y)
	if !slices.Equal(z, z2) {
		t.Fatalf("Minus: %v, and the plain loop has %v", z, z2)
	}
	if got, want := Adler32(x), adler32.Checksum(x); got != want {
		t.Fatalf("Adler32: %08x of %d bytes, want %08x", got, n, want)
	}
	for size := 1; size <= 9; size++ {
		copy(z2, z)
		Running(z, size)
		runningFrom(size, z2, size)
		if !slices.Equal(z, z2) {
			t.Fatalf("Running: pixels of %d bytes: %v, and the plain loop has %v", size, z, z2)
		}
	}
	m.check(t, "a kernel of bytes")
	for _, size := range []int{1, 2} {
		for _, step := range []int{1, 2, 3} {
			src := m.bytes(max(0, (n-1)*size*step+size))
			for i := range want {
				want[i] = float32(src[i*size*step])
				if size == 2 {
					want[i] = float32(binary.LittleEndian.Uint16(src[i*size*step:]))
				}
			}
			Floats(dst, src, size, step)
			rows("Floats", dst, want)
		}
	}
	v := Video{Luma: [2]float32{number(), number()}, Chroma: [2]float32{number(), number()}, Red: number(), Blue: number(), Green: [2]float32{number(), number()}, Most: 1<<17 - 1}
	var places, places2 [3][]int32
	for c := range places {
		places[c], places2[c] = m.whole(n), make([]int32, n)
	}
	v.Places(places[0], places[1], places[2], a, b, c)
	v.places(0, places2[0], places2[1], places2[2], a, b, c)
	for i := range n {
		y := float32(v.Luma[0]*a[i]) + v.Luma[1]
		u, w := float32(v.Chroma[0]*b[i])+v.Chroma[1], float32(v.Chroma[0]*c[i])+v.Chroma[1]
		for k, x := range [3]float32{y + float32(v.Red*w), y + float32(v.Green[0]*u) + float32(v.Green[1]*w), y + float32(v.Blue*u)} {
			got := places[k][i]
			if got < 0 || got > v.Most || x == x && got != places2[k][i] {
				t.Fatalf("Video: value %d of %d is %d for %v, and the plain loop has %d", i, n, got, x, places2[k][i])
			}
		}
	}
	m.check(t, "Video")
	k := quarters()
	got, all := k.Row(dst, a, 0.25), k.row(0, want, a, 0.25)
	rows("Steps", dst, want)
	if got != all {
		t.Fatalf("Steps: all %d lines are near: %v, and the plain loop says %v", n, got, all)
	}

	// near reports whether two values differ by no more than rounding does where the terms of a sum
	// are as large as size. Sums that left the range of float32 may be anything.
	near := func(a, b, size float32) bool {
		return !(size < 1e30) || math.Abs(float64(a)-float64(b)) <= 4e-6*float64(size)+1e-42
	}
	largest := func(rows ...[]float32) (most float32) {
		for _, r := range rows {
			for _, v := range r {
				if v != v {
					return v
				}
				most = max(most, v, -v)
			}
		}
		return most
	}
	whole := n &^ (2*Apart - 1)
	nodes := m.floats(whole/Apart + 1)
	want = make([]float32, whole)
	spreadFrom(0, want, nodes)
	Spread(dst[:whole], nodes)
	for i, v := range want {
		if !near(dst[i], v, largest(nodes[i/(2*Apart)*2:][:3])) {
			t.Fatalf("Spread: value %d of %d is %v, and the plain loop has %v", i, whole, dst[i], v)
		}
	}
	m.check(t, "Spread")

	stride := n + 3
	src := m.floats(4 * stride)
	dx, dy := m.floats(n), m.floats(n)
	for i := range dx {
		dx[i], dy[i] = 5+float32(bits()>>8)/(1<<24), -7+float32(bits()>>8)/(1<<24)
	}
	runs := []Run{{0, n / 3, 0, 5, -7}, {n / 3, n, n / 3, 5, -7}}
	want = make([]float32, n)
	for _, r := range runs {
		r.cubic(0, want, src, stride, dx, dy)
	}
	Cubic(dst, src, stride, dx, dy, runs)
	for i, v := range want {
		if !near(dst[i], v, largest(src[i:i+4], src[stride+i:][:4], src[2*stride+i:][:4], src[3*stride+i:][:4])) {
			t.Fatalf("Cubic: pixel %d of %d is %v, and the plain loop has %v", i, n, dst[i], v)
		}
	}
	m.check(t, "Cubic")
	if i := cubicFront(&Run{0, n / 3, 0, 5, -7}, dst, src, stride, dx, dy); i > n {
		t.Fatalf("Cubic: %d pixels of a run of %d in a row of %d", i, n/3, n)
	}

	coefficients := m.floats(4*stride + 1)
	found, found2 := as[[4]float32](m.words(4*n)), make([][4]float32, n)
	starts, parts := make([]int32, n), make([][2]float32, n)
	for i := range parts {
		starts[i], parts[i] = int32(bits()%uint32(n+1)), [2]float32{float32(bits()>>8) / (1 << 24), float32(bits()>>8) / (1 << 24)}
	}
	splineFrom(0, found2, coefficients, stride, starts, parts)
	Spline(found, coefficients, stride, starts, parts)
	for i, k := range starts {
		c := coefficients[k:]
		size := largest(c[:4], c[stride:stride+4], c[2*stride:2*stride+4], c[3*stride:3*stride+4])
		for j, v := range found2[i] {
			if !near(found[i][j], v, 8*size) { // the Laplacian's weights come to 8
				t.Fatalf("Spline: number %d of place %d of %d is %v, and the plain loop has %v", j, i, n, found[i][j], v)
			}
		}
	}
	m.check(t, "Spline")
}

// as is the row's memory as values of another kind, which are no larger.
func as[T any](row []uint32) []T {
	var v T
	return unsafe.Slice((*T)(unsafe.Pointer(unsafe.SliceData(row))), len(row)*4/int(unsafe.Sizeof(v)))
}

// Values that rounding, signs and limits are hard for.
var hard = []uint32{
	0, 1 << 31, 1, 1<<31 | 1, 0x007fffff, 0x00800000, 0x3f800000, 0xbf800000, 0x3f7fffff, 0x3f800001,
	0x7f7fffff, 0xff7fffff, 0x7f800000, 0xff800000, 0x7fc00000, 0xffc00000, 0x7f800001, 0x4f000000, 0xcf000000, 0x47ffff00,
}

func TestVectorsAndPlainLoops(t *testing.T) {
	t.Logf("kernels: %s", Vectors())
	r := rand.New(rand.NewPCG(61, 62))
	for _, source := range []struct {
		name string
		bits func() uint32
	}{
		{"light", func() uint32 { return math.Float32bits(r.Float32()*1.2 - 0.1) }},
		{"any bits", r.Uint32},
		{"hard", func() uint32 { return hard[r.IntN(len(hard))] }},
		{"some hard", func() uint32 {
			if r.IntN(40) > 0 {
				return math.Float32bits(r.Float32())
			}
			return hard[r.IntN(len(hard))]
		}},
	} {
		t.Run(source.name, func(t *testing.T) {
			for n := range 100 {
				compare(t, source.bits, n, n%16)
			}
			compare(t, source.bits, 1003, 1)
		})
	}
}

func FuzzVectors(f *testing.F) {
	f.Add([]byte{0, 0, 0x80, 0x3f, 0, 0, 0xc0, 0x7f, 1}, uint16(37), uint8(1))
	f.Add([]byte{}, uint16(8), uint8(0))
	f.Fuzz(func(t *testing.T, data []byte, n uint16, at uint8) {
		next := 0
		compare(t, func() uint32 {
			var four [4]byte
			for i := range four {
				if len(data) > 0 {
					four[i] = data[(next+i)%len(data)]
				}
			}
			next += 5 // so that the same bytes come as other numbers
			return binary.LittleEndian.Uint32(four[:])
		}, int(n%300), int(at%16))
	})
}
