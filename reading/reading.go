// Package reading has what is said of plates and of rigs: a number, a verdict on it, what that
// means and what to do. take's check reads them from a test shot and rig's plan forecasts them;
// what both have they judge by the thresholds that stand here.
package reading

import (
	"cmp"
	"math"
	"slices"
)

// A Verdict says what a reading means for the shoot.
type Verdict string

// The verdicts, from nothing to do to what spoils the take.
const (
	Good    Verdict = "good"    // as it should be
	Watch   Verdict = "watch"   // the take can be used; better is easy while the set stands
	Bad     Verdict = "bad"     // mend this before the set is struck
	Unknown Verdict = "unknown" // nothing shows it
)

// Wrong reports whether there is something to do: Watch or Bad.
func (v Verdict) Wrong() bool { return v == Watch || v == Bad }

// worstFirst is in which order readings are told.
var worstFirst = []Verdict{Bad, Watch, Unknown, Good}

// A Reading is one number, and what to make of it.
type Reading struct {
	Name    string   `json:"name"`            // what it is, as a key
	Title   string   `json:"title"`           // and in words
	Value   *float64 `json:"value"`           // nil where it is unknown
	Sigma   *float64 `json:"sigma,omitempty"` // the value's standard error; nil where none is stated
	Unit    string   `json:"unit"`
	Verdict Verdict  `json:"verdict"`
	Meaning string   `json:"meaning"` // the verdict in plain words
	Advice  string   `json:"advice"`  // what to change; empty where there is nothing to do
}

// New returns a reading. One whose value is not finite is unknown.
func New(name, title string, value float64, unit string, v Verdict, meaning, advice string) Reading {
	r := Reading{Name: name, Title: title, Unit: unit, Verdict: v, Meaning: meaning, Advice: advice}
	if math.IsNaN(value) || math.IsInf(value, 0) {
		r.Verdict = Unknown
	} else {
		r.Value = &value
	}
	return r
}

// A List is readings of one test shot or plan, each of its own name.
type List []Reading

// Worst returns the worst verdict: Good of no readings.
func (l List) Worst() Verdict {
	for _, v := range worstFirst {
		if slices.ContainsFunc(l, func(r Reading) bool { return r.Verdict == v }) {
			return v
		}
	}
	return Good
}

// Named returns the reading of this name, or the zero Reading.
func (l List) Named(name string) Reading {
	if i := slices.IndexFunc(l, func(r Reading) bool { return r.Name == name }); i >= 0 {
		return l[i]
	}
	return Reading{}
}

// Count returns how many readings have this verdict.
func (l List) Count(v Verdict) int {
	n := 0
	for _, r := range l {
		if r.Verdict == v {
			n++
		}
	}
	return n
}

// WorstFirst returns the readings with the worst first, else in their order.
func (l List) WorstFirst() List {
	return slices.SortedStableFunc(slices.Values(l), func(a, b Reading) int {
		return cmp.Compare(slices.Index(worstFirst, a.Verdict), slices.Index(worstFirst, b.Verdict))
	})
}

// Thresholds are the values at which readings stop to be good, and to be of use: where Good is the
// larger of the two, more is better.
type Thresholds struct{ Good, Watch float64 }

// Judge returns the verdict on a value: Bad where it is not a number.
func (t Thresholds) Judge(v float64) Verdict {
	if t.Good > t.Watch {
		t, v = Thresholds{-t.Good, -t.Watch}, -v
	}
	switch {
	case v <= t.Good:
		return Good
	case v <= t.Watch:
		return Watch
	}
	return Bad
}

// The thresholds of readings that a plan forecasts and a check reads. They are chosen by hand; not
// measured by themselves.
var (
	Level    = Thresholds{0.2, 0.08} // of full scale, the screen in the band plate: 2.3 and 3.6 stops below it
	Evenness = Thresholds{2.1, 3}    // stops from the brightest of the screen to its darkest
	Noise    = Thresholds{3, 6}      // of the matte, % of alpha
	Leak     = Thresholds{6, 12}     // % of set light in the band plate, and of the screen in the color plate
)
