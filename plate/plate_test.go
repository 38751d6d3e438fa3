package plate_test

import (
	"image"
	"math"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

func TestNew(t *testing.T) {
	for _, row := range []struct {
		what string
		make func()
		want string // of the panic
	}{
		{"no width", func() { plate.NewGray(0, 5) }, ""},
		{"negative width", func() { plate.NewGray(-1, 5) }, "a frame of -1x5 pixels"},
		{"negative height", func() { plate.NewRGB(5, -1) }, "a frame of 5x-1 pixels"},
		{"more than can be counted", func() { plate.NewRGBA(math.MaxInt, 2) }, "pixels"},
	} {
		got := func() (message string) {
			defer func() {
				if r := recover(); r != nil {
					message = r.(string)
				}
			}()
			row.make()
			return ""
		}()
		if (row.want == "") != (got == "") || !strings.Contains(got, row.want) {
			t.Errorf("%s: panics with %q, want %q", row.what, got, row.want)
		}
	}
}

// The planes of a frame do not run into one another, and those of a copy are its own.
func TestPlanes(t *testing.T) {
	f := plate.NewRGBA(3, 2)
	f.Fill(1, 2, 3)
	f.A[5] = 0.5
	for c := range f.Pix {
		if len(f.Pix[c]) != 6 || cap(f.Pix[c]) != 6 || f.Pix[c][5] != float32(c+1) {
			t.Errorf("plane %d is %v, of room for %d", c, f.Pix[c], cap(f.Pix[c]))
		}
	}
	g := f.Clone()
	g.Pix[1][0], g.A[5] = 9, 9
	if f.Pix[1][0] != 2 || f.A[5] != 0.5 {
		t.Error("a change of the copy changes the frame")
	}
	if f.Size() != image.Pt(3, 2) || f.Bounds() != image.Rect(0, 0, 3, 2) {
		t.Errorf("size %v, bounds %v", f.Size(), f.Bounds())
	}
	gray := plate.NewGray(3, 2)
	gray.Fill(4)
	if h := gray.Clone(); h.Pix[5] != 4 || h.Size() != image.Pt(3, 2) {
		t.Errorf("the copy of a Gray is %v", h)
	}
}

func TestCheckFinite(t *testing.T) {
	f := plate.NewRGBA(4, 3)
	f.Fill(math.MaxFloat32, -math.MaxFloat32, 1e-45)
	if err := f.CheckFinite(); err != nil {
		t.Errorf("finite values: %v", err)
	}
	f.A[11] = float32(math.Inf(-1))
	if err := f.CheckFinite(); err == nil || err.Error() != "alpha at pixel (3, 2) is -Inf, and must be a finite number" {
		t.Errorf("infinite alpha: %v", err)
	}
	gray := plate.NewGray(4, 3)
	gray.Pix[4] = float32(math.NaN())
	if err := gray.CheckFinite(); err == nil || err.Error() != "value at pixel (0, 1) is NaN, and must be a finite number" {
		t.Errorf("NaN: %v", err)
	}
}

func TestEmptyPictures(t *testing.T) {
	for _, m := range []image.Image{
		image.NewGray(image.Rect(0, 0, 0, 5)), image.NewRGBA(image.Rect(0, 0, 5, 0)),
		image.NewNRGBA64(image.Rect(2, 2, 9, 9)).SubImage(image.Rect(50, 50, 60, 60)), plate.NewRGBA(0, 0),
	} {
		if f := plate.FromImage(m, plate.SRGB); len(f.A) != 0 || f.Size() != m.Bounds().Size() {
			t.Errorf("%T of %v becomes %v", m, m.Bounds(), f.Size())
		}
	}
}
