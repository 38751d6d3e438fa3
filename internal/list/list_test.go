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

func TestSpread(t *testing.T) {
	if got := Spread(To(12), 3); !slices.Equal(got, []int{2, 6, 10}) {
		t.Errorf("three of twelve are %v, and must be the middles of the thirds", got)
	}
	if got := Spread(To(2), 3); !slices.Equal(got, To(2)) {
		t.Errorf("three of two are %v", got)
	}
	if rows := Rows[int](2, 3); len(rows) != 2 || len(rows[0]) != 3 || len(rows[1]) != 3 {
		t.Errorf("two rows of three are %v", rows)
	}
}

func TestNumbers(t *testing.T) {
	var a, b float64
	if !Numbers("0.5, -3e2 ", &a, &b) || a != 0.5 || b != -300 {
		t.Errorf("read are %v and %v", a, b)
	}
	for _, text := range []string{"", "1", "1,2,3", "1,x", "1;2", "1,"} {
		if Numbers(text, &a, &b) {
			t.Errorf("%q is taken for two numbers", text)
		}
	}
}
