// Package robust has the order statistics that the estimators share.
package robust

import (
	"cmp"
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
