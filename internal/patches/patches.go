// Package patches finds what hangs together in a plane.
package patches

// Find numbers the 4-connected patches of a plane of w by h from 1 on, in the order of their first
// pixels: of returns the number of each pixel, 0 where it is in none, and sizes by number how many
// pixels they have. Joins reports whether pixel i is in the patch that its neighbor from is in, and
// with from below 0 whether it may begin one.
func Find(w, h int, joins func(i, from int) bool) (of []int32, sizes []int) {
	of, sizes = make([]int32, w*h), []int{0}
	var todo []int
	for start := range of {
		if of[start] != 0 || !joins(start, -1) {
			continue
		}
		n := len(sizes)
		sizes = append(sizes, 0)
		of[start] = int32(n)
		for todo = append(todo, start); len(todo) > 0; sizes[n]++ {
			i := todo[len(todo)-1]
			todo = todo[:len(todo)-1]
			for _, d := range [4][2]int{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
				x, y := i%w+d[0], i/w+d[1]
				if k := y*w + x; x >= 0 && y >= 0 && x < w && y < h && of[k] == 0 && joins(k, i) {
					of[k] = int32(n)
					todo = append(todo, k)
				}
			}
		}
	}
	return of, sizes
}

// Largest returns the number of the largest patch by sizes, the first of several; 0 where there is
// none.
func Largest(sizes []int) (n int) {
	for i, size := range sizes {
		if size > sizes[n] {
			n = i
		}
	}
	return n
}
