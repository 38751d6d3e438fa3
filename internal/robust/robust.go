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

// Nth sorts v and returns the value at index k.
func Nth[T cmp.Ordered](v []T, k int) T {
	slices.Sort(v)
	return v[k]
}

// Median sorts v and returns its middle value, of an even number the upper of two; and 0 of none.
func Median[T cmp.Ordered](v []T) T { return Quantile(v, 0.5) }

// Quantile sorts v and returns the value at the index nearest to the part q, from 0 to 1, of the
// way from the first to the last; and 0 of none.
func Quantile[T cmp.Ordered](v []T, q float64) (value T) {
	if len(v) == 0 {
		return value
	}
	return Nth(v, int(q*float64(len(v)-1)+0.5))
}

// Sigma sorts absolute deviations and returns the standard deviation of normal noise that has their
// median.
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
