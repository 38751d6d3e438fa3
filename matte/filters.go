package matte

import (
	"slices"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/plate"
)

// boxMean returns the mean over the square of 2r+1 pixels around each, cut off at the borders.
func boxMean(f *plate.Gray, r int) *plate.Gray {
	if r == 1 && f.W > 1 && f.H > 1 {
		return mean3x3(f)
	}
	tmp, out := plate.NewGray(f.W, f.H), plate.NewGray(f.W, f.H)
	for y := range f.H {
		meanLine(tmp.Pix[y*f.W:], f.Pix[y*f.W:], f.W, r)
	}
	// The columns side by side, row by row as they are in memory.
	sums := make([]float64, f.W)
	count := 0
	for i := -r; i < f.H; i++ {
		if j := i + r; j < f.H && j >= 0 {
			for x, v := range tmp.Pix[j*f.W : (j+1)*f.W] {
				sums[x] += float64(v)
			}
			count++
		}
		if j := i - r - 1; j >= 0 {
			for x, v := range tmp.Pix[j*f.W : (j+1)*f.W] {
				sums[x] -= float64(v)
			}
			count--
		}
		if i >= 0 {
			row := out.Pix[i*f.W : (i+1)*f.W]
			for x, v := range sums {
				row[x] = float32(v / float64(count))
			}
		}
	}
	return out
}

// mean3x3 is boxMean for the square of three pixels.
func mean3x3(f *plate.Gray) *plate.Gray {
	w, h := f.W, f.H
	out := plate.NewGray(w, h)
	// Three rows' means along the row; where there are but two rows or columns, of those.
	var means [3][]float32
	for i := range means {
		means[i] = make([]float32, w)
	}
	for y := range h + 1 {
		if y < h {
			row, dst := f.Pix[y*w:(y+1)*w], means[y%3]
			dst[0], dst[w-1] = (row[0]+row[1])/2, (row[w-2]+row[w-1])/2
			kernel.Mean3(dst[1:w-1], row, row[1:], row[2:])
		}
		if y == 0 {
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

// boxMax returns the largest value in the square of 2r+1 pixels around each.
func boxMax(f *plate.Gray, r int) *plate.Gray {
	tmp, out := plate.NewGray(f.W, f.H), plate.NewGray(f.W, f.H)
	for y := range f.H {
		row := f.Pix[y*f.W : (y+1)*f.W]
		for x := range row {
			tmp.Pix[y*f.W+x] = slices.Max(row[max(x-r, 0):min(x+r+1, f.W)])
		}
	}
	for y := range f.H {
		dst := out.Pix[y*f.W : (y+1)*f.W]
		copy(dst, tmp.Pix[y*f.W:])
		for k := max(y-r, 0); k < min(y+r+1, f.H); k++ {
			for x, v := range tmp.Pix[k*f.W : (k+1)*f.W] {
				dst[x] = max(dst[x], v)
			}
		}
	}
	return out
}
