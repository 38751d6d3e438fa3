package plate

import (
	"fmt"
	"strings"
	"sync"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/names"
	"example.com/twinplate/internal/parallel"
)

// A Curve is a transfer curve: how a file's code values, 0 to 1, stand for linear light.
//
// The zero value is the linear curve. A Curve is small and may be copied; its copies are equal (==)
// and share the tables that make pictures quick to convert, which are built when first needed. It
// is safe to use concurrently.
type Curve struct{ t *transfer }

type transfer struct {
	name           string
	coded          bool // see CodedBy
	toLinear, from func(float64) float64
	light8         func() []float32 // linear light of the 256 codes
	light16        func() []float32 // linear light of the 65536 codes
	lightTint      func() []float32 // linear light of the 65536 codes, and of those beside them that 8-bit Y'CbCr may stand for, as of the nearest
	lightWide      func() []float32 // linear light of the codes from -0.5 to 1.5, in steps of 1/65535
	encode8        func() *Encoder
	encode16       func() *Encoder
}

func newCurve(name string, toLinear, fromLinear func(float64) float64) Curve {
	light16 := sync.OnceValue(func() []float32 { return light(toLinear, 0xffff) })
	return Curve{&transfer{
		name: name, toLinear: toLinear, from: fromLinear,
		light8:  sync.OnceValue(func() []float32 { return light(toLinear, 0xff) }),
		light16: light16,
		lightTint: sync.OnceValue(func() []float32 {
			known := light16()
			return list.By(tintCodes, func(i int) float32 { return known[min(max(i-tintZero, 0), 0xffff)] })
		}),
		lightWide: sync.OnceValue(func() []float32 {
			return lightFrom(toLinear, -wideZero, wideCodes, 0xffff)
		}),
		encode8:  sync.OnceValue(func() *Encoder { return buildEncoder(toLinear, fromLinear, 0xff) }),
		encode16: sync.OnceValue(func() *Encoder { return buildEncoder(toLinear, fromLinear, 0xffff) }),
	}}
}

// The codes of transfer.lightWide, and the place of code 0 among them.
const wideCodes, wideZero = kernel.TableSize, 1 << 15

// The codes of transfer.lightTint, and the place of code 0 among them.
const tintCodes, tintZero = 1 << 18, 1 << 16

// light returns the linear light of the codes 0 to full.
func light(toLinear func(float64) float64, full int) []float32 {
	return lightFrom(toLinear, 0, full+1, full)
}

// lightFrom returns the linear light of n codes from the first on. Who reads a file waits for it.
func lightFrom(toLinear func(float64) float64, first, n, full int) []float32 {
	to := make([]float32, n)
	parallel.Parts(n, func(from, end int) {
		for i := from; i < end; i++ {
			to[i] = float32(toLinear(float64(first+i) / float64(full)))
		}
	})
	return to
}

func (c Curve) transfer() *transfer {
	if c.t == nil {
		return Linear.t
	}
	return c.t
}

// Name returns the name by which CurveByName knows the curve, or the base name of the file it was
// read from.
func (c Curve) Name() string { return c.transfer().name }

// ToLinear turns a code value into linear light.
func (c Curve) ToLinear(v float64) float64 { return c.transfer().toLinear(v) }

// FromLinear turns linear light into a code value.
func (c Curve) FromLinear(l float64) float64 { return c.transfer().from(l) }

// Curves returns the curves that CurveByName knows: those of standards and of film, Linear, SRGB,
// BT709, BT1886, HLG, PQ, ACEScct, Density10, and then those of Cameras.
func Curves() []Curve {
	all := []Curve{Linear, SRGB, BT709, BT1886, HLG, PQ, ACEScct, Density10}
	for _, c := range Cameras() {
		if all[len(all)-1] != c.Curve {
			all = append(all, c.Curve)
		}
	}
	return all
}

// CurveByName returns the curve of that name, in upper or lower case. The error for an unknown name
// lists the names that are known, and suggests the nearest.
func CurveByName(name string) (Curve, error) {
	lower := strings.ToLower(strings.TrimSpace(name))
	var known []string
	nearest, least := "", 1+len(lower)/2
	for _, c := range Curves() {
		if c.Name() == lower {
			return c, nil
		}
		known = append(known, c.Name())
		if d := names.Distance(lower, c.Name()); d < least && len(lower) <= 40 {
			nearest, least = c.Name(), d
		}
	}
	hint := ";"
	if nearest != "" {
		hint = fmt.Sprintf(": did you mean %q?", nearest)
	}
	return Curve{}, fmt.Errorf("unknown transfer curve %.40q%s known: %s", name, hint, strings.Join(known, ", "))
}

// CodedBy returns the curve of values that a transform has made code values already: they are kept
// as they are. Its name is "coded by" and the transform's. A file that is written with it states
// that in words, and no primaries, which only the transform's author knows.
func CodedBy(transform string) Curve {
	c := newCurve("coded by "+transform, identity, identity)
	c.t.coded = true
	return c
}

// Coded reports whether the curve is one of CodedBy.
func (c Curve) Coded() bool { return c.transfer().coded }

// FindCurve returns the curve in the file of that path when it ends in .csv, as ReadCurve does, and
// otherwise the curve of that name, as CurveByName does.
func FindCurve(nameOrPath string) (Curve, error) {
	if strings.HasSuffix(strings.ToLower(nameOrPath), ".csv") {
		return ReadCurve(nameOrPath)
	}
	return CurveByName(nameOrPath)
}
