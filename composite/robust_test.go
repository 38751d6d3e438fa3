package composite_test

import (
	"context"
	"fmt"
	"image"
	"math"
	"testing"

	"example.com/twinplate/composite"
	"example.com/twinplate/internal/test/odd"
	"example.com/twinplate/plate"
)

// oddLayers are frames of one size.
type oddLayers struct {
	foreground, background *plate.RGB
	transmission           *plate.Gray
	a, b                   *plate.RGBA
	fit                    composite.Fit
	other                  image.Point // the size that the background is fitted to
}

// most is the largest value that the layers hold, or NaN.
func (o *oddLayers) most() (most float64) {
	for _, f := range []*plate.RGB{o.foreground, o.background, &o.a.RGB, &o.b.RGB} {
		for _, v := range odd.Floats(f.Pix[0], f.Pix[1], f.Pix[2]) {
			most = max(most, math.Abs(v))
		}
	}
	for _, v := range odd.Floats(o.transmission.Pix, o.a.A, o.b.A) {
		most = max(most, math.Abs(v))
	}
	return most
}

var operations = []struct {
	name string
	call func(o *oddLayers) ([]float64, error)
}{
	{"HoldOut", func(o *oddLayers) ([]float64, error) {
		return numbers(composite.HoldOut(nil, o.foreground, o.transmission, o.background))
	}},
	{"Held", func(o *oddLayers) ([]float64, error) {
		return numbers(composite.Held(nil, o.transmission, o.background))
	}},
	{"Stack", func(o *oddLayers) ([]float64, error) {
		behind := []composite.Layer{{Frame: o.a, Fade: 0.5}, {Frame: o.b, Operator: composite.Plus}}
		return numbers(composite.Stack(o.background, behind, o.foreground, o.transmission, []composite.Layer{{Frame: o.b, Operator: composite.AAtopB}}))
	}},
	{"Compose", func(o *oddLayers) (all []float64, err error) {
		for _, op := range composite.Operators() {
			f, err := composite.Compose(nil, op, o.a, o.b)
			if err != nil {
				return nil, err
			}
			all = append(all, odd.Floats(f.Pix[0], f.Pix[1], f.Pix[2], f.A)...)
		}
		return all, nil
	}},
	{"Dissolve", func(o *oddLayers) ([]float64, error) {
		f, err := composite.Dissolve(nil, o.a, 0.3)
		if err != nil {
			return nil, err
		}
		return odd.Floats(f.Pix[0], f.A), nil
	}},
	{"Fitter", func(o *oddLayers) ([]float64, error) {
		f, err := composite.NewFitter(o.background.W, o.background.H, o.other.X, o.other.Y, o.fit)
		if err != nil {
			return nil, err
		}
		if _, err := f.RGBA(nil, o.a); err != nil {
			return nil, err
		}
		return numbers(f.RGB(nil, o.background))
	}},
}

func numbers(f *plate.RGB, err error) ([]float64, error) {
	if err != nil {
		return nil, err
	}
	return odd.Floats(f.Pix[0], f.Pix[1], f.Pix[2]), nil
}

// try calls an operation; its numbers count where the product of five of the layers' is in the
// range of float32.
func (o *oddLayers) try(t *testing.T, name string, call func(o *oddLayers) ([]float64, error)) {
	t.Helper()
	odd.Try(t, name, func(context.Context) ([]float64, error) {
		all, err := call(o)
		if !(o.most() < 1e7) {
			return nil, err
		}
		return all, err
	})
}

// Whatever the layers' pixels and sizes and the fit, each operation returns a frame or an error.
func TestOddLayers(t *testing.T) {
	scales := []float64{0, 1e-3, 0.37, 1, 7, 1000, -1, math.NaN(), 1e9}
	offsets := []float64{0, 0.5, -3, 1000, 1e9, math.Inf(1)}
	for _, picture := range append(odd.Pictures[:len(odd.Pictures):len(odd.Pictures)], odd.NotFinite...) {
		for _, size := range odd.Sizes {
			if size.X*size.Y > 1100 {
				continue
			}
			name := fmt.Sprintf("%s, %v", picture, size)
			random := odd.Random(name)
			w, h := size.X, size.Y
			o := &oddLayers{foreground: picture.RGB(w, h, random), background: picture.RGB(w, h, random), transmission: picture.Gray(w, h, random),
				a: &plate.RGBA{RGB: *picture.RGB(w, h, random), A: picture.Gray(w, h, random).Pix}, b: &plate.RGBA{RGB: *picture.RGB(w, h, random), A: picture.Gray(w, h, random).Pix}}
			for range 8 {
				o.other = odd.Sizes[random.IntN(len(odd.Sizes)-1)]
				o.fit = composite.Fit{Mode: composite.FitMode(random.IntN(4)), Scale: scales[random.IntN(len(scales))],
					OffsetX: offsets[random.IntN(len(offsets))], OffsetY: offsets[random.IntN(len(offsets))]}
				o.try(t, fmt.Sprintf("a fit %+v of %s to %v", o.fit, name, o.other), operations[len(operations)-1].call)
			}
			for _, op := range operations {
				o.try(t, op.name+" of "+name, op.call)
			}
		}
	}
	for _, sides := range [][4]int{{0, 1, 1, 1}, {1, 1, 1, -1}, {1 << 17, 1, 1, 1}, {1, 1, 1, 1 << 40}} {
		if _, err := composite.NewFitter(sides[0], sides[1], sides[2], sides[3], composite.Fit{}); err == nil {
			t.Errorf("a picture of %dx%d was fitted to %dx%d", sides[0], sides[1], sides[2], sides[3])
		}
	}
}

// An operation, chosen by a byte, is given layers of whatever sizes and pixels, and whatever fit.
func FuzzOperations(f *testing.F) {
	f.Add([]byte{1, 200, 20, 90}, uint8(7), uint8(5), uint8(9), uint8(2), uint8(4), uint8(0), 0.0, 0.0, 1.0)
	f.Add([]byte{1, 255, 20, 90}, uint8(1), uint8(1), uint8(40), uint8(30), uint8(1), uint8(5), 0.5, -2.0, 0.01)
	f.Fuzz(func(t *testing.T, pixels []byte, w, h, w2, h2, mode, which uint8, x, y, scale float64) {
		size := image.Pt(int(w), int(h))
		b := &odd.Bytes{Data: pixels, Wild: mode&1 != 0, Side: 1 + int(mode>>1&15)}
		o := &oddLayers{foreground: b.RGB(size.X, size.Y), background: b.RGB(size.X, size.Y), transmission: b.Gray(size.X, size.Y),
			a: &plate.RGBA{RGB: *b.RGB(size.X, size.Y), A: b.Gray(size.X, size.Y).Pix}, b: &plate.RGBA{RGB: *b.RGB(size.X, size.Y), A: b.Gray(size.X, size.Y).Pix},
			other: image.Pt(int(w2), int(h2)), fit: composite.Fit{Mode: composite.FitMode(mode >> 5), OffsetX: x, OffsetY: y, Scale: scale}}
		op := operations[int(which)%len(operations)]
		o.try(t, op.name, op.call)
	})
}
