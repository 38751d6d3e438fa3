//go:build js

package main

import (
	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
)

// A decision is a grade as an ASC CDL.
type decision struct {
	ID          string    `json:"id"`
	Description string    `json:"description"`
	CDL         plate.CDL `json:"cdl"`
	Why         string    `json:"why"` // it cannot be one
}

// cdls returns both grades, where they do anything, as `twinplate comp --save-cdl` writes them.
func (s *session) cdls() ([]decision, error) {
	if s.scrubber == nil {
		return nil, errNotOpen
	}
	r := s.scrubber.Job().Recipe(nil)
	out := []decision{}
	for _, p := range []struct {
		id    string
		grade composite.Grade
	}{{"foreground", r.ForegroundGrade}, {"background", r.BackgroundGrade}} {
		if p.grade.None() {
			continue
		}
		space := p.grade.In
		if space == "" {
			space = "linear light"
		}
		d := decision{ID: p.id, Description: "acts on values of " + space + ", without clamping"}
		var err error
		if d.CDL, err = p.grade.ToCDL(); err != nil {
			d.Why = plain(err)
		}
		out = append(out, d)
	}
	return out, nil
}
