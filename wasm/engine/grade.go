//go:build js

package main

import "example.com/twinplate/take"

// cdls returns both grades, where they do anything, as `twinplate comp --save-cdl` writes them.
func (s *session) cdls() ([]take.GradeCDL, error) {
	if s.scrubber == nil {
		return nil, errNotOpen
	}
	all, err := s.scrubber.Job().Recipe(nil).CDLs()
	return orEmpty(all), err
}
