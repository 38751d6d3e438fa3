package rig

// The sodium D lines, in nanometers in air (NIST Atomic Spectra Database, and its Handbook of Basic
// Atomic Spectroscopic Data). D2 is the stronger.
const (
	SodiumD2 = 588.9950
	SodiumD1 = 589.5924
)

// sodiumRatio is the strength of D2 over that of D1 in a thin vapor: the ratio of the upper levels'
// statistical weights, 4 to 2.
const sodiumRatio = 2.0

// SodiumLine returns the mean wavelength of the two D lines weighted by their strengths, 2 to 1, in
// nanometers in air: what a filter far wider than the pair (0.6 nm) sees.
func SodiumLine() float64 {
	return (sodiumRatio*SodiumD2 + SodiumD1) / (sodiumRatio + 1)
}

// SodiumColor returns the look of the line in linear BT.709 primaries, scaled so that the largest
// is 1. The line lies outside the triangle of the primaries; what falls below zero is clipped, as a
// display would.
func SodiumColor() [3]float64 {
	// CIE 1931 2 degree observer at 589 nm, from the one-nanometer table of CIE 015.
	x, y, z := 1.0180064, 0.7691547, 0.001146667
	// IEC 61966-2-1, XYZ to linear sRGB.
	c := [3]float64{
		3.2406*x - 1.5372*y - 0.4986*z,
		-0.9689*x + 1.8758*y + 0.0415*z,
		0.0557*x - 0.2040*y + 1.0570*z,
	}
	top := max(c[0], c[1], c[2])
	for i := range c {
		c[i] = max(0, c[i]/top)
	}
	return c
}
