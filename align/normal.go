package align

import (
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
)

// normal is a set of normal equations.
type normal struct {
	n int
	a []float64 // n by n
	b []float64
}

func newNormal(n int) *normal { return &normal{n, make([]float64, n*n), make([]float64, n)} }

// add adds the equation row . x = v with a weight.
func (m *normal) add(row []float64, v, weight float64) {
	for i, r := range row {
		if r *= weight; r == 0 {
			continue
		}
		to := m.a[i*m.n:][:i+1]
		for j, v := range row[:i+1] {
			to[j] += r * v
		}
		m.b[i] += r * v
	}
}

// join adds the equations of another.
func (m *normal) join(o *normal) {
	sum(m.a, o.a)
	sum(m.b, o.b)
}

// sum adds b to a.
func sum(a, b []float64) {
	for i, v := range b {
		a[i] += v
	}
}

// solve returns the solution by Cholesky's decomposition, of which it uses the lower triangle; ok
// is false where the equations do not settle it. The equations are lost.
func (m *normal) solve() (x []float64, ok bool) {
	if !cholesky(m.a, m.n) {
		return nil, false
	}
	x = m.b
	substitute(m.a, m.n, x)
	return x, true
}

// cholesky replaces the lower triangle of a by its factor.
func cholesky(a []float64, n int) bool {
	const pivot = 1e-14 // of what stood on the diagonal, up to which nothing is left of it but rounding
	for i := range n {
		for j := range i + 1 {
			s := a[i*n+j]
			for k := range j {
				s -= a[i*n+k] * a[j*n+k]
			}
			if i > j {
				a[i*n+j] = s / a[j*n+j]
				continue
			}
			if !(s > pivot*math.Abs(a[i*n+i])) || math.IsInf(s, 0) {
				return false
			}
			a[i*n+i] = math.Sqrt(s)
		}
	}
	return true
}

// substitute solves for x in place, given cholesky's factor.
func substitute(a []float64, n int, x []float64) {
	forward(a, n, x)
	for i := n - 1; i >= 0; i-- {
		v := x[i]
		for k := i + 1; k < n; k++ {
			v -= a[k*n+i] * x[k]
		}
		x[i] = v / a[i*n+i]
	}
}

// forward is the first half of substitute.
func forward(a []float64, n int, x []float64) {
	for i := range n {
		v := x[i]
		for k, f := range a[i*n : i*n+i] {
			v -= f * x[k]
		}
		x[i] = v / a[i*n+i]
	}
}

// variance returns the diagonal's number k of the inverse of what cholesky's factor, in m, is of:
// the square of what forward makes of a unit vector.
func (m *normal) variance(k int) (v float64) {
	x := make([]float64, m.n)
	for i := k; i < m.n; i++ {
		r := 0.0
		if i == k {
			r = 1
		}
		for l, f := range m.a[i*m.n+k : i*m.n+i] {
			r -= f * x[k+l]
		}
		x[i] = r / m.a[i*m.n+i]
		v += x[i] * x[i]
	}
	return v
}

// substitute3 is substitute for three at once, which wait for each other no more than one waits for
// itself.
func substitute3(a []float64, n int, x *[3][kernel.Columns]float64) {
	u, v, w := x[0][:n], x[1][:n], x[2][:n]
	for i := range n {
		p, q, r := u[i], v[i], w[i]
		for k, f := range a[i*n : i*n+i] {
			p, q, r = p-f*u[k], q-f*v[k], r-f*w[k]
		}
		d := 1 / a[i*n+i]
		u[i], v[i], w[i] = p*d, q*d, r*d
	}
	for i := n - 1; i >= 0; i-- {
		p, q, r := u[i], v[i], w[i]
		for k := i + 1; k < n; k++ {
			f := a[k*n+i]
			p, q, r = p-f*u[k], q-f*v[k], r-f*w[k]
		}
		d := 1 / a[i*n+i]
		u[i], v[i], w[i] = p*d, q*d, r*d
	}
}

// inverse returns the inverse, row by row, of what cholesky's factor is of.
func inverse(factor []float64, n int) [][]float64 {
	rows := list.Rows[float64](n, n)
	for k := range rows {
		rows[k][k] = 1
		substitute(factor, n, rows[k])
	}
	return rows
}
