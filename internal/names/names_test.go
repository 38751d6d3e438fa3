package names

import (
	"strings"
	"testing"
)

func TestDistance(t *testing.T) {
	for _, row := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"", "abc", 3}, {"kitten", "sitting", 3}, {"srgb", "srbg", 1}, {"flaw", "lawn", 2},
		{strings.Repeat("x", 1<<20), "", 40},
	} {
		if got := Distance(row.a, row.b); got != row.want {
			t.Errorf("from %.10q to %.10q: %d, want %d", row.a, row.b, got, row.want)
		}
		if got := Distance(row.b, row.a); got != row.want {
			t.Errorf("from %.10q to %.10q: %d, want %d", row.b, row.a, got, row.want)
		}
	}
}

func TestEnum(t *testing.T) {
	type color int
	e := &Enum[color]{"paint", "Color", "color", []string{"red", "dark green"}}
	for _, name := range []string{"dark green", "Dark-Green", "DARK_GREEN"} {
		if v, err := e.Parse(name); v != 1 || err != nil {
			t.Errorf("%q is %d, %v", name, v, err)
		}
	}
	if _, err := e.Parse("rde"); err == nil || err.Error() != `paint: there is no color called "rde": did you mean "red"? known: red, dark green` {
		t.Errorf("of an unknown name: %v", err)
	}
	if text, err := e.Text(1); string(text) != "dark green" || err != nil {
		t.Errorf("1 is %q, %v", text, err)
	}
	for _, v := range []color{-1, 2} {
		if _, err := e.Text(v); err == nil || !strings.Contains(err.Error(), "they are 0 (red) to 1 (dark green)") {
			t.Errorf("of %d: %v", v, err)
		}
	}
	if e.String(2) != "Color(2)" {
		t.Errorf("2 is %q", e.String(2))
	}
}
