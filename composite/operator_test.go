package composite

import (
	"encoding/json"
	"image"
	"image/color"
	"image/draw"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// The table of Porter and Duff 1984, section 4.3: F_A and F_B for each operator, written out anew.
var paper = []struct {
	op     Operator
	fa, fb func(alphaA, alphaB float32) float32
}{
	{Clear, zero, zero},
	{OnlyA, one, zero},
	{OnlyB, zero, one},
	{AOverB, one, lessA},
	{BOverA, lessB, one},
	{AInB, justB, zero},
	{BInA, zero, justA},
	{AOutB, lessB, zero},
	{BOutA, zero, lessA},
	{AAtopB, justB, lessA},
	{BAtopA, lessB, justA},
	{AXorB, lessB, lessA},
	{Plus, one, one}, // section 4.5
}

func zero(_, _ float32) float32  { return 0 }
func one(_, _ float32) float32   { return 1 }
func justA(a, _ float32) float32 { return a }
func justB(_, b float32) float32 { return b }
func lessA(a, _ float32) float32 { return 1 - a }
func lessB(_, b float32) float32 { return 1 - b }

func TestFactors(t *testing.T) {
	if len(paper) != len(Operators()) {
		t.Fatalf("the table has %d operators, and the package %d", len(paper), len(Operators()))
	}
	for _, row := range paper {
		for _, a := range []float32{0, 0.25, 0.5, 1} {
			for _, b := range []float32{0, 0.25, 0.5, 1} {
				if fa, fb := row.op.Factors(a, b); fa != row.fa(a, b) || fb != row.fb(a, b) {
					t.Errorf("%v with alphas %v and %v: factors %v and %v, want %v and %v", row.op, a, b, fa, fb, row.fa(a, b), row.fb(a, b))
				}
			}
		}
	}
}

// W3C, Compositing and Blending Level 1, section 9.1: the formulas for color (premultiplied, co)
// and alpha (ao) of each operator, as printed there for unpremultiplied colors Cs and Cb.
var w3c = map[string]func(as, cs, ab, cb float64) (co, ao float64){
	"clear":            func(as, cs, ab, cb float64) (float64, float64) { return 0, 0 },
	"copy":             func(as, cs, ab, cb float64) (float64, float64) { return as * cs, as },
	"destination":      func(as, cs, ab, cb float64) (float64, float64) { return ab * cb, ab },
	"source-over":      func(as, cs, ab, cb float64) (float64, float64) { return as*cs + ab*cb*(1-as), as + ab*(1-as) },
	"destination-over": func(as, cs, ab, cb float64) (float64, float64) { return as*cs*(1-ab) + ab*cb, as*(1-ab) + ab },
	"source-in":        func(as, cs, ab, cb float64) (float64, float64) { return as * cs * ab, as * ab },
	"destination-in":   func(as, cs, ab, cb float64) (float64, float64) { return ab * cb * as, ab * as },
	"source-out":       func(as, cs, ab, cb float64) (float64, float64) { return as * cs * (1 - ab), as * (1 - ab) },
	"destination-out":  func(as, cs, ab, cb float64) (float64, float64) { return ab * cb * (1 - as), ab * (1 - as) },
	"source-atop": func(as, cs, ab, cb float64) (float64, float64) {
		return as*cs*ab + ab*cb*(1-as), as*ab + ab*(1-as)
	},
	"destination-atop": func(as, cs, ab, cb float64) (float64, float64) {
		return as*cs*(1-ab) + ab*cb*as, as*(1-ab) + ab*as
	},
	"xor": func(as, cs, ab, cb float64) (float64, float64) {
		return as*cs*(1-ab) + ab*cb*(1-as), as*(1-ab) + ab*(1-as)
	},
	"lighter": func(as, cs, ab, cb float64) (float64, float64) {
		return math.Min(1, as*cs+ab*cb), math.Min(1, as+ab)
	},
}

func TestComposeAgainstW3C(t *testing.T) {
	a, b := randomRGBA(1, 32, 32), randomRGBA(2, 32, 32)
	for name, formula := range w3c {
		op, err := ParseOperator(name)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Compose(nil, op, a, b)
		if err != nil {
			t.Fatal(err)
		}
		straight := func(v, alpha float32) float64 {
			if alpha == 0 {
				return 0
			}
			return float64(v) / float64(alpha)
		}
		for i := range got.A {
			for c := range got.Pix {
				co, ao := formula(float64(a.A[i]), straight(a.Pix[c][i], a.A[i]), float64(b.A[i]), straight(b.Pix[c][i], b.A[i]))
				v := float64(got.Pix[c][i])
				if op == Plus {
					v = min(v, 1) // Compose does not clamp color.
				}
				if math.Abs(v-co) > 1e-6 || math.Abs(float64(got.A[i])-ao) > 1e-6 {
					t.Fatalf("%s, pixel %d, channel %d: %v and alpha %v; want %v and %v", name, i, c, v, got.A[i], co, ao)
				}
			}
		}
	}
}

// codes turns a premultiplied frame into one of Go's pictures, its values taken as they are, and
// rounds f's own values to the same codes.
func codes16(f *plate.RGBA) *image.RGBA64 {
	p := image.NewRGBA64(f.Bounds())
	q := func(v *float32) uint16 {
		code := math.Round(float64(*v) * 0xffff)
		*v = float32(code / 0xffff)
		return uint16(code)
	}
	for i := range f.A {
		p.SetRGBA64(i%f.W, i/f.W, color.RGBA64{R: q(&f.Pix[0][i]), G: q(&f.Pix[1][i]), B: q(&f.Pix[2][i]), A: q(&f.A[i])})
	}
	return p
}

func codes8(f *plate.RGBA) *image.RGBA {
	p := image.NewRGBA(f.Bounds())
	for i := range f.A {
		for c, plane := range whole(f) {
			code := math.Round(float64(plane[i]) * 0xff)
			plane[i] = float32(code / 0xff)
			p.Pix[4*i+c] = uint8(code)
		}
	}
	return p
}

// Go's image/draw on premultiplied pictures of 16 and 8 bits. Its integers are within one code of
// the exact result.
func TestComposeAgainstImageDraw(t *testing.T) {
	for _, test := range []struct {
		op Operator
		as draw.Op
	}{{AOverB, draw.Over}, {OnlyA, draw.Src}} {
		for _, bits := range []int{16, 8} {
			a, b := randomRGBA(3, 40, 30), randomRGBA(4, 40, 30)
			var from image.Image
			var onto draw.Image
			if bits == 16 {
				from, onto = codes16(a), codes16(b)
			} else {
				from, onto = codes8(a), codes8(b)
			}
			draw.Draw(onto, onto.Bounds(), from, image.Point{}, test.as)
			got, err := Compose(nil, test.op, a, b)
			if err != nil {
				t.Fatal(err)
			}
			most := float64(int(1)<<bits - 1)
			for i := range got.A {
				r, g, bl, al := onto.At(i%a.W, i/a.W).RGBA()
				for c, want := range []uint32{r, g, bl, al} {
					code := float64(want) * most / 0xffff
					if d := float64(whole(got)[c][i])*most - code; math.Abs(d) > 1.01 {
						t.Fatalf("%v, %d bits, pixel %d, channel %d: %v codes off image/draw's %v", test.op, bits, i, c, d, code)
					}
				}
			}
		}
	}
}

// What follows from the operators' definitions.
func TestAlgebra(t *testing.T) {
	a, b, c := randomRGBA(5, 24, 24), randomRGBA(6, 24, 24), randomRGBA(7, 24, 24)
	nothing, solid := plate.NewRGBA(24, 24), randomRGBA(8, 24, 24)
	for i := range solid.A {
		solid.A[i] = 1
	}
	do := func(op Operator, a, b *plate.RGBA) *plate.RGBA {
		f, err := Compose(nil, op, a, b)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	for _, test := range []struct {
		name      string
		got, want *plate.RGBA
	}{
		{"over is associative", do(AOverB, do(AOverB, a, b), c), do(AOverB, a, do(AOverB, b, c))},
		{"plus is commutative", do(Plus, a, b), do(Plus, b, a)},
		{"xor is commutative", do(AXorB, a, b), do(AXorB, b, a)},
		{"A over nothing is A", do(AOverB, a, nothing), a},
		{"nothing over B is B", do(AOverB, nothing, b), b},
		{"a solid A hides B", do(AOverB, solid, b), solid},
		{"A in a solid picture is A", do(AInB, a, solid), a},
		{"A out of a solid picture is nothing", do(AOutB, a, solid), nothing},
		{"A atop a solid picture is A over it", do(AAtopB, a, solid), do(AOverB, a, solid)},
		{"over is A plus B out A", do(AOverB, a, b), do(Plus, a, do(BOutA, a, b))},
		{"atop is A in B plus B out A", do(AAtopB, a, b), do(Plus, do(AInB, a, b), do(BOutA, a, b))},
		{"xor is A out B plus B out A", do(AXorB, a, b), do(Plus, do(AOutB, a, b), do(BOutA, a, b))},
		{"B over A is A over B with the two exchanged", do(BOverA, a, b), do(AOverB, b, a)},
		{"B in A likewise", do(BInA, a, b), do(AInB, b, a)},
		{"B out A likewise", do(BOutA, a, b), do(AOutB, b, a)},
		{"B atop A likewise", do(BAtopA, a, b), do(AAtopB, b, a)},
	} {
		for ch, plane := range whole(test.got) {
			for i, v := range plane {
				if d := math.Abs(float64(v - whole(test.want)[ch][i])); d > 5e-7 {
					t.Errorf("%s: channel %d of pixel %d is off by %v", test.name, ch, i, d)
					break
				}
			}
		}
	}
}

// HoldOut is the performer, with alpha 1 - t, over an opaque background.
func TestHoldOutIsOver(t *testing.T) {
	performer, background := randomRGBA(9, 24, 24), randomRGBA(10, 24, 24)
	transmission := plate.NewGray(24, 24)
	for i, alpha := range performer.A {
		transmission.Pix[i] = 1 - alpha
		background.A[i] = 1
	}
	over, err := Compose(nil, AOverB, performer, background)
	if err != nil {
		t.Fatal(err)
	}
	held, err := HoldOut(nil, &performer.RGB, transmission, &background.RGB)
	if err != nil {
		t.Fatal(err)
	}
	if !same(&over.RGB, held) {
		t.Error("HoldOut differs from over")
	}
}

func onePixel(r, g, b, alpha float32) *plate.RGBA {
	return &plate.RGBA{RGB: *pixels([3]float32{r, g, b}), A: []float32{alpha}}
}

// What is clamped and what is not, and where NaN goes.
func TestComposeRange(t *testing.T) {
	inf := float32(math.Inf(1))
	for _, test := range []struct {
		name string
		op   Operator
		a, b *plate.RGBA
		want [4]float32
	}{
		{"plus adds color beyond 1 and stops alpha at 1", Plus, onePixel(0.75, -1, 0.25, 0.75), onePixel(0.75, 0.5, 4, 0.5), [4]float32{1.5, -0.5, 4.25, 1}},
		{"over keeps highlights and negative color", AOverB, onePixel(4, -1, 0, 0.5), onePixel(8, 1, -2, 1), [4]float32{8, -0.5, -1, 1}},
		{"an alpha just above 1 is used as it is", AOverB, onePixel(0, 0, 0, 1.25), onePixel(4, 0, 0, 1), [4]float32{-1, 0, 0, 1}},
		{"NaN in A spoils its own channel", AOverB, onePixel(nan, 0.5, 0, 0.5), onePixel(1, 1, 1, 1), [4]float32{nan, 1, 0.5, 1}},
		{"NaN in A's alpha spoils the pixel", AOverB, onePixel(0, 0, 0, nan), onePixel(1, 1, 1, 1), [4]float32{nan, nan, nan, nan}},
		{"plus's clamp does not hide NaN", Plus, onePixel(0, 0, 0, nan), onePixel(1, 1, 1, 1), [4]float32{nan, nan, nan, nan}},
		{"infinity times a factor of 0 is NaN", AInB, onePixel(0.5, 0, 0, 1), onePixel(inf, 0, 0, 1), [4]float32{nan, 0, 0, 1}},
		{"A alone does not read B", OnlyA, onePixel(1, 2, 3, 0.5), onePixel(nan, nan, nan, nan), [4]float32{1, 2, 3, 0.5}},
		{"B alone does not read A", OnlyB, onePixel(nan, nan, nan, nan), onePixel(1, 2, 3, 0.5), [4]float32{1, 2, 3, 0.5}},
		{"clear reads neither", Clear, onePixel(nan, nan, nan, nan), onePixel(nan, nan, nan, nan), [4]float32{}},
	} {
		got, err := Compose(nil, test.op, test.a, test.b)
		if err != nil {
			t.Fatal(err)
		}
		for c, plane := range whole(got) {
			if v, want := plane[0], test.want[c]; v != want && (v == v || want == want) {
				t.Errorf("%s: channel %d is %v, want %v", test.name, c, v, want)
			}
		}
	}
}

// Porter and Duff 1984, section 4.3: darken, dissolve and opaque.
func TestUnary(t *testing.T) {
	for _, test := range []struct {
		name string
		do   func(dst, a *plate.RGBA, keep float32) (*plate.RGBA, error)
		keep float32
		want [4]float32
	}{
		{"dissolve", Dissolve, 0.5, [4]float32{0.25, 0.125, -0.5, 0.375}},
		{"dissolve not at all", Dissolve, 1, [4]float32{0.5, 0.25, -1, 0.75}},
		{"darken", Darken, 0.5, [4]float32{0.25, 0.125, -0.5, 0.75}},
		{"brighten", Darken, 2, [4]float32{1, 0.5, -2, 0.75}},
		{"opaque", Opaque, 0.5, [4]float32{0.5, 0.25, -1, 0.375}},
		{"a glow", Opaque, 0, [4]float32{0.5, 0.25, -1, 0}},
	} {
		a := onePixel(0.5, 0.25, -1, 0.75)
		for _, dst := range []*plate.RGBA{nil, a} { // a new frame, then in place
			got, err := test.do(dst, a, test.keep)
			if err != nil {
				t.Fatal(err)
			}
			for c, plane := range whole(got) {
				if plane[0] != test.want[c] {
					t.Errorf("%s: channel %d is %v, want %v", test.name, c, plane[0], test.want[c])
				}
			}
		}
	}
}

func TestParseOperator(t *testing.T) {
	for _, op := range Operators() {
		for _, name := range []string{operators[op].name, operators[op].w3c, strings.ToUpper(operators[op].name), strings.ReplaceAll(operators[op].name, " ", "-")} {
			if got, err := ParseOperator(name); err != nil || got != op {
				t.Errorf("%q is %v, %v; want %v", name, got, err, op)
			}
		}
		text, err := json.Marshal(op)
		if err != nil {
			t.Fatal(err)
		}
		var back Operator
		if err := json.Unmarshal(text, &back); err != nil || back != op {
			t.Errorf("%v comes back from %s as %v, %v", op, text, back, err)
		}
	}
	for name, want := range map[string]Operator{"over": AOverB, "In": AInB, "out": AOutB, "atop": AAtopB, "xor": AXorB, "plus": Plus} {
		if got, err := ParseOperator(name); err != nil || got != want {
			t.Errorf("%q is %v, %v; want %v", name, got, err, want)
		}
	}
	for name, want := range map[string]string{
		"ovr":        `there is no operator called "ovr": did you mean "over"?`,
		"sorce-over": `did you mean "source-over"?`,
		"A under B":  `did you mean "A over B"?`,
	} {
		if _, err := ParseOperator(name); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want one that says %q", name, err, want)
		}
	}
}

func TestInvalidOperator(t *testing.T) {
	a := plate.NewRGBA(1, 1)
	for _, op := range []Operator{-1, Operator(len(operators))} {
		if _, err := Compose(nil, op, a, a); err == nil || !strings.Contains(err.Error(), "there is no operator") {
			t.Errorf("operator %d: error %v", int(op), err)
		}
		if _, err := op.MarshalText(); err == nil {
			t.Errorf("operator %d has a text", int(op))
		}
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("operator %d has factors", int(op))
				}
			}()
			op.Factors(0, 0)
		}()
	}
	if got := Operator(99).String(); got != "Operator(99)" {
		t.Errorf("String is %q", got)
	}
}
