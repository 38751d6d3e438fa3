package composite

import (
	"math"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// One pixel, worked by hand. The background is (0.5, 1, 0), the performer (0.25, 0.25, 0.25) with a
// transmission of 0.5.
func TestStack(t *testing.T) {
	fog := Layer{Frame: onePixel(0.25, 0.25, 0.25, 0.5)}
	for _, test := range []struct {
		name          string
		behind, front []Layer
		want          [3]float32
	}{
		{"no layers: HoldOut", nil, nil, [3]float32{0.5, 0.75, 0.25}},
		// Behind: fog over background is (0.5, 0.75, 0.25); half of that, plus the performer.
		{"fog behind is held out", []Layer{fog}, nil, [3]float32{0.5, 0.625, 0.375}},
		// In front: (0.25 + half of HoldOut's).
		{"fog in front covers the performer", nil, []Layer{fog}, [3]float32{0.5, 0.625, 0.375}},
		{"fog behind and in front", []Layer{fog}, []Layer{fog}, [3]float32{0.5, 0.5625, 0.4375}},
		{"the order is from the back to the front", []Layer{fog, {Frame: onePixel(0, 0, 1, 1)}}, nil, [3]float32{0.25, 0.25, 0.75}},
		{"a layer half faded", nil, []Layer{{Frame: onePixel(1, 1, 1, 1), Fade: 0.5}}, [3]float32{0.75, 0.875, 0.625}},
		{"a layer faded out", []Layer{{Frame: onePixel(1, 1, 1, 1), Fade: 1}}, []Layer{{Frame: onePixel(1, 1, 1, 1), Fade: 1}}, [3]float32{0.5, 0.75, 0.25}},
		{"a flame adds its light", nil, []Layer{{Frame: onePixel(4, 2, 1, 0.5), Operator: Plus}}, [3]float32{4.5, 2.75, 1.25}},
		{"a glow with no alpha adds its light too", nil, []Layer{{Frame: onePixel(4, 2, 1, 0)}}, [3]float32{4.5, 2.75, 1.25}},
		{"a flame half faded adds half", nil, []Layer{{Frame: onePixel(4, 2, 1, 0), Operator: Plus, Fade: 0.5}}, [3]float32{2.5, 1.75, 0.75}},
		// The hole lets half the background through, and the performer stands before it.
		{"a hole behind leaves black", []Layer{{Frame: onePixel(0, 0, 0, 0.5), Operator: BOutA}}, nil, [3]float32{0.375, 0.5, 0.25}},
		// After the hole, alpha is 0.5 behind and 0.75 with the performer: a quarter of the blue is
		// seen.
		{"a hole is filled from behind by a later layer", []Layer{{Frame: onePixel(0, 0, 0, 0.5), Operator: BOutA}},
			[]Layer{{Frame: onePixel(0, 0, 1, 1), Operator: BOverA}}, [3]float32{0.375, 0.5, 0.5}},
		{"only the layer", nil, []Layer{{Frame: onePixel(1, 2, 3, 0.5), Operator: OnlyA, Fade: 0.5}}, [3]float32{0.5, 1, 1.5}},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := Stack(pixels([3]float32{0.5, 1, 0}), test.behind, pixels([3]float32{0.25, 0.25, 0.25}), gray(0.5), test.front)
			if err != nil {
				t.Fatal(err)
			}
			if !same(got, pixels(test.want)) {
				t.Errorf("got %v, want %v", got.Pix, test.want)
			}
		})
	}
}

func TestStackWithoutLayersIsHoldOut(t *testing.T) {
	p, b := randomRGBA(1, 31, 17), randomRGBA(2, 31, 17)
	transmission := &plate.Gray{W: 31, H: 17, Pix: randomRGBA(3, 31, 17).A}
	b.Pix[1][40], p.Pix[0][41] = nan, -3
	want, err := HoldOut(nil, &p.RGB, transmission, &b.RGB)
	if err != nil {
		t.Fatal(err)
	}
	before := b.Clone()
	got, err := Stack(&b.RGB, nil, &p.RGB, transmission, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !same(got, want) {
		t.Error("the results differ")
	}
	if !same(&b.RGB, &before.RGB) {
		t.Error("the background was changed")
	}
}

// Stack is Compose and HoldOut in turn, on frames of many rows.
func TestStackIsComposeInTurn(t *testing.T) {
	p, b := randomRGBA(1, 31, 17), randomRGBA(2, 31, 17)
	transmission := plate.NewGray(31, 17)
	for i, alpha := range p.A {
		transmission.Pix[i] = 1 - alpha
		b.A[i] = 1
	}
	haze, rain := randomRGBA(4, 31, 17), randomRGBA(5, 31, 17)
	got, err := Stack(&b.RGB, []Layer{{Frame: haze, Fade: 0.25}}, &p.RGB, transmission, []Layer{{Frame: rain, Operator: AAtopB}})
	if err != nil {
		t.Fatal(err)
	}
	step := func(f *plate.RGBA, err error) *plate.RGBA {
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	want := step(Compose(nil, AOverB, step(Dissolve(nil, haze, 0.75)), b))
	if _, err := HoldOut(&want.RGB, &p.RGB, transmission, &want.RGB); err != nil {
		t.Fatal(err)
	}
	want = step(Compose(nil, AAtopB, rain, want))
	for c := range want.Pix {
		for i, v := range want.Pix[c] {
			if math.Abs(float64(got.Pix[c][i]-v)) > 5e-7 {
				t.Fatalf("channel %d of pixel %d is %v, want %v", c, i, got.Pix[c][i], v)
			}
		}
	}
}

func TestStackErrors(t *testing.T) {
	p, g, a := plate.NewRGB(1, 1), plate.NewGray(1, 1), plate.NewRGBA(1, 1)
	for _, test := range []struct {
		name  string
		layer Layer
		want  string
	}{
		{"no frame", Layer{}, "layer 1 in front has no frame"},
		{"no such operator", Layer{Frame: a, Operator: 77}, "there is no operator 77: they are 0 (A over B) to 12 (plus) (layer 1 in front)"},
		{"a fade beyond 1", Layer{Frame: a, Fade: 1.5}, "the fade of layer 1 in front is 1.5, and must be 0 (not at all) to 1 (entirely)"},
		{"a fade below 0", Layer{Frame: a, Fade: -1}, "the fade of layer 1 in front is -1"},
		{"a fade of NaN", Layer{Frame: a, Fade: nan}, "the fade of layer 1 in front is NaN"},
	} {
		if _, err := Stack(p, nil, p, g, []Layer{{Frame: a}, test.layer}); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: error %v, want one that says %q", test.name, err, test.want)
		}
	}
}
