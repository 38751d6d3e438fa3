// Package plate holds frames in linear light, the transfer curves that lead there and back, and the
// reading and writing of picture files.
//
// A frame is float32, planar, row by row from the top. Values are scene-referred: they may be below
// 0 (noise around black) or above 1 (highlights), and stay so until a file format cannot hold them.
package plate

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"
	"sync/atomic"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
)

// A Gray is a frame of one value a pixel: a band plate, a transmission, a matte.
//
// Pix holds W*H values; pixel (x, y) is Pix[y*W+x]. A Gray is an image.Image: there its values are
// shown sRGB-encoded and clamped to 0 to 1, as 16 bits.
type Gray struct {
	W, H int
	Pix  []float32
}

// An RGB is a frame of three planes, red, green and blue: a color plate, a background, a
// foreground.
//
// Each plane holds W*H values; green at (x, y) is Pix[1][y*W+x]. An RGB is an image.Image: there
// its values are shown sRGB-encoded and clamped to 0 to 1, as 16 bits.
type RGB struct {
	W, H int
	Pix  [3][]float32
}

// An RGBA is a frame of color and alpha. The color is premultiplied, in linear light; alpha is 0 to
// 1.
//
// As an image.Image it is shown with its color un-premultiplied, sRGB-encoded and clamped, as 16
// bits.
type RGBA struct {
	RGB
	A []float32
}

// NewGray returns a black frame of w by h pixels. It panics when w or h is negative.
func NewGray(w, h int) *Gray {
	return &Gray{W: w, H: h, Pix: newPlane(w, h)}
}

// NewRGB returns a black frame of w by h pixels. It panics when w or h is negative.
func NewRGB(w, h int) *RGB {
	f := &RGB{W: w, H: h}
	for c := range f.Pix {
		f.Pix[c] = newPlane(w, h)
	}
	return f
}

// NewRGBA returns a frame of w by h transparent pixels. It panics when w or h is negative.
func NewRGBA(w, h int) *RGBA {
	return &RGBA{RGB: *NewRGB(w, h), A: newPlane(w, h)}
}

// newPlane returns the values of one plane. Large ones begin at different places of a page of
// memory, a cache line or more apart: at the same place, as they would else, the pixels of a dozen
// planes that are worked on together drive each other out of the processor's first cache, which
// keeps eight or so of a kind.
func newPlane(w, h int) []float32 {
	const page, line = 4096 / 4, 64 / 4
	n := area(w, h)
	if n < page {
		return make([]float32, n)
	}
	at := int(planes.Add(5)) % (page / line) * line
	return huge(make([]float32, n+page))[at : at+n : at+n]
}

var planes atomic.Uint32 // counts the large ones, in cache lines

func area(w, h int) int {
	if w < 0 || h < 0 || h > 0 && w > math.MaxInt/h {
		panic(fmt.Sprintf("plate: a frame of %dx%d pixels", w, h))
	}
	return w * h
}

// Clone returns a copy that shares nothing with f.
func (f *Gray) Clone() *Gray {
	g := NewGray(f.W, f.H)
	copy(g.Pix, f.Pix)
	return g
}

// Clone returns a copy that shares nothing with f.
func (f *RGB) Clone() *RGB {
	g := NewRGB(f.W, f.H)
	for c := range g.Pix {
		copy(g.Pix[c], f.Pix[c])
	}
	return g
}

// Clone returns a copy that shares nothing with f.
func (f *RGBA) Clone() *RGBA {
	return &RGBA{RGB: *f.RGB.Clone(), A: append([]float32(nil), f.A...)}
}

// Sized returns f where it has this size, whatever is in it, and otherwise, also of nil, a new
// frame: so many results of one size need no memory each.
func (f *Gray) Sized(size image.Point) *Gray {
	if f == nil || f.Size() != size {
		return NewGray(size.X, size.Y)
	}
	return f
}

// Sized returns f where it has this size, whatever is in it, and otherwise, also of nil, a new
// frame.
func (f *RGB) Sized(size image.Point) *RGB {
	if f == nil || f.Size() != size {
		return NewRGB(size.X, size.Y)
	}
	return f
}

// Paste copies src into f, its top left pixel to (x, y), where it must have room.
func (f *RGB) Paste(src *RGB, x, y int) {
	for i := range src.H {
		to := f.Row(y + i)
		for c, from := range src.Row(i) {
			copy(to[c][x:], from)
		}
	}
}

// Fill sets every pixel to v.
func (f *Gray) Fill(v float32) {
	for i := range f.Pix {
		f.Pix[i] = v
	}
}

// Fill sets every pixel to (r, g, b).
func (f *RGB) Fill(r, g, b float32) {
	for c, v := range [3]float32{r, g, b} {
		for i := range f.Pix[c] {
			f.Pix[c][i] = v
		}
	}
}

// Size returns the width and height in pixels.
func (f *Gray) Size() image.Point { return image.Pt(f.W, f.H) }

// Size returns the width and height in pixels.
func (f *RGB) Size() image.Point { return image.Pt(f.W, f.H) }

// Row returns row y of red, green and blue. It shares the frame's memory. It panics when y is not
// in the frame.
func (f *RGB) Row(y int) [3][]float32 {
	i, j := y*f.W, (y+1)*f.W
	return [3][]float32{f.Pix[0][i:j:j], f.Pix[1][i:j:j], f.Pix[2][i:j:j]}
}

// Bounds returns the rectangle from (0, 0) to (W, H).
func (f *Gray) Bounds() image.Rectangle { return image.Rect(0, 0, f.W, f.H) }

// Bounds returns the rectangle from (0, 0) to (W, H).
func (f *RGB) Bounds() image.Rectangle { return image.Rect(0, 0, f.W, f.H) }

// ColorModel returns color.Gray16Model.
func (f *Gray) ColorModel() color.Model { return color.Gray16Model }

// ColorModel returns color.RGBA64Model.
func (f *RGB) ColorModel() color.Model { return color.RGBA64Model }

// ColorModel returns color.NRGBA64Model.
func (f *RGBA) ColorModel() color.Model { return color.NRGBA64Model }

// At returns the pixel at (x, y) as a color.Gray16, sRGB-encoded; outside the frame it is black.
func (f *Gray) At(x, y int) color.Color {
	if !image.Pt(x, y).In(f.Bounds()) {
		return color.Gray16{}
	}
	return color.Gray16{Y: show(f.Pix[y*f.W+x])}
}

// At returns the pixel at (x, y) as a color.RGBA64, opaque and sRGB-encoded; outside the frame it
// is transparent.
func (f *RGB) At(x, y int) color.Color { return f.RGBA64At(x, y) }

// RGBA64At is At without the interface.
func (f *RGB) RGBA64At(x, y int) color.RGBA64 {
	if !image.Pt(x, y).In(f.Bounds()) {
		return color.RGBA64{}
	}
	i := y*f.W + x
	return color.RGBA64{R: show(f.Pix[0][i]), G: show(f.Pix[1][i]), B: show(f.Pix[2][i]), A: 0xffff}
}

// At returns the pixel at (x, y) as a color.NRGBA64, sRGB-encoded; outside the frame it is
// transparent.
func (f *RGBA) At(x, y int) color.Color {
	if !image.Pt(x, y).In(f.Bounds()) {
		return color.NRGBA64{}
	}
	r, g, b, a := NewEncoder(SRGB, 16).straight(f, y*f.W+x)
	return color.NRGBA64{R: r, G: g, B: b, A: a}
}

// RGBA64At is At, premultiplied after encoding as package image has it.
func (f *RGBA) RGBA64At(x, y int) color.RGBA64 {
	return color.RGBA64Model.Convert(f.At(x, y)).(color.RGBA64)
}

// Opaque returns true. It spares encoders a look at every pixel.
func (f *RGB) Opaque() bool { return true }

// Opaque reports whether alpha is 1 or more at every pixel.
func (f *RGBA) Opaque() bool {
	return !slices.ContainsFunc(f.A, func(a float32) bool { return !(a >= 1) })
}

func show(v float32) uint16 { return NewEncoder(SRGB, 16).Code(v) }

// CheckFinite returns an error that gives the place and the value of the first pixel that is NaN or
// infinite.
func (f *Gray) CheckFinite() error { return planeFinite(f.W, f.Pix, "value") }

// CheckFinite returns an error that gives the place and the value of the first pixel that is NaN or
// infinite.
func (f *RGB) CheckFinite() error {
	for c, name := range []string{"red", "green", "blue"} {
		if err := planeFinite(f.W, f.Pix[c], name); err != nil {
			return err
		}
	}
	return nil
}

// CheckFinite returns an error that gives the place and the value of the first pixel that is NaN or
// infinite, in color or alpha.
func (f *RGBA) CheckFinite() error {
	if err := f.RGB.CheckFinite(); err != nil {
		return err
	}
	return planeFinite(f.W, f.A, "alpha")
}

// checkFinite is CheckFinite for the pictures that have it.
func checkFinite(frame image.Image) error {
	if f, ok := frame.(interface{ CheckFinite() error }); ok {
		return f.CheckFinite()
	}
	return nil
}

func planeFinite(w int, pix []float32, name string) error {
	var infinite atomic.Bool
	parallel.Rows(1, len(pix), func(from, to int) {
		if !kernel.Finite(pix[from:to]) {
			infinite.Store(true)
		}
	})
	if !infinite.Load() {
		return nil
	}
	for i, v := range pix {
		// The exponent's bits are all ones for NaN and the infinities, and for nothing else.
		if math.Float32bits(v)&0x7f800000 == 0x7f800000 {
			return fmt.Errorf("%s at pixel (%d, %d) is %v, and must be a finite number", name, i%w, i/w, v)
		}
	}
	return nil
}
