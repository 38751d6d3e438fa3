package matte

import (
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// boxMean returns the mean over the square of 2r+1 pixels around each, cut off at the borders.
func boxMean(f *plate.Gray, r int) *plate.Gray {
	if r == 1 {
		return mean3x3(f)
	}
	tmp, out := plate.NewGray(f.W, f.H), plate.NewGray(f.W, f.H)
	parallel.EachRow(f.W, f.H, func(y int) {
		meanLine(tmp.Pix[y*f.W:], f.Pix[y*f.W:], f.W, r)
	})
	// The columns side by side, row by row as they are in memory: each core has some columns, so
	// that their sums do not depend on how many there are.
	parallel.Rows(f.H, f.W, func(x0, x1 int) {
		none := make([]float32, x1-x0)
		row := func(y int) []float32 {
			if y < 0 || y >= f.H {
				return none
			}
			return tmp.Pix[y*f.W+x0 : y*f.W+x1]
		}
		sums := make([]float64, x1-x0)
		for y := range min(r, f.H) {
			for x, v := range row(y) {
				sums[x] += float64(v)
			}
		}
		for y := range f.H {
			count := float64(min(y+r, f.H-1) - max(y-r, 0) + 1)
			to := out.Pix[y*f.W+x0 : y*f.W+x1]
			come, gone := row(y + r)[:len(to)], row(y - r - 1)[:len(to)]
			sums := sums[:len(to)]
			for x := range to {
				v := sums[x] + float64(come[x]) - float64(gone[x])
				sums[x] = v
				to[x] = float32(v / count)
			}
		}
	})
	return out
}

// mean3x3 is boxMean for the square of three pixels.
func mean3x3(f *plate.Gray) *plate.Gray {
	w, h := f.W, f.H
	out := plate.NewGray(w, h)
	parallel.Rows(w, h, func(y0, y1 int) {
		m := newMean3(w, h)
		for y := max(y0-1, 0); y <= y1; y++ {
			if y < h {
				m.add(f.Pix[y*w:(y+1)*w], y)
			}
			if y > y0 {
				m.at(out.Pix[(y-1)*w:y*w], y-1)
			}
		}
	})
	return out
}

// A mean3 makes means over 3x3 pixels of a frame whose rows come one by one, in their order, cut off
// at its borders.
type mean3 struct {
	h     int
	along [3][]float32 // means along the last three rows
}

func newMean3(w, h int) *mean3 {
	return &mean3{h, [3][]float32(list.Rows[float32](3, w))}
}

// add takes row y.
func (m *mean3) add(row []float32, y int) {
	to, w := m.along[y%3], len(row)
	if w == 1 {
		to[0] = row[0]
		return
	}
	to[0], to[w-1] = (row[0]+row[1])/2, (row[w-2]+row[w-1])/2
	kernel.Mean3(to[1:w-1], row, row[1:], row[2:])
}

// at makes row y of the means, once it and the rows beside it have been added.
func (m *mean3) at(to []float32, y int) {
	above, here, below := m.along[(y+2)%3], m.along[y%3], m.along[(y+1)%3]
	switch {
	case m.h == 1:
		copy(to, here)
	case y == 0:
		kernel.Mix(to, here, below, 0.5)
	case y == m.h-1:
		kernel.Mix(to, here, above, 0.5)
	default:
		kernel.Mean3(to, above, here, below)
	}
}

// meanAt returns what mean3x3 has at a pixel.
func meanAt(f *plate.Gray, x, y int) float32 {
	along := func(y int) float32 {
		row := f.Pix[y*f.W : (y+1)*f.W]
		switch {
		case len(row) == 1:
			return row[0]
		case x == 0:
			return (row[0] + row[1]) / 2
		case x == len(row)-1:
			return (row[x-1] + row[x]) / 2
		}
		return (row[x-1] + row[x] + row[x+1]) * (1. / 3)
	}
	half := func(a, b float32) float32 { return a + float32(0.5*(b-a)) }
	switch {
	case f.H == 1:
		return along(y)
	case y == 0:
		return half(along(y), along(y+1))
	case y == f.H-1:
		return half(along(y), along(y-1))
	}
	return (along(y-1) + along(y) + along(y+1)) * (1. / 3)
}

// meanLine puts the means over 2r+1 of n values around each, cut off at the ends, into dst.
func meanLine(dst, src []float32, n, r int) {
	dst, src = dst[:n], src[:n]
	sum := 0.0
	for _, v := range src[:min(r, n)] {
		sum += float64(v)
	}
	// In the middle one value comes with each step, and one goes.
	first, last := min(r+1, n), max(n-r, 0)
	for i := range first {
		if i < last {
			sum += float64(src[i+r])
		}
		dst[i] = float32(sum / float64(min(i+r, n-1)+1))
	}
	if first < last {
		count := float64(2*r + 1)
		to := dst[first:last]
		come, gone := src[first+r:][:len(to)], src[:len(to)]
		for i := range to {
			sum += float64(come[i])
			sum -= float64(gone[i])
			to[i] = float32(sum / count)
		}
	}
	for i := max(first, last); i < n; i++ {
		sum -= float64(src[i-r-1])
		dst[i] = float32(sum / float64(n-(i-r)))
	}
}

// boxMax returns the largest value in the square of 2r+1 pixels around each, cut off at the
// borders.
func boxMax(f *plate.Gray, r int) *plate.Gray { return boxMaxAt(f, r, 0, 1) }

// boxMaxAt is boxMax for every step-th pixel along both axes, from the one at first on: along a
// row, of windows that double in length; down the columns, of a window that begins in one block of
// 2r+1 and ends in the next, the largest from there to the block's end and from the next one's
// beginning (van Herk 1992; not checked against the source).
func boxMaxAt(f *plate.Gray, r, first, step int) *plate.Gray {
	k := 2*r + 1
	some := func(n int) int { return max((n-first+step-1)/step, 0) }
	w, h := some(f.W), some(f.H)
	tmp, out := plate.NewGray(w, f.H), plate.NewGray(w, h)
	none := float32(math.Inf(-1))
	parallel.Rows(f.W, f.H, func(y0, y1 int) {
		row := make([]float32, f.W+2*r)
		for y := y0; y < y1; y++ {
			fill(row, none)
			copy(row[r:], f.Pix[y*f.W:(y+1)*f.W])
			n := 1 // values of the window that begins at each
			for n < k {
				by := min(n, k-n)
				kernel.Raise(row[:len(row)-by], row[by:])
				n += by
			}
			to := tmp.Pix[y*w : (y+1)*w]
			if step == 1 {
				copy(to, row[first:])
				continue
			}
			for i := range to {
				to[i] = row[first+i*step]
			}
		}
	})
	// The same by whole rows, block by block.
	block := (k + step - 1) / step
	parallel.Parts((h+block-1)/block, func(from, to int) {
		ends := list.Rows[float32](k+1, w)
		begun := make([]float32, w)
		for n := from; n < to; n++ {
			j := n * block
			b := first + j*step
			fill(ends[k], none)
			for i := k - 1; i >= 0; i-- {
				copy(ends[i], ends[i+1])
				if y := b - r + i; y >= 0 && y < f.H {
					kernel.Raise(ends[i], tmp.Pix[y*w:])
				}
			}
			fill(begun, none)
			for i := 0; i < k && j < h; i++ {
				if y := b + r + i; i > 0 && y < f.H {
					kernel.Raise(begun, tmp.Pix[y*w:])
				}
				if i%step == 0 {
					dst := out.Pix[j*w : (j+1)*w]
					copy(dst, ends[i])
					kernel.Raise(dst, begun)
					j++
				}
			}
		}
	})
	return out
}

func fill(a []float32, v float32) { (&plate.Gray{Pix: a}).Fill(v) }
