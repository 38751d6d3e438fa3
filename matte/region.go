package matte

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"sync"

	"golang.org/x/image/vector"

	"example.com/twinplate/internal/blur"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// A RegionEffect is what a Region does to a matte.
type RegionEffect string

const (
	// Outside: the background shows, whatever is in the plates.
	Outside RegionEffect = "outside"
	// Solid: nothing shows through. The foreground is the color plate's light.
	Solid RegionEffect = "solid"
	// Open: all of the background shows through, and the color plate's light beyond the screen's
	// own is added to it.
	Open RegionEffect = "open"
	// Unspilled: the performer is solid but for their edges, and the spill on them is taken off, as
	// TakeSpill does.
	Unspilled RegionEffect = "unspilled"
)

// A Region is a closed outline within which the matte is what somebody says, and not what was
// measured.
type Region struct {
	Name    string       `json:"name,omitempty"`
	Effect  RegionEffect `json:"effect"`
	Feather float64      `json:"feather,omitempty"` // pixels over which the border goes from a tenth to nine tenths
	First   int          `json:"first,omitempty"`   // the frames that it holds for, by number
	Last    int          `json:"last,omitempty"`    // 0: no end
	Keys    []Outline    `json:"keys"`              // in the order of their frames; between two the corners move evenly
}

// An Outline is where a region's corners are at a frame. Before the first and after the last outline
// the corners stay.
type Outline struct {
	Frame   int      `json:"frame"`
	Corners []Corner `json:"corners"`
}

// A Corner is a point of an outline, in parts of the frame's width and height from its left and top
// edges; it may lie outside. At a smooth one the outline bends, parallel to the line between its
// neighbors (a Catmull-Rom spline); otherwise it has a corner.
type Corner struct {
	X      float64 `json:"x"`
	Y      float64 `json:"y"`
	Smooth bool    `json:"smooth,omitempty"`
}

// Bounds that keep a mistyped number from asking for more time and memory than there is.
const (
	maxFeather = 500  // pixels
	maxCorners = 2000 // of an outline
	maxKeys    = 20000
	maxAway    = 10. // frames that a corner may lie outside
)

// Check returns an error that says what of the region is not valid, and what would be.
func (r *Region) Check() error {
	switch r.Effect {
	case Outside, Solid, Open, Unspilled:
	default:
		return fmt.Errorf("its effect is %.40q, and must be %s, %s, %s or %s", string(r.Effect), Outside, Solid, Open, Unspilled)
	}
	if !(r.Feather >= 0 && r.Feather <= maxFeather) {
		return fmt.Errorf("its feather is %v pixels, and must be 0 to %d", r.Feather, maxFeather)
	}
	if r.First < 0 || r.Last != 0 && r.Last < r.First {
		return fmt.Errorf("it holds for the frames %d to %d: the first must be 0 or more, and the last no earlier", r.First, r.Last)
	}
	if len(r.Keys) == 0 || len(r.Keys) > maxKeys {
		return fmt.Errorf("it has %d outlines, and must have 1 to %d", len(r.Keys), maxKeys)
	}
	for i, k := range r.Keys {
		if n := len(k.Corners); n < 3 || n > maxCorners || n != len(r.Keys[0].Corners) {
			return fmt.Errorf("its outline at frame %d has %d corners, and must have 3 to %d, as many as the first", k.Frame, n, maxCorners)
		}
		if i > 0 && k.Frame <= r.Keys[i-1].Frame {
			return fmt.Errorf("its outline at frame %d comes after that at frame %d, and frames must rise", k.Frame, r.Keys[i-1].Frame)
		}
		for j, c := range k.Corners {
			if !(math.Abs(c.X) <= maxAway && math.Abs(c.Y) <= maxAway) {
				return fmt.Errorf("its outline at frame %d has corner %d at %v, %v, and must have it within %v frames", k.Frame, j+1, c.X, c.Y, maxAway)
			}
		}
	}
	return nil
}

// At returns the corners at a frame, and whether the region holds there. Smooth is as in the outline
// before.
func (r *Region) At(frame int) ([]Corner, bool) {
	if frame < r.First || r.Last != 0 && frame > r.Last || len(r.Keys) == 0 {
		return nil, false
	}
	i, exact := slices.BinarySearchFunc(r.Keys, frame, func(k Outline, f int) int { return cmp.Compare(k.Frame, f) })
	switch {
	case exact:
		return r.Keys[i].Corners, true
	case i == 0:
		return r.Keys[0].Corners, true
	case i == len(r.Keys):
		return r.Keys[i-1].Corners, true
	}
	a, b := r.Keys[i-1], r.Keys[i]
	part := float64(frame-a.Frame) / float64(b.Frame-a.Frame)
	corners := make([]Corner, len(a.Corners))
	for j, c := range a.Corners {
		d := b.Corners[j]
		corners[j] = Corner{c.X + part*(d.X-c.X), c.Y + part*(d.Y-c.Y), c.Smooth}
	}
	return corners, true
}

// still reports whether the region is the same at every frame that it holds for.
func (r *Region) still() bool { return len(r.Keys) == 1 }

// Cover returns how much of each pixel of a frame of w by h pixels the region covers at a frame, 0 to
// 1, feather included. It is nil where the region does not hold. The coverage is exact to 1/65535
// for straight sides; an outline that crosses itself covers what it goes around.
func (r *Region) Cover(w, h, frame int) (*plate.Gray, error) {
	if err := r.Check(); err != nil {
		return nil, r.fail(err)
	}
	if w < 1 || h < 1 || w > plate.MaxPixels/h {
		return nil, fmt.Errorf("matte: a frame of %dx%d pixels: there must be one at least, and %d at most", w, h, plate.MaxPixels)
	}
	corners, ok := r.At(frame)
	if !ok {
		return nil, nil
	}
	// The Gaussian that has a tenth and nine tenths so far apart.
	const tenths = 2 * 1.2815515655446004 // of a standard deviation, by the normal distribution
	sigma := r.Feather / tenths
	pad := 0
	if sigma > 0 {
		pad = int(math.Ceil(3*sigma)) + 1
	}
	// Only the part of the frame that the outline is in is drawn, with room for the feather around
	// it.
	line := outline(corners, float64(w), float64(h))
	left, top, right, bottom := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, p := range line {
		left, right = min(left, p[0]), max(right, p[0])
		top, bottom = min(top, p[1]), max(bottom, p[1])
	}
	at := func(v float64, size int) int { return int(min(max(v, float64(-pad)), float64(size+pad))) }
	room := float64(2*pad + 1)
	x0, x1 := at(math.Floor(left)-room, w), at(math.Ceil(right)+room, w)
	y0, y1 := at(math.Floor(top)-room, h), at(math.Ceil(bottom)+room, h)
	out := plate.NewGray(w, h)
	if x1 <= x0 || y1 <= y0 {
		return out, nil
	}
	part := plate.NewGray(x1-x0, y1-y0)
	raster(part, line, float64(x0), float64(y0))
	if sigma > 0 {
		const pixel = 0.28867513459481287 // the standard deviation of a pixel's width, 1/sqrt(12)
		blur.NewGaussian(part.W, part.H, math.Hypot(sigma, pixel)).Plane(part.Pix)
	}
	for y := max(y0, 0); y < min(y1, h); y++ {
		from := (y-y0)*part.W - x0
		copy(out.Pix[y*w+max(x0, 0):y*w+min(x1, w)], part.Pix[from+max(x0, 0):])
	}
	return out, nil
}

func (r *Region) fail(err error) error {
	if r.Name != "" {
		return fmt.Errorf("matte: region %.40q: %w", r.Name, err)
	}
	return fmt.Errorf("matte: region: %w", err)
}

// outline returns an outline as straight lines, from place to place in pixels of a frame of w by h.
func outline(corners []Corner, w, h float64) (line [][2]float64) {
	n := len(corners)
	at := func(i int) (x, y float64) {
		c := corners[(i+n)%n]
		return c.X * w, c.Y * h
	}
	for i := range n {
		x0, y0 := at(i)
		x1, y1 := at(i + 1)
		a, b := corners[i], corners[(i+1)%n]
		if !a.Smooth && !b.Smooth {
			line = append(line, [2]float64{x1, y1})
			continue
		}
		// The spline's tangents, a third of the way; those of a corner point to its neighbor.
		dx0, dy0 := x1-x0, y1-y0
		dx1, dy1 := dx0, dy0
		if a.Smooth {
			px, py := at(i - 1)
			dx0, dy0 = (x1-px)/2, (y1-py)/2
		}
		if b.Smooth {
			nx, ny := at(i + 2)
			dx1, dy1 = (nx-x0)/2, (ny-y0)/2
		}
		// Hermite's curve, in lines. Their bounds keep a short one round, and a long one quick.
		const (
			length        = 2      // pixels, of which a curve leaves its chord by less than can be seen
			fewest, lines = 8, 512 // to a curve; chosen by hand
		)
		steps := min(max(int(math.Hypot(x1-x0, y1-y0)/length), fewest), lines)
		for k := 1; k <= steps; k++ {
			u := float64(k) / float64(steps)
			v := 1 - u
			line = append(line, [2]float64{x0*v*v*(1+2*u) + dx0*u*v*v - dx1*u*u*v + x1*u*u*(1+2*v), y0*v*v*(1+2*u) + dy0*u*v*v - dy1*u*u*v + y1*u*u*(1+2*v)})
		}
	}
	return line
}

// raster sets the coverage of what a line goes around, in a part of the frame that begins at left
// and top.
func raster(out *plate.Gray, line [][2]float64, left, top float64) {
	// Package vector computes with fixed-point numbers up to this width, a thousandth off.
	const fixed = 512
	z := vector.NewRasterizer(max(out.W, fixed+1), out.H)
	for i, p := range line {
		x, y := float32(p[0]-left), float32(p[1]-top)
		if i == 0 {
			z.MoveTo(x, y)
		} else {
			z.LineTo(x, y)
		}
	}
	z.ClosePath()
	mask := image.NewAlpha16(image.Rect(0, 0, out.W, out.H))
	z.Draw(mask, mask.Rect, image.Opaque, image.Point{})
	parallel.Rows(out.W, out.H, func(y0, y1 int) {
		for i := y0 * out.W; i < y1*out.W; i++ {
			out.Pix[i] = float32(uint32(mask.Pix[2*i])<<8|uint32(mask.Pix[2*i+1])) / 0xffff
		}
	})
}

// Regions are the regions of a take, ready for its frames: those that do not move are drawn once. It
// is safe for concurrent use.
type Regions struct {
	list []Region
	size image.Point
	once []func() (*plate.Gray, error) // of those that do not move; nil for the others
}

// NewRegions returns the regions for frames of w by h pixels. An error says which region is not
// valid, and why.
func NewRegions(w, h int, list []Region) (*Regions, error) {
	const most = 200 // regions; people draw a dozen
	if len(list) > most {
		return nil, fmt.Errorf("matte: %d regions: there may be %d", len(list), most)
	}
	r := &Regions{list: slices.Clone(list), size: image.Pt(w, h), once: make([]func() (*plate.Gray, error), len(list))}
	for i := range r.list {
		one := &r.list[i]
		if err := one.Check(); err != nil {
			return nil, one.fail(err)
		}
		if one.still() {
			r.once[i] = sync.OnceValues(func() (*plate.Gray, error) { return one.Cover(w, h, max(one.First, 0)) })
		}
	}
	return r, nil
}

// On returns how much of each pixel each region covers at a frame; nil where it does not hold. The
// planes are shared, and must not be changed.
func (r *Regions) On(frame int) ([]*plate.Gray, error) {
	out := make([]*plate.Gray, len(r.list))
	for i := range r.list {
		if _, ok := r.list[i].At(frame); !ok {
			continue
		}
		var err error
		if r.once[i] != nil {
			out[i], err = r.once[i]()
		} else {
			out[i], err = r.list[i].Cover(r.size.X, r.size.Y, frame)
		}
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// An Imposed says what regions did to a frame.
type Imposed struct {
	Part  float64    // of the frame that they cover, 0 to 1
	Spill SpillTaken // by those that are Unspilled; of several, the last that took any
}

// Impose has the regions act on the solution of a frame. Those that are Unspilled come first, since
// they act on what was measured. The others act in their order: where a region covers a pixel
// whole, what an earlier one did there is undone; where it covers a part, the two are mixed in that
// proportion, as light is at an edge. Outside is a transmission of 1 and no foreground; Solid one
// of 0, and the color plate's light; Open one of 1, and the color plate's light less the screen's.
//
// Number is the frame's. An error says which plane has another size than the solver's frames.
func (s *Solver) Impose(dst *Solution, color *plate.RGB, gain float64, regions *Regions, number int) (did Imposed, err error) {
	if regions == nil || len(regions.list) == 0 {
		return did, nil
	}
	if err := cmp.Or(s.checkSolution(dst), plate.CheckSize("color plate", color.Size(), "solver's frame", s.Size()),
		plate.CheckSize("regions' frame", regions.size, "solver's frame", s.Size())); err != nil {
		return did, err
	}
	covers, err := regions.On(number)
	if err != nil {
		return did, err
	}
	for k, cover := range covers {
		if cover == nil || regions.list[k].Effect != Unspilled {
			continue
		}
		taken, err := s.TakeSpill(dst, gain, cover)
		if err != nil {
			return did, err
		}
		if taken.Part > 0 {
			did.Spill = taken
		}
	}
	for k, cover := range covers {
		if cover != nil && regions.list[k].Effect != Unspilled {
			s.impose(dst, color, gain, regions.list[k].Effect, cover)
		}
	}
	touched := 0
	for i := range dst.Transmission.Pix {
		for _, cover := range covers {
			if cover != nil && cover.Pix[i] > 0 {
				touched++
				break
			}
		}
	}
	did.Part = float64(touched) / float64(max(len(dst.Transmission.Pix), 1))
	return did, nil
}

// impose is Impose for what is covered so far by one effect.
func (s *Solver) impose(dst *Solution, color *plate.RGB, gain float64, effect RegionEffect, cover *plate.Gray) {
	var open float32 // the transmission
	if effect != Solid {
		open = 1
	}
	t := dst.Transmission
	parallel.Rows(t.W, t.H, func(y0, y1 int) {
		for i := y0 * t.W; i < y1*t.W; i++ {
			c := cover.Pix[i]
			if c == 0 {
				continue
			}
			t.Pix[i] += c * (open - t.Pix[i])
			for j := range 3 {
				var light float32
				if effect != Outside {
					light = color.Pix[j][i]
					if s.darkColor != nil {
						light -= s.darkColor.Pix[j][i]
					}
					if s.screen != nil {
						light -= float32(gain) * open * s.screen.Pix[j][i]
					}
				}
				f := &dst.Foreground.Pix[j][i]
				if *f += c * (light - *f); s.clamp == ClampAll {
					*f = max(*f, 0)
				}
			}
		}
	})
}
