package dataset

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"

	"example.com/twinplate/internal/list"
)

// Splits are the names of the splits, in their order.
var Splits = []string{"train", "validation", "test"}

// Shares are the parts of the takes that are for training, validation and test, of any sum. The
// zero value is 80, 10, 10; a split of 0 has none.
type Shares [3]float64

// ParseShares reads three numbers with commas between them, such as 80,10,10.
func ParseShares(s string) (Shares, error) {
	const most = 1e6 // of a share; chosen by hand
	var shares Shares
	if !list.Numbers(s, &shares[0], &shares[1], &shares[2]) || slices.ContainsFunc(shares[:], func(v float64) bool { return !(v >= 0 && v <= most) }) {
		return Shares{}, fmt.Errorf("split %q: it must be three numbers of 0 or more, like 80,10,10, for %s", s, strings.Join(Splits, ", "))
	}
	if shares == (Shares{}) {
		return Shares{}, fmt.Errorf("split %q: one number at least must be above 0", s)
	}
	return shares, nil
}

// Split returns the split of each take. Whole takes go to one split, for the frames of a take are
// alike. Every split with a share gets one take at least, and the shares as near as can be; which
// takes, the hash (SHA-256) of their names decides, so that it is the same every time for the same
// names. Fewer takes than splits are an error.
func Split(names []string, shares Shares) (map[string]string, error) {
	if shares == (Shares{}) {
		shares = Shares{80, 10, 10}
	}
	sum := 0.0
	var asked []string
	for i, v := range shares {
		if v > 0 {
			asked = append(asked, Splits[i])
			sum += v
		}
	}
	if len(names) < len(asked) {
		return nil, fmt.Errorf("%s cannot be split into %s: a split is of whole takes, since the frames of one are alike; give %d takes or more, or a split with fewer parts, such as 100,0,0", count(len(names), "take"), strings.Join(asked, ", "), len(asked))
	}
	// One each, and then to where most is missing.
	var counts [3]int
	for i, v := range shares {
		if v > 0 {
			counts[i] = 1
		}
	}
	for range len(names) - len(asked) {
		most := -1
		missing := func(i int) float64 { return shares[i]/sum*float64(len(names)) - float64(counts[i]) }
		for i, v := range shares {
			if v > 0 && (most < 0 || missing(i) > missing(most)) {
				most = i
			}
		}
		counts[most]++
	}
	hash := func(name string) []byte { h := sha256.Sum256([]byte(name)); return h[:] }
	order := slices.Clone(names)
	slices.SortFunc(order, func(a, b string) int { return bytes.Compare(hash(a), hash(b)) })
	splits := map[string]string{}
	for i, n := range counts {
		for _, name := range order[:n] {
			splits[name] = Splits[i]
		}
		order = order[n:]
	}
	return splits, nil
}

// split is Split, or as the takes for validation and test are named.
func (o *Options) split(names []string) (map[string]string, error) {
	if len(o.Validation)+len(o.Test) == 0 {
		return Split(names, o.Shares)
	}
	splits := map[string]string{}
	for _, name := range names {
		splits[name] = Splits[0]
	}
	for i, list := range [][]string{o.Validation, o.Test} {
		for _, name := range list {
			switch before, ok := splits[name]; {
			case !ok:
				return nil, fmt.Errorf("no take is called %s: they are %s", name, strings.Join(names, ", "))
			case before != Splits[0]:
				return nil, fmt.Errorf("take %s is given to %s and to %s", name, before, Splits[1+i])
			}
			splits[name] = Splits[1+i]
		}
	}
	return splits, nil
}

// count writes how many there are of something.
func count(n int, what string) string {
	if n == 1 {
		return "one " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
