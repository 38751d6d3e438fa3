package composite

import (
	"cmp"
	"image"
	"math"
	"slices"

	"example.com/twinplate/internal/blur"
	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/plate"
)

// A Pan lays a soft picture behind frames from one fit to another that differ by their offset
// alone. What all of them show of it is blurred once, as one picture that is wider than a frame; a
// frame is moved out of that by the cubic that would have placed it. Along the frame's borders,
// beyond which the blur has the frame go on as it is there, it is fitted for each frame as by a
// Fitter. A Pan is safe to use concurrently.
//
// To blur and to move by a part of a pixel commute where a pixel of the picture is one of the
// frame: the frames are a Fitter's, within what the blur is off by, 1/65535 of a step. Where the
// picture is enlarged or shrunk they are not: fine detail beats with the frame's pixels, at each
// offset otherwise.
type Pan struct {
	srcW, srcH, dstW, dstH int
	left, top              float64 // where the picture's edges lie in the wide one
	wide                   *Fitter
	sides, tops            *blur.Gaussian // of the borders
	border                 int            // rows and columns along the frame's borders
}

// What a Pan is worth.
const (
	// MostPanned is how many frames what Wide returns may be as large as: it is kept in memory.
	MostPanned = 2
	// mostBorder is the part of the frame's shorter side that a border may be. Of a border twice as
	// much is fitted as is shown: with a softness of 12, a border of 1/18 of an HD frame, a frame
	// takes 0.8 of a Fitter's time, with 20 and 1/11 1.3 of it.
	mostBorder = 1. / 16
	// reachBorder is how much of the Gaussian a border is as wide as, in standard deviations:
	// beyond is 2e-6 of it. cubicBorder are the pixels that the cubic needs beside those, and one
	// for rounding.
	reachBorder, cubicBorder = 4.8, 3
)

// NewPan prepares to lay pictures of srcW by srcH pixels behind frames of dstW by dstH from one fit
// to another, both of which NewFitter takes. It returns nil where the frames are a Fitter's: where
// more than the offset differs, nothing is blurred, the picture is turned, enlarged or shrunk or
// leaves some of a frame open, a border is wider than 1/16 of the frame's shorter side, or the
// frames show more of the picture than two frames hold.
func NewPan(srcW, srcH, dstW, dstH int, from, to Fit) *Pan {
	moved := from
	moved.OffsetX, moved.OffsetY = to.OffsetX, to.OffsetY
	moved.Mode, moved.Scale, to.Scale = to.Mode, cmp.Or(moved.Scale, 1), cmp.Or(to.Scale, 1)
	if moved != to || math.Mod(from.Turn, 360) != 0 || !(from.Softness > 0) {
		return nil
	}
	to.Mode = from.Mode // as Toward has it
	left, top, sx, sy := from.place(srcW, srcH, dstW, dstH)
	endLeft, endTop, _, _ := to.place(srcW, srcH, dstW, dstH)
	const rounding = 1e-9 // of a factor of 1: far above float64's
	other := func(scale float64) bool { return math.Abs(scale-1) > rounding }
	open := func(edge, end float64, src, dst int) bool {
		const rounding = 1e-6 // of a pixel
		return max(edge, end) > rounding || min(edge, end)+float64(src) < float64(dst)-rounding
	}
	border := int(math.Ceil(reachBorder*from.Softness)) + cubicBorder
	if other(sx) || other(sy) || open(left, endLeft, srcW, dstW) || open(top, endTop, srcH, dstH) ||
		float64(border) > mostBorder*float64(min(dstW, dstH)) {
		return nil
	}
	p := &Pan{srcW: srcW, srcH: srcH, dstW: dstW, dstH: dstH, border: border}
	var w, h int
	p.left, w = sweep(left, endLeft, srcW, dstW)
	p.top, h = sweep(top, endTop, srcH, dstH)
	if w*h > MostPanned*dstW*dstH {
		return nil
	}
	p.wide = newUpright(srcW, srcH, w, h, p.left, p.top, 1, 1, blur.NewGaussian(w, h, from.Softness))
	p.sides = blur.NewGaussian(4*border, dstH, from.Softness)
	p.tops = blur.NewGaussian(dstW, 4*border, from.Softness)
	return p
}

// sweep returns how many of the picture's pixels, of size in all, a frame of n shows while the
// picture's edge goes from one place to another, and where the edge lies in these: a whole number,
// so that they are as they are in the picture.
func sweep(edge, end float64, size, n int) (place float64, all int) {
	from, to := math.Floor(-max(edge, end)), math.Ceil(float64(n)-min(edge, end))
	from, to = max(from, 0), min(to, float64(size))
	return -from, int(to - from)
}

// Wide returns what all frames show of src, blurred. It is written to dst, which may be nil, as far
// as that has room. The error is a *plate.SizeError: src is not of the size that the Pan was
// prepared for.
func (p *Pan) Wide(dst, src *plate.RGB) (*plate.RGB, error) {
	return p.wide.RGB(dst.Sized(image.Pt(p.wide.dstW, p.wide.dstH)), src)
}

// BeginPan is Begin for the frame of a fit between those of p, of src and of p.Wide of it. Both
// must stay as they are while rows are asked for.
func (r *Fitted) BeginPan(p *Pan, wide, src *plate.RGB, at Fit) error {
	if err := plate.CheckSize("source", src.Size(), "picture that the Pan was prepared for", image.Pt(p.srcW, p.srcH)); err != nil {
		return err
	}
	left, top, _, _ := at.place(p.srcW, p.srcH, p.dstW, p.dstH)
	if err := r.Begin(newUpright(p.wide.dstW, p.wide.dstH, p.dstW, p.dstH, left-p.left, top-p.top, 1, 1, blur.NewGaussian(0, 0, 0)), wide); err != nil {
		return err
	}
	if r.along == nil {
		r.along = new(Fitted)
	}
	r.border = p.border
	all := func(edge float64, size int) ends { return ends{to: size, next: size, end: size, edge: edge} }
	x, y := endsOf(left, p.srcW, p.dstW, p.border), endsOf(top, p.srcH, p.dstH, p.border)
	r.beside(src, x, all(top, p.srcH), p.sides)
	r.sides = r.along.RGB(r.sides)
	r.beside(src, all(left, p.srcW), y, p.tops)
	r.tops = r.tops.Sized(image.Pt(p.dstW, 2*p.border)) // the rows that are shown
	for k := range 2 * p.border {
		y := k
		if k >= p.border {
			y += 2 * p.border
		}
		for c, row := range r.along.Row(y) {
			copy(r.tops.Pix[c][k*p.dstW:], row)
		}
	}
	return nil
}

// Ends are two stretches of a picture's pixels: from one up to another, and from the next up to the
// end. Edge is where the first of them lies in the frame.
type ends struct {
	from, to, next, end int
	edge                float64
}

// endsOf returns what a frame of n pixels shows at both its ends, two borders each, of so many of a
// picture: beside each other these lie in a frame of four borders as they do in their own, but for
// the cubic where they meet.
func endsOf(edge float64, size, n, border int) ends {
	const beside = 2 // pixels that the cubic reaches
	from := max(int(math.Floor(-edge))-beside, 0)
	to := from + 2*border + beside + 1
	next := to + n - 4*border
	return ends{from, to, next, min(int(math.Ceil(float64(n)-edge))+beside, size), edge + float64(from)}
}

// beside has r.along be what soft makes of the ends of a picture.
func (r *Fitted) beside(src *plate.RGB, x, y ends, soft *blur.Gaussian) {
	w, h := x.to-x.from+x.end-x.next, y.to-y.from+y.end-y.next
	r.cut = r.cut.Sized(image.Pt(w, h))
	for c := range src.Pix {
		for k := range h {
			from := y.from + k
			if from >= y.to {
				from += y.next - y.to
			}
			row := src.Pix[c][from*src.W:][:src.W]
			n := copy(r.cut.Pix[c][k*w:], row[x.from:x.to])
			copy(r.cut.Pix[c][k*w+n:], row[x.next:x.end])
		}
	}
	size := soft.Size()
	r.along.begin(newUpright(w, h, size.X, size.Y, x.edge, y.edge, 1, 1, soft), r.cut.Pix[:])
}

// panned sets row y of each plane: along the frame's borders as it was fitted there, and between
// them by the cubic, whose weights are the same for all pixels.
func (r *Fitted) panned(dst [][]float32, buffer *[]float32, y int) {
	f, b := r.f, r.border
	w, h := f.dstW, f.dstH
	set := func(x, n int, s *plate.RGB, fromX, fromY int) {
		for c := range dst {
			copy(dst[c][x:x+n], s.Pix[c][fromY*s.W+fromX:])
		}
	}
	switch {
	case y < b:
		set(0, w, r.tops, 0, y)
	case y >= h-b:
		set(0, w, r.tops, 0, y-h+2*b)
	default:
		set(0, b, r.sides, 0, y)
		set(w-b, b, r.sides, 3*b, y)
		top, down := f.rows.at(y)
		left, across := f.cols.at(b)
		n := w - 2*b + len(across) - 1
		*buffer = slices.Grow((*buffer)[:0], n)[:n]
		for c := range dst {
			kernel.Blend(*buffer, r.src[c][top*f.srcW+left:], f.srcW, down)
			kernel.Blend(dst[c][b:w-b], *buffer, 1, across)
		}
	}
}
