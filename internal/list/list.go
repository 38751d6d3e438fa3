// Package list makes lists: of lists, of numbers, and of the numbers in a text.
package list

import (
	"slices"
	"strconv"
	"strings"
)

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

// Spread returns n of a list, evenly spread over it, from the middles of n parts; all where there are
// no more.
func Spread[A any](from []A, n int) []A {
	n = min(n, len(from))
	return By(n, func(i int) A { return from[(2*i+1)*len(from)/(2*n)] })
}

// Rows returns n rows of w zeros.
func Rows[A any](n, w int) [][]A {
	return By(n, func(int) []A { return make([]A, w) })
}

// By returns what f makes of each of the numbers from 0 up to but not including n, and To the numbers.
func By[A any](n int, f func(i int) A) []A {
	to := make([]A, n)
	for i := range to {
		to[i] = f(i)
	}
	return to
}

func To(n int) []int { return By(n, func(i int) int { return i }) }

// Numbers reads the numbers of a text, with commas between them, and reports whether it is so many
// numbers and no more.
func Numbers(text string, to ...*float64) bool {
	parts := strings.Split(text, ",")
	if len(parts) != len(to) {
		return false
	}
	for i, v := range to {
		var err error
		if *v, err = strconv.ParseFloat(strings.TrimSpace(parts[i]), 64); err != nil {
			return false
		}
	}
	return true
}
