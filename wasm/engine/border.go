//go:build js

package main

// border returns the screen's border as lines, in parts of the frame (matte.Extent.Border); none
// where the screen fills the frame, or the color plate is kept beyond it.
func (s *session) border() ([][4]float64, error) {
	if s.scrubber == nil {
		return nil, errNotOpen
	}
	return orEmpty(s.scrubber.Job().Extent.Border()), nil
}
