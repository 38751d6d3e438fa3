package composite

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// A Grade is the color of a foreground or of a background: what is done to its light before the
// sum. It never acts on a matte. The zero value does nothing.
//
// The matrix, the balance and the exposure act in this order, on linear light. Then contrast, black
// level and saturation, and after them the CDL, act on linear light or on the code values of In, as
// the ASC's Color Decision List has it (slope, offset, power, saturation), without its clamp:
// values below 0 and above 1 stay, and a power leaves those below 0 alone.
type Grade struct {
	Matrix   *[9]float64 `json:"matrix,omitempty"`    // row by row, such as plate.FitMatrix's; nil: none
	GrayCard *Card       `json:"gray_card,omitempty"` // what is to become gray; package take finds the Balance that does it
	Balance  *[3]float64 `json:"balance,omitempty"`   // gains of red, green and blue, each above 0; nil: 1
	Exposure float64     `json:"exposure,omitempty"`  // stops, -20 to 20

	In         string   `json:"in,omitempty"`         // the name of the curve whose values the rest acts on; empty: linear
	Contrast   float64  `json:"contrast,omitempty"`   // about the pivot, 0.1 to 10; 0: 1
	Pivot      float64  `json:"pivot,omitempty"`      // linear light that contrast leaves as it is; 0: 0.18
	Black      float64  `json:"black,omitempty"`      // linear light that black becomes, while 1 stays; -0.5 to 0.5
	Saturation *float64 `json:"saturation,omitempty"` // 0 to 10; nil: 1

	CDL *plate.CDL `json:"cdl,omitempty"`
}

// A Card is a rectangle of a frame, in parts of its width and height from the left and top edges,
// in which something gray is seen. Of a background it is a rectangle of its picture, as that is
// read.
type Card struct {
	Frame  int     `json:"frame,omitempty"` // number; 0: the first. Of a background: the one that it is behind
	Left   float64 `json:"left"`
	Top    float64 `json:"top"`
	Right  float64 `json:"right"`
	Bottom float64 `json:"bottom"`
}

// middleGray is the light of an 18 % gray card, about which contrast turns (common practice).
const middleGray = 0.18

// None reports whether the grade does nothing.
func (g *Grade) None() bool { return *g == Grade{} }

// Check returns an error that names the field which cannot be used, and what would be right.
func (g *Grade) Check() error {
	finite := func(name string, low, high float64, all ...float64) error {
		for _, v := range all {
			if !(v >= low && v <= high) {
				return fmt.Errorf("composite: the grade's %s is %v, and must be %v to %v", name, v, low, high)
			}
		}
		return nil
	}
	const most = 1e4 // of a matrix and a gain
	if g.Matrix != nil {
		if err := finite("matrix", -most, most, g.Matrix[:]...); err != nil {
			return err
		}
	}
	if c := g.GrayCard; c != nil {
		if !(c.Left >= 0 && c.Left < c.Right && c.Right <= 1 && c.Top >= 0 && c.Top < c.Bottom && c.Bottom <= 1) {
			return fmt.Errorf("composite: the gray card is at %v,%v to %v,%v: left and top, and then right and bottom, in parts of the frame from 0 to 1", c.Left, c.Top, c.Right, c.Bottom)
		}
		if g.Balance != nil {
			return errors.New("composite: the grade has a gray card and a balance: the card gives the balance, so there can be one of them")
		}
	}
	if g.Balance != nil {
		if err := finite("balance", 1/most, most, g.Balance[:]...); err != nil {
			return err
		}
	}
	if _, err := g.curve(); err != nil {
		return fmt.Errorf("composite: the grade acts in %q: %w", g.In, err)
	}
	if err := cmp.Or(finite("exposure", -20, 20, g.Exposure), finite("contrast", 0.1, 10, g.contrast()),
		finite("pivot", 1e-4, most, g.pivot()), finite("black", -0.5, 0.5, g.Black)); err != nil {
		return err
	}
	if g.Saturation != nil {
		if err := finite("saturation", 0, 10, *g.Saturation); err != nil {
			return err
		}
	}
	if g.CDL != nil {
		if err := g.CDL.Check(); err != nil {
			return fmt.Errorf("composite: the grade's CDL: %w", err)
		}
	}
	return nil
}

func (g *Grade) curve() (plate.Curve, error) {
	return plate.CurveByName(cmp.Or(g.In, plate.Linear.Name()))
}

func (g *Grade) contrast() float64 { return cmp.Or(g.Contrast, 1) }

func (g *Grade) pivot() float64 { return cmp.Or(g.Pivot, middleGray) }

// primary returns contrast, black level and saturation as a CDL on the values of a curve.
func (g *Grade) primary(c plate.Curve) plate.CDL {
	out := plate.NewCDL()
	contrast := g.contrast()
	var slope, offset, power float64
	if c == plate.Linear {
		// (s v)^c leaves the pivot p where s = p^(1/c - 1).
		power = contrast
		offset = math.Copysign(math.Pow(math.Abs(g.Black), 1/contrast), g.Black)
		slope = math.Pow(g.pivot(), 1/contrast-1) * (1 - offset)
	} else {
		power, slope, offset = 1, contrast, c.FromLinear(g.pivot())*(1-contrast)
		if g.Black != 0 {
			// Black goes to the code of the new level, and white stays.
			black, white := slope*c.FromLinear(0)+offset, slope*c.FromLinear(1)+offset
			k := (white - c.FromLinear(g.Black)) / (white - black)
			slope, offset = k*slope, white+k*(offset-white)
		}
	}
	for i := range 3 {
		out.Slope[i], out.Offset[i], out.Power[i] = slope, offset, power
	}
	if g.Saturation != nil {
		out.Saturation = *g.Saturation
	}
	return out
}

// ToCDL returns the grade as one CDL that acts on the values of In. The error says what of it a CDL
// cannot have.
func (g *Grade) ToCDL() (plate.CDL, error) {
	if err := g.Check(); err != nil {
		return plate.CDL{}, err
	}
	c, _ := g.curve()
	gains := [3]float64{1, 1, 1}
	for i := range gains {
		if g.Balance != nil {
			gains[i] = g.Balance[i]
		}
		gains[i] *= math.Exp2(g.Exposure)
	}
	switch {
	case g.Matrix != nil:
		return plate.CDL{}, errors.New("composite: a CDL cannot have the grade's matrix: it mixes the channels")
	case g.GrayCard != nil:
		return plate.CDL{}, errors.New("composite: the balance by the gray card is not found yet")
	case c != plate.Linear && gains != [3]float64{1, 1, 1}:
		return plate.CDL{}, fmt.Errorf("composite: a CDL on the values of %s cannot have exposure and balance, which act on linear light", c.Name())
	}
	first := g.primary(c)
	for i, v := range gains {
		first.Slope[i] *= v
	}
	if g.CDL == nil {
		return first, nil
	}
	if first.Power != [3]float64{1, 1, 1} || first.Saturation != 1 {
		return plate.CDL{}, errors.New("composite: the grade has a CDL behind a contrast or a saturation of its own: together they are no single CDL")
	}
	out := *g.CDL
	for i := range 3 {
		out.Slope[i] *= first.Slope[i]
		out.Offset[i] += g.CDL.Slope[i] * first.Offset[i]
	}
	return out, nil
}

// A Grader applies a Grade. It is safe for concurrent use.
type Grader struct {
	steps []step
	black [3]float32 // what light of 0 becomes
}

// A step is a matrix with an offset, or a curve for each channel.
type step struct {
	matrix [12]float32 // and the offset, as kernel.Matrix has them
	bends  *[3]*bend   // nil: the matrix
}

// NewGrader makes a grade ready. The error is Check's, or says that the gray card's balance is to
// be found first.
func NewGrader(g Grade) (*Grader, error) {
	if err := g.Check(); err != nil {
		return nil, err
	}
	if g.GrayCard != nil {
		return nil, errors.New("composite: the balance by the gray card is not found yet")
	}
	c, _ := g.curve()
	var b builder
	m := [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}
	if g.Matrix != nil {
		m = *g.Matrix
	}
	for i := range m {
		m[i] *= math.Exp2(g.Exposure)
		if g.Balance != nil {
			m[i] *= g.Balance[i/3]
		}
	}
	b.affine(m, [3]float64{})
	one := func(f func(float64) float64) [3]func(float64) float64 { return [3]func(float64) float64{f, f, f} }
	if c != plate.Linear {
		b.curves(one(c.FromLinear), true)
	}
	b.cdl(g.primary(c))
	if g.CDL != nil {
		b.cdl(*g.CDL)
	}
	if c != plate.Linear {
		b.curves(one(c.ToLinear), true)
	}
	return b.done(), nil
}

// A builder joins the steps of a grade.
type builder struct{ steps []built }

type built struct {
	m      [9]float64
	offset [3]float64
	f      *[3]func(float64) float64 // nil: m and offset
	alike  bool                      // f is one function
}

func (b *builder) last() *built {
	if len(b.steps) == 0 {
		return nil
	}
	return &b.steps[len(b.steps)-1]
}

func (b *builder) affine(m [9]float64, offset [3]float64) {
	if m == [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1} && offset == [3]float64{} {
		return
	}
	l := b.last()
	if l == nil || l.f != nil {
		b.steps = append(b.steps, built{m: m, offset: offset})
		return
	}
	was := *l
	for i := range 3 {
		l.offset[i] = offset[i]
		for k := range 3 {
			l.offset[i] += m[3*i+k] * was.offset[k]
			l.m[3*i+k] = m[3*i]*was.m[k] + m[3*i+1]*was.m[3+k] + m[3*i+2]*was.m[6+k]
		}
	}
}

func (b *builder) curves(f [3]func(float64) float64, alike bool) {
	l := b.last()
	if l == nil || l.f == nil {
		b.steps = append(b.steps, built{f: &f, alike: alike})
		return
	}
	was := *l.f
	l.alike = l.alike && alike
	for i := range 3 {
		l.f[i] = func(v float64) float64 { return f[i](was[i](v)) }
	}
}

// cdl adds a CDL: as a matrix where it has no power, so that it joins its neighbors.
func (b *builder) cdl(c plate.CDL) {
	b.affine([9]float64{c.Slope[0], 0, 0, 0, c.Slope[1], 0, 0, 0, c.Slope[2]}, c.Offset)
	if c.Power != [3]float64{1, 1, 1} {
		var f [3]func(float64) float64
		for i, power := range c.Power {
			only := plate.NewCDL()
			only.Power[i] = power
			f[i] = func(v float64) float64 { return only.Pixel([3]float64{v, v, v}, false)[i] }
		}
		b.curves(f, c.Power[0] == c.Power[1] && c.Power[1] == c.Power[2])
	}
	if c.Saturation != 1 {
		var m [9]float64
		only := plate.NewCDL()
		only.Saturation = c.Saturation
		for k := range 3 {
			var unit [3]float64
			unit[k] = 1
			for i, v := range only.Pixel(unit, false) {
				m[3*i+k] = v
			}
		}
		b.affine(m, [3]float64{})
	}
}

func (b *builder) done() *Grader {
	g := &Grader{}
	for _, s := range b.steps {
		var out step
		for i, v := range s.m {
			out.matrix[i] = float32(v)
		}
		for i, v := range s.offset {
			out.matrix[9+i] = float32(v)
		}
		if s.f != nil {
			out.bends = new([3]*bend)
			for i, f := range s.f {
				if out.bends[i] = out.bends[0]; i == 0 || !s.alike {
					out.bends[i] = newBend(f)
				}
			}
		}
		g.steps = append(g.steps, out)
	}
	var dark [3][]float32
	for i := range dark {
		dark[i] = []float32{0}
	}
	g.Row(dark)
	for i := range dark {
		g.black[i] = dark[i][0]
	}
	return g
}

// Row grades a row of pixels, in place. The three have one length.
func (g *Grader) Row(rgb [3][]float32) {
	for k := range g.steps {
		s := &g.steps[k]
		if s.bends == nil {
			kernel.Matrix(&rgb, &s.matrix)
			continue
		}
		for c, b := range s.bends {
			b.row(rgb[c])
		}
	}
}

// thinnest is the alpha from which a premultiplied color is divided by it: what hides less, such as
// a flame or a glint, is graded as if it hid this much, so that noise does not grow without bound.
// Chosen by hand.
const thinnest = 0.1

// Premultiplied grades a row of a premultiplied foreground in place, whose transmission is given:
// as if it were opaque, so that an edge has the color of what it is the edge of, and what the grade
// makes of black counts as much as there is of the performer.
func (g *Grader) Premultiplied(rgb [3][]float32, transmission []float32) {
	if len(g.steps) == 0 {
		return
	}
	if len(g.steps) == 1 && g.steps[0].bends == nil { // it needs no division
		matrix := g.steps[0].matrix
		black := [3]float32(matrix[9:])
		clear(matrix[9:])
		kernel.Matrix(&rgb, &matrix)
		for c, row := range rgb {
			if black[c] != 0 {
				for i := range row {
					row[i] += black[c] * covered(transmission[i])
				}
			}
		}
		return
	}
	const part = 256 // pixels at a time, so that they stay in the nearest cache
	var weight, alpha [part]float32
	for from := 0; from < len(transmission); from += part {
		t := transmission[from:min(from+part, len(transmission))]
		var row [3][]float32
		for i, v := range t {
			alpha[i] = covered(v)
			weight[i] = max(alpha[i], thinnest)
		}
		for c := range row {
			row[c] = rgb[c][from : from+len(t)]
			for i := range row[c] {
				row[c][i] /= weight[i]
			}
		}
		g.Row(row)
		for c, black := range g.black {
			for i, v := range row[c] {
				row[c][i] = weight[i]*(v-black) + alpha[i]*black
			}
		}
	}
}

func covered(transmission float32) float32 { return min(max(1-transmission, 0), 1) }

// Frame grades an opaque frame, in place.
func (g *Grader) Frame(f *plate.RGB) {
	parallel.EachRow(f.W, f.H, func(y int) {
		g.Row(f.Row(y))
	})
}

// Foreground grades a premultiplied foreground whose transmission is given, in place. The error is
// a
// *plate.SizeError.
func (g *Grader) Foreground(f *plate.RGB, transmission *plate.Gray) error {
	if err := plate.CheckSize("transmission", transmission.Size(), "foreground", f.Size()); err != nil {
		return err
	}
	parallel.EachRow(f.W, f.H, func(y int) {
		g.Premultiplied(f.Row(y), transmission.Pix[y*f.W:(y+1)*f.W])
	})
	return nil
}

// A bend is a function as a table whose nodes lie closer the nearer they are to 0, with straight
// lines between: 1024 to an octave, which is within 1e-6 of a power's value, and within 1e-5 of the
// light that a log's code stands for.
type bend struct {
	table [2][]float32 // from 0 up, and from 0 down
	f     func(float64) float64
}

// The octaves of a bend's table are those from 2^-20, which no file tells from 0, to 2^7, which is
// seven stops above white. Beyond them the function itself is asked.
const (
	bendBits      = 10 // of the mantissa
	bendShift     = 23 - bendBits
	bendLow       = (127 - 20) << bendBits
	bendHigh      = (127 + 7) << bendBits
	bendLowest    = 1. / (1 << 20)
	bendStepScale = 1. / (1 << bendShift)
)

// mostLight keeps what a power or a log makes of wild light finite, so that no matrix makes NaN of
// it.
const mostLight = 1e30

func newBend(of func(float64) float64) *bend {
	f := func(v float64) float64 { return min(max(of(v), -mostLight), mostLight) }
	b := &bend{f: f}
	for side, sign := range []float64{1, -1} {
		t := make([]float32, bendHigh-bendLow+1)
		for i := range t {
			t[i] = float32(f(sign * float64(math.Float32frombits(uint32(i+bendLow)<<bendShift))))
		}
		b.table[side] = t
	}
	return b
}

func (b *bend) row(row []float32) {
	zero := float32(b.f(0))
	for i, v := range row {
		bits := math.Float32bits(v)
		t := b.table[bits>>31]
		at := int(bits&0x7fffffff>>bendShift) - bendLow
		switch {
		case at >= 0 && at < len(t)-1:
			part := float32(bits&(1<<bendShift-1)) * bendStepScale
			row[i] = t[at] + part*(t[at+1]-t[at])
		case at < 0:
			row[i] = zero + float32(math.Abs(float64(v))/bendLowest)*(t[0]-zero)
		default:
			row[i] = float32(b.f(float64(v)))
		}
	}
}
