package plate

import "math"

// Lab returns CIELAB's L*, a* and b* (ISO/CIE 11664-4) of linear light in these primaries. Light of
// 1 in red, green and blue is the white that it is relative to.
func (p Primaries) Lab(rgb [3]float64) [3]float64 {
	return lab(p.XYZ(), rgb)
}

// lab is Lab with the matrix to XYZ at hand.
func lab(m [9]float64, rgb [3]float64) [3]float64 {
	v, white := apply(m, rgb), apply(m, [3]float64{1, 1, 1})
	var f [3]float64
	for i := range f {
		const knee = 6. / 29 // of ISO/CIE 11664-4
		if f[i] = v[i] / white[i]; f[i] > knee*knee*knee {
			f[i] = math.Cbrt(f[i])
		} else {
			f[i] = f[i]/(3*knee*knee) + 4./29
		}
	}
	return [3]float64{116*f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])}
}

// DeltaE returns the color difference CIEDE2000 (ISO/CIE 11664-6, with its three factors 1) of two
// colors in CIELAB: about 1 is what is just seen side by side.
func DeltaE(a, b [3]float64) float64 {
	pow7 := func(v float64) float64 { v2 := v * v; return v2 * v2 * v2 * v }
	const radian = math.Pi / 180
	root := func(c float64) float64 { return math.Sqrt(pow7(c) / (pow7(c) + pow7(25))) }
	g := (1 - root((math.Hypot(a[1], a[2])+math.Hypot(b[1], b[2]))/2)) / 2
	polar := func(v [3]float64) (c, h float64) {
		x := v[1] * (1 + g)
		if c = math.Hypot(x, v[2]); c > 0 {
			h = math.Mod(math.Atan2(v[2], x)/radian+360, 360)
		}
		return c, h
	}
	c1, h1 := polar(a)
	c2, h2 := polar(b)
	dh, h := h2-h1, (h1+h2)/2
	switch {
	case c1*c2 == 0:
		dh, h = 0, h1+h2
	case math.Abs(h2-h1) <= 180:
	case h2 > h1:
		dh -= 360
	default:
		dh += 360
	}
	if c1*c2 != 0 && math.Abs(h2-h1) > 180 {
		if h += 180; h >= 360 {
			h -= 360
		}
	}
	l, c := (a[0]+b[0])/2, (c1+c2)/2
	cos := func(degrees float64) float64 { return math.Cos(degrees * radian) }
	t := 1 - 0.17*cos(h-30) + 0.24*cos(2*h) + 0.32*cos(3*h+6) - 0.2*cos(4*h-63)
	q := (l - 50) * (l - 50)
	dl := (b[0] - a[0]) / (1 + 0.015*q/math.Sqrt(20+q))
	dc := (c2 - c1) / (1 + 0.045*c)
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*radian) / (1 + 0.015*c*t)
	turn := (h - 275) / 25
	return math.Sqrt(dl*dl + dc*dc + dH*dH - math.Sin(60*radian*math.Exp(-turn*turn))*2*root(c)*dc*dH)
}
