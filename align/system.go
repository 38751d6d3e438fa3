package align

import (
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
)

// A system is a fit's equations for one model, laid out for kernel.Gram. It is made once for all passes
// of a solution: from pass to pass nothing but the equations' weights changes.
//
// A row has the equation's part of each free direction, from late on that of its frame's displacement
// where there is a shutter, from own on that of its cell's effects where the shading has them, and at
// value what it is equal to.
type system struct {
	f                *fit
	eqs              []equation
	free             []theta
	at, now          theta
	late, own, value int
	parts            int // of a row
	rows             [][kernel.Columns]float64
	order            []int   // the equations' numbers, as their rows are
	groups           []group // of rows
	portions         []int   // at which groups they end
}

// A group is rows of one cell and, where there is a shutter, of one frame.
type group struct{ cell, frame, from, to int }

// together is how many equations at least are added up by themselves, so that the sums do not depend on
// the number of cores: enough to be worth one. All of a cell's are added up together.
const together = 1 << 9

// system returns the equations for a model about the present parameters.
func (f *fit) system(eqs []equation, model string, terms int, now theta) *system {
	s := &system{f: f, eqs: eqs, now: now}
	s.free, s.at = f.shading.columns(model, terms)
	s.late = len(s.free)
	s.own = s.late
	if f.shutter != nil {
		s.own += lateTerms
	}
	s.value = s.own
	if f.shading == bending {
		s.value += effects
	}
	s.parts = s.value/kernel.Columns + 1
	s.sort()
	s.rows = make([][kernel.Columns]float64, len(eqs)*s.parts)
	// Directions have one or two parameters each.
	where := make([][]int, len(s.free))
	for j := range s.free {
		for k, v := range s.free[j] {
			if v != 0 {
				where[j] = append(where[j], k)
			}
		}
	}
	var from theta
	for k := range from {
		from[k] = now[k] - s.at[k]
	}
	parallel.Parts(len(eqs), func(first, end int) {
		row := make([]float64, s.parts*kernel.Columns)
		for i := first; i < end; i++ {
			q := &eqs[s.order[i]]
			for j, list := range where {
				row[j] = 0
				for _, k := range list {
					row[j] += q.row[k] * s.free[j][k]
				}
			}
			row[s.value] = q.e + sumProducts(q.row[:], from[:])
			if f.shutter != nil {
				frame, by := f.late(q)
				copy(row[s.late:], by[:])
				row[s.value] += sumProducts(by[:], f.shutter.values[frame][:])
			}
			if f.shading == bending {
				copy(row[s.own:], q.own[:])
			}
			for p := range s.parts {
				s.rows[i*s.parts+p] = [kernel.Columns]float64(row[p*kernel.Columns:])
			}
		}
	})
	return s
}

// sort sets the order of the rows, their groups and portions.
func (s *system) sort() {
	f := s.f
	cells, frames := 1, 1
	if f.shading == bending {
		cells = f.cells()
	}
	if f.shutter != nil {
		frames = len(f.l.frames)
	}
	key := func(q *equation) (k int) {
		if cells > 1 {
			k = q.cell * frames
		}
		if frames > 1 {
			k += f.last[q.from].frame
		}
		return k
	}
	next := make([]int, cells*frames+1) // where each group's begin
	for i := range s.eqs {
		next[key(&s.eqs[i])+1]++
	}
	for k, n := range next[1:] {
		from := next[k]
		next[k+1] += from
		for n > 0 {
			some := n
			if cells == 1 {
				some = min(n, together)
			}
			s.groups = append(s.groups, group{k / frames, k % frames, from, from + some})
			n, from = n-some, from+some
		}
	}
	s.order = make([]int, len(s.eqs))
	for i := range s.eqs {
		k := key(&s.eqs[i])
		s.order[next[k]] = i
		next[k]++
	}
	last := 0
	for i, g := range s.groups {
		if i+1 == len(s.groups) || g.to-last >= together && (cells == 1 || s.groups[i+1].cell != g.cell) {
			s.portions = append(s.portions, i+1)
			last = g.to
		}
	}
}

// portion returns the groups of a portion.
func (s *system) portion(k int) []group {
	from := 0
	if k > 0 {
		from = s.portions[k-1]
	}
	return s.groups[from:s.portions[k]]
}

// mixed returns the normal equations of the free directions and of the shutter's displacements, with
// the present weights of those equations that count, or where that is nil of all, and of the cells' own
// effects. A weak preference for what rigs are like holds what the edges do not.
func (s *system) mixed(counts func(*equation) bool) *mixed {
	f := s.f
	n := len(s.free) + f.shutter.columns()
	cells := 0
	if f.shading == bending {
		cells = f.cells()
	}
	m := newMixed(n, cells)
	parts := make([]*normal, len(s.portions))
	parallel.Each(len(s.portions), func(k int) {
		parts[k] = newNormal(n)
		side := s.parts * kernel.Columns
		products, weights := make([]float64, side*side), []float64(nil)
		groups := s.portion(k)
		for n, g := range groups {
			weights = weights[:0]
			for _, i := range s.order[g.from:g.to] {
				v := 0.0
				if q := &s.eqs[i]; counts == nil || counts(q) {
					v = q.weight
				}
				weights = append(weights, v)
			}
			kernel.Gram(products, s.rows[g.from*s.parts:g.to*s.parts], s.parts, s.value+1, weights)
			s.add(parts[k], m.cells, g, products)
			if cells > 0 && (n+1 == len(groups) || groups[n+1].cell != g.cell) { // all of the cell's
				m.cells[g.cell].reduce(parts[k], f.widths)
			}
		}
	})
	for _, p := range parts {
		m.normal.join(p)
	}
	row := make([]float64, n)
	for _, p := range f.preferences() {
		for j, way := range s.free {
			row[j] = sumProducts(p.row[:], way[:])
		}
		m.add(row, p.e-sumProducts(p.row[:], s.at[:]), 1/p.v)
	}
	f.shutter.prior(m, len(s.free))
	return m
}

// add adds the products of a group's rows to the normal equations to and to those of its cell.
func (s *system) add(to *normal, cells []cell, g group, products []float64) {
	side := s.parts * kernel.Columns
	row := func(i int) []float64 { return products[i*side : i*side+i+1] }
	for i := range s.own {
		a, p := to.a[s.shared(g, i)*to.n:], row(i)
		for j, v := range p {
			a[s.shared(g, j)] += v
		}
		to.b[s.shared(g, i)] += row(s.value)[i]
	}
	if s.own == s.value {
		return
	}
	c := &cells[g.cell]
	c.used = true
	for k := range effects {
		p := row(s.own + k)
		for j, v := range p[:s.own] {
			c.cross[s.shared(g, j)][k] += v
		}
		for l, v := range p[s.own:] {
			c.a[k*effects+l] += v
		}
		c.b[k] += row(s.value)[s.own+k]
		c.seen[k] = c.seen[k] || p[s.own+k] > 0
	}
}

// shared returns which of the shared parameters a column before own is for, in a group's rows.
func (s *system) shared(g group, column int) int {
	if column < s.late {
		return column
	}
	return column + g.frame*lateTerms
}

// solve solves the equations with their present weights; chi2 is the weighted sum of squares left, that
// of the cells' effects included, and residuals, where it is not nil, is filled with what is left of
// each equation. Then the effects' widths are brought nearer to what the effects suggest.
func (s *system) solve(residuals []float64) (next theta, chi2 float64) {
	f := s.f
	m := s.mixed(nil)
	x, ok := m.solve()
	if !ok {
		return s.now, math.Inf(1)
	}
	next = s.at
	for j := range s.free {
		for k := range next {
			next[k] += x[j] * s.free[j][k]
		}
	}
	own := make([][effects]float64, len(m.cells))
	for i := range m.cells {
		own[i] = m.cells[i].own(x)
		for k, u := range own[i] {
			chi2 += u * u / (f.widths.of(k) * f.widths.of(k))
		}
	}
	sums, squares := make([]float64, len(s.portions)), make([][effects]float64, len(m.cells))
	learns := residuals != nil && f.shading == bending
	parallel.Each(len(s.portions), func(k int) {
		by := make([][kernel.Columns]float64, s.parts) // what a row is multiplied with: its residual
		set := func(column int, v float64) { by[column/kernel.Columns][column%kernel.Columns] = v }
		set(s.value, 1)
		groups := s.portion(k)
		for n, g := range groups {
			if learns && (n == 0 || groups[n-1].cell != g.cell) {
				squares[g.cell] = m.squares(&m.cells[g.cell], &own[g.cell])
			}
			for j := range s.own {
				set(j, -x[s.shared(g, j)])
			}
			for j := s.own; j < s.value; j++ {
				set(j, -own[g.cell][j-s.own])
			}
			for i := g.from; i < g.to; i++ {
				r := 0.0
				for p := range by {
					r += dot(&s.rows[i*s.parts+p], &by[p])
				}
				q := s.order[i]
				sums[k] += s.eqs[q].weight * r * r
				if residuals != nil {
					residuals[q] = r
				}
			}
		}
	})
	for _, v := range sums {
		chi2 += v
	}
	if learns {
		f.widths = m.widths(squares)
		f.shutter.settle(m, x, len(s.free))
	}
	return next, chi2
}

func dot(a, b *[kernel.Columns]float64) float64 {
	return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] + a[3]*b[3] + (a[4]*b[4] + a[5]*b[5] + a[6]*b[6] + a[7]*b[7])
}
