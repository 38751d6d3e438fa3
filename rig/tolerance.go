package rig

import (
	"math"

	"example.com/twinplate/plate"
)

// EdgeShift returns how far one plate may be off the other, in pixels, for the matte to be wrong by
// at most alpha at an edge that is blurred by a Gaussian of sigma pixels.
func EdgeShift(alpha, sigma float64) float64 { return alpha * sigma * math.Sqrt(2*math.Pi) }

// EdgeBlur returns by how much softer one plate may be, as the sigma of a further Gaussian in
// pixels, for the matte to be wrong by at most alpha beside an edge that is blurred by a Gaussian
// of sigma pixels in the other.
func EdgeBlur(alpha, sigma float64) float64 {
	// The difference of two edges is the largest where sigma x phi(x) is: phi(1) times the
	// logarithm of the ratio.
	ratio := math.Exp(alpha * math.Sqrt(2*math.Pi*math.E))
	return sigma * math.Sqrt(ratio*ratio-1)
}

// FocusTolerance returns how far from the plane of focus, in meters, a point may be for its blur to
// be the sigma given, in pixels of pitch micrometers, by a lens of this focal length in millimeters
// and f-number, focused at this distance in meters. (Geometrical optics; a disc of diameter d has a
// sigma of d/4 along each axis.)
func FocusTolerance(sigma, pitch, focal, stop, distance float64) float64 {
	disc := 4 * sigma * pitch * 1e-6
	f := focal * 1e-3
	return disc * stop * distance * max(distance-f, 0) / (f * f)
}

// CodeNoise returns the noise, in full scale, that rounding to codes of so many bits by this
// transfer curve adds where it is the coarsest, up to a level of light: a step over the root of 12.
func CodeNoise(c plate.Curve, bits int, level float64) float64 {
	top := math.Exp2(float64(bits)) - 1
	worst := 0.0
	last := int(math.Ceil(c.FromLinear(level) * top))
	for k := range max(last, 1) {
		worst = max(worst, c.ToLinear(float64(k+1)/top)-c.ToLinear(float64(k)/top))
	}
	return worst / math.Sqrt(12)
}
