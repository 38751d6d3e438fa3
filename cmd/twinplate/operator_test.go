package main

import (
	"strings"
	"testing"

	"example.com/twinplate/composite"
)

// --operator goes into the recipe by any of its names, and what is no operator is refused.
func TestOperatorFlag(t *testing.T) {
	for name, want := range map[string]composite.Operator{"over": composite.AOverB, "in": composite.AInB, "source-atop": composite.AAtopB, "B out A": composite.BOutA, "lighter": composite.Plus} {
		r, err := (&comp{Operator: &name}).recipe()
		if err != nil || r.Operator != want {
			t.Errorf("--operator %s: %v, %v", name, r.Operator, err)
		}
	}
	for name, want := range map[string]string{"ovr": `did you mean "over"`, "clear": "leaves nothing", "plus": "no background"} {
		if code, _, errs := twinplate(t, "comp", "--color", "a", "--band", "b", "--out", "x", "--operator", name); code != exitUsage || !strings.Contains(errs, want) {
			t.Errorf("--operator %s: exit code %d, %q", name, code, errs)
		}
	}
}
