package composite

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"example.com/twinplate/plate"
)

// detailed is a picture of edges and noise, 0 to 1.
func detailed(w, h int) *plate.RGB {
	rng := rand.New(rand.NewPCG(9, 9))
	f := plate.NewRGB(w, h)
	for c := range f.Pix {
		for i := range f.Pix[c] {
			if x, y := i%w, i/w; (x/53+y/41+c)%2 == 0 {
				f.Pix[c][i] = 0.9
			}
			f.Pix[c][i] += 0.1 * rng.Float32()
		}
	}
	return f
}

// A frame that is placed after the picture was blurred is one that is blurred after it was placed,
// wherever it lies, and along its borders as inside.
func TestPan(t *testing.T) {
	const w, h = 450, 440
	src := detailed(490, 470)
	for _, row := range []struct {
		softness float64
		codes    float64 // of 65535, of a step: of the blur, by the places of the values that it keeps
	}{{0.6, 0.1}, {2.9, 0.1}, {3, 0.6}, {4, 0.3}, {5, 0.2}} {
		from := Fit{Mode: Fill, Scale: 1 / max(w/490., h/470.), Softness: row.softness, OffsetX: -7.3 / w, OffsetY: 1. / h}
		to := from
		to.OffsetX, to.OffsetY = 12.1/w, -9.6/h
		p := NewPan(src.W, src.H, w, h, from, to)
		if p == nil {
			t.Fatalf("softness %v: there is no pan", row.softness)
		}
		wide, err := p.Wide(nil, src)
		if err != nil {
			t.Fatal(err)
		}
		var fitted Fitted
		worst := 0.
		for _, k := range []float64{1, 0, 0.37, 0.5, 0.81} {
			at := from.Toward(to, k)
			f, err := NewFitter(src.W, src.H, w, h, at)
			if err != nil {
				t.Fatal(err)
			}
			want, err := f.RGB(nil, src)
			if err != nil {
				t.Fatal(err)
			}
			if err := fitted.BeginPan(p, wide, src, at); err != nil {
				t.Fatal(err)
			}
			got := fitted.RGB(nil)
			for c := range got.Pix {
				for i, v := range got.Pix[c] {
					worst = max(worst, math.Abs(float64(v-want.Pix[c][i]))*65535)
				}
			}
			for _, y := range []int{h - 1, 0, h / 2, 30} {
				if line := fitted.Row(y); !slices.Equal(line[1], got.Row(y)[1]) {
					t.Errorf("softness %v: row %d by itself differs", row.softness, y)
				}
			}
		}
		if t.Logf("softness %v: off by %.3f codes of 65535 at the most", row.softness, worst); !(worst <= row.codes) {
			t.Errorf("softness %v: off by %v codes of 65535, want %v at the most", row.softness, worst, row.codes)
		}
		// What a Fitted was before does not matter.
		f, err := NewFitter(src.W, src.H, w, h, to)
		if err != nil {
			t.Fatal(err)
		}
		want, err := f.RGB(nil, src)
		if err := fitted.Begin(f, src); err != nil {
			t.Fatal(err)
		}
		if got := fitted.RGB(nil); err != nil || !slices.Equal(got.Pix[0], want.Pix[0]) {
			t.Errorf("softness %v: after a pan another fit differs (%v)", row.softness, err)
		}
	}
}

// What a Pan cannot give as a Fitter does, or only at a cost, is a Fitter's.
func TestNoPan(t *testing.T) {
	from := Fit{Mode: None, Softness: 1}
	is := func(change func(from, to *Fit)) bool {
		from, to := from, from
		to.OffsetX = 0.05
		change(&from, &to)
		return NewPan(300, 240, 200, 240, from, to) != nil
	}
	if !is(func(_, _ *Fit) {}) || !is(func(_, to *Fit) { to.Scale, to.Mode = 1, Fill }) {
		t.Error("there is no pan")
	}
	for name, change := range map[string]func(from, to *Fit){
		"crisp":            func(from, to *Fit) { from.Softness, to.Softness = 0, 0 },
		"softer":           func(_, to *Fit) { to.Softness = 3 },
		"growing":          func(_, to *Fit) { to.Scale = 1.1 },
		"enlarged":         func(from, to *Fit) { from.Scale, to.Scale = 1.1, 1.1 },
		"shrunk":           func(from, to *Fit) { from.Scale, to.Scale = 0.9, 0.9 },
		"turned":           func(from, to *Fit) { from.Turn, to.Turn = 5, 5 },
		"turning":          func(_, to *Fit) { to.Turn = 5 },
		"open at a side":   func(_, to *Fit) { to.OffsetX = 0.3 },
		"open at the top":  func(_, to *Fit) { to.OffsetY = 0.01 },
		"with wide border": func(from, to *Fit) { from.Softness, to.Softness = 3, 3 },
	} {
		if is(change) {
			t.Errorf("%s: there is a pan", name)
		}
	}
	if to := (Fit{Mode: None, Softness: 1, OffsetX: -0.5}); NewPan(1000, 240, 200, 240, Fit{Mode: None, Softness: 1, OffsetX: 0.9}, to) != nil {
		t.Error("of more than two frames there is a pan")
	}
}
