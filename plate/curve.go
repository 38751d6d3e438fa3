package plate

import "math"

// A Curve is a transfer curve: how a file's code values, 0 to 1, stand for linear light.
type Curve struct {
	name     string
	toLinear func(float64) float64
	from     func(float64) float64
}

// Name returns the name by which CurveByName knows the curve.
func (c Curve) Name() string { return c.name }

// ToLinear turns a code value into linear light.
func (c Curve) ToLinear(v float64) float64 { return c.toLinear(v) }

// FromLinear turns linear light into a code value.
func (c Curve) FromLinear(l float64) float64 { return c.from(l) }

// SRGB is the curve of IEC 61966-2-1.
var SRGB = Curve{"srgb",
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
	}}

// Linear is the curve of code values that are linear light already.
var Linear = Curve{"linear", func(v float64) float64 { return v }, func(l float64) float64 { return l }}
