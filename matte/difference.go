package matte

import (
	"example.com/twinplate/plate"
)

// A Backing is the color of an ordinary backing: which channel it is bright in.
type Backing int

// The backings of common practice.
const (
	GreenBacking Backing = iota
	BlueBacking
)

// ColorDifference makes the matte that most people know, from one plate before a green or a blue
// backing: how much the backing's channel stands above the greater of the other two, over how much
// it does in the clean plate,
//
//	t = (G - max(R, B)) / (G0 - max(R0, B0))
//
// clamped to 0 to 1, and the foreground is what is left when t of the backing is taken off, with
// its green held down to the greater of red and blue. It is common practice, given here to be held
// against; costume in the backing's color turns transparent, and what is half transparent and
// colored comes out wrong. Both plates are in linear light, less their dark plate. An error names
// the plate with another size or a value that is not finite.
func ColorDifference(color, clean *plate.RGB, backing Backing) (*Solution, error) {
	if err := checkPlates("color plate", color.Size(), named{"color plate", color}, named{"clean plate", clean}); err != nil {
		return nil, err
	}
	// Of full scale, up to which the backing has no light of its key; chosen by hand.
	const black = 1e-4
	key, a, b := 1, 0, 2
	if backing == BlueBacking {
		key, b = 2, 1
	}
	above := func(f *plate.RGB, i int) float32 { return f.Pix[key][i] - max(f.Pix[a][i], f.Pix[b][i]) }
	s := &Solution{Transmission: plate.NewGray(color.W, color.H), Foreground: plate.NewRGB(color.W, color.H)}
	for i := range s.Transmission.Pix {
		var t float32
		if full := above(clean, i); full > black {
			t = min(max(above(color, i)/full, 0), 1)
		}
		s.Transmission.Pix[i] = t
		for c := range 3 {
			s.Foreground.Pix[c][i] = color.Pix[c][i] - t*clean.Pix[c][i]
		}
		p := &s.Foreground.Pix
		p[key][i] = min(p[key][i], max(p[a][i], p[b][i]))
	}
	return s, nil
}
