package main

import (
	"strings"

	"example.com/twinplate/internal/app/proof"
)

// checkLine is one fault in one test shot.
type checkLine struct {
	Seed   uint64   `json:"seed"`
	Fault  string   `json:"fault"`
	Named  bool     `json:"named"` // where nothing is wrong: that there is no alarm
	Alarms []string `json:"alarms"`
}

// check tries `check` on test shots with one fault each.
func (c *proofCommand) check(t *terminal) error {
	var lines []checkLine
	named := map[string]int{}
	for i := range *c.Takes {
		seed := c.Seed + uint64(i)
		for _, f := range proof.Faults {
			ok, read, err := proof.Check(t.ctx, f, seed, &proof.TakeOptions{Frames: max(c.Frames, 20), Pier: c.Pier})
			if err != nil {
				return err
			}
			l := checkLine{seed, f.Name, ok, orEmpty(proof.Alarms(read))}
			lines = append(lines, l)
			if ok {
				named[f.Name]++
			}
			if !c.JSON {
				verdict := map[bool]string{true: right(f), false: "not named"}[ok]
				if !ok && f.Reading == "" {
					verdict = "a false alarm"
				}
				t.printf("%6d  %-30s %-13s  %s\n", seed, f.Name, verdict, strings.Join(l.Alarms, ", "))
			}
		}
	}
	if c.JSON {
		return t.object(struct {
			Shots []checkLine    `json:"shots"`
			Named map[string]int `json:"named"`
		}{lines, named})
	}
	t.printf("\n")
	for _, f := range proof.Faults {
		t.printf("%-30s %s in %d of %d\n", f.Name, right(f), named[f.Name], *c.Takes)
	}
	return nil
}

// right says what a check is to do about a fault.
func right(f proof.Fault) string {
	if f.Reading == "" {
		return "no alarm"
	}
	return "named"
}
