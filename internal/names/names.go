// Package names finds what is called by a name, says what a mistyped one may have meant, and counts
// things by theirs.
package names

import (
	"fmt"
	"strings"
)

// An Enum is how the values 0, 1, 2 and so on of a type are called.
type Enum[T ~int] struct {
	Package, Type string
	What          string   // in words, such as "fit mode"
	Names         []string // of the values
}

// Check returns an error unless v is one of the values.
func (e *Enum[T]) Check(v T) error {
	if last := len(e.Names) - 1; v < 0 || int(v) > last {
		return fmt.Errorf("%s: there is no %s %d: they are 0 (%s) to %d (%s)", e.Package, e.What, int(v), e.Names[0], last, e.Names[last])
	}
	return nil
}

// String returns the name of v.
func (e *Enum[T]) String(v T) string {
	if e.Check(v) != nil {
		return fmt.Sprintf("%s(%d)", e.Type, int(v))
	}
	return e.Names[v]
}

// Text returns the name of v as bytes, for MarshalText.
func (e *Enum[T]) Text(v T) ([]byte, error) { return []byte(e.String(v)), e.Check(v) }

// Parse returns the value of that name, as Find does. The error lists all.
func (e *Enum[T]) Parse(name string) (T, error) {
	i, err := Find(e.Package, e.What, name, e.Names)
	if err != nil {
		err = fmt.Errorf("%w known: %s", err, strings.Join(e.Names, ", "))
	}
	return T(i), err
}

// Find returns the index of name in names, where case, spaces, hyphens and underscores do not
// count. The error of a name that is not there suggests the nearest.
func Find(pkg, what, name string, names []string) (int, error) {
	plain := strings.NewReplacer(" ", "", "-", "", "_", "")
	want := plain.Replace(strings.ToLower(name))
	best, least := 0, -1
	for i, n := range names {
		d := Distance(want, plain.Replace(strings.ToLower(n)))
		if d == 0 {
			return i, nil
		}
		if least < 0 || d < least {
			best, least = i, d
		}
	}
	return 0, fmt.Errorf("%s: there is no %s called %q: did you mean %q?", pkg, what, name, names[best])
}

// Distance counts the letters to insert, remove, replace or swap with their neighbor to turn a into
// b. It looks at the first 40 bytes of each.
func Distance(a, b string) int {
	const most = 40 // longer than any name here is
	a, b = a[:min(len(a), most)], b[:min(len(b), most)]
	d := make([][]int, len(a)+1)
	for i := range d {
		d[i] = make([]int, len(b)+1)
		d[i][0] = i
	}
	for j := range d[0] {
		d[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			replace := d[i-1][j-1]
			if a[i-1] != b[j-1] {
				replace++
			}
			d[i][j] = min(replace, d[i-1][j]+1, d[i][j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(a)][len(b)]
}

// Count returns how many there are of a thing: "1 take", "2 takes".
func Count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
