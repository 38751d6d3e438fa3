package align

import "math"

// A dft is the discrete Fourier transform of the columns of a matrix of so many rows, without
// normalization, by Stockham's algorithm. All columns go at once, so that its loops run along rows:
// the coarse search takes a third of the time that it takes by gonum's, row by row.
type dft struct {
	n       int
	radices []int
	turns   []complex128 // each n-th of a turn, clockwise
}

// newDFT is for a length without prime factors above 5: see fastSize.
func newDFT(n int) *dft {
	f := &dft{n: n, turns: make([]complex128, n)}
	for i := range f.turns {
		sin, cos := math.Sincos(-2 * math.Pi * float64(i) / float64(n))
		f.turns[i] = complex(cos, sin)
	}
	for left := n; left > 1; {
		for _, r := range []int{4, 2, 3, 5} {
			if left%r == 0 {
				f.radices = append(f.radices, r)
				left /= r
				break
			}
		}
	}
	return f
}

// columns transforms the columns of v, which has so many. Spare is memory, as large as v at least.
func (f *dft) columns(v, spare []complex128, across int) {
	result := v
	row := func(v []complex128, y int) []complex128 { return v[y*across : (y+1)*across] }
	left, stride := f.n, 1
	for _, r := range f.radices {
		m := left / r
		for p := range m {
			turn := func(k int) complex128 { return f.turns[p*k*stride%f.n] }
			for q := range stride {
				from := func(k int) []complex128 { return row(v, q+stride*(p+m*k)) }
				to := func(k int) []complex128 { return row(spare, q+stride*(r*p+k)) }
				switch r {
				case 2:
					two(to(0), to(1), from(0), from(1), turn(1))
				case 3:
					three(to(0), to(1), to(2), from(0), from(1), from(2), turn(1), turn(2))
				case 4:
					four(to(0), to(1), to(2), to(3), from(0), from(1), from(2), from(3), turn(1), turn(2), turn(3))
				case 5:
					five([5][]complex128{to(0), to(1), to(2), to(3), to(4)}, from(0), from(1), from(2), from(3), from(4), [5]complex128{1, turn(1), turn(2), turn(3), turn(4)})
				}
			}
		}
		v, spare = spare, v
		left, stride = m, stride*r
	}
	if len(f.radices)%2 == 1 {
		copy(result, v)
	}
}

// clockwise returns v turned by a quarter.
func clockwise(v complex128) complex128 { return complex(imag(v), -real(v)) }

// scaled returns v times a real number.
func scaled(v complex128, by float64) complex128 { return complex(by*real(v), by*imag(v)) }

// two, three, four and five set rows to the transforms of as many rows, column by column, each
// turned.

func two(to0, to1, a, b []complex128, t1 complex128) {
	n := len(a)
	to0, to1, b = to0[:n], to1[:n], b[:n]
	for i, a := range a {
		b := b[i]
		to0[i], to1[i] = a+b, (a-b)*t1
	}
}

func three(to0, to1, to2, a, b, c []complex128, t1, t2 complex128) {
	sin := math.Sqrt(3) / 2
	n := len(a)
	to0, to1, to2, b, c = to0[:n], to1[:n], to2[:n], b[:n], c[:n]
	for i, a := range a {
		sum, apart := b[i]+c[i], clockwise(scaled(b[i]-c[i], sin))
		middle := a - scaled(sum, 0.5)
		to0[i], to1[i], to2[i] = a+sum, (middle+apart)*t1, (middle-apart)*t2
	}
}

func four(to0, to1, to2, to3, a, b, c, d []complex128, t1, t2, t3 complex128) {
	n := len(a)
	to0, to1, to2, to3, b, c, d = to0[:n], to1[:n], to2[:n], to3[:n], b[:n], c[:n], d[:n]
	for i, a := range a {
		b, c, d := b[i], c[i], d[i]
		even, odd := a+c, b+d
		straight, across := a-c, clockwise(b-d)
		to0[i], to1[i], to2[i], to3[i] = even+odd, (straight+across)*t1, (even-odd)*t2, (straight-across)*t3
	}
}

func five(to [5][]complex128, a, b, c, d, e []complex128, t [5]complex128) {
	sin1, cos1 := math.Sincos(2 * math.Pi / 5)
	sin2, cos2 := math.Sincos(4 * math.Pi / 5)
	n := len(a)
	b, c, d, e = b[:n], c[:n], d[:n], e[:n]
	to0, to1, to2, to3, to4 := to[0][:n], to[1][:n], to[2][:n], to[3][:n], to[4][:n]
	for i, a := range a {
		outer, inner := b[i]+e[i], c[i]+d[i]
		outside, inside := clockwise(b[i]-e[i]), clockwise(c[i]-d[i])
		middle1, apart1 := a+scaled(outer, cos1)+scaled(inner, cos2), scaled(outside, sin1)+scaled(inside, sin2)
		middle2, apart2 := a+scaled(outer, cos2)+scaled(inner, cos1), scaled(outside, sin2)-scaled(inside, sin1)
		to0[i] = a + outer + inner
		to1[i], to4[i] = (middle1+apart1)*t[1], (middle1-apart1)*t[4]
		to2[i], to3[i] = (middle2+apart2)*t[2], (middle2-apart2)*t[3]
	}
}

// A transform is the discrete Fourier transform of pictures in two dimensions, without
// normalization.
type transform struct {
	w, h         int
	across, down *dft
	turned       []complex128 // rows as columns
	spare        []complex128
}

func newTransform(w, h int) *transform {
	return &transform{w, h, newDFT(w), newDFT(h), make([]complex128, w*h), make([]complex128, w*h)}
}

// forward transforms v, of which all rows from this one on are 0.
func (t *transform) forward(v []complex128, rows int) {
	a := t.turned[:t.w*rows]
	turn(a, v[:t.w*rows], t.w)
	t.across.columns(a, t.spare, rows)
	turn(v, a, rows)
	t.down.columns(v, t.spare, t.w)
}

// inverse transforms v back. Of the rows none are right but those up to margin to either side of
// the first, as they go around.
func (t *transform) inverse(v []complex128, margin int) {
	// The transform of a transform is the picture itself, turned around: both ways.
	t.down.columns(v, t.spare, t.w)
	n := min(2*margin+1, t.h)
	a := t.turned[:t.w*n]
	for k := range n {
		for x, c := range t.row(v, margin-k) {
			a[x*n+k] = c
		}
	}
	t.across.columns(a, t.spare, n)
	for k := range n {
		to := t.row(v, k-margin)
		to[0] = a[k]
		for x := 1; x < t.w; x++ {
			to[t.w-x] = a[x*n+k]
		}
	}
}

// row returns a row of v, which go around.
func (t *transform) row(v []complex128, y int) []complex128 {
	y = (y%t.h + t.h) % t.h
	return v[y*t.w : (y+1)*t.w]
}

// turn sets the columns of to to the rows of v, which are so wide.
func turn(to, v []complex128, w int) {
	h := len(v) / w
	for y := range h {
		for x, c := range v[y*w : (y+1)*w] {
			to[x*h+y] = c
		}
	}
}
