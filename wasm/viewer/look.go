package main

import "math"

// A look is how pictures are shown. Colors are sRGB, 0 to 1.
type look struct {
	exposure   float64 // stops
	channel    string  // "rgb", "r", "g", "b", "alpha", "luminance"
	under      string  // "black", "gray", "checker", "color"
	underColor [3]float32
	surround   [3]float32
	accent     [3]float32
	gray       [2]bool // the side's picture is one plane, held in red
	matte      [2]bool // the side's picture is numbers and not light: one plane, shown without the display's curve
	clip       bool
}

func newLook() look {
	const neutral = 48.0 / 255 // a surround that leaves the eye alone: neutral and dark, after ISO 3664
	return look{
		channel:    "rgb",
		under:      "black",
		underColor: [3]float32{0.5, 0.5, 0.5},
		surround:   [3]float32{neutral, neutral, neutral},
		accent:     [3]float32{0.95, 0.95, 0.95},
	}
}

// linear decodes an sRGB value (IEC 61966-2-1). The plate package has the same curve, and megabytes
// of file formats that a canvas has no use for.
func linear(v float32) float32 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return float32(math.Pow((float64(v)+0.055)/1.055, 2.4))
}

// ground returns what lies under the picture: the two fields of a checker, in linear light.
func (l *look) ground() (g [6]float32) {
	var fields [2]float32
	switch l.under {
	case "gray":
		fields = [2]float32{0.18, 0.18} // the reflectance of a gray card (common practice)
	case "checker":
		fields = [2]float32{linear(0.38), linear(0.56)}
	case "color":
		for i := range g {
			g[i] = linear(l.underColor[i%3])
		}
		return g
	}
	for i := range g {
		g[i] = fields[i/3]
	}
	return g
}

// pick returns the weights of red, green, blue and alpha in the channel that is shown of a side,
// whether it is one channel (1) or all three, and whether the display's curve applies (1).
func (l *look) pick(side int) (weights [4]float32, mono, curve float32) {
	curve = 1
	if l.matte[side] {
		curve = 0
	}
	switch {
	case l.channel == "alpha":
		return [4]float32{0, 0, 0, 1}, 1, 0
	case l.gray[side] || l.matte[side] || l.channel == "r":
		return [4]float32{1, 0, 0, 0}, 1, curve
	case l.channel == "g":
		return [4]float32{0, 1, 0, 0}, 1, curve
	case l.channel == "b":
		return [4]float32{0, 0, 1, 0}, 1, curve
	case l.channel == "luminance":
		return [4]float32{0.2126, 0.7152, 0.0722, 0}, 1, curve // ITU-R BT.709
	}
	return [4]float32{}, 0, curve
}

// gain returns the exposure as a factor.
func (l *look) gain() float32 { return float32(math.Exp2(l.exposure)) }

// code returns 0 to 1 as a code of 8 bits.
func code(v float32) uint8 { return uint8(min(max(v, 0), 1)*255 + 0.5) }
