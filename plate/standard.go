package plate

import "math"

// Linear is the curve of code values that are linear light already. Its name is "linear".
var Linear = newCurve("linear", identity, identity)

// SRGB is the curve of IEC 61966-2-1, with the constants as printed there. Its name is "srgb".
//
// Below black the linear segment goes on, so negative values survive both ways. Where the two
// segments meet, the printed constants leave a step of 3e-8 in the code value, downward.
var SRGB = newCurve("srgb",
	func(v float64) float64 {
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	},
	func(l float64) float64 {
		if l <= 0.0031308 {
			return 12.92 * l
		}
		return 1.055*math.Pow(l, 1/2.4) - 0.055
	})

// BT709 is the camera curve of ITU-R BT.709 (the OETF, item 1.2 there) and its inverse. Its name is
// "bt709".
//
// The constants are those with which the two segments meet in value and slope, alpha =
// 1.09929682680944 and beta = 0.018053968510807, as ITU-R BT.2020 gives them; the text of BT.709
// rounds them to 1.099 and 0.018. The code values differ by at most 3e-4. Below black the linear
// segment goes on, so negative values survive both ways.
var BT709 = newCurve("bt709",
	func(v float64) float64 {
		if v < 4.5*bt709Beta {
			return v / 4.5
		}
		return math.Pow((v+bt709Alpha-1)/bt709Alpha, 1/0.45)
	},
	func(l float64) float64 {
		if l < bt709Beta {
			return 4.5 * l
		}
		return bt709Alpha*math.Pow(l, 0.45) - (bt709Alpha - 1)
	})

const (
	bt709Alpha = 1.09929682680944
	bt709Beta  = 0.018053968510807
)

// BT1886 is the display curve of ITU-R BT.1886 for a white of 1 and a black of 0: the power 2.4.
// Its name is "bt1886".
//
// The Recommendation clips below black; here the curve is mirrored about it (odd), so negative
// values survive both ways.
var BT1886 = newCurve("bt1886",
	odd(func(v float64) float64 { return math.Pow(v, 2.4) }),
	odd(func(l float64) float64 { return math.Pow(l, 1/2.4) }))

// HLG is the Hybrid Log-Gamma camera curve of ITU-R BT.2100 (the OETF, table 5 there) and its
// inverse: scene light from 0 to 1, with no display's rendering in it. Its name is "hlg".
//
// The curve is mirrored about black (odd), so negative values survive both ways.
var HLG = newCurve("hlg",
	odd(func(v float64) float64 {
		if v <= 0.5 {
			return v * v / 3
		}
		return (math.Exp((v-hlgC)/hlgA) + hlgB) / 12
	}),
	odd(func(l float64) float64 {
		if l <= 1.0/12 {
			return math.Sqrt(3 * l)
		}
		return hlgA*math.Log(12*l-hlgB) + hlgC
	}))

const hlgA, hlgB = 0.17883277, 1 - 4*hlgA

var hlgC = 0.5 - hlgA*math.Log(4*hlgA)

// PQ is the Perceptual Quantizer of ITU-R BT.2100 (the EOTF, table 4 there) and its inverse: linear
// light of 1 is 10 000 cd/m2 on the display. Its name is "pq".
//
// The curve is mirrored about black (odd), so negative values survive both ways. Black is the code
// value 7.3e-7, and all code values as near to 0 as that are black. Code values of 1.99 and above,
// which no file holds, have no finite light: it is +Inf.
var PQ = newCurve("pq",
	odd(func(v float64) float64 {
		p := math.Pow(v, 1/pqM2)
		d := pqC2 - pqC3*p
		if d <= 0 {
			return math.Inf(1)
		}
		return math.Pow(math.Max(p-pqC1, 0)/d, 1/pqM1)
	}),
	odd(func(l float64) float64 {
		if math.IsInf(l, 1) {
			return math.Pow(pqC2/pqC3, pqM2)
		}
		p := math.Pow(l, pqM1)
		return math.Pow((pqC1+pqC2*p)/(1+pqC3*p), pqM2)
	}))

const (
	pqM1 = 2610.0 / 16384
	pqM2 = 2523.0 / 4096 * 128
	pqC1 = 3424.0 / 4096
	pqC2 = 2413.0 / 4096 * 32
	pqC3 = 2392.0 / 4096 * 32
)

// ACEScct is the logarithmic grading curve of Academy specification S-2016-001 and its inverse. Its
// name is "acescct". Only the curve is applied: the primaries stay those of the picture.
//
// Below the break the linear segment goes on, so negative values survive both ways: code value 0 is
// light of -0.0069. Code value 1 is light of 222.86. The specification's ceiling of 65504, the
// largest half float, lies far above and is not applied.
var ACEScct = newCurve("acescct",
	func(v float64) float64 {
		if v <= cctYBreak {
			return (v - cctB) / cctA
		}
		return math.Exp2(v*17.52 - 9.72)
	},
	func(l float64) float64 {
		if l <= cctXBreak {
			return cctA*l + cctB
		}
		return (math.Log2(l) + 9.72) / 17.52
	})

const (
	cctXBreak = 0.0078125
	cctYBreak = 0.155251141552511
	cctA      = 10.5402377416545
	cctB      = 0.0729055341958355
)

func identity(v float64) float64 { return v }

// odd extends f, a function of values from 0, to negative ones: f(-v) = -f(v).
func odd(f func(float64) float64) func(float64) float64 {
	return func(v float64) float64 {
		if v < 0 {
			return -f(-v)
		}
		return f(v)
	}
}

// Density10 is the curve of scanned negative film in 10-bit printing density, as Kodak's note
// "Conversion of 10-bit Log Film Data to 8-bit Linear or Video Data" (1995) has it: 0.002 of
// density a code, a film gamma of 0.6, black at the code 95 of 1023 and white, which is light of 1,
// at 685. Its name is "density10".
//
// Code value 0 is light of -0.0057. Below it the tangent goes on, so negative values survive both
// ways. Code value 1 is light of 13.5.
var Density10 = newCurve("density10",
	func(v float64) float64 {
		if v < 0 {
			return densityLight(0) + v*densitySlope
		}
		return densityLight(v)
	},
	func(l float64) float64 {
		if l < densityLight(0) {
			return (l - densityLight(0)) / densitySlope
		}
		return (685 + 0.6/0.002*math.Log10(l*(1-densityBlack)+densityBlack)) / 1023
	})

func densityLight(v float64) float64 {
	return (math.Pow(10, (1023*v-685)*0.002/0.6) - densityBlack) / (1 - densityBlack)
}

var (
	densityBlack = math.Pow(10, (95-685)*0.002/0.6)
	densitySlope = (densityLight(0) + densityBlack/(1-densityBlack)) * 1023 * 0.002 / 0.6 * math.Ln10 // at code 0
)
