// Package robust has the order statistics and the standard errors that the estimators share.
package robust

import (
	"cmp"
	"math"
	"slices"
)

// SigmaOfMAD is by what a median of absolute deviations is multiplied to be the standard deviation
// of normal noise: 1 over the third quartile of the normal distribution, 0.67449 (Hampel 1974; not
// checked against the source).
const SigmaOfMAD = 1.4826

// Nth reorders v and returns the value that sorting it would bring to index k, in time that grows as
// the length (Hoare's selection, 1961, about the median of three). NaN counts as less than all.
func Nth[T cmp.Ordered](v []T, k int) T {
	const few = 16 // values that are sorted at once; chosen by hand
	for len(v) > few {
		p := middle(v[0], v[len(v)/2], v[len(v)-1])
		i, j := 0, len(v)-1
		for i <= j {
			for cmp.Less(v[i], p) {
				i++
			}
			for cmp.Less(p, v[j]) {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		// Up to j no value is above p, from i on none is below it, and between them they are p.
		switch {
		case k <= j:
			v = v[:j+1]
		case k >= i:
			v, k = v[i:], k-i
		default:
			return v[k]
		}
	}
	slices.Sort(v)
	return v[k]
}

// middle returns the middle one of three values.
func middle[T cmp.Ordered](a, b, c T) T {
	if cmp.Less(b, a) {
		a, b = b, a
	}
	if cmp.Less(c, b) {
		b = c
		if cmp.Less(b, a) {
			b = a
		}
	}
	return b
}

// Median reorders v and returns its middle value, of an even number the upper of two; and 0 of none.
func Median[T cmp.Ordered](v []T) T { return Quantile(v, 0.5) }

// Quantile reorders v and returns the value that is at the index nearest to the part q, from 0 to 1,
// of the way from the least to the most; and 0 of none.
func Quantile[T cmp.Ordered](v []T, q float64) (value T) {
	if len(v) == 0 {
		return value
	}
	return Nth(v, int(q*float64(len(v)-1)+0.5))
}

// Sigma reorders absolute deviations and returns the standard deviation of normal noise that has
// their median.
func Sigma[T ~float32 | ~float64](deviations []T) float64 {
	return SigmaOfMAD * float64(Median(deviations))
}

// Sampled returns fewer than 2 n of the values, and n at least where there are so many, evenly
// spread.
func Sampled[T any](v []T, n int) []T {
	step := max(len(v)/n, 1)
	some := make([]T, 0, len(v)/step+1)
	for i := step / 2; i < len(v); i += step {
		some = append(some, v[i])
	}
	return some
}

// Sandwich returns the standard errors of the parameters of least squares whose errors may hang
// together within groups but not between them: the roots of the diagonal of V M V, with V the
// inverse of the normal matrix and M the sum over the groups of the outer product of their scores,
// the sums of weight times residual times row (White 1980, Liang and Zeger 1986; not checked
// against the source). They are infinite where there are fewer than two groups.
func Sandwich(inverse, scores [][]float64) []float64 {
	out := make([]float64, len(inverse))
	n := float64(len(scores))
	for i, row := range inverse {
		for _, g := range scores {
			d := 0.0
			for j, v := range row {
				d += v * g[j]
			}
			out[i] += d * d
		}
		if n < 2 {
			out[i] = math.Inf(1)
			continue
		}
		out[i] = math.Sqrt(out[i] * n / (n - 1))
	}
	return out
}
