package composite

import (
	"errors"
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

var nan = float32(math.NaN())

// pixels makes a frame one pixel high.
func pixels(rgb ...[3]float32) *plate.RGB {
	f := plate.NewRGB(len(rgb), 1)
	for i, p := range rgb {
		for c := range p {
			f.Pix[c][i] = p[c]
		}
	}
	return f
}

func gray(values ...float32) *plate.Gray { return &plate.Gray{W: len(values), H: 1, Pix: values} }

// same reports whether two frames hold the same values, to the bit.
func same(a, b *plate.RGB) bool {
	bits := func(x, y float32) bool { return math.Float32bits(x) == math.Float32bits(y) }
	for c := range a.Pix {
		if !slices.EqualFunc(a.Pix[c], b.Pix[c], bits) {
			return false
		}
	}
	return a.Size() == b.Size()
}

// randomRGBA returns premultiplied noise in which about one pixel in four is transparent and one
// opaque.
func randomRGBA(seed uint64, w, h int) *plate.RGBA {
	rng := rand.New(rand.NewPCG(seed, 0))
	f := plate.NewRGBA(w, h)
	for i := range f.A {
		switch rng.IntN(4) {
		case 0:
		case 1:
			f.A[i] = 1
		default:
			f.A[i] = rng.Float32()
		}
		for c := range f.Pix {
			f.Pix[c][i] = f.A[i] * rng.Float32()
		}
	}
	return f
}

func TestHoldOut(t *testing.T) {
	for _, test := range []struct {
		name                   string
		foreground, background [3]float32
		t                      float32
		want                   [3]float32
	}{
		{"clear screen: the background", [3]float32{0, 0, 0}, [3]float32{0.25, 0.5, 1}, 1, [3]float32{0.25, 0.5, 1}},
		{"solid performer: the foreground", [3]float32{0.5, 0.25, 0.125}, [3]float32{9, 9, 9}, 0, [3]float32{0.5, 0.25, 0.125}},
		{"half a hair: not multiplied by alpha again", [3]float32{0.5, 0.25, 0}, [3]float32{1, 1, 0.5}, 0.5, [3]float32{1, 0.75, 0.25}},
		{"noise below black stays", [3]float32{-0.25, -0.5, 0}, [3]float32{0.125, 0, -0.5}, 1, [3]float32{-0.125, -0.5, -0.5}},
		{"highlights stay", [3]float32{4, 0, 2}, [3]float32{8, 16, 0}, 0.25, [3]float32{6, 4, 2}},
		{"a transmission above 1 stays", [3]float32{0, 0, 0}, [3]float32{1, 2, 4}, 1.25, [3]float32{1.25, 2.5, 5}},
		{"a transmission below 0 stays", [3]float32{1, 1, 1}, [3]float32{1, 2, 4}, -0.25, [3]float32{0.75, 0.5, 0}},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := HoldOut(nil, pixels(test.foreground), gray(test.t), pixels(test.background))
			if err != nil {
				t.Fatal(err)
			}
			if want := pixels(test.want); !slices.Equal(got.Pix[0], want.Pix[0]) || !slices.Equal(got.Pix[1], want.Pix[1]) || !slices.Equal(got.Pix[2], want.Pix[2]) {
				t.Errorf("got %v, want %v", got.Pix, test.want)
			}
			// Held's result is the other half of the sum.
			held, err := Held(nil, gray(test.t), pixels(test.background))
			if err != nil {
				t.Fatal(err)
			}
			for c := range held.Pix {
				if sum := held.Pix[c][0] + test.foreground[c]; sum != test.want[c] {
					t.Errorf("channel %d: held %v and foreground %v add to %v, not %v", c, held.Pix[c][0], test.foreground[c], sum, test.want[c])
				}
			}
		})
	}
}

// NaN stays in its own pixel and channel.
func TestHoldOutNaN(t *testing.T) {
	half := [3]float32{0.5, 0.5, 0.5}
	for _, test := range []struct {
		name   string
		p, b   [3]float32
		t      float32
		spoilt [3]bool
	}{
		{"none", half, half, 0.5, [3]bool{}},
		{"in the foreground's green", [3]float32{0, nan, 0}, half, 0.5, [3]bool{1: true}},
		{"in the background's blue, held out entirely", half, [3]float32{0, 0, nan}, 0, [3]bool{2: true}},
		{"in the transmission", half, half, nan, [3]bool{true, true, true}},
	} {
		got, err := HoldOut(nil, pixels(half, test.p, half), gray(0.5, test.t, 0.5), pixels(half, test.b, half))
		if err != nil {
			t.Fatal(err)
		}
		for c := range got.Pix {
			for i, v := range got.Pix[c] {
				if want := i == 1 && test.spoilt[c]; (v != v) != want {
					t.Errorf("%s: channel %d of pixel %d is %v", test.name, c, i, v)
				}
			}
		}
	}
}

// The result may be written over what it is made from.
func TestAliasing(t *testing.T) {
	a, b := randomRGBA(1, 9, 7), randomRGBA(2, 9, 7)
	transmission := &plate.Gray{W: 9, H: 7, Pix: randomRGBA(3, 9, 7).A}
	check := func(name string, got *plate.RGB, dst *plate.RGB, err error, want *plate.RGB) {
		t.Helper()
		if err != nil || got != dst || !same(got, want) {
			t.Errorf("%s: the result differs when written in place (error %v)", name, err)
		}
	}
	want, err := HoldOut(nil, &a.RGB, transmission, &b.RGB)
	if err != nil {
		t.Fatal(err)
	}
	dst := a.RGB.Clone()
	got, err := HoldOut(dst, dst, transmission, &b.RGB)
	check("HoldOut over the foreground", got, dst, err, want)
	dst = b.RGB.Clone()
	got, err = HoldOut(dst, &a.RGB, transmission, dst)
	check("HoldOut over the background", got, dst, err, want)

	want, err = Held(nil, transmission, &b.RGB)
	if err != nil {
		t.Fatal(err)
	}
	dst = b.RGB.Clone()
	got, err = Held(dst, transmission, dst)
	check("Held over the background", got, dst, err, want)

	for _, op := range Operators() {
		want, err := Compose(nil, op, a, b)
		if err != nil {
			t.Fatal(err)
		}
		over, under := a.Clone(), b.Clone()
		gotA, err := Compose(over, op, over, b)
		check(op.String()+" written over A", &gotA.RGB, &over.RGB, err, &want.RGB)
		gotB, err := Compose(under, op, a, under)
		check(op.String()+" written over B", &gotB.RGB, &under.RGB, err, &want.RGB)
		if !slices.Equal(gotA.A, want.A) || !slices.Equal(gotB.A, want.A) {
			t.Errorf("%v: alpha differs when written in place", op)
		}
	}
}

func TestSizeErrors(t *testing.T) {
	rgb, other := plate.NewRGB(3, 2), plate.NewRGB(2, 3)
	g, otherG := plate.NewGray(3, 2), plate.NewGray(2, 3)
	rgba, otherA := plate.NewRGBA(3, 2), plate.NewRGBA(2, 3)
	fitter, err := NewFitter(3, 2, 3, 2, Fit{})
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name string
		do   func() error
		want string
	}{
		{"HoldOut transmission", func() error { _, err := HoldOut(nil, rgb, otherG, rgb); return err },
			"the transmission is 2x3 pixels and the foreground 3x2, and they must be the same size"},
		{"HoldOut background", func() error { _, err := HoldOut(nil, rgb, g, other); return err }, "the background is 2x3 pixels and the foreground 3x2"},
		{"HoldOut destination", func() error { _, err := HoldOut(other, rgb, g, rgb); return err }, "the destination is 2x3 pixels and the source 3x2"},
		{"Held background", func() error { _, err := Held(nil, g, other); return err }, "the background is 2x3 pixels and the transmission 3x2"},
		{"Held destination", func() error { _, err := Held(other, g, rgb); return err }, "the destination is 2x3"},
		{"Compose", func() error { _, err := Compose(nil, Plus, rgba, otherA); return err }, "the frame B is 2x3 pixels and the frame A 3x2"},
		{"Compose destination", func() error { _, err := Compose(otherA, Plus, rgba, rgba); return err }, "the destination is 2x3"},
		{"Dissolve destination", func() error { _, err := Dissolve(otherA, rgba, 1); return err }, "the destination is 2x3"},
		{"Stack transmission", func() error { _, err := Stack(rgb, nil, rgb, otherG, nil); return err }, "the transmission is 2x3"},
		{"Stack background", func() error { _, err := Stack(other, nil, rgb, g, nil); return err }, "the background is 2x3"},
		{"Stack layer behind", func() error { _, err := Stack(rgb, []Layer{{Frame: rgba}, {Frame: otherA}}, rgb, g, nil); return err }, "the layer 1 behind is 2x3"},
		{"Stack layer in front", func() error { _, err := Stack(rgb, nil, rgb, g, []Layer{{Frame: otherA}}); return err }, "the layer 0 in front is 2x3"},
		{"Fitter source", func() error { _, err := fitter.RGB(nil, other); return err }, "the source is 2x3 pixels and the picture that the Fitter was prepared for 3x2"},
		{"Fitter destination", func() error { _, err := fitter.RGB(other, rgb); return err }, "the destination is 2x3 pixels and the frame"},
		{"Fitter layer", func() error { _, err := fitter.RGBA(nil, otherA); return err }, "the source is 2x3"},
	} {
		err := test.do()
		var size *plate.SizeError
		if !errors.As(err, &size) || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: error %v, want a *plate.SizeError that says %q", test.name, err, test.want)
			continue
		}
		if size.Size != image.Pt(2, 3) || size.Want != image.Pt(3, 2) {
			t.Errorf("%s: the error holds %v and %v", test.name, size.Size, size.Want)
		}
	}
}

// With a frame to write to, the calls made for every frame allocate nothing.
func TestAllocations(t *testing.T) {
	a, b := randomRGBA(1, 64, 48), randomRGBA(2, 64, 48)
	g := &plate.Gray{W: 64, H: 48, Pix: a.A}
	dst := plate.NewRGBA(64, 48)
	for name, do := range map[string]func() error{
		"HoldOut":  func() error { _, err := HoldOut(&dst.RGB, &a.RGB, g, &b.RGB); return err },
		"Held":     func() error { _, err := Held(&dst.RGB, g, &b.RGB); return err },
		"Compose":  func() error { _, err := Compose(dst, AOverB, a, b); return err },
		"Dissolve": func() error { _, err := Dissolve(dst, a, 0.5); return err },
	} {
		n := testing.AllocsPerRun(5, func() {
			if err := do(); err != nil {
				t.Fatal(err)
			}
		})
		if n != 0 {
			t.Errorf("%s allocates %v times", name, n)
		}
	}
}

var benchmarkSizes = []struct {
	name string
	w, h int
}{{"1920x1080", 1920, 1080}, {"4096x2160", 4096, 2160}}

func BenchmarkHoldOut(b *testing.B) {
	for _, s := range benchmarkSizes {
		b.Run(s.name, func(b *testing.B) {
			p, t, back := plate.NewRGB(s.w, s.h), plate.NewGray(s.w, s.h), plate.NewRGB(s.w, s.h)
			dst := plate.NewRGB(s.w, s.h)
			for b.Loop() {
				if _, err := HoldOut(dst, p, t, back); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkCompose(b *testing.B) {
	for _, s := range benchmarkSizes {
		b.Run(s.name, func(b *testing.B) {
			x, y := plate.NewRGBA(s.w, s.h), plate.NewRGBA(s.w, s.h)
			for b.Loop() {
				if _, err := Compose(y, AOverB, x, y); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkStack(b *testing.B) {
	for _, s := range benchmarkSizes {
		b.Run(s.name, func(b *testing.B) {
			p, t, l := plate.NewRGB(s.w, s.h), plate.NewGray(s.w, s.h), plate.NewRGBA(s.w, s.h)
			for b.Loop() {
				if _, err := Stack(p, []Layer{{Frame: l}}, p, t, []Layer{{Frame: l}}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkFitter(b *testing.B) {
	for _, s := range benchmarkSizes {
		for _, from := range []struct {
			name string
			w, h int
		}{{"same", s.w, s.h}, {"from half", s.w / 2, s.h / 2}, {"from double", s.w * 2, s.h * 2}} {
			b.Run(s.name+" "+from.name, func(b *testing.B) {
				f, err := NewFitter(from.w, from.h, s.w, s.h, Fit{})
				if err != nil {
					b.Fatal(err)
				}
				src, dst := plate.NewRGB(from.w, from.h), plate.NewRGB(s.w, s.h)
				for b.Loop() {
					if _, err := f.RGB(dst, src); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
