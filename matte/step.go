package matte

import (
	"math"

	"example.com/twinplate/plate"
)

// Escaped returns how much of the performer's light stands where the band plate shows open screen,
// 0 to 1: the light of the foreground, less the noise given, weighted by the transmission, over the
// same without the weights. It is least where both plates are of one instant, and so shows how far
// the cameras are out of step. It looks at means over 5x5 pixels. Where the foreground has no light
// it returns NaN.
func Escaped(foreground *plate.RGB, transmission *plate.Gray, noise float64) float64 {
	luma := plate.NewGray(transmission.W, transmission.H)
	for i := range luma.Pix {
		luma.Pix[i] = (foreground.Pix[0][i] + 2*foreground.Pix[1][i] + foreground.Pix[2][i]) / 4
	}
	luma, t := boxMean(luma, 2), boxMean(transmission, 2)
	var escaped, all float64
	for i, l := range luma.Pix {
		v := float64(l) - noise
		if v <= 0 {
			continue
		}
		all += v
		escaped += v * min(max(float64(t.Pix[i]), 0), 1)
	}
	if all == 0 {
		return math.NaN()
	}
	return escaped / all
}
