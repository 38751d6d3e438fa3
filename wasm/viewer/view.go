package main

import "math"

const (
	maxScale   = 64.0 // the most device pixels that a picture pixel may be shown by
	smoothTo   = 4.0  // enlarged further than this, picture pixels are shown as squares
	gridFrom   = 16.0 // and from here on with a fine line between them
	widestStep = 8.0  // a device pixel averages at most this many picture pixels along each axis
)

type point struct{ x, y float64 }

// A view says how a picture of pw by ph pixels lies on a canvas of cw by ch device pixels: enlarged
// zoom times from where it just fits, with the point center of the picture (0 to 1 over its width
// and height) in the middle of the canvas. Canvas positions are in device pixels from the top left
// corner; a picture's pixel (i, j) covers i to i+1 and j to j+1.
type view struct {
	cw, ch int
	pw, ph int
	zoom   float64
	center point
}

// fitScale returns the device pixels for a picture pixel at which the whole picture just fits the
// canvas.
func (v *view) fitScale() float64 {
	if v.pw <= 0 || v.ph <= 0 || v.cw <= 0 || v.ch <= 0 {
		return 1
	}
	return min(float64(v.cw)/float64(v.pw), float64(v.ch)/float64(v.ph))
}

// scale returns the device pixels that a picture pixel takes along each axis.
func (v *view) scale() float64 {
	s := v.fitScale() * v.zoom
	if whole := math.Round(s); math.Abs(s-whole) < 1e-9*whole {
		return whole
	}
	return s
}

// origin returns where the picture's top left corner lies: on a whole device pixel, so that
// whole-numbered scales show picture pixels sharply.
func (v *view) origin() point {
	s := v.scale()
	return point{
		math.Round(float64(v.cw)/2 - v.center.x*float64(v.pw)*s),
		math.Round(float64(v.ch)/2 - v.center.y*float64(v.ph)*s),
	}
}

// size returns the picture's size on the canvas.
func (v *view) size() point {
	s := v.scale()
	return point{math.Round(float64(v.pw) * s), math.Round(float64(v.ph) * s)}
}

// at returns the picture position, in picture pixels, that is shown at a canvas position.
func (v *view) at(p point) point {
	o, s := v.origin(), v.scale()
	return point{(p.x - o.x) / s, (p.y - o.y) / s}
}

// pixel returns the picture pixel at a canvas position, and whether there is one.
func (v *view) pixel(p point) (x, y int, inside bool) {
	q := v.at(p)
	x, y = int(math.Floor(q.x)), int(math.Floor(q.y))
	return x, y, x >= 0 && y >= 0 && x < v.pw && y < v.ph
}

// zoomTo sets the zoom and keeps the picture position under the canvas position p where it is, as
// far as the limits allow.
func (v *view) zoomTo(zoom float64, p point) {
	fit := v.fitScale()
	if math.IsNaN(zoom) {
		return
	}
	zoom = min(max(zoom, 0.5*min(1, 1/fit)), max(1, maxScale/fit))
	before := v.scale()
	held := point{
		(p.x-float64(v.cw)/2)/before + v.center.x*float64(v.pw),
		(p.y-float64(v.ch)/2)/before + v.center.y*float64(v.ph),
	}
	v.zoom = zoom
	after := v.scale()
	v.lookAt(point{
		(held.x - (p.x-float64(v.cw)/2)/after) / float64(max(v.pw, 1)),
		(held.y - (p.y-float64(v.ch)/2)/after) / float64(max(v.ph, 1)),
	})
}

// lookAt brings a point of the picture (0 to 1) to the middle of the canvas. A picture that is
// smaller than the canvas stays in its middle; a larger one leaves no gap at the canvas's edges.
func (v *view) lookAt(center point) {
	s := v.scale()
	v.center = point{
		held(center.x, float64(v.cw)/(s*float64(max(v.pw, 1)))),
		held(center.y, float64(v.ch)/(s*float64(max(v.ph, 1)))),
	}
}

// held returns the center moved so that the part of the picture that is seen, 0 to 1, does not
// leave the picture.
func held(center, seen float64) float64 {
	if seen >= 1 || math.IsNaN(center) {
		return 0.5
	}
	return min(max(center, seen/2), 1-seen/2)
}

// pan moves the picture by canvas pixels.
func (v *view) pan(dx, dy float64) {
	s := v.scale()
	v.lookAt(point{
		v.center.x - dx/(s*float64(max(v.pw, 1))),
		v.center.y - dy/(s*float64(max(v.ph, 1))),
	})
}

// overflows reports along which axes the picture is larger than the canvas.
func (v *view) overflows() (x, y bool) {
	s := v.size()
	return s.x > float64(v.cw), s.y > float64(v.ch)
}

// fit shows the whole picture.
func (v *view) fit() { v.zoomTo(1, point{}) }

// actual shows a picture pixel on a device pixel and keeps the picture position under p.
func (v *view) actual(p point) { v.zoomTo(1/v.fitScale(), p) }

// middle returns the canvas's middle.
func (v *view) middle() point { return point{float64(v.cw) / 2, float64(v.ch) / 2} }

// resize gives the canvas and the picture new sizes. What fits goes on fitting; otherwise a picture
// pixel keeps its size on the canvas, unless the picture is another one.
func (v *view) resize(cw, ch, pw, ph int) {
	scale, same := v.scale(), pw == v.pw && ph == v.ph
	v.cw, v.ch, v.pw, v.ph = cw, ch, pw, ph
	zoom := v.zoom
	if same && zoom != 1 {
		zoom = scale / v.fitScale()
	}
	v.zoomTo(zoom, v.middle())
}

// filter returns how many picture pixels a device pixel averages along an axis (span) and how many
// it has to look at for that (taps), when a picture pixel takes scale device pixels: an area of the
// device pixel's own size when the picture is reduced, one of a picture pixel (bilinear
// interpolation) when it is enlarged a little, and again one of a device pixel when it is enlarged
// so far that picture pixels are shown as squares.
func filter(scale float64) (span float64, taps int) {
	switch {
	case scale == 1 || scale > smoothTo && scale == math.Trunc(scale):
		return 1.0 / 64, 1 // every device pixel lies within one picture pixel
	case scale > smoothTo:
		return 1 / scale, 2
	case scale > 1:
		return 1, 2
	}
	span = min(1/scale, widestStep)
	return span, int(math.Ceil(span-1e-9)) + 1
}
