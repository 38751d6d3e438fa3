package rig

import "math"

// A lamp on the mains pulses at twice their frequency.
func pulse(mains float64) float64 { return 2 * mains }

// SafeShutters returns the shutter angles, in degrees from the smallest to 360, at which every
// frame takes in a whole number of the pulses that lamps on mains of this frequency give, at fps
// frames a second: with them a lamp looks steady whatever it does within a pulse. There is none
// where a frame is shorter than a pulse.
func SafeShutters(fps, mains float64) []float64 {
	var out []float64
	one := 360 * fps / pulse(mains)
	for k := 1.0; k*one <= 360+1e-9; k++ {
		out = append(out, k*one)
	}
	return out
}

// Ripple returns by how much the light of lamps on the mains goes up and down from frame to frame,
// as an amplitude over its mean: swing is the amplitude within a pulse, taken as a sinusoid at
// twice the mains frequency, of which a shutter lets through |sin(x)/x|, x being pi times the
// number of pulses in an exposure. It is 0 where a frame is a whole number of pulses, since every
// frame then sees the same part of them. The beat is how many times a second the light goes up and
// down.
func Ripple(fps, degrees, mains, swing float64) (amplitude, beat float64) {
	beat = math.Abs(math.Remainder(pulse(mains), fps))
	if beat < 1e-9*fps {
		return 0, 0
	}
	pulses := pulse(mains) * degrees / 360 / fps
	if math.Abs(pulses-math.Round(pulses)) < 1e-9 {
		return 0, beat
	}
	x := math.Pi * pulses
	return swing * math.Abs(math.Sin(x)/x), beat
}
