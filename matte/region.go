package matte

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"sync"
	"sync/atomic"

	"example.com/twinplate/internal/blur"
	"example.com/twinplate/internal/kernel"
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

// An Outline is where a region's corners are at a frame. Before the first and after the last
// outline the corners stay.
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

// At returns the corners at a frame, and whether the region holds there. Smooth is as in the
// outline before.
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

// A Coverage is how much of each pixel of a part of a frame something covers, 0 to 1; of the rest
// of the frame it covers none.
type Coverage struct {
	Bounds image.Rectangle // of the part, in the frame's pixels
	Part   *plate.Gray     // of its size
}

// Row returns the coverage of row y of the frame, as far as Bounds go.
func (c *Coverage) Row(y int) []float32 {
	i := (y - c.Bounds.Min.Y) * c.Part.W
	return c.Part.Pix[i : i+c.Part.W]
}

// Cover returns how much of each pixel of a frame of w by h pixels the region covers at a frame, 0
// to 1, feather included. It is nil where the region does not hold. The coverage is exact to
// 1/65535 for straight sides; an outline that crosses itself covers what it goes around.
func (r *Region) Cover(w, h, frame int) (*plate.Gray, error) {
	c, err := r.cover(w, h, frame)
	if c == nil || err != nil {
		return nil, err
	}
	out := plate.NewGray(w, h)
	for y := c.Bounds.Min.Y; y < c.Bounds.Max.Y; y++ {
		copy(out.Pix[y*w+c.Bounds.Min.X:], c.Row(y))
	}
	return out, nil
}

// cover is Cover for the part of the frame in which there is some.
func (r *Region) cover(w, h, frame int) (*Coverage, error) {
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
		const reach = 5 // standard deviations, beyond which there is nothing to see
		pad = int(math.Ceil(reach*sigma)) + 1
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
	room := float64(pad + 1)
	drawn := image.Rect(at(math.Floor(left)-room, w), at(math.Floor(top)-room, h), at(math.Ceil(right)+room, w), at(math.Ceil(bottom)+room, h))
	c := &Coverage{Bounds: drawn.Intersect(image.Rect(0, 0, w, h))}
	c.Part = plate.NewGray(c.Bounds.Dx(), c.Bounds.Dy())
	if c.Bounds.Empty() {
		return c, nil
	}
	part := c.Part
	if drawn != c.Bounds {
		part = plate.NewGray(drawn.Dx(), drawn.Dy())
	}
	raster(part, line, float64(drawn.Min.X), float64(drawn.Min.Y))
	if sigma > 0 {
		const pixel = 0.28867513459481287 // the standard deviation of a pixel's width, 1/sqrt(12)
		blur.NewGaussian(part.W, part.H, math.Hypot(sigma, pixel)).Plane(part.Pix)
	}
	if part != c.Part {
		for y := c.Bounds.Min.Y; y < c.Bounds.Max.Y; y++ {
			copy(c.Row(y), part.Pix[(y-drawn.Min.Y)*part.W+c.Bounds.Min.X-drawn.Min.X:])
		}
	}
	return c, nil
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
// and top, to whole numbers of 1/65535.
func raster(out *plate.Gray, line [][2]float64, left, top float64) {
	// Each side goes into the pixels that it passes, by how much it changes what is covered from
	// there on to the right: so the sum along a row is what is covered.
	last := line[len(line)-1]
	for _, p := range line {
		side(out, last[0]-left, last[1]-top, p[0]-left, p[1]-top)
		last = p
	}
	parallel.Rows(out.W, out.H, func(y0, y1 int) {
		const steps = 0xffff
		for y := y0; y < y1; y++ {
			row := out.Pix[y*out.W : (y+1)*out.W]
			sum, covered := 0., float32(0)
			for x := 0; x < len(row); x++ {
				if x <= len(row)-8 {
					p := (*[8]float32)(row[x:])
					if p[0] == 0 && p[1] == 0 && p[2] == 0 && p[3] == 0 && p[4] == 0 && p[5] == 0 && p[6] == 0 && p[7] == 0 {
						p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7] = covered, covered, covered, covered, covered, covered, covered, covered
						x += 7
						continue
					}
				}
				if v := row[x]; v != 0 { // as it is where a side passes
					sum += float64(v)
					covered = float32(int32(min(math.Abs(sum), 1)*steps+0.5)) / steps
				}
				row[x] = covered
			}
		}
	})
}

// side adds a side from x0, y0 to x1, y1.
func side(out *plate.Gray, x0, y0, x1, y1 float64) {
	if y0 == y1 {
		return
	}
	down := 1.
	if y0 > y1 {
		x0, y0, x1, y1, down = x1, y1, x0, y0, -1
	}
	slope := (x1 - x0) / (y1 - y0)
	for y := int(max(y0, 0)); y < out.H && float64(y) < y1; y++ {
		from, to := max(y0, float64(y)), min(y1, float64(y+1))
		crossing(out.Pix[y*out.W:(y+1)*out.W], x0+slope*(from-y0), x0+slope*(to-y0), down*(to-from))
	}
}

// crossing adds the part of a side that passes a row from one place to another, over so much of its
// height.
func crossing(row []float32, from, to, height float64) {
	if from > to {
		from, to = to, from
	}
	w := float64(len(row))
	if to <= 0 || from >= w || height == 0 {
		if to <= 0 {
			row[0] += float32(height)
		}
		return
	}
	if from < 0 {
		row[0] += float32(height * -from / (to - from))
		from, height = 0, height*to/(to-from)
	}
	// What lies to the right of it within each pixel; the rest is covered from the next one on.
	right, done := 0., from
	for x := int(from); x < len(row); x++ {
		end := min(to, float64(x+1))
		part := height
		if to > from {
			part = height * (end - done) / (to - from)
		}
		here := part * (float64(x+1) - (done+end)/2)
		row[x] += float32(here + right)
		right = part - here
		if done = end; to <= float64(x+1) {
			if x+1 < len(row) {
				row[x+1] += float32(right)
			}
			return
		}
	}
}

// Regions are the regions of a take, ready for its frames: those that do not move are drawn once,
// and the others once for a frame that is asked for again. It is safe for concurrent use.
type Regions struct {
	list []Region
	size image.Point
	once []func() (*Coverage, error) // of those that do not move; nil for the others
	last []atomic.Pointer[drawn]     // of those that do
}

// A drawn region is its coverage at a frame.
type drawn struct {
	frame int
	cover *Coverage
}

// NewRegions returns the regions for frames of w by h pixels. An error says which region is not
// valid, and why.
func NewRegions(w, h int, list []Region) (*Regions, error) {
	const most = 200 // regions; people draw a dozen
	if len(list) > most {
		return nil, fmt.Errorf("matte: %d regions: there may be %d", len(list), most)
	}
	r := &Regions{list: slices.Clone(list), size: image.Pt(w, h), once: make([]func() (*Coverage, error), len(list)), last: make([]atomic.Pointer[drawn], len(list))}
	for i := range r.list {
		one := &r.list[i]
		if err := one.Check(); err != nil {
			return nil, one.fail(err)
		}
		if one.still() {
			r.once[i] = sync.OnceValues(func() (*Coverage, error) { return one.cover(w, h, max(one.First, 0)) })
		}
	}
	return r, nil
}

// On returns how much of each pixel each region covers at a frame; nil where it does not hold. They
// are shared, and must not be changed.
func (r *Regions) On(frame int) ([]*Coverage, error) {
	out := make([]*Coverage, len(r.list))
	for i := range r.list {
		if _, ok := r.list[i].At(frame); !ok {
			continue
		}
		var err error
		if r.once[i] != nil {
			out[i], err = r.once[i]()
		} else if last := r.last[i].Load(); last != nil && last.frame == frame {
			out[i] = last.cover
		} else if out[i], err = r.list[i].cover(r.size.X, r.size.Y, frame); err == nil {
			r.last[i].Store(&drawn{frame, out[i]})
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
		taken, err := s.takeSpill(dst, gain, cover)
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
	did.Part = float64(touched(covers, dst.Transmission.W)) / float64(max(len(dst.Transmission.Pix), 1))
	return did, nil
}

// touched returns how many pixels of a frame of that width are covered by something.
func touched(covers []*Coverage, w int) (n int) {
	var all image.Rectangle
	for _, c := range covers {
		if c != nil {
			all = all.Union(c.Bounds)
		}
	}
	most := make([]float32, w) // of a row
	for y := all.Min.Y; y < all.Max.Y; y++ {
		for _, c := range covers {
			if c != nil && y >= c.Bounds.Min.Y && y < c.Bounds.Max.Y {
				row := c.Row(y)
				kernel.Raise(most[c.Bounds.Min.X:][:len(row)], row)
			}
		}
		for _, v := range most[all.Min.X:all.Max.X] {
			n += int(-int32(math.Float32bits(v)) >> 31 & 1) // 1 for what is above 0, without a branch
		}
		clear(most)
	}
	return n
}

// impose is Impose for what is covered so far by one effect.
func (s *Solver) impose(dst *Solution, color *plate.RGB, gain float64, effect RegionEffect, cover *Coverage) {
	var open float32 // the transmission
	if effect != Solid {
		open = 1
	}
	b := cover.Bounds
	parallel.Rows(b.Dx(), b.Dy(), func(y0, y1 int) {
		away, less := make([]float32, b.Dx()), make([]float32, b.Dx()) // of a row: from open, and -cover
		black := make([]float32, b.Dx())
		for y := b.Min.Y + y0; y < b.Min.Y+y1; y++ {
			part := cover.Row(y)
			i := y*s.w + b.Min.X
			row := func(pix []float32) []float32 { return pix[i : i+len(part)] }
			t := row(dst.Transmission.Pix)
			x := 0
			for ; x <= len(part)-8; x += 8 {
				c, u, a, l := (*[8]float32)(part[x:]), (*[8]float32)(t[x:]), (*[8]float32)(away[x:]), (*[8]float32)(less[x:])
				a[0], a[1], a[2], a[3], a[4], a[5], a[6], a[7] = open-u[0], open-u[1], open-u[2], open-u[3], open-u[4], open-u[5], open-u[6], open-u[7]
				l[0], l[1], l[2], l[3], l[4], l[5], l[6], l[7] = -c[0], -c[1], -c[2], -c[3], -c[4], -c[5], -c[6], -c[7]
			}
			for ; x < len(part); x++ {
				away[x], less[x] = open-t[x], -part[x]
			}
			kernel.Held(t, t, part, away)
			for j := range 3 {
				f := row(dst.Foreground.Pix[j])
				if effect == Outside {
					kernel.Held(f, f, less, f)
				} else {
					s.mixIn(f, part, i, j, color, float32(gain)*open)
				}
				if s.clamp == ClampAll {
					kernel.Raise(f, black)
				}
			}
		}
	})
}

// mixIn mixes the color plate's light, from pixel i on, into a row of a foreground's channel, less
// so many times the screen's.
func (s *Solver) mixIn(f, part []float32, i, channel int, color *plate.RGB, screens float32) {
	seen := color.Pix[channel][i:]
	for x, c := range part {
		if c == 0 {
			continue
		}
		light := seen[x]
		if s.darkColor != nil {
			light -= s.darkColor.Pix[channel][i+x]
		}
		if s.screen != nil {
			light -= screens * s.screen.Pix[channel][i+x]
		}
		f[x] += c * (light - f[x])
	}
}
