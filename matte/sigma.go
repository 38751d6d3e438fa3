package matte

import (
	"fmt"
	"image"
	"math"

	"example.com/twinplate/plate"
)

// Sigma returns the standard deviation of alpha (and of the transmission) at every pixel of one frame, to
// first order, from the two cameras' noise:
//
//	sigma = sqrt(var N + m0^2 var C0 + m1^2 var C1 + m2^2 var C2) / (g (S - m . K))
//
// with the variances of EMVA 1288's linear model at the light that each pixel has. This is the noise floor: no
// method that looks at one pixel at a time does better. The noise is the cameras' own; resampling the band
// plate averages neighbors, so the matte is usually a little quieter than this. Where there is no screen sigma
// is 0, as nothing is measured there. The result is put into dst when that has the right size. Errors are
// those of Solve, and one that says which noise is not valid.
func (s *Solver) Sigma(dst *plate.Gray, frame Sample, gain float64, color, band Noise) (*plate.Gray, error) {
	want := image.Pt(s.w, s.h)
	if err := plate.CheckSize("color plate", frame.Color.Size(), "solver's frame", want); err != nil {
		return nil, err
	}
	if err := plate.CheckSize("band plate", frame.Band.Size(), "color plate", want); err != nil {
		return nil, err
	}
	if !(gain > 0) || math.IsInf(gain, 0) {
		return nil, fmt.Errorf("matte: gain %v: it must be a positive number", gain)
	}
	if err := color.check("color"); err != nil {
		return nil, err
	}
	if err := band.check("band"); err != nil {
		return nil, err
	}
	if dst == nil || dst.Size() != want {
		dst = plate.NewGray(s.w, s.h)
	}
	perGain := float32(1 / gain)
	var m2 [3]float32
	dark := float32(band.Read * band.Read)
	for c, m := range s.m {
		m2[c] = m * m
		dark += m2[c] * float32(color.Read*color.Read)
	}
	bandSignal, colorSignal := float32(band.PerSignal), float32(color.PerSignal)
	for i, inv := range s.inverse.Pix {
		n := frame.Band.Pix[i]
		if s.darkBand != nil {
			n -= s.darkBand.Pix[i]
		}
		v := dark + bandSignal*max(n, 0)
		for c := range 3 {
			p := frame.Color.Pix[c][i]
			if s.darkColor != nil {
				p -= s.darkColor.Pix[c][i]
			}
			v += m2[c] * colorSignal * max(p, 0)
		}
		dst.Pix[i] = float32(math.Sqrt(float64(v))) * inv * perGain
	}
	return dst, nil
}
