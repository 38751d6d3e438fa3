package align

import (
	"math"
	"slices"
)

// What the performer's light does to pieces of edge that are close together it does to all of them
// alike: on the lit side of a coat all seem to lie a little further in, and strands and meshes,
// each lit from the same side, all seem to lie toward the light. A thousand such pieces say no more
// than one. So each cell of the frame has effects of its own, drawn from normal distributions about
// zero whose widths are estimated from the plates with the geometry, by the EM algorithm (a linear
// mixed model: Laird and Ware 1982).

// A cell's effects: how far its edges seem to lie inward, how far toward the light along x and y,
// and how far its texture lies along x and y, which dyes and codecs may do.
const (
	inwardEffect = iota
	lightXEffect
	lightYEffect
	textureXEffect
	textureYEffect
	effects // is how many a cell has
)

// widths are the standard deviations of the effects: inward, of the light and of the texture along
// x and y, in pixels of the level.
type widths [3]float64

// usualWidths are the widths where nothing is known; they count as much as usualCells cells. Edges
// of photographed performers were displaced by 0.05 to 0.2, and texture by 0.005 to 0.05.
var usualWidths = widths{0.1, 0.1, 0.03}

const (
	usualCells = 5  // chosen by hand
	cellsWide  = 12 // cells across the frame; chosen by hand
)

func (w widths) of(k int) float64 { return w[kindOf(k)] }

// kindOf returns which of the widths an effect has.
func kindOf(effect int) int { return (effect + 1) / 2 }

// A mixed is the normal equations of parameters that all equations share and of effects that those
// of a cell share.
type mixed struct {
	*normal
	cells []cell
}

type cell struct {
	used  bool
	seen  [effects]bool              // those that an equation has
	a     [effects * effects]float64 // their matrix, and from reduce on its Cholesky factor
	b     [effects]float64
	cross [][effects]float64 // by parameters and effects
}

func newMixed(n, cells int) *mixed {
	m := &mixed{newNormal(n), make([]cell, cells)}
	cross := make([][effects]float64, n*cells)
	for i := range m.cells {
		m.cells[i].cross = cross[i*n : (i+1)*n]
	}
	return m
}

// reduce takes a cell's effects, of these widths, out of the equations of the shared parameters, of
// which to has a part.
func (c *cell) reduce(to *normal, w widths) {
	if !c.used {
		return
	}
	for k := range effects {
		c.a[k*effects+k] += 1 / (w.of(k) * w.of(k))
	}
	if !cholesky(c.a[:], effects) {
		c.used = false
		return
	}
	// With the factor L, v' inverse(L L') w is the product of inverse(L) v and inverse(L) w.
	half, b := slices.Clone(c.cross), c.b
	forward(c.a[:], effects, b[:])
	for i := range half {
		t := &half[i]
		forward(c.a[:], effects, t[:])
		a := to.a[i*to.n:][:i+1]
		for j := range a {
			a[j] -= dotEffects(t, &half[j])
		}
		to.b[i] -= dotEffects(t, &b)
	}
}

func dotEffects(a, b *[effects]float64) float64 {
	return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] + a[3]*b[3] + a[4]*b[4]
}

func (c *cell) solved(v [effects]float64) [effects]float64 {
	substitute(c.a[:], effects, v[:])
	return v
}

// own returns the effects of a cell where the shared parameters are x.
func (c *cell) own(x []float64) (u [effects]float64) {
	if !c.used {
		return u
	}
	u = c.b
	for i, v := range x {
		for k := range u {
			u[k] -= v * c.cross[i][k]
		}
	}
	return c.solved(u)
}

// widths returns the widths that these squares of the effects of all cells, with their variances,
// suggest: the root of the mean.
func (m *mixed) widths(squares [][effects]float64) widths {
	var sum, n [len(widths{})]float64
	for i := range sum {
		n[i] = usualCells
		sum[i] = usualCells * usualWidths[i] * usualWidths[i]
	}
	for i, c := range m.cells {
		for k, v := range squares[i] {
			if c.used && c.seen[k] {
				sum[kindOf(k)] += v
				n[kindOf(k)]++
			}
		}
	}
	var w widths
	for i := range w {
		w[i] = math.Sqrt(sum[i] / n[i])
	}
	return w
}

// squares returns the square of each of a cell's effects u and its variance, together, given the
// shared equations' factor.
func (m *mixed) squares(c *cell, u *[effects]float64) (list [effects]float64) {
	if !c.used {
		return list
	}
	row := make([]float64, m.n)
	for k := range effects {
		if !c.seen[k] {
			continue
		}
		var unit [effects]float64
		unit[k] = 1
		unit = c.solved(unit)
		v := u[k]*u[k] + unit[k]
		for j := range row {
			row[j] = dotEffects(&unit, &c.cross[j])
		}
		// row' inverse(a) row, by half of substitute.
		for j := range row {
			for l := range j {
				row[j] -= m.a[j*m.n+l] * row[l]
			}
			row[j] /= m.a[j*m.n+j]
			v += row[j] * row[j]
		}
		list[k] = v
	}
	return list
}
