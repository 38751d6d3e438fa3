package reading_test

import (
	"fmt"
	"math"
	"testing"

	"example.com/twinplate/reading"
)

func TestLimits(t *testing.T) {
	less, more := reading.Thresholds{Good: 2, Watch: 3}, reading.Thresholds{Good: 0.2, Watch: 0.08}
	for _, row := range []struct {
		thresholds reading.Thresholds
		value      float64
		want       reading.Verdict
	}{
		{less, 2, reading.Good}, {less, 2.1, reading.Watch}, {less, 3, reading.Watch}, {less, 3.1, reading.Bad}, {less, math.Inf(1), reading.Bad},
		{more, 0.2, reading.Good}, {more, 0.19, reading.Watch}, {more, 0.08, reading.Watch}, {more, 0.07, reading.Bad},
		{less, math.NaN(), reading.Bad}, {more, math.NaN(), reading.Bad},
	} {
		if got := row.thresholds.Judge(row.value); got != row.want {
			t.Errorf("%v of %+v is %s, want %s", row.value, row.thresholds, got, row.want)
		}
	}
}

// What is not known is not good either, and nothing that is merely unknown comes before what is
// wrong.
func TestList(t *testing.T) {
	var l reading.List
	if l.Worst() != reading.Good || l.Named("none") != (reading.Reading{}) {
		t.Errorf("no readings: %s, %v", l.Worst(), l.Named("none"))
	}
	add := func(name string, value float64, v reading.Verdict) {
		l = append(l, reading.New(name, "", value, "", v, "", ""))
	}
	add("a", 1, reading.Good)
	if l.Worst() != reading.Good {
		t.Error(l.Worst())
	}
	add("b", math.NaN(), reading.Good)
	if b := l.Named("b"); l.Worst() != reading.Unknown || b.Value != nil || b.Verdict.Wrong() {
		t.Errorf("a value that is not a number: %+v, worst %s", b, l.Worst())
	}
	add("c", 2, reading.Watch)
	add("d", 3, reading.Bad)
	add("e", 4, reading.Watch)
	order := ""
	for _, r := range l.WorstFirst() {
		order += r.Name
	}
	if order != "dceba" || l.Worst() != reading.Bad || l.Count(reading.Watch) != 2 || *l.Named("d").Value != 3 {
		t.Errorf("in order %s, worst %s, %d to watch", order, l.Worst(), l.Count(reading.Watch))
	}
}

func ExampleList_WorstFirst() {
	l := reading.List{
		reading.New("evenness", "Evenness of the screen", 1.4, "stops", reading.Evenness.Judge(1.4), "The screen is even enough.", ""),
		reading.New("matte_noise", "Noise of the matte", 4.5, "% of alpha", reading.Noise.Judge(4.5), "The matte will be grainy.", "Light the screen more."),
	}
	for _, r := range l.WorstFirst() {
		fmt.Println(r.Verdict, r.Title, *r.Value, r.Unit)
	}
	fmt.Println(l.Worst())
	// Output:
	// watch Noise of the matte 4.5 % of alpha
	// good Evenness of the screen 1.4 stops
	// watch
}

func ExampleThresholds() {
	bright := reading.Level
	fmt.Println(bright.Judge(0.6), bright.Judge(0.1), bright.Judge(0.01))
	// Output: good watch bad
}

func ExampleReading() {
	r := reading.New("evenness", "Evenness of the screen", math.NaN(), "stops", reading.Good, "No screen is seen.", "")
	fmt.Println(r.Verdict, r.Value == nil, r.Verdict.Wrong())
	// Output: unknown true false
}
