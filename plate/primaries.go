package plate

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"example.com/twinplate/internal/parallel"
)

// Primaries are the colors that a picture's red, green, blue and white are: their chromaticities, x
// and y of CIE 1931. The zero value says that they are not known.
type Primaries struct{ Red, Green, Blue, White [2]float64 }

// The primaries that PrimariesByName knows. Their sources are ITU-R BT.709 (and IEC 61966-2-1,
// sRGB) and BT.2020, SMPTE EG 432-1 (P3 with the white D65), and Academy specification S-2014-004
// (AP1, whose white is near D60).
var (
	PrimariesBT709  = Primaries{[2]float64{0.64, 0.33}, [2]float64{0.3, 0.6}, [2]float64{0.15, 0.06}, d65}
	PrimariesBT2020 = Primaries{[2]float64{0.708, 0.292}, [2]float64{0.17, 0.797}, [2]float64{0.131, 0.046}, d65}
	PrimariesP3D65  = Primaries{[2]float64{0.68, 0.32}, [2]float64{0.265, 0.69}, [2]float64{0.15, 0.06}, d65}
	PrimariesAP1    = Primaries{[2]float64{0.713, 0.293}, [2]float64{0.165, 0.83}, [2]float64{0.128, 0.044}, [2]float64{0.32168, 0.33767}}
)

// The primaries that cameras' makers publish with their curves, as in the papers that are named at
// the curves. The chromaticities of ARRI, Sony, Panasonic, Canon, RED and of the others are those of
// the papers; some lie outside the colors that there are.
var (
	PrimariesAWG3        = Primaries{[2]float64{0.684, 0.313}, [2]float64{0.221, 0.848}, [2]float64{0.0861, -0.102}, d65}
	PrimariesAWG4        = Primaries{[2]float64{0.7347, 0.2653}, [2]float64{0.1424, 0.8576}, [2]float64{0.0991, -0.0308}, d65}
	PrimariesSGamut3     = Primaries{[2]float64{0.73, 0.28}, [2]float64{0.14, 0.855}, [2]float64{0.1, -0.05}, d65}
	PrimariesSGamut3Cine = Primaries{[2]float64{0.766, 0.275}, [2]float64{0.225, 0.8}, [2]float64{0.089, -0.087}, d65}
	PrimariesVGamut      = Primaries{[2]float64{0.73, 0.28}, [2]float64{0.165, 0.84}, [2]float64{0.1, -0.03}, d65}
	PrimariesCGamut      = Primaries{[2]float64{0.74, 0.27}, [2]float64{0.17, 1.14}, [2]float64{0.08, -0.1}, d65}
	PrimariesRWG         = Primaries{[2]float64{0.780308, 0.304253}, [2]float64{0.121595, 1.493994}, [2]float64{0.095612, -0.084589}, d65}
	PrimariesBWG5        = Primaries{[2]float64{0.7177215, 0.3171181}, [2]float64{0.228041, 0.861569}, [2]float64{0.1005841, -0.0820452}, [2]float64{0.312717, 0.3290312}}
	PrimariesDGamut      = Primaries{[2]float64{0.71, 0.31}, [2]float64{0.21, 0.88}, [2]float64{0.09, -0.08}, d65}
)

var d65 = [2]float64{0.3127, 0.329}

// namedPrimaries are those that have names, in the order in which messages list them.
var namedPrimaries = []struct {
	name string
	Primaries
}{
	{"bt709", PrimariesBT709}, {"bt2020", PrimariesBT2020}, {"p3-d65", PrimariesP3D65}, {"ap1", PrimariesAP1},
	{"awg3", PrimariesAWG3}, {"awg4", PrimariesAWG4}, {"sgamut3", PrimariesSGamut3}, {"sgamut3cine", PrimariesSGamut3Cine},
	{"vgamut", PrimariesVGamut}, {"cgamut", PrimariesCGamut}, {"rwg", PrimariesRWG}, {"bwg5", PrimariesBWG5}, {"dgamut", PrimariesDGamut},
}

// PrimariesByName returns the primaries of that name, in upper or lower case: bt709, bt2020, p3-d65,
// ap1, or those of a camera, such as sgamut3. The error for another name lists them all.
func PrimariesByName(name string) (Primaries, error) {
	var names []string
	for _, p := range namedPrimaries {
		if strings.EqualFold(strings.TrimSpace(name), p.name) {
			return p.Primaries, nil
		}
		names = append(names, p.name)
	}
	return Primaries{}, fmt.Errorf("unknown primaries %.40q; known: %s", name, strings.Join(names, ", "))
}

// Name returns the name of primaries that PrimariesByName knows, or an empty string. Files round
// chromaticities, so those within 0.002 count as the same.
func (p Primaries) Name() string {
	for _, q := range namedPrimaries {
		if p.Near(q.Primaries) {
			return q.name
		}
	}
	return ""
}

// Near reports whether no chromaticity of p and q differs by more than 0.002.
func (p Primaries) Near(q Primaries) bool {
	a, b := p.values(), q.values()
	return slices.EqualFunc(a[:], b[:], func(v, w float64) bool { return math.Abs(v-w) <= 0.002 })
}

// sensible reports whether all are numbers, and not far from what chromaticities are.
func (p Primaries) sensible() bool {
	all := p.values()
	return !slices.ContainsFunc(all[:], func(v float64) bool { return !(math.Abs(v) < 10) })
}

func (p Primaries) values() [8]float64 {
	return [8]float64{p.Red[0], p.Red[1], p.Green[0], p.Green[1], p.Blue[0], p.Blue[1], p.White[0], p.White[1]}
}

// String returns the name, or the chromaticities where there is none.
func (p Primaries) String() string {
	if p == (Primaries{}) {
		return "not known"
	}
	if name := p.Name(); name != "" {
		return name
	}
	return fmt.Sprintf("red %.4g %.4g, green %.4g %.4g, blue %.4g %.4g, white %.4g %.4g", p.Red[0], p.Red[1], p.Green[0], p.Green[1], p.Blue[0], p.Blue[1], p.White[0], p.White[1])
}

// XYZ returns the matrix from linear light in these primaries to CIE 1931 XYZ, where white has a Y
// of 1: row by row, by the equations of SMPTE RP 177. Primaries that are no triangle, or have a
// white of no luminance, give NaN.
func (p Primaries) XYZ() [9]float64 {
	r, g, b := xyz(p.Red), xyz(p.Green), xyz(p.Blue)
	m := [9]float64{r[0], g[0], b[0], r[1], g[1], b[1], r[2], g[2], b[2]}
	scale := apply(Invert(m), xyz(p.White))
	for i := range m {
		m[i] *= scale[i%3]
	}
	return m
}

// To returns the matrix from linear light in p to linear light in q, row by row. It takes white to
// white: where the two are not of one color, as AP1 and the others, the Bradford adaptation lies
// between (as in the transforms of ACES 1.0, and in ICC.1:2022, annex E).
func (p Primaries) To(q Primaries) [9]float32 {
	m := p.XYZ()
	if p.White != q.White {
		m = multiply(adaptation(p.White, q.White), m)
	}
	m = multiply(Invert(q.XYZ()), m)
	var n [9]float32
	for i, v := range m {
		n[i] = float32(v)
	}
	if p == q { // free of what rounding leaves
		n = [9]float32{1, 0, 0, 0, 1, 0, 0, 0, 1}
	}
	return n
}

// adaptation returns the matrix on XYZ from one white to another: Bradford's cone responses,
// scaled.
func adaptation(from, to [2]float64) [9]float64 {
	bradford := [9]float64{0.8951, 0.2664, -0.1614, -0.7502, 1.7135, 0.0367, 0.0389, -0.0685, 1.0296}
	a, b := apply(bradford, xyz(from)), apply(bradford, xyz(to))
	scaled := bradford
	for i := range scaled {
		scaled[i] *= b[i/3] / a[i/3]
	}
	return multiply(Invert(bradford), scaled)
}

// xyz returns the XYZ of a chromaticity at a Y of 1.
func xyz(c [2]float64) [3]float64 { return [3]float64{c[0] / c[1], 1, (1 - c[0] - c[1]) / c[1]} }

// chromaticity returns x and y of an XYZ.
func chromaticity(v [3]float64) [2]float64 {
	sum := v[0] + v[1] + v[2]
	return [2]float64{v[0] / sum, v[1] / sum}
}

func apply(m [9]float64, v [3]float64) (w [3]float64) {
	for i := range w {
		w[i] = m[3*i]*v[0] + m[3*i+1]*v[1] + m[3*i+2]*v[2]
	}
	return w
}

func multiply(a, b [9]float64) (c [9]float64) {
	for i := range c {
		c[i] = a[i/3*3]*b[i%3] + a[i/3*3+1]*b[i%3+3] + a[i/3*3+2]*b[i%3+6]
	}
	return c
}

// Invert returns the inverse of a matrix on color, both row by row. That of one that has none, for
// it takes all colors to a plane, has values that are infinite or no numbers.
func Invert(m [9]float64) (n [9]float64) {
	for i := range n {
		r, c := i%3, i/3 // the cofactor of the transposed place
		r1, r2, c1, c2 := (r+1)%3, (r+2)%3, (c+1)%3, (c+2)%3
		n[i] = m[3*r1+c1]*m[3*r2+c2] - m[3*r1+c2]*m[3*r2+c1]
	}
	d := m[0]*n[0] + m[1]*n[3] + m[2]*n[6]
	for i := range n {
		n[i] /= d
	}
	return n
}

// Multiply puts every pixel's color through a matrix, in place: red becomes m[0] red + m[1] green +
// m[2] blue, and so on. With that of Primaries.To it converts a frame in linear light; a
// premultiplied one too, for the conversion is linear.
func (f *RGB) Multiply(m [9]float32) {
	red, green, blue := f.Pix[0], f.Pix[1], f.Pix[2]
	parallel.Rows(f.W, f.H, func(y0, y1 int) {
		i, j := y0*f.W, y1*f.W
		r, g, b := red[i:j], green[i:j], blue[i:j]
		g, b = g[:len(r)], b[:len(r)]
		for i, x := range r {
			y, z := g[i], b[i]
			r[i] = m[0]*x + m[1]*y + m[2]*z
			g[i] = m[3]*x + m[4]*y + m[5]*z
			b[i] = m[6]*x + m[7]*y + m[8]*z
		}
	})
}
