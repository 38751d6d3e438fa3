package matte

import (
	"errors"

	"example.com/twinplate/plate"
)

// Triangulate returns the matte and the foreground of a performer who holds still before two
// backings of different color, by Smith and Blinn, "Blue Screen Matting", SIGGRAPH 1996, theorem 4.
// With C1 and C2 the plates and B1 and B2 the same backings with nobody before them, summed over
// red, green and blue,
//
//	alpha = 1 - sum (C1 - C2)(B1 - B2) / sum (B1 - B2)^2
//	P     = the mean of C1 - (1 - alpha) B1 and C2 - (1 - alpha) B2
//
// Nothing is assumed of the performer, so it serves as ground truth; but everything must be shot
// twice, with nothing moved. All plates are in linear light, less their dark plate. Where the two
// backings are alike to a thousandth of full scale there is no answer, and alpha is 1. Nothing is
// clamped. An error names the plate with another size or a value that is not finite, or says that
// the backings are alike everywhere.
func Triangulate(c1, c2, b1, b2 *plate.RGB) (*Solution, error) {
	if err := checkPlates("first plate", c1.Size(), named{"first plate", c1}, named{"second plate", c2}, named{"first backing", b1}, named{"second backing", b2}); err != nil {
		return nil, err
	}
	s := &Solution{Transmission: plate.NewGray(c1.W, c1.H), Foreground: plate.NewRGB(c1.W, c1.H)}
	const least = 1e-3
	apart := false
	for i := range s.Transmission.Pix {
		var over, under float32
		for c := range 3 {
			b := b1.Pix[c][i] - b2.Pix[c][i]
			over += (c1.Pix[c][i] - c2.Pix[c][i]) * b
			under += b * b
		}
		var t float32
		if under > least*least {
			t = over / under
			apart = true
		}
		s.Transmission.Pix[i] = t
		for c := range 3 {
			s.Foreground.Pix[c][i] = (c1.Pix[c][i] - t*b1.Pix[c][i] + c2.Pix[c][i] - t*b2.Pix[c][i]) / 2
		}
	}
	if !apart {
		return nil, errors.New("matte: the two backings are alike everywhere: they must differ in color or brightness")
	}
	return s, nil
}
