package plate

import (
	"fmt"
	"math"
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

func transferCode(c Curve) byte {
	switch c.Name() {
	case BT709.Name():
		return 1
	case Linear.Name():
		return 8
	case SRGB.Name():
		return 13
	case PQ.Name():
		return 16
	case HLG.Name():
		return 18
	}
	return notSpecified
}

func transferName(code byte) string {
	switch code {
	case 1, 6, 14, 15:
		return BT709.Name()
	case 4:
		return "gamma 2.2"
	case 5:
		return "gamma 2.8"
	case 8:
		return Linear.Name()
	case 13:
		return SRGB.Name()
	case 16:
		return PQ.Name()
	case 18:
		return HLG.Name()
	}
	return ""
}

func primariesCode(p Primaries) byte {
	switch {
	case p.Near(PrimariesBT709):
		return 1
	case p.Near(PrimariesBT2020):
		return 9
	case p.Near(PrimariesP3D65):
		return 12
	}
	return notSpecified
}

func primariesOf(code byte) Primaries {
	switch code {
	case 1:
		return PrimariesBT709
	case 9:
		return PrimariesBT2020
	case 12:
		return PrimariesP3D65
	}
	return Primaries{}
}
