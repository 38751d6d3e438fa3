package list

import (
	"slices"
	"strconv"
	"testing"
)

func TestList(t *testing.T) {
	if got := Of([]int{3, 1}, strconv.Itoa); !slices.Equal(got, []string{"3", "1"}) {
		t.Errorf("the words are %q", got)
	}
	if got := Where(To(5), func(v int) bool { return v%2 == 1 }); !slices.Equal(got, []int{1, 3}) {
		t.Errorf("the odd numbers are %v", got)
	}
	if got := Count(To(5), func(v int) bool { return v%2 == 1 }); got != 2 {
		t.Errorf("%d of five numbers are odd", got)
	}
	if Of(nil, strconv.Itoa) != nil || Where(To(3), func(int) bool { return false }) != nil || len(To(0)) != 0 {
		t.Error("of nothing something is made")
	}
}
