package align

import (
	"cmp"
	"math"
	"slices"

	"example.com/twinplate/internal/parallel"
)

// mostSoftening bounds the variance by which a plate is blurred to match the other, in pixels of the level,
// squared.
const mostSoftening = 6

// soften blurs the sharper of the two cameras' pictures, at this level, to the softness of the other, as
// measured with a geometry that is nearly right. Otherwise an edge that is soft in one camera and crisp in
// the other would seem to lie further out or in: the model weights an edge's outer flank more than its inner
// one, which has texture. It returns the variance, positive when the band plates were blurred and negative
// when the color plates were, in band pixels of the level, squared.
func (l *level) soften(g Geometry, ms []measurement) float64 {
	// The weighted median over the tiles.
	type vote struct{ v, weight float64 }
	var votes []vote
	half := 0.0
	for _, m := range ms {
		if m.used && m.soft[0] > 0 {
			votes = append(votes, vote{m.soft[1] / m.soft[0], math.Sqrt(m.soft[0])})
			half += math.Sqrt(m.soft[0]) / 2
		}
	}
	slices.SortFunc(votes, func(a, b vote) int { return cmp.Compare(a.v, b.v) })
	variance := 0.0
	for _, v := range votes {
		if half -= v.weight; half <= 0 {
			variance = 2 * v.v
			break
		}
	}
	variance = math.Max(-mostSoftening, math.Min(variance, mostSoftening))
	sx, sy := g.density()
	scale := (sx + sy) / 2 * l.fc / l.fb // band pixels of the level to a color pixel of the level
	if variance > 0 {
		parallel.Parts(len(l.frames), func(from, to int) {
			for i := from; i < to; i++ {
				f := &l.frames[i]
				b := blur(plane{l.bw, l.bh, f.alpha}, variance)
				f.alpha, f.spline = b.pix, splined(b)
			}
		})
		return variance
	}
	parallel.Parts(3*len(l.frames), func(from, to int) {
		for i := from; i < to; i++ {
			pix := &l.frames[i/3].color[i%3]
			*pix = blur(plane{l.w, l.h, *pix}, -variance/(scale*scale)).pix
		}
	})
	return variance
}

// blur smooths a plane with a kernel of exactly the variance given along each axis: passes of three weights,
// borders repeated. The plane's pixels are overwritten.
func blur(q plane, variance float64) plane {
	passes := int(math.Ceil(variance / 0.5))
	if passes == 0 {
		return q
	}
	side := float32(variance / float64(passes) / 2)
	middle := 1 - 2*side
	above := make([]float32, q.w)
	now := make([]float32, q.w)
	for range passes {
		for y := range q.h {
			row := q.pix[y*q.w : (y+1)*q.w]
			before := row[0]
			for x, v := range row {
				after := row[min(x+1, q.w-1)]
				row[x] = middle*v + side*(before+after)
				before = v
			}
		}
		copy(above, q.pix[:q.w])
		for y := range q.h {
			row := q.pix[y*q.w : (y+1)*q.w]
			below := row
			if y+1 < q.h {
				below = q.pix[(y+1)*q.w : (y+2)*q.w]
			}
			copy(now, row)
			for x, v := range now {
				row[x] = middle*v + side*(above[x]+below[x])
			}
			above, now = now, above
		}
	}
	return q
}
