package simulate

import (
	"cmp"
	"math"
)

// Faults says what goes wrong on the simulated set. Every zero value means that this does not.
//
// Full scale is 1 in both cameras.
type Faults struct {
	Crosstalk   [3]float64 // m: how much of the performer's red, green and blue light reaches the band camera
	ScreenColor [3]float64 // K: the screen's light that reaches the color camera, where the screen is brightest
	Unevenness  float64    // stops by which the screen falls off from center to corner; brings a soft pattern of tubes
	GainDrift   float64    // relative amplitude of the lamps' slow drift
	GainFlicker float64    // relative amplitude of the lamps' beat with the shutter
	LensBlur    float64    // of both lenses: sigma of a Gaussian, in color pixels
	BandBlur    float64    // the band lens's further blur: sigma of a Gaussian, in band pixels
	ReadNoise   float64    // standard deviation of the noise in the dark, in full scale
	PhotonNoise float64    // full-well capacity in electrons, from which photon noise follows; 0: none
	DarkLevel   float64    // the pedestal D of both cameras
	Bits        int        // of both cameras' files, whose code values are clamped to 0 to 1; 0: float
	ScreenLevel float64    // S where the screen is brightest, without its pedestal; 0: 0.8
	Spill       float64    // sodium light off the performer, over the light of the screen beside it
	SpillSide   float64    // where the spill comes from: -1 the left of the frame, 1 the right, 0 all around; at the other edge none is left
	Glare       float64    // the band lens's veiling glare: how much of the frame's light it spreads over the frame
	CornerLeak  float64    // how much stronger K is in the corners, relative to its center: a filter's shift with angle
	FrameOffset int        // frames that the band camera was started late: its frame i is of instant i + FrameOffset
}

// DemoFaults returns the faults of the demo take: those of a set that was lit with care and little
// time.
func DemoFaults() Faults {
	return Faults{
		Crosstalk:   [3]float64{0.03, 0.02, 0.006},
		ScreenColor: [3]float64{0.012, 0.02, 0.002},
		Unevenness:  1,
		GainDrift:   0.04,
		GainFlicker: 0.02,
		LensBlur:    0.8,
		ReadNoise:   0.002,
		PhotonNoise: 20000,
		DarkLevel:   0.01,
		Bits:        16,
	}
}

// screenInColor is Screen as the color camera has it: stronger in the corners by CornerLeak.
func (f Faults) screenInColor(x, y float64) float64 {
	u, v := x*2-1, y*2-1
	return f.Screen(x, y) * (1 + f.CornerLeak*(u*u+v*v)/2)
}

func (f Faults) screenLevel() float64 {
	return cmp.Or(f.ScreenLevel, 0.8)
}

// Screen returns the screen's light at (x, y) of the color frame, 0 to 1 from its top left corner,
// over its light at the brightest point.
func (f Faults) Screen(x, y float64) float64 {
	if f.Unevenness == 0 {
		return 1
	}
	x, y = x*2-1, y*2-1
	// Three soft columns of lamps, less deep where the screen is more even.
	tubes := 1 - 0.04*min(1, math.Abs(f.Unevenness))*(1-math.Cos(3*math.Pi*x))/2
	return tubes * math.Exp2(-f.Unevenness*(x*x+y*y)/2)
}

// gain returns the lamps' light at instant i over that at the clean plates' instant. The phases
// come from the seed.
func (f Faults) gain(i int, seed uint64) float64 {
	a := 2 * math.Pi * float64(hash(seed, 1)>>11) / (1 << 53)
	b := 2 * math.Pi * float64(hash(seed, 2)>>11) / (1 << 53)
	t := float64(i)
	return 1 + f.GainDrift*math.Sin(2*math.Pi*t/131+a) + f.GainFlicker*math.Sin(2*math.Pi*t/7.3+b)
}

// hash mixes whole numbers into one, by the finalizer of SplitMix64.
func hash(v ...uint64) uint64 {
	h := uint64(0x9e3779b97f4a7c15)
	for _, x := range v {
		h ^= x
		h += 0x9e3779b97f4a7c15
		h = (h ^ h>>30) * 0xbf58476d1ce4e5b9
		h = (h ^ h>>27) * 0x94d049bb133111eb
		h ^= h >> 31
	}
	return h
}

// spill returns the sodium light off the performer at x, in half frames from the center, over that
// of the screen beside it.
func (f Faults) spill(x float64) float64 {
	return f.Spill * min(max(1-(math.Abs(f.SpillSide)-f.SpillSide*x)/2, 0), 1)
}
