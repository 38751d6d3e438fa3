package matte

import "example.com/twinplate/plate"

// Screen returns S - m . K as a frame: the lit screen in the band camera, without its dark plate, as the solver
// divides by it; 0 where there is none.
func (s *Solver) Screen() *plate.Gray {
	f := plate.NewGray(s.w, s.h)
	for i, inv := range s.inverse.Pix {
		if inv != 0 {
			f.Pix[i] = 1 / inv
		}
	}
	return f
}

// With returns the same solver with another clamp. The two share what they were prepared with.
func (s *Solver) With(clamp Clamp) *Solver {
	other := *s
	other.clamp = clamp
	return &other
}
