// Package list makes lists of lists.
package list

import "slices"

// Of returns what f makes of each of a list; nil of an empty one.
func Of[A, B any](from []A, f func(A) B) []B {
	to := slices.Grow([]B(nil), len(from))
	for _, v := range from {
		to = append(to, f(v))
	}
	return to
}

// Where returns those of a list that is reports true of; nil where there is none.
func Where[A any](from []A, is func(A) bool) (to []A) {
	for _, v := range from {
		if is(v) {
			to = append(to, v)
		}
	}
	return to
}

// Count returns of how many of a list is reports true.
func Count[A any](from []A, is func(A) bool) (n int) {
	for _, v := range from {
		if is(v) {
			n++
		}
	}
	return n
}

// To returns the numbers from 0 up to but not including n.
func To(n int) []int {
	to := make([]int, n)
	for i := range to {
		to[i] = i
	}
	return to
}
