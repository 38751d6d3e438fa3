package clf

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"example.com/twinplate/internal/half"
	"example.com/twinplate/plate"
)

func newNode(e *element) (node, error) {
	in, out, err := e.depths()
	if err != nil {
		return nil, err
	}
	if name := e.name(); (name == "LUT1D" || name == "LUT3D") && e.child("IndexMap") != nil {
		return nil, errors.New("it has an IndexMap, of version 2 of the format, which is not read")
	}
	switch e.name() {
	case "LUT1D":
		return newTable(e, out)
	case "LUT3D":
		return newCube(e, out)
	case "Matrix":
		return newMatrix(e, in, out)
	case "Range":
		return newRange(e, in, out)
	case "Log":
		return newLog(e)
	case "Exponent":
		return newExponent(e)
	case "ASC_CDL":
		return newCDL(e)
	}
	return nil, errors.New("not a process node of the format: LUT1D, LUT3D, Matrix, Range, Log, Exponent or ASC_CDL")
}

// A table is a LUT1D: the values of one color or of each.
type table struct {
	values [3][]float32
	half   bool // the values are of all half floats, by their bits
}

func newTable(e *element, out float64) (node, error) {
	switch s := e.attr("interpolation"); s {
	case "", "linear":
	default:
		return nil, fmt.Errorf("interpolation is %.40q, and must be linear", s)
	}
	dim, all, err := e.array()
	if err != nil {
		return nil, err
	}
	if len(dim) != 2 || dim[0] < 2 || dim[1] != 1 && dim[1] != 3 {
		return nil, fmt.Errorf("the Array's dim is %v, and must be the number of rows, 2 at least, and 1 or 3", dim)
	}
	t := &table{half: e.attr("halfDomain") == "true"}
	if t.half && dim[0] != 1<<16 {
		return nil, fmt.Errorf("a table of all half floats has %d rows, and must have 65536", dim[0])
	}
	raw := e.attr("rawHalfs") == "true"
	for c := range min(dim[1], 3) {
		t.values[c] = make([]float32, dim[0])
		for i := range t.values[c] {
			v := all[i*dim[1]+c]
			if raw {
				if v != math.Trunc(v) || v < 0 || v > 0xffff {
					return nil, fmt.Errorf("row %d: %v, and must be the bits of a half float, 0 to 65535", i+1, v)
				}
				t.values[c][i] = half.ToFloat32(uint16(v))
			} else {
				t.values[c][i] = float32(v / out)
			}
		}
	}
	if dim[1] == 1 {
		t.values[1], t.values[2] = t.values[0], t.values[0]
	}
	return t, nil
}

func (t *table) apply(rgb [3][]float32) {
	for c, pix := range rgb {
		values := t.values[c]
		for i, v := range pix {
			if t.half {
				pix[i] = ofHalf(values, v)
			} else {
				pix[i] = ofUnit(values, v)
			}
		}
	}
}

// ofUnit returns the value of a table over 0 to 1, linear between its values and constant beyond its
// ends. That of NaN is NaN.
func ofUnit(values []float32, v float32) float32 {
	last := len(values) - 1
	x := v * float32(last)
	switch {
	case x <= 0:
		return values[0]
	case x >= float32(last):
		return values[last]
	case x != x:
		return v
	}
	i := int(x)
	return values[i] + (x-float32(i))*(values[i+1]-values[i])
}

// ofHalf returns the value of a table over all half floats, linear between them.
func ofHalf(values []float32, v float32) float32 {
	if v != v {
		return v
	}
	const most = 65504 // the largest half float
	v = min(max(v, -most), most)
	near := half.FromFloat32(v)
	at := half.ToFloat32(near)
	if at == v {
		return values[near]
	}
	// The neighbor on the other side of v: away from 0, or toward it.
	next := near + 1
	if math.Abs(float64(at)) > math.Abs(float64(v)) {
		next = near - 1
	}
	other := half.ToFloat32(next)
	if other == at {
		return values[near]
	}
	return values[near] + (v-at)/(other-at)*(values[next]-values[near])
}

// A cube is a LUT3D.
type cube struct {
	n           int
	values      [][3]float32 // blue changes fastest
	tetrahedral bool
}

func newCube(e *element, out float64) (node, error) {
	k := &cube{}
	switch s := e.attr("interpolation"); s {
	case "", "trilinear":
	case "tetrahedral":
		k.tetrahedral = true
	default:
		return nil, fmt.Errorf("interpolation is %.40q, and must be trilinear or tetrahedral", s)
	}
	dim, all, err := e.array()
	if err != nil {
		return nil, err
	}
	if len(dim) != 4 || dim[0] != dim[1] || dim[0] != dim[2] || dim[3] != 3 || dim[0] < 2 || dim[0] > max3D {
		return nil, fmt.Errorf("the Array's dim is %v, and must be three times one number, 2 to %d, and 3", dim, max3D)
	}
	k.n = dim[0]
	k.values = make([][3]float32, len(all)/3)
	for i := range k.values {
		for c := range 3 {
			k.values[i][c] = float32(all[3*i+c] / out)
		}
	}
	return k, nil
}

func (k *cube) apply(rgb [3][]float32) {
	stride := [3]int{k.n * k.n, k.n, 1}
	last := float32(k.n - 1)
	for i := range rgb[0] {
		var f [3]float32
		at := 0
		nan := false
		for c := range 3 {
			x := rgb[c][i] * last
			nan = nan || x != x
			x = min(max(x, 0), last)
			j := min(int(x), k.n-2)
			f[c] = x - float32(j)
			at += j * stride[c]
		}
		if nan {
			continue // it stays what it is: no pixel of a picture
		}
		var v [3]float32
		if k.tetrahedral {
			v = k.tetrahedron(at, stride, f)
		} else {
			v = k.box(at, stride, f)
		}
		for c := range 3 {
			rgb[c][i] = v[c]
		}
	}
}

// box interpolates between the eight corners.
func (k *cube) box(at int, stride [3]int, f [3]float32) (v [3]float32) {
	for corner := range 8 {
		w, j := float32(1), at
		for c := range 3 {
			if corner>>c&1 == 1 {
				w *= f[c]
				j += stride[c]
			} else {
				w *= 1 - f[c]
			}
		}
		for c := range 3 {
			v[c] += w * k.values[j][c]
		}
	}
	return v
}

// tetrahedron interpolates between the four corners that the order of the fractions chooses.
func (k *cube) tetrahedron(at int, stride [3]int, f [3]float32) (v [3]float32) {
	order := [3]int{0, 1, 2}
	for _, i := range [3]int{0, 1, 0} {
		if f[order[i]] < f[order[i+1]] {
			order[i], order[i+1] = order[i+1], order[i]
		}
	}
	before := float32(1)
	for step := range 4 {
		after := float32(0)
		if step < 3 {
			after = f[order[step]]
		}
		for c := range 3 {
			v[c] += (before - after) * k.values[at][c]
		}
		if step < 3 {
			at += stride[order[step]]
		}
		before = after
	}
	return v
}

// A matrix is a Matrix, row by row, with the offset last.
type matrix [12]float32

func newMatrix(e *element, in, out float64) (node, error) {
	dim, all, err := e.array()
	if err != nil {
		return nil, err
	}
	wide := dim[1]
	if dim[0] != 3 || wide != 3 && wide != 4 || len(dim) > 3 || len(dim) == 3 && dim[2] != 3 {
		return nil, fmt.Errorf("the Array's dim is %v, and must be 3 3 or 3 4", dim)
	}
	m := &matrix{}
	for r := range 3 {
		for c := range wide {
			scale := in / out
			if c == 3 {
				scale = 1 / out
			}
			m[4*r+c] = float32(all[r*wide+c] * scale)
		}
	}
	return m, nil
}

func (m *matrix) apply(rgb [3][]float32) {
	for i := range rgb[0] {
		r, g, b := rgb[0][i], rgb[1][i], rgb[2][i]
		rgb[0][i] = m[0]*r + m[1]*g + m[2]*b + m[3]
		rgb[1][i] = m[4]*r + m[5]*g + m[6]*b + m[7]
		rgb[2][i] = m[8]*r + m[9]*g + m[10]*b + m[11]
	}
}

// A span is a Range.
type span struct {
	scale, offset float32
	low, high     float32 // of what comes out
}

func newRange(e *element, in, out float64) (node, error) {
	clamp := true
	switch s := e.attr("style"); s {
	case "", "Clamp", "clamp":
	case "noClamp":
		clamp = false
	default:
		return nil, fmt.Errorf("style is %.40q, and must be Clamp or noClamp", s)
	}
	given := map[string]float64{}
	for _, name := range []string{"minInValue", "maxInValue", "minOutValue", "maxOutValue"} {
		child := e.child(name)
		if child == nil {
			continue
		}
		v, err := child.numbers(1)
		if err != nil {
			return nil, err
		}
		if strings.Contains(name, "In") {
			given[name] = v[0] / in
		} else {
			given[name] = v[0] / out
		}
	}
	minIn, low := given["minInValue"]
	minOut, lowOut := given["minOutValue"]
	maxIn, high := given["maxInValue"]
	maxOut, highOut := given["maxOutValue"]
	if low != lowOut || high != highOut || !low && !high {
		return nil, errors.New("it must have minInValue and minOutValue, or maxInValue and maxOutValue, or all four")
	}
	s := &span{scale: 1, low: float32(math.Inf(-1)), high: float32(math.Inf(1))}
	switch {
	case low && high:
		if !(maxIn > minIn) || maxOut < minOut {
			return nil, fmt.Errorf("it goes from %v and %v to %v and %v, and the larger must be the second", given["minInValue"], maxIn, minOut, maxOut)
		}
		scale := (maxOut - minOut) / (maxIn - minIn)
		s.scale, s.offset = float32(scale), float32(minOut-scale*minIn)
	case low:
		s.offset = float32(minOut - minIn)
	default:
		s.offset = float32(maxOut - maxIn)
	}
	if !clamp {
		if !low || !high {
			return nil, errors.New("with the style noClamp it must have all four values")
		}
		return s, nil
	}
	if low {
		s.low = float32(minOut)
	}
	if high {
		s.high = float32(maxOut)
	}
	return s, nil
}

func (s *span) apply(rgb [3][]float32) {
	for _, pix := range rgb {
		for i, v := range pix {
			pix[i] = min(max(v*s.scale+s.offset, s.low), s.high) // of NaN it is NaN
		}
	}
}

// A channel function changes each color by itself.
type channels [3]func(float64) float64

func (f *channels) apply(rgb [3][]float32) {
	for c, pix := range rgb {
		for i, v := range pix {
			pix[i] = float32(f[c](float64(v)))
		}
	}
}

// perChannel makes the function of each color from its parameters: those of the element without a
// channel attribute hold for all.
func perChannel(e *element, params string, make func(*element) (func(float64) float64, error)) (node, error) {
	var f channels
	for i := range e.Children {
		p := &e.Children[i]
		if p.name() != params {
			continue
		}
		g, err := make(p)
		if err != nil {
			return nil, err
		}
		switch s := p.attr("channel"); s {
		case "":
			f = channels{g, g, g}
		case "R", "G", "B":
			f[strings.Index("RGB", s)] = g
		default:
			return nil, fmt.Errorf("channel is %.40q, and must be R, G or B", s)
		}
	}
	for c, g := range f {
		if g == nil {
			return nil, fmt.Errorf("it has no <%s> for %c", params, "RGB"[c])
		}
	}
	return &f, nil
}

// least is the least number that a logarithm is taken of, as the format has it: that of a float32.
const least = 0x1p-126

func newLog(e *element) (node, error) {
	style := e.attr("style")
	simple := map[string]func(float64) float64{
		"log10": func(v float64) float64 { return math.Log10(raised(v)) }, "antiLog10": func(v float64) float64 { return math.Pow(10, v) },
		"log2": func(v float64) float64 { return math.Log2(raised(v)) }, "antiLog2": math.Exp2,
	}
	if f := simple[style]; f != nil {
		return &channels{f, f, f}, nil
	}
	camera := strings.HasPrefix(style, "camera")
	switch style {
	case "linToLog", "logToLin", "cameraLinToLog", "cameraLogToLin":
	default:
		return nil, fmt.Errorf("style is %.40q, and must be log10, antiLog10, log2, antiLog2, linToLog, logToLin, cameraLinToLog or cameraLogToLin", style)
	}
	return perChannel(e, "LogParams", func(p *element) (func(float64) float64, error) {
		var l logs
		for _, n := range []struct {
			name      string
			to        *float64
			otherwise float64
		}{
			{"base", &l.base, 2}, {"linSideSlope", &l.linSlope, 1}, {"linSideOffset", &l.linOffset, 0}, {"logSideSlope", &l.logSlope, 1},
			{"logSideOffset", &l.logOffset, 0}, {"linSideBreak", &l.knee, 0}, {"linearSlope", &l.slope, 0},
		} {
			var err error
			if *n.to, err = p.number(n.name, n.otherwise); err != nil {
				return nil, err
			}
		}
		if !(l.base > 0) || l.base == 1 || l.linSlope == 0 || l.logSlope == 0 {
			return nil, fmt.Errorf("base %v, linSideSlope %v and logSideSlope %v: the base must be above 0 and not 1, the slopes not 0", l.base, l.linSlope, l.logSlope)
		}
		if camera {
			if p.attr("linSideBreak") == "" {
				return nil, errors.New("it has no linSideBreak, which a camera's style needs")
			}
			arg := l.linSlope*l.knee + l.linOffset
			if !(arg > 0) {
				return nil, fmt.Errorf("linSideBreak is %v, where the logarithm is of %v, which must be above 0", l.knee, arg)
			}
			if p.attr("linearSlope") == "" {
				l.slope = l.logSlope * l.linSlope / (arg * math.Log(l.base))
			}
			if l.slope == 0 {
				return nil, errors.New("linearSlope is 0, and must not be")
			}
			l.offset = l.log(l.knee) - l.slope*l.knee
		}
		switch style {
		case "linToLog":
			return l.log, nil
		case "logToLin":
			return l.lin, nil
		case "cameraLinToLog":
			return func(v float64) float64 {
				if v <= l.knee {
					return l.slope*v + l.offset
				}
				return l.log(v)
			}, nil
		}
		end := l.log(l.knee)
		return func(v float64) float64 {
			if v <= end {
				return (v - l.offset) / l.slope
			}
			return l.lin(v)
		}, nil
	})
}

// logs are the parameters of a Log.
type logs struct {
	base, linSlope, linOffset, logSlope, logOffset float64
	knee, slope, offset                            float64 // of a camera's style: where its line ends, and the line
}

func (l *logs) log(v float64) float64 {
	return l.logSlope*math.Log(raised(l.linSlope*v+l.linOffset))/math.Log(l.base) + l.logOffset
}

func (l *logs) lin(v float64) float64 {
	return (math.Pow(l.base, (v-l.logOffset)/l.logSlope) - l.linOffset) / l.linSlope
}

// raised returns what a logarithm is taken of. NaN stays NaN.
func raised(v float64) float64 { return max(v, least) }

func newExponent(e *element) (node, error) {
	style := e.attr("style")
	kind, back := strings.CutSuffix(style, "Rev")
	if !back {
		kind, _ = strings.CutSuffix(style, "Fwd")
	}
	switch kind {
	case "basic", "basicMirror", "basicPassThru", "monCurve", "monCurveMirror":
	default:
		return nil, fmt.Errorf("style is %.40q, and must be basic, basicMirror, basicPassThru, monCurve or monCurveMirror, with Fwd or Rev behind it", style)
	}
	return perChannel(e, "ExponentParams", func(p *element) (func(float64) float64, error) {
		g, err := p.number("exponent", math.NaN())
		if err != nil {
			return nil, err
		}
		if !(g >= 0.01 && g <= 100) { // the format's bounds
			return nil, fmt.Errorf("exponent is %q, and must be 0.01 to 100", p.attr("exponent"))
		}
		k, err := p.number("offset", 0)
		if err != nil {
			return nil, err
		}
		var f func(float64) float64
		switch {
		case strings.HasPrefix(kind, "monCurve"):
			if !(g >= 1 && k >= 0 && k <= 0.9) { // the format's bounds
				return nil, fmt.Errorf("exponent %v with offset %v: a monCurve has an exponent of 1 to 10 and an offset of 0 to 0.9", g, k)
			}
			f = monCurve(g, k, back)
		case back:
			f = func(v float64) float64 { return math.Pow(v, 1/g) }
		default:
			f = func(v float64) float64 { return math.Pow(v, g) }
		}
		switch kind {
		case "basic":
			return joined(0, func(float64) float64 { return 0 }, f), nil
		case "basicPassThru":
			return joined(0, func(v float64) float64 { return v }, f), nil
		case "monCurve":
			return f, nil
		}
		return func(v float64) float64 { return math.Copysign(f(math.Abs(v)), v) }, nil
	})
}

// monCurve is a power with a line at its foot, the two meeting in value and slope, or its inverse.
func monCurve(g, k float64, back bool) func(float64) float64 {
	if g == 1 || k == 0 { // then there is no line
		if back {
			g = 1 / g
		}
		return joined(0, func(v float64) float64 { return v }, func(v float64) float64 { return math.Pow(v, g) })
	}
	knee := k / (g - 1)
	end := math.Pow(k*g/((g-1)*(1+k)), g)
	slope := end / knee
	if back {
		return joined(end, func(v float64) float64 { return v / slope }, func(v float64) float64 { return (1+k)*math.Pow(v, 1/g) - k })
	}
	return joined(knee, func(v float64) float64 { return v * slope }, func(v float64) float64 { return math.Pow((v+k)/(1+k), g) })
}

// joined is one function below a number, and another from there on.
func joined(at float64, below, from func(float64) float64) func(float64) float64 {
	return func(v float64) float64 {
		if v < at {
			return below(v)
		}
		return from(v)
	}
}

// A cdl is an ASC_CDL.
type cdl struct {
	plate.CDL
	back, clamp bool
}

func newCDL(e *element) (node, error) {
	n := &cdl{}
	switch s := e.attr("style"); s {
	case "", "Fwd", "v1.2_Fwd":
		n.clamp = true
	case "Rev", "v1.2_Rev":
		n.back, n.clamp = true, true
	case "FwdNoClamp", "noClampFwd":
	case "RevNoClamp", "noClampRev":
		n.back = true
	default:
		return nil, fmt.Errorf("style is %.40q, and must be Fwd, Rev, FwdNoClamp or RevNoClamp", s)
	}
	var err error
	if n.CDL, err = readCDL(e); err != nil {
		return nil, err
	}
	if n.back && (n.Slope[0] == 0 || n.Slope[1] == 0 || n.Slope[2] == 0 || n.Saturation == 0) {
		return nil, errors.New("a slope or the saturation is 0, and has no way back")
	}
	return n, nil
}

func (n *cdl) apply(rgb [3][]float32) {
	for i := range rgb[0] {
		v := [3]float64{float64(rgb[0][i]), float64(rgb[1][i]), float64(rgb[2][i])}
		if n.back {
			v = n.Undo(v, n.clamp)
		} else {
			v = n.Pixel(v, n.clamp)
		}
		for c := range 3 {
			rgb[c][i] = float32(v[c])
		}
	}
}
