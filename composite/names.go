package composite

import (
	"fmt"
	"strings"
)

// findName returns the index of name in names, where case, spaces, hyphens and underscores do not
// count. The error of a name that is not there suggests the nearest.
func findName(kind, name string, names []string) (int, error) {
	plain := strings.NewReplacer(" ", "", "-", "", "_", "")
	want := plain.Replace(strings.ToLower(name))
	best, bestDistance := 0, -1
	for i, n := range names {
		d := editDistance(want, plain.Replace(strings.ToLower(n)))
		if d == 0 {
			return i, nil
		}
		if bestDistance < 0 || d < bestDistance {
			best, bestDistance = i, d
		}
	}
	return 0, fmt.Errorf("composite: there is no %s called %q: did you mean %q?", kind, name, names[best])
}

// editDistance counts the letters to insert, delete or change to turn a into b (Levenshtein's
// distance).
func editDistance(a, b string) int {
	d := make([]int, len(b)+1)
	for j := range d {
		d[j] = j
	}
	for i := range len(a) {
		diagonal := d[0]
		d[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = d[j+1]
			d[j+1] = min(change, d[j]+1, diagonal+1)
		}
	}
	return d[len(b)]
}
