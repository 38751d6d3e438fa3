package matte

import (
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// boxMean returns the mean over the square of 2r+1 pixels around each, cut off at the borders.
func boxMean(f *plate.Gray, r int) *plate.Gray {
	if r == 1 && f.W > 1 && f.H > 1 {
		return mean3x3(f)
	}
	tmp, out := plate.NewGray(f.W, f.H), plate.NewGray(f.W, f.H)
	parallel.EachRow(f.W, f.H, func(y int) {
		meanLine(tmp.Pix[y*f.W:], f.Pix[y*f.W:], f.W, r)
	})
	// The columns side by side, row by row as they are in memory: each core has some columns, so
	// that their sums do not depend on how many there are.
	parallel.Rows(f.H, f.W, func(x0, x1 int) {
		sums := make([]float64, x1-x0)
		count := 0
		for i := -r; i < f.H; i++ {
			if j := i + r; j < f.H && j >= 0 {
				for x, v := range tmp.Pix[j*f.W+x0 : j*f.W+x1] {
					sums[x] += float64(v)
				}
				count++
			}
			if j := i - r - 1; j >= 0 {
				for x, v := range tmp.Pix[j*f.W+x0 : j*f.W+x1] {
					sums[x] -= float64(v)
				}
				count--
			}
			if i >= 0 {
				row := out.Pix[i*f.W+x0 : i*f.W+x1]
				for x, v := range sums {
					row[x] = float32(v / float64(count))
				}
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
		// Three rows' means along the row; where there are but two rows or columns, of those.
		var means [3][]float32
		for i := range means {
			means[i] = make([]float32, w)
		}
		for y := max(y0-1, 0); y <= y1; y++ {
			if y < h {
				row, dst := f.Pix[y*w:(y+1)*w], means[y%3]
				dst[0], dst[w-1] = (row[0]+row[1])/2, (row[w-2]+row[w-1])/2
				kernel.Mean3(dst[1:w-1], row, row[1:], row[2:])
			}
			if y <= y0 {
				continue
			}
			to, here := out.Pix[(y-1)*w:y*w], means[(y-1)%3]
			switch {
			case y == 1:
				kernel.Mix(to, here, means[1], 0.5)
			case y == h:
				kernel.Mix(to, here, means[(h-2)%3], 0.5)
			default:
				kernel.Mean3(to, means[(y-2)%3], here, means[y%3])
			}
		}
	})
	return out
}

func meanLine(dst, src []float32, n, r int) {
	sum, count := 0.0, 0
	for i := -r; i < n; i++ {
		if j := i + r; j < n && j >= 0 {
			sum += float64(src[j])
			count++
		}
		if j := i - r - 1; j >= 0 {
			sum -= float64(src[j])
			count--
		}
		if i >= 0 {
			dst[i] = float32(sum / float64(count))
		}
	}
}

// boxMax returns the largest value in the square of 2r+1 pixels around each, cut off at the
// borders: along a row, of windows that double in length; down the columns, of a window that begins
// in one block of 2r+1 and ends in the next, the largest from there to the block's end and from the
// next one's beginning (van Herk 1992; not checked against the source).
func boxMax(f *plate.Gray, r int) *plate.Gray {
	w, h, k := f.W, f.H, 2*r+1
	tmp, out := plate.NewGray(w, h), plate.NewGray(w, h)
	none := float32(math.Inf(-1))
	parallel.Rows(w, h, func(y0, y1 int) {
		row := make([]float32, w+2*r)
		for y := y0; y < y1; y++ {
			fill(row, none)
			copy(row[r:], f.Pix[y*w:(y+1)*w])
			n := 1 // values of the window that begins at each
			for n < k {
				by := min(n, k-n)
				kernel.Raise(row[:len(row)-by], row[by:])
				n += by
			}
			copy(tmp.Pix[y*w:], row[:w])
		}
	})
	parallel.Rows(w, h, func(y0, y1 int) { // the same by whole rows
		ends := make([][]float32, k+1)
		for i := range ends {
			ends[i] = make([]float32, w)
		}
		begun := make([]float32, w)
		for b := y0; b < y1; b += k {
			fill(ends[k], none)
			for i := k - 1; i >= 0; i-- {
				copy(ends[i], ends[i+1])
				if y := b - r + i; y >= 0 && y < h {
					kernel.Raise(ends[i], tmp.Pix[y*w:])
				}
			}
			fill(begun, none)
			for i := range min(k, y1-b) {
				if y := b + r + i; i > 0 && y < h {
					kernel.Raise(begun, tmp.Pix[y*w:])
				}
				dst := out.Pix[(b+i)*w : (b+i+1)*w]
				copy(dst, ends[i])
				kernel.Raise(dst, begun)
			}
		}
	})
	return out
}

func fill(a []float32, v float32) {
	for i := range a {
		a[i] = v
	}
}
