package simulate

import (
	"math"
	"math/rand/v2"
)

// RandomFaults returns faults as a set in a hurry has them, drawn from the seed: an unevenness of
// up to 2 stops, a gain drift of up to 10 % and a flicker of up to 2 %, m to 0.05, K to 0.04, blur
// of 0.7 to 1.2 pixels, and noise of 0.5 to 2 % of full scale at full scale, part of it in the dark
// and part of it photon noise.
func RandomFaults(seed uint64) Faults {
	r := rand.New(rand.NewPCG(seed, 0x7a6b))
	noise := 0.005 * math.Pow(4, r.Float64())
	dark := 0.1 + 0.5*r.Float64() // the part of the noise that is there in the dark
	return Faults{
		Crosstalk:   [3]float64{0.05 * r.Float64(), 0.05 * r.Float64(), 0.05 * r.Float64()},
		ScreenColor: [3]float64{0.04 * r.Float64(), 0.04 * r.Float64(), 0.04 * r.Float64()},
		Unevenness:  2 * r.Float64(),
		GainDrift:   0.1 * r.Float64(),
		GainFlicker: 0.02 * r.Float64(),
		LensBlur:    0.7 + 0.5*r.Float64(),
		ReadNoise:   noise * dark,
		PhotonNoise: 1 / (noise * noise * (1 - dark*dark)),
		DarkLevel:   0.01 + 0.04*r.Float64(),
		Bits:        16,
		ScreenLevel: 0.6 + 0.2*r.Float64(),
	}
}
