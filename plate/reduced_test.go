package plate

import (
	"image"
	"image/color"
	"math"
	"path/filepath"
	"testing"
)

// Each pixel of a reduced picture is the mean light of its square, whichever way it is read; what
// is over at the right and at the bottom is left out.
func TestReduced(t *testing.T) {
	const w, h, n = 7, 5, 2
	m := image.NewRGBA64(image.Rect(0, 0, w, h))
	for i := range w * h {
		m.Set(i%w, i/w, color.RGBA64{uint16(i * 1800), uint16(60000 - i*900), uint16(i * i * 50), 0xffff})
	}
	path := filepath.Join(t.TempDir(), "plate.png")
	if err := Write(path, m, nil); err != nil {
		t.Fatal(err)
	}
	whole, err := ReadRGB(path, SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	open := func() *Picture {
		p, err := Disk{}.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { p.Close() })
		return p.Reduced(n)
	}
	f, err := open().RGB(nil, SRGB)
	if err != nil {
		t.Fatal(err)
	}
	weights := [3]float32{0.5, 0.3, 0.2}
	g, err := open().Gray(nil, SRGB, &weights)
	if err != nil {
		t.Fatal(err)
	}
	if f.W != w/n || f.H != h/n || g.W != w/n || g.H != h/n {
		t.Fatalf("%dx%d and %dx%d pixels, of %dx%d by %d", f.W, f.H, g.W, g.H, w, h, n)
	}
	rows, err := open().Rows(SRGB)
	if err != nil {
		t.Fatal(err)
	}
	byRow := NewRGB(f.W, f.H)
	for y := range f.H {
		if err := rows.Next(byRow.Row(y)); err != nil {
			t.Fatal(err)
		}
	}
	for i := range f.W * f.H {
		gray := 0.0
		for c := range 3 {
			want := 0.0
			for k := range n * n {
				want += float64(whole.Pix[c][(i/f.W*n+k/n)*w+i%f.W*n+k%n]) / (n * n)
			}
			gray += want * float64(weights[c])
			for what, got := range map[string]*RGB{"as a whole": f, "by row": byRow} {
				if math.Abs(float64(got.Pix[c][i])-want) > 1e-6 {
					t.Errorf("%s: pixel %d, channel %d is %v, the mean light is %v", what, i, c, got.Pix[c][i], want)
				}
			}
		}
		if math.Abs(float64(g.Pix[i])-gray) > 1e-6 {
			t.Errorf("gray: pixel %d is %v, the mean light is %v", i, g.Pix[i], gray)
		}
	}
	if _, err := open().Image(); err == nil {
		t.Error("a reduced picture gives out code values")
	}
}

// A picture cannot be reduced to nothing.
func TestReducedToOne(t *testing.T) {
	p := DecodedPicture("", Info{W: 6, H: 4}, func() (image.Image, error) { return NewRGB(6, 4), nil }).Reduced(9)
	if size := p.Size(); size != image.Pt(1, 1) {
		t.Errorf("6x4 pixels reduced by 9 have %v", size)
	}
	if f, err := p.RGB(nil, Linear); err != nil || f.W != 1 {
		t.Errorf("%v, %v", f, err)
	}
}
