package plate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// Conflict says in words where a file's tags name another curve or other primaries than it is read
// with. It returns an empty string where they do not. Primaries of the zero value are not compared.
func (i Info) Conflict(c Curve, p Primaries) string {
	var parts []string
	// A power of 2.2 is what sRGB is where a tag has room for a power only.
	if name := c.Name(); i.Curve != "" && i.Curve != name && !(i.Curve == "gamma 2.2" && name == SRGB.Name()) {
		if i.Format == "exr" {
			parts = append(parts, fmt.Sprintf("an OpenEXR file's light is linear, and it is not read as %s", name))
		} else {
			parts = append(parts, fmt.Sprintf("its tags say that its transfer curve is %s, and it is read as %s", i.Curve, name))
		}
	}
	if i.Primaries != (Primaries{}) && p != (Primaries{}) && !i.Primaries.Near(p) {
		parts = append(parts, fmt.Sprintf("its tags say that its primaries are %v, and it is read as %v", i.Primaries, p))
	}
	return strings.Join(parts, "; ")
}

// A file that has no better place for them states its curve and primaries in words.
const statedCurve, statedPrimaries = "Transfer curve: ", "Primaries: "

// statement returns what such a file says; color is whether primaries are of interest.
func (o *WriteOptions) statement(color bool) string {
	s := statedCurve + o.Curve.Name()
	if color && !o.Curve.Coded() {
		s += "\n" + statedPrimaries + o.primaries().String()
	}
	return s
}

// readStatement sets what a statement says.
func (i *Info) readStatement(s string) {
	for line := range strings.SplitSeq(s, "\n") {
		if name, ok := strings.CutPrefix(line, statedCurve); ok {
			if c, err := CurveByName(name); err == nil {
				i.Curve = c.Name()
			}
		} else if name, ok := strings.CutPrefix(line, statedPrimaries); ok {
			if p, err := PrimariesByName(name); err == nil {
				i.Primaries = p
			}
		}
	}
}

// gammaName returns the name of the curve that is a power.
func gammaName(power float64) string {
	for _, c := range []struct {
		power float64
		Curve
	}{{1, Linear}, {2.4, BT1886}} {
		if math.Abs(power/c.power-1) < 0.005 {
			return c.Name()
		}
	}
	if !(power > 0.01 && power < 100) {
		return ""
	}
	return fmt.Sprintf("gamma %.2g", power)
}

// Code points of ITU-T H.273 (tables 2 and 3). 2 is that of what is not specified.
const notSpecified = 2

// The curves and the primaries of code points. One that is of several is written as the first.
var (
	transferNames = map[byte]string{
		1: BT709.Name(), 6: BT709.Name(), 14: BT709.Name(), 15: BT709.Name(),
		4: "gamma 2.2", 5: "gamma 2.8", 8: Linear.Name(), 13: SRGB.Name(), 16: PQ.Name(), 18: HLG.Name(),
	}
	primariesOf = map[byte]Primaries{1: PrimariesBT709, 9: PrimariesBT2020, 12: PrimariesP3D65}
)

func transferCode(c Curve) byte {
	for _, code := range slices.Sorted(maps.Keys(transferNames)) {
		if transferNames[code] == c.Name() {
			return code
		}
	}
	return notSpecified
}

func primariesCode(p Primaries) byte {
	for code, q := range primariesOf {
		if p.Near(q) {
			return code
		}
	}
	return notSpecified
}
