package plate

import (
	"fmt"
	"math"
	"strings"
)

// A CameraEncoding is a way that cameras record: a transfer curve and the primaries that its maker
// publishes for it. Each may be used without the other.
type CameraEncoding struct {
	Name      string // of the curve and of the primaries, with a hyphen between: "slog3-sgamut3"
	Curve     Curve
	Primaries Primaries
}

// Cameras returns the cameras that CameraByName knows, each by the trade's names for its curve and
// its primaries.
func Cameras() []CameraEncoding {
	var all []CameraEncoding
	for _, c := range []struct {
		curve     Curve
		primaries string
	}{
		{LogC3, "awg3"}, {LogC4, "awg4"}, {SLog3, "sgamut3"}, {SLog3, "sgamut3cine"}, {VLog, "vgamut"},
		{CLog2, "cgamut"}, {CLog3, "cgamut"}, {Log3G10, "rwg"}, {Film5, "bwg5"}, {NLog, "bt2020"},
		{FLog, "bt2020"}, {FLog2, "bt2020"}, {DLog, "dgamut"}, {LLog, "bt2020"}, {AppleLog, "bt2020"},
	} {
		p, err := PrimariesByName(c.primaries)
		if err != nil {
			panic(err) // the table above has a name that namedPrimaries lacks
		}
		all = append(all, CameraEncoding{c.curve.Name() + "-" + c.primaries, c.curve, p})
	}
	return all
}

// CameraByName returns the camera of that name, in upper or lower case, or by its curve's name alone
// where that has one set of primaries. The error for another name lists those that are known.
func CameraByName(name string) (CameraEncoding, error) {
	lower := strings.ToLower(strings.TrimSpace(name))
	var found []CameraEncoding
	var names []string
	for _, c := range Cameras() {
		if c.Name == lower {
			return c, nil
		}
		if c.Curve.Name() == lower {
			found = append(found, c)
		}
		names = append(names, c.Name)
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return CameraEncoding{}, fmt.Errorf("unknown camera %.40q; known: %s", name, strings.Join(names, ", "))
	}
	return CameraEncoding{}, fmt.Errorf("camera %.40q has more than one set of primaries: %s or %s", name, found[0].Name, found[1].Name)
}

// The curves below are as the cameras' makers publish them: linear light of 0.18 is the gray card of
// 18 %, and a code value is the 10-bit signal divided by 1023, black of the signal's narrow range
// (64) and all. Below black each goes on as its formula does, so negative values survive both ways.

// LogC3 is ARRI's LogC3 at the exposure index 800 ("ALEXA Log C Curve, Usage in VFX", 2012, linear
// scene exposure factor, SUP 3). Its name is "logc3". Other indices differ by as much as 0.01 of the
// code value.
var LogC3 = segments("logc3", 0.010591,
	line{5.367655, 0.092809},
	logarithm{gain: 0.247190, scale: 5.555556, shift: 0.052272, offset: 0.385537})

// LogC4 is ARRI's LogC4 ("ARRI LogC4 Logarithmic Color Space, Specification", 2022). Its name is
// "logc4". Its line begins where the code value is 0.
var LogC4 = segments("logc4", logC4Cut,
	line{1 / logC4Slope, -logC4Cut / logC4Slope},
	logarithm{gain: logC4B / 14 / math.Log10(2), scale: logC4A, shift: 64, offset: logC4C - 6*logC4B/14})

const (
	logC4A = (1<<18 - 16) / 117.45
	logC4B = (1023. - 95) / 1023
	logC4C = 95. / 1023
)

var (
	logC4Cut   = (math.Exp2(6-14*logC4C/logC4B) - 64) / logC4A
	logC4Slope = 7 * math.Ln2 * math.Exp2(7-14*logC4C/logC4B) / (logC4A * logC4B)
)

// SLog3 is Sony's S-Log3 ("Technical Summary for S-Gamut3.Cine/S-Log3 and S-Gamut3/S-Log3"). Its
// name is "slog3".
var SLog3 = segments("slog3", 0.01125,
	line{(171.2102946929 - 95) / 0.01125 / 1023, 95. / 1023},
	logarithm{gain: 261.5 / 1023, scale: 1 / 0.19, shift: 0.01 / 0.19, offset: 420. / 1023})

// VLog is Panasonic's V-Log ("V-Log/V-Gamut Reference Manual", 2014). Its name is "vlog".
var VLog = segments("vlog", 0.01,
	line{5.6, 0.125},
	logarithm{gain: 0.241514, scale: 1, shift: 0.00873, offset: 0.598206})

// CLog2 is Canon's Canon Log 2 (Input Transform, version 202007; light is of a reflectance: 0.9 is
// its unit). Its name is "clog2". It is mirrored about black.
var CLog2 = newCurve("clog2",
	func(v float64) float64 { return canonLight(v - canonBlack) },
	func(l float64) float64 { return canonCode(l) + canonBlack })

// canonBlack is Canon Log 2's code value of black.
const canonBlack = 0.092864125

var (
	canonLog2  = logarithm{gain: 0.24136077, scale: 87.099375, shift: 1, offset: canonBlack}
	canonLight = odd(func(v float64) float64 { return canonUnit * canonLog2.light(v+canonBlack) })
	canonCode  = odd(func(l float64) float64 { return canonLog2.code(l/canonUnit) - canonBlack })
)

// CLog3 is Canon's Canon Log 3 (Input Transform, version 202007). Its name is "clog3". About black
// it is a line, and beyond that it is mirrored.
var CLog3 = newCurve("clog3",
	func(v float64) float64 {
		switch {
		case v < 0.097465473:
			return -canonUnit * canonBelow.light(0.12783901-v)
		case v <= 0.15277891:
			return canonUnit * canonLine.light(v)
		}
		return canonUnit * canonLog3.light(v)
	},
	func(l float64) float64 {
		l /= canonUnit
		switch {
		case l < -canonLineEnd:
			return 0.12783901 - canonBelow.code(-l)
		case l <= canonLineEnd:
			return canonLine.code(l)
		}
		return canonLog3.code(l)
	})

// canonUnit is the reflectance that is light of 1 in Canon's formulas.
const canonUnit = 0.9

// canonLineEnd is where Canon Log 3's line ends, in its own light.
const canonLineEnd = 0.014

var (
	canonLine = line{1.9754798, 0.12512219}
	canonLog3 = logarithm{gain: 0.36726845, scale: 14.98325, shift: 1, offset: 0.12240537}

	// canonBelow is Canon Log 3's logarithm below the line, of the distance from 0.12783901.
	canonBelow = logarithm{gain: 0.36726845, scale: 14.98325, shift: 1, offset: 0}
)

// Log3G10 is RED's Log3G10 ("White Paper on REDWideGamutRGB and Log3G10", rev. C, 2018). Its name is
// "log3g10": 18 % gray is the code value 1/3.
var Log3G10 = segments("log3g10", -0.01,
	line{15.1927, 0.151927},
	logarithm{gain: 0.224282, scale: 155.975327, shift: 1 + 1.55975327, offset: 0})

// Film5 is Blackmagic Film of generation 5 ("Blackmagic Generation 5 Color Science", 2021). Its name
// is "film5".
var Film5 = segments("film5", 0.005,
	line{8.283605932402494, 0.09246575342465753},
	logarithm{gain: 0.08692876065491224 * math.Ln10, scale: 1, shift: 0.005494072432257808, offset: 0.5300133392291939})

// NLog is Nikon's N-Log ("N-Log Specification Document", version 1.0.0, 2018). Its name is "nlog".
// Its two segments do not meet: at light of 0.328 the code value steps up by 1.3e-4, and the code
// values between are light of 0.328. Below light of -0.0075, which is code value 0, the cube root is
// mirrored.
var NLog = joined("nlog", 0.328,
	func(v float64) float64 { v *= 1023. / 650; return v*v*v - 0.0075 },
	func(l float64) float64 { return 650. / 1023 * math.Cbrt(l+0.0075) },
	logarithm{gain: 150. / 1023 * math.Ln10, scale: 1, shift: 0, offset: 619. / 1023})

// FLog is Fujifilm's F-Log ("F-Log Data Sheet", version 1.1, 2022). Its name is "flog". At light of
// 0.00089 the code value steps down by 1e-4.
var FLog = segments("flog", 0.00089,
	line{8.735631, 0.092864},
	logarithm{gain: 0.344676, scale: 0.555556, shift: 0.009468, offset: 0.790453})

// FLog2 is Fujifilm's F-Log2 ("F-Log2 Data Sheet", version 1.0, 2022). Its name is "flog2".
var FLog2 = segments("flog2", 0.000889,
	line{8.799461, 0.092864},
	logarithm{gain: 0.245281, scale: 5.555556, shift: 0.064829, offset: 0.384316})

// DLog is DJI's D-Log ("White Paper on D-Log and D-Gamut of DJI Cinema Color System", 2017). Its
// name is "dlog". The paper rounds the constants of its two directions apart; here the way back is
// that of the way there.
var DLog = segments("dlog", 0.0078,
	line{6.025, 0.0929},
	logarithm{gain: 0.256663, scale: 0.9892, shift: 0.0108, offset: 0.584555})

// LLog is Leica's L-Log ("L-Log Reference Manual", 2021). Its name is "llog". At light of 0.006 the
// code value steps down by 9e-4, one code of 10 bits. Its primaries are taken to be BT.2020's (not
// checked against the source).
var LLog = segments("llog", 0.006,
	line{8, 0.09},
	logarithm{gain: 0.27, scale: 1.3, shift: 0.0115, offset: 0.6})

// AppleLog is Apple's log profile ("Apple Log Profile White Paper", 2023). Its name is "applelog".
// Code value 0 is light of -0.0564; below it the parabola is mirrored.
var AppleLog = joined("applelog", 0.01,
	func(v float64) float64 { return appleDark + math.Copysign(math.Sqrt(math.Abs(v)/47.28711236), v) },
	func(l float64) float64 { l -= appleDark; return 47.28711236 * l * math.Abs(l) },
	logarithm{gain: 0.08550479 / math.Log10(2), scale: 1, shift: 0.00964052, offset: 0.69336945})

// appleDark is the light of code value 0.
const appleDark = -0.05641088

// A line is a straight segment of a curve: slope * light + offset.
type line struct{ slope, offset float64 }

func (s line) code(l float64) float64  { return s.slope*l + s.offset }
func (s line) light(v float64) float64 { return (v - s.offset) / s.slope }

// A logarithm is a segment of a curve: gain * log10(scale * light + shift) + offset.
type logarithm struct{ gain, scale, shift, offset float64 }

func (s logarithm) code(l float64) float64 {
	return s.gain*math.Log10(s.scale*l+s.shift) + s.offset
}

func (s logarithm) light(v float64) float64 {
	return (math.Pow(10, (v-s.offset)/s.gain) - s.shift) / s.scale
}

// segments returns the curve that is a line below cut, in linear light, and a logarithm from there.
func segments(name string, cut float64, below line, above logarithm) Curve {
	return joined(name, cut, below.light, below.code, above)
}

// joined returns the curve of two segments. Rounded constants leave a small step at the cut. Where
// it goes up, code values inside it are the cut's light; where it goes down, light up to where the
// upper segment has the lower one's last code value has that: so the curve never falls, and all code
// values return as they were.
func joined(name string, cut float64, light, code func(float64) float64, above logarithm) Curve {
	end, begin := code(cut), above.code(cut)
	return newCurve(name,
		func(v float64) float64 {
			switch {
			case v < end:
				return light(v)
			case v < begin:
				return cut
			}
			return above.light(v)
		},
		func(l float64) float64 {
			if l < cut {
				return code(l)
			}
			return max(above.code(l), end)
		})
}
