package composite

import (
	"cmp"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/names"
	"example.com/twinplate/plate"
)

// An Operator is one of the twelve ways in which Porter and Duff (1984) join two pictures, A and B,
// or Plus. The zero value is AOverB.
type Operator int

// The operators. In W3C's Compositing and Blending Level 1, A is called the source and B the
// destination.
const (
	AOverB Operator = iota // A in front of B
	BOverA                 // B in front of A
	AInB                   // A where B is
	BInA                   // B where A is
	AOutB                  // A where B is not
	BOutA                  // B where A is not
	AAtopB                 // A in front of B, where B is
	BAtopA                 // B in front of A, where A is
	AXorB                  // each where the other is not
	OnlyA                  // A alone
	OnlyB                  // B alone
	Clear                  // nothing
	Plus                   // the sum: a dissolve between pictures, or light added to light
)

// operators holds each operator's names, the paper's first and then W3C's, and its factors.
var operators = [...]struct {
	name, w3c string
	fa0, fa1  float32 // F_A = fa0 + fa1 * alphaB
	fb0, fb1  float32 // F_B = fb0 + fb1 * alphaA
}{
	AOverB: {"A over B", "source-over", 1, 0, 1, -1},
	BOverA: {"B over A", "destination-over", 1, -1, 1, 0},
	AInB:   {"A in B", "source-in", 0, 1, 0, 0},
	BInA:   {"B in A", "destination-in", 0, 0, 0, 1},
	AOutB:  {"A out B", "source-out", 1, -1, 0, 0},
	BOutA:  {"B out A", "destination-out", 0, 0, 1, -1},
	AAtopB: {"A atop B", "source-atop", 0, 1, 1, -1},
	BAtopA: {"B atop A", "destination-atop", 1, -1, 0, 1},
	AXorB:  {"A xor B", "xor", 1, -1, 1, -1},
	OnlyA:  {"A", "copy", 1, 0, 0, 0},
	OnlyB:  {"B", "destination", 0, 0, 1, 0},
	Clear:  {"clear", "clear", 0, 0, 0, 0},
	Plus:   {"plus", "lighter", 1, 0, 1, 0},
}

// Operators returns all operators: Porter and Duff's twelve, and Plus.
func Operators() []Operator {
	return list.By(len(operators), func(i int) Operator { return Operator(i) })
}

var operatorNames = func() *names.Enum[Operator] {
	e := &names.Enum[Operator]{Package: "composite", Type: "Operator", What: "operator"}
	for _, o := range operators {
		e.Names = append(e.Names, o.name)
	}
	return e
}()

// check returns an error unless op is one of the operators.
func (op Operator) check() error { return operatorNames.Check(op) }

// String returns the operator's name in Porter and Duff's paper: "A over B".
func (op Operator) String() string { return operatorNames.String(op) }

// ParseOperator returns the operator of that name: the paper's ("A over B"), W3C's ("source-over"),
// or the paper's without its letters where A comes first ("over"). Case, spaces, hyphens and
// underscores do not count. The error of an unknown name suggests the nearest.
func ParseOperator(name string) (Operator, error) {
	all := []string{"over", "in", "out", "atop"}
	ops := []Operator{AOverB, AInB, AOutB, AAtopB}
	for op, o := range operators {
		all, ops = append(all, o.name, o.w3c), append(ops, Operator(op), Operator(op))
	}
	i, err := names.Find("composite", "operator", name, all)
	if err != nil {
		return 0, err
	}
	return ops[i], nil
}

// MarshalText gives the operator's name, for JSON and flags.
func (op Operator) MarshalText() ([]byte, error) { return operatorNames.Text(op) }

// UnmarshalText reads a name as ParseOperator does.
func (op *Operator) UnmarshalText(text []byte) (err error) {
	*op, err = ParseOperator(string(text))
	return err
}

// Factors returns F_A and F_B of the paper's section 4.3: how much of A and of B is seen where they
// have these alphas. It panics when op is not one of the operators.
func (op Operator) Factors(alphaA, alphaB float32) (fa, fb float32) {
	if err := op.check(); err != nil {
		panic(err.Error())
	}
	o := &operators[op]
	return o.fa0 + float32(o.fa1*alphaB), o.fb0 + float32(o.fb1*alphaA)
}

// Compose joins a and b: at every pixel, each of the four channels becomes F_A a + F_B b, with the
// factors of op. The frames are premultiplied.
//
// Color is not clamped. Alpha is not either (alphas of 0 to 1 give alphas of 0 to 1), except by
// Plus, which stops it at 1 as W3C's lighter does; W3C stops color there too, which scene-referred
// light must not be. NaN and infinite values spoil their own pixel, even where the factor is 0;
// OnlyA, OnlyB and Clear do not read the frame that they leave out.
//
// The result is written to dst, which may be a or b, and is returned; a nil dst means a new frame.
// With a dst the call allocates nothing. The error is a *plate.SizeError, or says that there is no
// such operator; dst is then untouched.
func Compose(dst *plate.RGBA, op Operator, a, b *plate.RGBA) (*plate.RGBA, error) {
	if err := cmp.Or(op.check(), plate.CheckSize("frame B", b.Size(), "frame A", a.Size())); err != nil {
		return nil, err
	}
	dst, err := targetRGBA(dst, a)
	if err != nil {
		return nil, err
	}
	composeSpan(whole(dst), op, 1, whole(a), whole(b))
	return dst, nil
}

// targetRGBA returns dst, or a new frame of a's size where dst is nil.
func targetRGBA(dst, a *plate.RGBA) (*plate.RGBA, error) {
	if dst == nil {
		return plate.NewRGBA(a.W, a.H), nil
	}
	return dst, plate.CheckSize("destination", dst.Size(), "source", a.Size())
}

// A span is a run of pixels: red, green, blue and alpha.
type span [4][]float32

func whole(f *plate.RGBA) span { return span{f.Pix[0], f.Pix[1], f.Pix[2], f.A} }

// row returns row y of f.
func row(f *plate.RGBA, y int) span {
	i, j := y*f.W, (y+1)*f.W
	return span{f.Pix[0][i:j], f.Pix[1][i:j], f.Pix[2][i:j], f.A[i:j]}
}

// composeSpan is Compose, with a dissolved to keep first. dst may be a or b.
func composeSpan(dst span, op Operator, keep float32, a, b span) {
	switch op {
	case Clear:
		for _, out := range dst {
			clear(out)
		}
		return
	case OnlyA:
		for c, out := range dst {
			for i, v := range a[c][:len(out)] {
				out[i] = keep * v
			}
		}
		return
	case OnlyB:
		for c, out := range dst {
			copy(out, b[c])
		}
		return
	}
	o := operators[op]
	n := len(dst[3])
	outR, outG, outB, outA := dst[0][:n], dst[1][:n], dst[2][:n], dst[3][:n]
	aR, aG, aB, aA := a[0][:n], a[1][:n], a[2][:n], a[3][:n]
	bR, bG, bB, bA := b[0][:n], b[1][:n], b[2][:n], b[3][:n]
	for i := range n {
		alphaA, alphaB := keep*aA[i], bA[i]
		fa := keep * (o.fa0 + float32(o.fa1*alphaB))
		fb := o.fb0 + float32(o.fb1*alphaA)
		outR[i] = float32(fa*aR[i]) + float32(fb*bR[i])
		outG[i] = float32(fa*aG[i]) + float32(fb*bG[i])
		outB[i] = float32(fa*aB[i]) + float32(fb*bB[i])
		outA[i] = float32(fa*aA[i]) + float32(fb*alphaB)
	}
	if op == Plus {
		for i, alpha := range outA {
			outA[i] = min(alpha, 1)
		}
	}
}
