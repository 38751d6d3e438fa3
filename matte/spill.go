package matte

import (
	"fmt"
	"math"
	"slices"
	"sync/atomic"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A Spill is what sodium light on the performer does to one matte. Light that falls on them cannot
// be told from the screen shining through: where the core should be solid, the transmission is
// above 0.
type Spill struct {
	Map   *plate.Gray // the transmission in the core, 0 elsewhere; noise is in it
	Core  float64     // how much of the frame is core: far inside the performer, 0 to 1
	Mean  float64     // mean transmission of the core
	Low   float64     // the transmission that 95 % of the core exceed
	High  float64     // the transmission that 5 % of the core exceed
	Share float64     // how much of the core lets more than 1 % through
	Side  float64     // where it comes from: -1 from the frame's left, 0 from both alike, 1 from its right

	medians []float32 // over the squares
}

// SpillLevel is the transmission from which spill counts: 1 % of a bright background shows in a
// black coat (common practice).
const SpillLevel = 0.01

// Above returns how much of the core lets more than level through, 0 to 1.
func (s Spill) Above(level float64) float64 {
	n := list.Count(s.medians, func(v float32) bool { return float64(v) > level })
	return float64(n) / float64(max(len(s.medians), 1))
}

// FindSpill maps the spill in a transmission. The core is whatever stays some 1 % of the frame's
// width away from places that let more than 0.35 through. What is truly transparent and so far
// inside counts as spill in the map, which is for looking at. The numbers are of medians over
// squares of 4 % of the frame's width: spill is soft light, and gaps, strands and noise narrower
// than half of that are not spill. Where there is no core all is 0.
func FindSpill(transmission *plate.Gray) Spill {
	// Where no reason stands beside one, these are chosen by hand; not measured by itself.
	const (
		tail = 0.05 // part of the core, of Low and High
		none = 1e-4 // transmission up to which spill comes from nowhere
	)
	w, h := transmission.W, transmission.H
	s := Spill{Map: plate.NewGray(w, h)}
	c := findCore(transmission)
	if c.size == 0 {
		return s
	}
	for i, in := range c.inside {
		if in {
			s.Map.Pix[i] = transmission.Pix[i]
		}
	}
	s.Core = float64(c.size) / float64(w*h)
	// Where it comes from is the slope of a straight line through the core's spill, along the rows:
	// from one end of the core's width to the other, over what there is in the middle.
	var sum, nx, nxx, nxv float64
	least, most := w, 0
	for _, p := range c.spots {
		s.medians = append(s.medians, p.spill)
		least, most = min(least, p.x), max(most, p.x)
		fx, fv := float64(p.x), float64(p.spill)
		sum += fv
		nx += fx
		nxx += fx * fx
		nxv += fx * fv
	}
	n := float64(len(s.medians))
	s.Low, s.High = float64(quantile(s.medians, tail)), float64(quantile(s.medians, 1-tail))
	s.Mean, s.Share = sum/n, s.Above(SpillLevel)
	if spread := nxx - nx*nx/n; spread > 0 && sum > none*n {
		slope := (nxv - nx*sum/n) / spread
		s.Side = min(max(slope*float64(most-least)/2/(sum/n), -1), 1)
	}
	return s
}

// A spillCore is where the performer should be solid, and the spill there.
type spillCore struct {
	w, h   int
	inside []bool
	size   int // pixels
	// The spots lie on a grid of this step, from left and top on.
	step, left, top int
	spots           []spot
}

// A spot is the median of the transmission over the core's part of a square.
type spot struct {
	x, y  int
	spill float32
}

func findCore(transmission *plate.Gray) *spillCore {
	const (
		// One part in so many of the width, and pixels, that the core stays away from the rest.
		away, leastAway = 100, 3
		places          = 6 // to a half of a square's side (chosen by hand)
	)
	c := &spillCore{w: transmission.W, h: transmission.H, inside: make([]bool, len(transmission.Pix))}
	smooth := boxMean(transmission, 1)
	radius := max(c.w/away, leastAway)
	c.findInside(smooth, radius)
	if c.size == 0 {
		return c
	}
	first := slices.Index(c.inside, true)
	// A dozen places to a square are enough, either way. Squares and their middles are on one grid,
	// which goes through the core's first pixel: so a square has its own middle in it, and the
	// smallest core has a square.
	square := 2 * radius
	c.step = max(square/places, 1)
	reach := square / c.step * c.step
	c.left, c.top = first%c.w%c.step, first/c.w%c.step
	across := 2*reach/c.step + 1
	around := make([]float32, across*across)
	for y := c.top; y < c.h; y += c.step {
		for x := c.left; x < c.w; x += c.step {
			if !c.inside[y*c.w+x] {
				continue
			}
			from, n := x-min(reach, x-c.left), 0
			to := min(x+reach, c.w-1)
			for v := y - min(reach, y-c.top); v <= min(y+reach, c.h-1); v += c.step {
				inside, values := c.inside[v*c.w:(v+1)*c.w], smooth.Pix[v*c.w:(v+1)*c.w]
				for u := from; u <= to; u += c.step {
					if inside[u] {
						around[n] = values[u]
						n++
					}
				}
			}
			c.spots = append(c.spots, spot{x, y, robust.Median(around[:n])})
		}
	}
	return c
}

// findInside finds the pixels that have nothing open in the square of 2r+1 around them.
func (c *spillCore) findInside(smooth *plate.Gray, r int) {
	var size atomic.Int64
	parallel.Rows(c.w, c.h, func(y0, y1 int) {
		n := 0
		last := make([]int32, c.w) // the last row that has something open within r pixels
		for x := range last {
			last[x] = int32(y0 - 2*r - 1)
		}
		for y := max(y0-r, 0); y < y1+r; y++ {
			if y < c.h {
				row := smooth.Pix[y*c.w : (y+1)*c.w]
				for x, done := 0, 0; x < len(row); { // done is the first column that this row is not noted for
					for x < len(row) && row[x] <= openFrom {
						x++
					}
					if x == len(row) {
						break
					}
					from := max(x-r, done)
					for x < len(row) && !(row[x] <= openFrom) { // what is no number too
						x++
					}
					done = min(x+r, len(row))
					near := last[from:done]
					for k := range near {
						near[k] = int32(y)
					}
				}
			}
			if middle := y - r; middle >= y0 {
				row, before := c.inside[middle*c.w:(middle+1)*c.w], int32(middle-r)
				for x, open := range last[:len(row)] {
					if open < before {
						row[x] = true
						n++
					}
				}
			}
		}
		size.Add(int64(n))
	})
	c.size = int(size.Load())
}

// Limits take the ends off a transmission: what lets less than Floor through becomes solid, and
// what lets more than Ceiling through becomes open. They hide spill and noise, and cost the same
// amount of true detail there: a veil of smoke thinner than 1 - Ceiling is lost. The zero value
// does nothing.
type Limits struct {
	Floor   float64 `json:"floor,omitempty"`   // 0 to 0.5
	Ceiling float64 `json:"ceiling,omitempty"` // 0.5 to 1; 0 means 1
	Knee    float64 `json:"knee,omitempty"`    // how far the bend reaches to either side, 0.001 to 0.2; 0 means 0.02
}

// The bounds of Limits, which its fields state, in transmission; chosen by hand.
const (
	mostFloor           = 0.5
	leastKnee, mostKnee = 0.001, 0.2
	usualKnee           = 0.02
	leastBetween        = 0.1 // the floor and the ceiling
	// From which a pixel counts as moved: a quarter of a step of eight bits.
	movedFrom = 0.001
)

// Check returns an error that names the value which cannot be used.
func (l Limits) Check() error {
	switch {
	case !(l.Floor >= 0 && l.Floor <= mostFloor):
		return fmt.Errorf("matte: a floor of %v: it must be 0 to %v", l.Floor, mostFloor)
	case l.Ceiling != 0 && !(l.Ceiling >= mostFloor && l.Ceiling <= 1):
		return fmt.Errorf("matte: a ceiling of %v: it must be %v to 1, or 0 for 1", l.Ceiling, mostFloor)
	case l.Knee != 0 && !(l.Knee >= leastKnee && l.Knee <= mostKnee):
		return fmt.Errorf("matte: a knee of %v: it must be %v to %v, or 0 for %v", l.Knee, leastKnee, mostKnee, usualKnee)
	}
	if l.Ceiling != 0 && l.Ceiling-l.Floor < leastBetween {
		return fmt.Errorf("matte: a floor of %v and a ceiling of %v: there must be at least %v between them", l.Floor, l.Ceiling, leastBetween)
	}
	return nil
}

// A Limited says what limits did to a frame.
type Limited struct {
	Floored   float64 `json:"floored"` // how much of the frame was made more solid by more than 0.001, 0 to 1
	Opened    float64 `json:"opened"`  // how much was made more open by more than 0.001
	MeanMoved float64 `json:"mean"`    // by how much these were moved, in the mean
	Most      float64 `json:"most"`    // by how much at the most
}

// Limit applies the limits to a solution, and returns what it did. The screen's light in the color
// plate is taken off the foreground again by the new transmission. Between the knees the
// transmission is stretched linearly; at each knee the line is joined to the end by a parabola, so
// there is no edge in the curve. An error says which value is not valid, or which plane has another
// size than the solver's frames.
func (s *Solver) Limit(dst *Solution, gain float64, l Limits) (Limited, error) {
	if err := l.Check(); err != nil {
		return Limited{}, err
	}
	if err := s.checkSolution(dst); err != nil {
		return Limited{}, err
	}
	var did Limited
	if l.Floor == 0 && (l.Ceiling == 0 || l.Ceiling == 1) {
		return did, nil
	}
	moved, sum := 0, 0.0
	for i, t := range dst.Transmission.Pix {
		v := l.apply(t)
		d := t - v
		if d == 0 {
			continue
		}
		dst.Transmission.Pix[i] = v
		if s.screen != nil {
			for c := range 3 {
				dst.Foreground.Pix[c][i] += float32(gain) * d * s.screen.Pix[c][i]
			}
		}
		size := math.Abs(float64(d))
		if size <= movedFrom {
			continue
		}
		moved++
		sum += size
		did.Most = max(did.Most, size)
		if d > 0 {
			did.Floored++
		} else {
			did.Opened++
		}
	}
	n := float64(len(dst.Transmission.Pix))
	did.Floored /= n
	did.Opened /= n
	if moved > 0 {
		did.MeanMoved = sum / float64(moved)
	}
	return did, nil
}

// apply returns the transmission that the limits make of t.
func (l Limits) apply(t float32) float32 {
	top, knee := l.Ceiling, l.Knee
	if top == 0 {
		top = 1
	}
	if knee == 0 {
		knee = usualKnee
	}
	v := float64(t)
	slope := 1 / (top - l.Floor)
	y := (v - l.Floor) * slope
	if l.Floor > 0 {
		y = bend(v-l.Floor, min(knee, l.Floor), slope)
	}
	if top < 1 {
		if near := 1 - bend(top-v, min(knee, 1-top), slope); v > (l.Floor+top)/2 {
			y = near
		}
	}
	return float32(y)
}

// bend returns slope times d above the knee, 0 below it, and a parabola between.
func bend(d, knee, slope float64) float64 {
	switch {
	case d <= -knee:
		return 0
	case d >= knee:
		return slope * d
	}
	return slope * (d + knee) * (d + knee) / (4 * knee)
}
