package plate

import (
	"encoding/binary"
	"math"

	"example.com/twinplate/internal/list"
)

// iccD50 is the white of a profile's connection space (ICC.1:2022, 7.2.16).
var iccD50 = [3]float64{0.9642, 1, 0.8249}

// iccProfile returns a display profile of version 4 (ICC.1:2022) for a curve and primaries, or nil
// where the curve is not one of those that a profile has a formula for: linear, sRGB, BT.709,
// BT.1886.
func iccProfile(c Curve, p Primaries) []byte {
	big := binary.BigEndian
	fixed := func(b []byte, values ...float64) []byte { // numbers of 16 bits and 16 behind the point
		for _, v := range values {
			b = big.AppendUint32(b, uint32(int32(math.Round(v*0x10000))))
		}
		return b
	}
	parametric := func(kind byte, values ...float64) []byte {
		return fixed(append([]byte("para\x00\x00\x00\x00\x00"), kind, 0, 0), values...)
	}
	var curve []byte
	switch c.Name() {
	case Linear.Name():
		curve = parametric(0, 1)
	case BT1886.Name():
		curve = parametric(0, 2.4)
	case SRGB.Name():
		curve = parametric(3, 2.4, 1/1.055, 0.055/1.055, 1/12.92, 0.04045)
	case BT709.Name():
		curve = parametric(3, 1/0.45, 1/bt709Alpha, (bt709Alpha-1)/bt709Alpha, 1/4.5, 4.5*bt709Beta)
	default:
		return nil
	}
	text := func(s string) []byte { // one language, in UTF-16
		b := append([]byte("mluc\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x0cenUS"), 0, 0, 0, byte(2*len(s)), 0, 0, 0, 28)
		for i := range len(s) {
			b = append(b, 0, s[i])
		}
		return b
	}
	xyzValue := func(v [3]float64) []byte { return fixed([]byte("XYZ \x00\x00\x00\x00"), v[:]...) }
	adapt := adaptation(p.White, chromaticity(iccD50))
	colors := multiply(adapt, p.XYZ())
	column := func(i int) []byte { return xyzValue([3]float64{colors[i], colors[i+3], colors[i+6]}) }
	tags := []struct {
		name  string
		value []byte
	}{
		{"desc", text(c.Name() + ", " + p.String())}, {"cprt", text("No copyright, use freely")},
		{"wtpt", xyzValue(iccD50)}, {"chad", fixed([]byte("sf32\x00\x00\x00\x00"), adapt[:]...)},
		{"rXYZ", column(0)}, {"gXYZ", column(1)}, {"bXYZ", column(2)},
		{"rTRC", curve}, {"gTRC", nil}, {"bTRC", nil}, // nil is the value before
	}
	table := big.AppendUint32(nil, uint32(len(tags)))
	var values []byte
	from, size := 0, 0
	for _, t := range tags {
		if t.value != nil {
			from, size = 128+4+12*len(tags)+len(values), len(t.value)
			values = append(values, t.value...)
			values = append(values, make([]byte, -len(values)&3)...)
		}
		table = big.AppendUint32(big.AppendUint32(append(table, t.name...), uint32(from)), uint32(size))
	}
	head := big.AppendUint32(nil, uint32(128+len(table)+len(values)))
	head = append(head, "\x00\x00\x00\x00\x04\x40\x00\x00mntrRGB XYZ \x07\xe8\x00\x01\x00\x01\x00\x00\x00\x00\x00\x00acsp"...) // 2024-01-01, so that files are the same every day
	head = append(head, make([]byte, 68-len(head))...)
	head = fixed(head, iccD50[:]...)
	head = append(head, make([]byte, 128-len(head))...)
	return append(append(head, table...), values...)
}

// readICC sets what an ICC profile says of the curve and the primaries, where it is one of three
// curves and a matrix, or of gray.
func (i *Info) readICC(b []byte) {
	big := binary.BigEndian
	tag := func(name string, least int) []byte {
		if len(b) < 132 {
			return nil
		}
		for k := range min(int(big.Uint32(b[128:])), (len(b)-132)/12) {
			entry := b[132+12*k:]
			from, size := uint64(big.Uint32(entry[4:])), uint64(big.Uint32(entry[8:]))
			if string(entry[:4]) == name && size >= uint64(least) && from+size <= uint64(len(b)) {
				return b[from : from+size]
			}
		}
		return nil
	}
	if len(b) < 132 || string(b[36:40]) != "acsp" {
		return
	}
	fixed := func(b []byte, k int) float64 { return float64(int32(big.Uint32(b[4*k:]))) / 0x10000 }
	if t := tag("kTRC", 12); t != nil {
		i.Curve = iccCurve(t)
	}
	if t := tag("rTRC", 12); t != nil {
		i.Curve = iccCurve(t)
	}
	vector := func(name string) (v [3]float64, ok bool) {
		t := tag(name, 20)
		for k := range v {
			if t != nil {
				v[k] = fixed(t[8:], k)
			}
		}
		return v, t != nil
	}
	r, ok1 := vector("rXYZ")
	g, ok2 := vector("gXYZ")
	bl, ok3 := vector("bXYZ")
	if !ok1 || !ok2 || !ok3 {
		return
	}
	// Back from the connection space's white to the colors' own. Old profiles do not say how they
	// came there; of those the white is taken to be that of the tag, or D65 where that is the
	// connection space's too.
	var back [9]float64
	if t := tag("chad", 44); t != nil {
		back = Invert([9]float64(list.By(9, func(k int) float64 { return fixed(t[8:], k) })))
	} else {
		white := d65
		if w, ok := vector("wtpt"); ok && math.Abs(w[0]-iccD50[0])+math.Abs(w[2]-iccD50[2]) > 0.01 {
			white = chromaticity(w)
		}
		back = adaptation(chromaticity(iccD50), white)
	}
	p := Primaries{chromaticity(apply(back, r)), chromaticity(apply(back, g)), chromaticity(apply(back, bl)), chromaticity(apply(back, iccD50))}
	if p.sensible() {
		i.Primaries = p
	}
}

// iccCurve returns the name of a profile's curve, or an empty string where it has none.
func iccCurve(b []byte) string {
	big := binary.BigEndian
	var at func(v float64) float64
	switch kind := string(b[:4]); kind {
	case "curv":
		n := int64(big.Uint32(b[8:]))
		switch {
		case n == 0:
			return Linear.Name()
		case int64(len(b)) < 12+2*n:
			return ""
		case n == 1:
			return gammaName(float64(big.Uint16(b[12:])) / 256)
		}
		at = func(v float64) float64 {
			x := v * float64(n-1)
			k := min(int64(x), n-2)
			y0, y1 := float64(big.Uint16(b[12+2*k:])), float64(big.Uint16(b[14+2*k:]))
			return (y0 + (x-float64(k))*(y1-y0)) / 0xffff
		}
	case "para":
		counts := []int{1, 3, 4, 5, 7}
		form := int(big.Uint16(b[8:]))
		if form >= len(counts) || len(b) < 12+4*counts[form] {
			return ""
		}
		var p [7]float64 // g, a, b, c, d, e, f
		for k := range counts[form] {
			p[k] = float64(int32(big.Uint32(b[12+4*k:]))) / 0x10000
		}
		switch form {
		case 0:
			return gammaName(p[0])
		case 1: // nothing below -b/a, which c and d say too
			p[3], p[4] = 0, -p[2]/p[1]
		case 2: // the same, plus c everywhere
			p[3], p[4], p[5], p[6] = 0, -p[2]/p[1], p[3], p[3]
		}
		at = func(v float64) float64 {
			if v >= p[4] {
				return math.Pow(p[1]*v+p[2], p[0]) + p[5]
			}
			return p[3]*v + p[6]
		}
	default:
		return ""
	}
	for _, c := range Curves() {
		worst := 0.0
		for k := range 65 {
			v := float64(k) / 64
			worst = max(worst, math.Abs(at(v)-c.ToLinear(v)))
		}
		if worst < 0.002 {
			return c.Name()
		}
	}
	for _, power := range []float64{1.8, 2.2, 2.6} {
		if math.Abs(at(0.5)-math.Pow(0.5, power)) < 0.001 && math.Abs(at(0.25)-math.Pow(0.25, power)) < 0.001 {
			return gammaName(power)
		}
	}
	return ""
}
