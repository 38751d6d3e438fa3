package patches

import (
	"slices"

	"example.com/twinplate/internal/parallel"
)

// A Segment is a part of one row of a plane: its values from From up to but not including To, as they
// are counted over the whole plane.
type Segment struct {
	From, To int
	Patch    int32 // the number of the patch that it is in
}

// Above is Find for what is above a limit in a plane of w by h, as runs in the plane's order: for
// planes of which most is in a few patches.
func Above(w, h int, plane []float32, limit float32) (runs []Segment, sizes []int) {
	rows := make([][]Segment, h)
	parallel.EachRow(w, h, func(y int) { rows[y] = appendRuns(nil, plane[y*w:(y+1)*w], y*w, limit) })
	runs = slices.Concat(rows...)
	// Each run leads to an earlier one of its patch, or to itself.
	to := make([]int, len(runs))
	first := func(i int) int {
		for to[i] != i {
			to[i] = to[to[i]]
			i = to[i]
		}
		return i
	}
	above := 0 // of the runs in the row above, the first that may lie over this one
	for i, r := range runs {
		to[i] = i
		for above < i && runs[above].To+w <= r.From {
			above++
		}
		for k := above; k < i && runs[k].From+w < r.To; k++ {
			a, b := first(k), first(i)
			to[max(a, b)] = min(a, b)
		}
	}
	sizes = []int{0}
	for i := range runs {
		r := &runs[i]
		if k := first(i); k == i {
			r.Patch = int32(len(sizes))
			sizes = append(sizes, 0)
		} else {
			r.Patch = runs[k].Patch
		}
		sizes[r.Patch] += r.To - r.From
	}
	return runs, sizes
}

// appendRuns appends the runs of a row, whose first value is number at of the plane.
func appendRuns(runs []Segment, row []float32, at int, limit float32) []Segment {
	for x := 0; x < len(row); {
		for x < len(row) && !(row[x] > limit) {
			x++
		}
		from := x
		for x < len(row) && row[x] > limit {
			x++
		}
		if x > from {
			runs = append(runs, Segment{From: at + from, To: at + x})
		}
	}
	return runs
}
