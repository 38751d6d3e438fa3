package matte

import (
	"cmp"
	"slices"

	"example.com/twinplate/plate"
)

// boxMean returns the mean over the square of 2r+1 pixels around each, cut off at the borders.
func boxMean(f *plate.Gray, r int) *plate.Gray {
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

// nth returns the value that would stand at index k were v sorted; it disorders v.
func nth[T cmp.Ordered](v []T, k int) T {
	slices.Sort(v)
	return v[k]
}
