package matte

import (
	"sync/atomic"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// tidyReach is how far, in pixels along each axis, Tidy averages.
const tidyReach = 3

// Tidy takes noise out of a solution's transmission, in the core and on the open screen, and
// returns how much of the frame that was, 0 to 1. A pixel within four sigmas of 0 or 1 is looked at
// with those within 3 pixels along each axis. Where nine in ten of them are that near too, within
// three sigmas, and their mean is, within a third of one, the pixel becomes their mean (after Lee's
// sigma filter, 1983, with the two ends for the middle; not checked against the source). So a veil
// thicker than a third of the noise keeps its alpha, and edges keep their place. All else stays as
// it was measured: hair, smoke and soft edges are not touched at all.
//
// The solution must have been made without a clamp, which would leave a bias: give it one from
// With(ClampNone), and Tidy clamps it as s would have. Sigma is from Sigma. Where it or the
// solution has another size than the solver's frames there is an error. The screen's light in the
// color plate is taken off the foreground again by the new transmission.
func (s *Solver) Tidy(dst *Solution, sigma *plate.Gray, gain float64) (certain float64, err error) {
	if err := s.checkSolution(dst); err != nil {
		return 0, err
	}
	t := dst.Transmission
	if err := plate.CheckSize("sigma", sigma.Size(), "transmission", t.Size()); err != nil {
		return 0, err
	}
	was := t.Clone()
	var count atomic.Int64
	parallel.Rows(t.W, t.H, func(y0, y1 int) {
		here := 0
		for y := y0; y < y1; y++ {
			for x := range t.W {
				i := y*t.W + x
				v, sure := tidied(was, sigma.Pix[i], x, y)
				if sure {
					here++
				}
				if s.clamp != ClampNone {
					v = min(max(v, 0), 1)
				}
				d := was.Pix[i] - v
				t.Pix[i] = v
				if s.screen != nil && d != 0 {
					for c := range 3 {
						dst.Foreground.Pix[c][i] += float32(gain) * d * s.screen.Pix[c][i]
					}
				}
				if s.clamp == ClampAll {
					for c := range 3 {
						dst.Foreground.Pix[c][i] = max(dst.Foreground.Pix[c][i], 0)
					}
				}
			}
		}
		count.Add(int64(here))
	})
	return float64(count.Load()) / float64(max(len(t.Pix), 1)), nil
}

// tidied returns what Tidy makes of the pixel at (x, y), and whether it is certainly open or solid.
func tidied(t *plate.Gray, sigma float32, x, y int) (v float32, certain bool) {
	// Chosen by hand; not measured by itself.
	const (
		// Standard deviations of noise that a pixel may be from an end which is certain.
		own     = 4
		others  = 3     // and that its neighbors may be
		yes, of = 9, 10 // so many of so many neighbors must
		middle  = 3     // parts of a standard deviation, in one of which their mean must be
	)
	at := t.Pix[y*t.W+x]
	if sigma <= 0 {
		return at, at == 0 || at == 1
	}
	var end float32
	if at > 0.5 {
		end = 1
	}
	if d := at - end; d > own*sigma || d < -own*sigma {
		return at, false
	}
	reach := others * sigma
	var sum float32
	n, all := 0, 0
	x0, x1 := max(x-tidyReach, 0), min(x+tidyReach, t.W-1)
	for yy := max(y-tidyReach, 0); yy <= min(y+tidyReach, t.H-1); yy++ {
		for _, u := range t.Pix[yy*t.W+x0 : yy*t.W+x1+1] {
			all++
			if d := u - end; d <= reach && d >= -reach {
				sum += d
				n++
			}
		}
	}
	if of*n < yes*all {
		return at, false
	}
	// The mean of some dozens of pixels, which hang together a little, has a quarter of their noise
	// or less.
	if mean := sum / float32(n); mean < sigma/middle && mean > -sigma/middle {
		return end + mean, true
	}
	return at, false
}
