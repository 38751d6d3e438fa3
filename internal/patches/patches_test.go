package patches

import (
	"reflect"
	"testing"
)

func TestFind(t *testing.T) {
	const w, h = 5, 3
	plane := []byte("" +
		"aa..b" +
		".a.bb" +
		"c...b")
	of, sizes := Find(w, h, func(i, from int) bool {
		return plane[i] != '.' && (from < 0 || plane[i] == plane[from])
	})
	if want := []int32{1, 1, 0, 0, 2, 0, 1, 0, 2, 2, 3, 0, 0, 0, 2}; !reflect.DeepEqual(of, want) {
		t.Errorf("the patches are\n%v, want\n%v", of, want)
	}
	if want := []int{0, 3, 4, 1}; !reflect.DeepEqual(sizes, want) || Largest(sizes) != 2 {
		t.Errorf("the sizes are %v, and the largest is %d; want %v and 2", sizes, Largest(sizes), want)
	}
	if of, sizes := Find(0, 0, nil); len(of) != 0 || Largest(sizes) != 0 {
		t.Errorf("nothing has %v, %v", of, sizes)
	}
}
