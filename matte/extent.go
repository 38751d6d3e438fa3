package matte

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/patches"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// Extent's decisions; chosen by hand, and tried on screens over 40 to 90 % of a frame, with stands
// and lamps beside them.
const (
	extentSure = 0.04 // the matte's noise, of full alpha, up to which there is screen enough
	extentLost = 0.2  // and from which there is none

	// Of the brightest: what is five stops down is a wall with the screen's light on it, however
	// little noise there is, and what is less than four down is screen.
	extentDim, extentLit = 1. / 32, 1. / 16

	extentPart  = 0.01 // of the frame: a lit patch that is smaller is a reflection, and no screen
	extentInset = 3    // pixels by which the border is drawn in: there the plates' blur mixes screen and set
	extentSoft  = 2    // pixels: the radius of the mean that makes it soft

	// Rows and columns that are looked at for the noise: one in so many.
	extentStep = 4
)

// An Extent is where the screen gives light enough for a matte.
type Extent struct {
	Inside *plate.Gray // 1 where it does, 0 beyond, between them at its soft border
	Part   float64     // of the frame that it covers, 0 to 1
	ring   []int32     // pixels just inside its border, where that is not the frame's
}

// Extent finds where the screen gives light enough for a matte: the part of the frame in which the
// noise of the band plate, as the frames show it from pixel to pixel, is a small part of the
// screen's light there. The border is soft over where it grows, and drawn in by three pixels,
// within which plates that are blurred or do not lie on each other mix the screen with what is
// beside it. Holes count as beyond: something dark that stands before the screen in the clean band
// plate too. It returns nil where all of the frame is inside.
//
// There must be a frame at least, of the solver's size.
func (s *Solver) Extent(frames []Sample) (*Extent, error) { return s.extent(frames, false) }

// ExtentFromFrames is Extent where nobody shot a clean band plate, and what stands in for it shows
// a screen all over the frame: the border is drawn around what is lit in one of the frames at
// least. It is found at the left, at the right and at the top, where the screen does not reach the
// frame's edge, and is straight there, within a few degrees of upright or level. Below, a floor
// cannot be told from a performer who stands before it: no border is found.
func (s *Solver) ExtentFromFrames(frames []Sample) (*Extent, error) { return s.extent(frames, true) }

func (s *Solver) extent(frames []Sample, modeled bool) (*Extent, error) {
	if len(frames) == 0 {
		return nil, errors.New("matte: the screen's extent needs a frame at least")
	}
	for k, f := range frames {
		if err := plate.CheckSize("band plate", f.Band.Size(), "solver's frame", s.Size()); err != nil {
			return nil, fmt.Errorf("sample %d: %w", k, err)
		}
	}
	light := plate.NewGray(s.w, s.h)
	tops := make([]float32, s.h)
	parallel.EachRow(s.w, s.h, func(y int) {
		row := light.Pix[y*s.w : (y+1)*s.w]
		for x, v := range s.inverse.Pix[y*s.w : (y+1)*s.w] {
			if v > 0 {
				row[x] = 1 / v
				tops[y] = max(tops[y], row[x])
			}
		}
	})
	top := slices.Max(tops)
	noise := bandNoise(frames, light, top/2)
	in := boxMean(light, 1)
	// Where both are sure of it, or one is that there is none, no logarithm is needed.
	least, enough := max(noise/extentLost, extentDim*float64(top)), max(noise/extentSure, extentLit*float64(top))
	parallel.Rows(s.w, s.h, func(y0, y1 int) {
		for i, light := range in.Pix[y0*s.w : y1*s.w] {
			v, u := float64(light), 0.
			switch {
			case v >= enough:
				u = 1
			case v > least:
				// Smooth in the logarithm: noise doubles with every stop.
				u = math.Log(extentLost*v/noise) / math.Log(extentLost/extentSure)
				u = min(u, math.Log(v/(extentDim*float64(top)))/math.Log(extentLit/extentDim))
				u = min(max(u, 0), 1)
			}
			in.Pix[y0*s.w+i] = float32(u * u * (3 - 2*u))
		}
	})
	if modeled {
		s.within(in, frames)
	}
	keepLarge(in, extentPart)
	const whole = 0.9995 // of the frame: the rest is dust and a lens's corner
	if meanOf(in) >= whole {
		return nil, nil
	}
	// Drawn in: the least of the neighborhood, which is 1 less the most of the opposite.
	opposite := func(f *plate.Gray) {
		parallel.Rows(f.W, f.H, func(y0, y1 int) {
			for i := y0 * f.W; i < y1*f.W; i++ {
				f.Pix[i] = max(0, 1-f.Pix[i])
			}
		})
	}
	opposite(in)
	in = boxMean(boxMax(in, extentInset), extentSoft)
	opposite(in)
	return NewExtent(in), nil
}

// NewExtent returns the Extent whose Inside this is, 0 to 1, as another had it.
func NewExtent(inside *plate.Gray) *Extent {
	e := &Extent{Inside: inside, Part: meanOf(inside)}
	e.findRing()
	return e
}

// meanOf returns the mean of a plane, whatever the number of cores.
func meanOf(f *plate.Gray) float64 {
	sums := make([]float64, f.H)
	parallel.EachRow(f.W, f.H, func(y int) {
		for _, v := range f.Pix[y*f.W : (y+1)*f.W] {
			sums[y] += float64(v)
		}
	})
	sum := 0.
	for _, v := range sums {
		sum += v
	}
	return sum / float64(len(f.Pix))
}

// within sets to 0 what lies beyond the border of what is lit in the frames.
func (s *Solver) within(in *plate.Gray, frames []Sample) {
	lit := plate.NewGray(s.w, s.h)
	parallel.EachRow(s.w, s.h, func(y int) {
		row, inverse := lit.Pix[y*s.w:(y+1)*s.w], s.inverse.Pix[y*s.w:(y+1)*s.w]
		for _, f := range frames {
			for x, v := range f.Band.Pix[y*s.w : (y+1)*s.w] {
				if s.darkBand != nil {
					v -= s.darkBand.Pix[y*s.w+x]
				}
				row[x] = max(row[x], v*inverse[x])
			}
		}
	})
	lit = boxMean(lit, 1)
	const half = 0.5 // of the screen's light: no wall has as much, and lamps drift by less
	parallel.Rows(s.w, s.h, func(y0, y1 int) {
		for i, v := range lit.Pix[y0*s.w : y1*s.w] {
			is := float32(0)
			if v > half {
				is = 1
			}
			lit.Pix[y0*s.w+i] = is
		}
	})
	keepLarge(lit, extentPart)
	// The outermost of each row and column, and how many of them reach the frame's edge.
	var left, right, top [][2]int
	reach := [3]int{}
	edge := max(s.w/100, 1) // pixels: plates that are resampled may lack some there
	for y := range s.h {
		row := lit.Pix[y*s.w : (y+1)*s.w]
		first := slices.Index(row, 1)
		if first < 0 {
			continue
		}
		last := len(row) - 1
		for row[last] != 1 {
			last--
		}
		left, right = append(left, [2]int{first, y}), append(right, [2]int{last, y})
		if first < edge {
			reach[0]++
		}
		if last >= s.w-edge {
			reach[1]++
		}
	}
	for x := range s.w {
		for y := range s.h {
			if lit.Pix[y*s.w+x] != 1 {
				continue
			}
			top = append(top, [2]int{x, y})
			if y < edge {
				reach[2]++
			}
			break
		}
	}
	const reaches = 1. / 20 // of a side, from which the screen is taken to reach all of it (chosen by hand)
	for k, side := range []struct {
		places [][2]int
		x, y   float64 // the direction that it faces
		length int
	}{{left, -1, 0, s.h}, {right, 1, 0, s.h}, {top, 0, -1, s.w}} {
		if len(side.places) > 0 && float64(reach[k]) < reaches*float64(side.length) {
			cutOff(in, side.places, side.x, side.y)
		}
	}
}

// cutOff sets to 0 what lies beyond a straight line that faces a direction, within a few degrees:
// of those that all of the places lie within, the one that half of them are the nearest to. The
// others are where somebody stands before the border.
func cutOff(f *plate.Gray, places [][2]int, x, y float64) {
	const (
		most = 8.  // degrees that a screen hangs from upright, camera's roll and keystone included (chosen by hand)
		step = 0.2 // degrees: a border of 1000 pixels is within two of its line
	)
	var nx, ny, far float64
	best := math.Inf(1)
	gaps := make([]float64, len(places))
	for degrees := -most; degrees <= most; degrees += step {
		sin, cos := math.Sincos(degrees * math.Pi / 180)
		px, py := cos*x-sin*y, sin*x+cos*y
		out := math.Inf(-1)
		for i, p := range places {
			gaps[i] = -px*float64(p[0]) - py*float64(p[1])
			out = max(out, -gaps[i])
		}
		if gap := out + robust.Median(gaps); gap < best {
			best, nx, ny, far = gap, px, py, out
		}
	}
	for v := range f.H {
		row := f.Pix[v*f.W : (v+1)*f.W]
		left := far - ny*float64(v) // of the row, where nx times x is no more
		if math.Abs(nx) < 1e-9 {
			if left < 0 {
				clear(row)
			}
			continue
		}
		at := min(max(left/nx, -1), float64(f.W)) // it ends there, or begins
		if nx > 0 {
			clear(row[min(int(math.Floor(at))+1, f.W):])
		} else {
			clear(row[:max(int(math.Ceil(at)), 0)])
		}
	}
}

// bandNoise returns the standard deviation of the band plates' noise, from the differences of
// neighbors where the screen has some light: the median, which the performer's edges do not move.
// It is a part of the light at the least, so that plates without noise have an extent too.
func bandNoise(frames []Sample, light *plate.Gray, from float32) float64 {
	const least = 1e-3 // of the light: chosen by hand; below it no camera's noise lies
	var all []float64
	for _, f := range frames {
		for y := extentStep / 2; y < light.H; y += extentStep {
			for x := 1 + extentStep/2; x < light.W; x += extentStep {
				if i := y*light.W + x; light.Pix[i] >= from && light.Pix[i-1] >= from {
					all = append(all, math.Abs(float64(f.Band.Pix[i]-f.Band.Pix[i-1])))
				}
			}
		}
	}
	sigma := 0.
	if len(all) > 0 {
		sigma = robust.Sigma(all) / math.Sqrt2
	}
	return max(sigma, least*2*float64(from))
}

// keepLarge sets to 0 what is above a half in patches, by their sides, that are smaller than that
// part of the frame, and all that is not beside a patch which is kept.
func keepLarge(f *plate.Gray, part float64) {
	runs, sizes := patches.Above(f.W, f.H, f.Pix, 0.5)
	keep := func(r patches.Segment) bool { return float64(sizes[r.Patch]) >= part*float64(len(f.Pix)) }
	if list.Count(runs, keep) == len(runs) {
		return
	}
	kept := plate.NewGray(f.W, f.H)
	for _, r := range runs {
		if keep(r) {
			fill(kept.Pix[r.From:r.To], 1)
		}
	}
	// Half a patch's border lies outside it.
	kept = boxMax(kept, 2*extentInset)
	parallel.Rows(f.W, f.H, func(y0, y1 int) {
		for i := y0 * f.W; i < y1*f.W; i++ {
			f.Pix[i] *= kept.Pix[i]
		}
	})
}

// findRing finds the pixels just inside the border.
func (e *Extent) findRing() {
	w, h := e.Inside.W, e.Inside.H
	beyond := plate.NewGray(w, h)
	for i, v := range e.Inside.Pix {
		if v < 0.5 {
			beyond.Pix[i] = 1
		}
	}
	near := boxMax(beyond, 2*extentInset)
	for i, v := range e.Inside.Pix {
		if near.Pix[i] > 0 && v > 0.95 {
			e.ring = append(e.ring, int32(i))
		}
	}
}

// Crossed returns the part of the screen's border, 0 to 1, at which a solution's performer is:
// there the picture ends where the screen does. It is 0 for a nil Extent.
func (e *Extent) Crossed(transmission *plate.Gray) float64 {
	if e == nil || len(e.ring) == 0 {
		return 0
	}
	n := list.Count(e.ring, func(i int32) bool { return transmission.Pix[i] < 0.5 })
	return float64(n) / float64(len(e.ring))
}

// Border returns the screen's border as lines to draw, from x and y to x and y in parts of the
// frame: where the extent is a half, found on a grid of at most 192 cells across (marching
// squares). The frame's own edges are no part of it. A nil Extent has none.
func (e *Extent) Border() [][4]float64 {
	if e == nil {
		return nil
	}
	const cells = 192 // so that a page gets some kilobytes, and a line is true to a few pixels
	w, h := e.Inside.W, e.Inside.H
	step := max((w+cells-1)/cells, 1)
	at := func(x, y int) float64 { return float64(e.Inside.Pix[min(y, h-1)*w+min(x, w-1)]) }
	var lines [][4]float64
	for y := 0; y < h-1; y += step {
		for x := 0; x < w-1; x += step {
			// The cell's corners, around it, and where its sides cross a half.
			right, below := min(x+step, w-1), min(y+step, h-1)
			corners := [4][2]int{{x, y}, {right, y}, {right, below}, {x, below}}
			var crossed [][2]float64
			for k, a := range corners {
				b := corners[(k+1)%4]
				va, vb := at(a[0], a[1])-0.5, at(b[0], b[1])-0.5
				if va >= 0 == (vb >= 0) {
					continue
				}
				part := va / (va - vb)
				crossed = append(crossed, [2]float64{
					(float64(a[0]) + part*float64(b[0]-a[0]) + 0.5) / float64(w), (float64(a[1]) + part*float64(b[1]-a[1]) + 0.5) / float64(h),
				})
			}
			for k := 0; k+1 < len(crossed); k += 2 {
				lines = append(lines, [4]float64{crossed[k][0], crossed[k][1], crossed[k+1][0], crossed[k+1][1]})
			}
		}
	}
	return lines
}

// Beyond has the background show beyond the screen, whatever is there: a transmission of 1 and no
// foreground, mixed with the solution at the soft border. A nil Extent does nothing. Both planes
// must have the extent's size.
func (e *Extent) Beyond(dst *Solution) error {
	if e == nil {
		return nil
	}
	if err := checkPlanes(dst, "extent", e.Inside.Size()); err != nil {
		return err
	}
	parallel.Rows(e.Inside.W, e.Inside.H, func(y0, y1 int) {
		for i := y0 * e.Inside.W; i < y1*e.Inside.W; i++ {
			k := e.Inside.Pix[i]
			if k == 1 {
				continue
			}
			dst.Transmission.Pix[i] = 1 + k*(dst.Transmission.Pix[i]-1)
			for c := range 3 {
				dst.Foreground.Pix[c][i] *= k
			}
		}
	})
	return nil
}
