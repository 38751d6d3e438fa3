package matte

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"sync/atomic"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
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
	for y := c.at.Min.Y; y < c.at.Max.Y; y++ {
		for k, in := range c.row(y) {
			if i := y*w + c.at.Min.X + k; in {
				s.Map.Pix[i] = transmission.Pix[i]
			}
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
	at     image.Rectangle // nothing beyond it is inside
	inside []bool          // of its pixels
	size   int             // pixels that are
	// The spots lie on a grid of this step, from left and top on.
	step, left, top int
	spots           []spot
}

// A spot is the median of the transmission over the core's part of a square.
type spot struct {
	x, y  int
	spill float32
}

// row returns where it is inside in a row of the frame that at has.
func (c *spillCore) row(y int) []bool {
	i := (y - c.at.Min.Y) * c.at.Dx()
	return c.inside[i : i+c.at.Dx()]
}

func findCore(transmission *plate.Gray) *spillCore {
	const (
		// One part in so many of the width, and pixels, that the core stays away from the rest.
		away, leastAway = 100, 3
		places          = 6 // to a half of a square's side (chosen by hand)
		every           = 2 // places from a spot to the next: six to a square, which is smooth
	)
	c := &spillCore{w: transmission.W, h: transmission.H}
	radius := max(c.w/away, leastAway)
	if c.at = coreIn(transmission, radius); !c.at.Empty() {
		c.findInside(transmission, radius)
	}
	if c.size == 0 {
		return c
	}
	first := slices.Index(c.inside, true)
	// A dozen places to a square are enough, either way. Squares and their middles are on one grid,
	// which goes through the core's first pixel: so a square has its own middle in it, and the
	// smallest core has a square.
	square := 2 * radius
	apart := max(square/places, 1)
	c.step = every * apart
	c.left, c.top = (c.at.Min.X+first%c.at.Dx())%c.step, (c.at.Min.Y+first/c.at.Dx())%c.step
	c.medians(transmission, apart, square/apart)
	return c
}

// medians finds the spots: at each place of the grid in the core, the median of means of nine
// pixels over places in the core that are so far apart, at most so many of them to either side.
// Those of a row change by a column from one to the next, so they are counted by their ranks in all
// of the core, in groups of ranks.
func (c *spillCore) medians(transmission *plate.Gray, apart, reach int) {
	// next is the first place at p or beyond it.
	next := func(p, grid int) int { return p + ((grid-p)%apart+apart)%apart }
	left, top := next(c.at.Min.X, c.left), next(c.at.Min.Y, c.top)
	w, h := max(c.at.Max.X-left+apart-1, 0)/apart, max(c.at.Max.Y-top+apart-1, 0)/apart
	ranks := slices.Repeat([]int{-1}, w*h) // of each place; -1: not in the core
	var values []float32
	var places []int // of values
	for v := range h {
		y := top + v*apart
		inside := c.row(y)
		for u := range w {
			if x := left + u*apart; inside[x-c.at.Min.X] {
				places = append(places, v*w+u)
				values = append(values, meanAt(transmission, x, y))
			}
		}
	}
	// The order of values, as one of whole numbers, and their places behind them: quicker by half than
	// by a function that compares.
	order := make([]uint64, len(values))
	for i, v := range values {
		order[i] = uint64(uint32(kernel.Order(v))^1<<31)<<32 | uint64(i)
	}
	slices.Sort(order)
	for rank, key := range order {
		ranks[places[uint32(key)]] = rank
	}
	const group = 64 // ranks; about as many groups are passed from one median to the next as it has
	counts, groups := make([]int, len(values)+group), make([]int, len(values)/group+1)
	for v := range h {
		y := top + v*apart
		if (y-c.top)%c.step != 0 {
			continue
		}
		clear(counts)
		clear(groups)
		n, at, before := 0, 0, 0 // how many there are; the group of the last median, and how many lie before it
		column := func(u, by int) {
			if u < 0 || u >= w {
				return
			}
			for i := max(v-reach, 0); i <= min(v+reach, h-1); i++ {
				rank := ranks[i*w+u]
				if rank < 0 {
					continue
				}
				counts[rank] += by
				groups[rank/group] += by
				n += by
				if rank/group < at {
					before += by
				}
			}
		}
		for u := range reach {
			column(u, 1)
		}
		for u := range w {
			column(u+reach, 1)
			column(u-reach-1, -1)
			x := left + u*apart
			if ranks[v*w+u] < 0 || (x-c.left)%c.step != 0 {
				continue
			}
			middle := n / 2 // as robust.Median has it
			for before > middle {
				at--
				before -= groups[at]
			}
			for before+groups[at] <= middle {
				before += groups[at]
				at++
			}
			rank := at * group
			for passed := before + counts[rank]; passed <= middle; passed += counts[rank] {
				rank++
			}
			c.spots = append(c.spots, spot{x, y, values[uint32(order[rank])]})
		}
	}
}

// coreIn returns a rectangle around the squares of 2r+1 that have nothing open, as far as they are
// in the frame. Within one, or within the r+1 rows of it that are in the frame, every three rows
// have a low value in every three columns, since the mean of nine is low only where one of them is:
// so it is enough to look at three rows of every r-1.
func coreIn(f *plate.Gray, r int) image.Rectangle {
	var box image.Rectangle
	for y := 0; y < f.H; y += r - 1 {
		for v := y; v < min(y+3, f.H); v++ {
			if from, to := lowIn(f.Pix[v*f.W:(v+1)*f.W], openFrom); from < to {
				box = box.Union(image.Rect(from-2, y-r, to+2, y+r+3))
			}
		}
	}
	return box.Intersect(image.Rect(0, 0, f.W, f.H))
}

// lowIn returns where the first of a row's values of at most limit, which must be above 0, is, and
// what is behind the last.
func lowIn(row []float32, limit float32) (from, to int) {
	const block = 8 // values that are looked at as one; measured
	// As whole numbers, floats that are not negative have their own order.
	bits := int32(math.Float32bits(limit)) + 1
	none := func(v *[block]float32) bool {
		var low int32
		for _, x := range v {
			b := int32(math.Float32bits(x))
			low |= b | (b - bits)
		}
		return low >= 0
	}
	for from < len(row) && !(row[from] <= limit) {
		for from++; from <= len(row)-block && none((*[block]float32)(row[from:])); {
			from += block
		}
	}
	if from == len(row) {
		return 0, 0
	}
	for to = len(row); !(row[to-1] <= limit); {
		for to--; to >= block && none((*[block]float32)(row[to-block:])); {
			to -= block
		}
	}
	return from, to
}

// findInside finds the pixels that have nothing open in the square of 2r+1 around them, or beyond
// at: those of r rows before and behind that are in a row's stretch without anything open, less r
// at its ends. Beyond the frame nothing is open.
func (c *spillCore) findInside(transmission *plate.Gray, r int) {
	w := c.at.Dx()
	c.inside = make([]bool, w*c.at.Dy())
	var size atomic.Int64
	parallel.Rows(w, c.at.Dy(), func(y0, y1 int) {
		y0, y1 = c.at.Min.Y+y0, c.at.Min.Y+y1
		n, begin := 0, max(y0-r, c.at.Min.Y)
		left, right := max(c.at.Min.X-1, 0), min(c.at.Max.X+1, c.w)
		means, mean, added := newMean3(right-left, c.h), make([]float32, right-left), max(begin-1, 0)
		row := mean[c.at.Min.X-left:][:w]
		rows := make([]int32, w) // how many, one after the other, a column has been in such a stretch
		if begin == 0 {          // as all are that lie above the frame
			for x := range rows {
				rows[x] = int32(r)
			}
		}
		for y := begin; y < y1+r; y++ {
			switch {
			case y < c.at.Max.Y:
				for ; added <= min(y+1, c.h-1); added++ {
					means.add(transmission.Pix[added*c.w+left:added*c.w+right], added)
				}
				means.at(mean, y)
				done := 0
				for x := 0; x < w; {
					for x < w && !(row[x] <= openFrom) { // what is no number too
						x++
					}
					x0 := x
					x = lowTo(row, x, openFrom)
					x1 := x
					if x0 > 0 || c.at.Min.X > 0 {
						x0 += r
					}
					if x1 < w || c.at.Max.X < c.w {
						x1 -= r
					}
					if x0 < x1 {
						clear(rows[done:x0])
						oneMore(rows[x0:x1])
						done = x1
					}
				}
				clear(rows[done:])
			case c.at.Max.Y == c.h:
				oneMore(rows)
			default:
				clear(rows)
			}
			if middle := y - r; middle >= y0 {
				n += moreThan(c.row(middle), rows, int32(2*r))
			}
		}
		size.Add(int64(n))
	})
	c.size = int(size.Load())
}

// For a turn of a loop WebAssembly takes as long as for some values: so the following have blocks.

// lowTo returns where the values of at most limit that begin at x end.
func lowTo(row []float32, x int, limit float32) int {
	for x <= len(row)-8 {
		v := (*[8]float32)(row[x:])
		if !(v[0] <= limit && v[1] <= limit && v[2] <= limit && v[3] <= limit && v[4] <= limit && v[5] <= limit && v[6] <= limit && v[7] <= limit) {
			break
		}
		x += 8
	}
	for x < len(row) && row[x] <= limit {
		x++
	}
	return x
}

// oneMore adds 1 to each.
func oneMore(n []int32) {
	for ; len(n) >= 8; n = n[8:] {
		v := (*[8]int32)(n)
		v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7] = v[0]+1, v[1]+1, v[2]+1, v[3]+1, v[4]+1, v[5]+1, v[6]+1, v[7]+1
	}
	for i := range n {
		n[i]++
	}
}

// moreThan sets those to true of which there are more than least, and returns how many these are.
// All numbers must be from 0 to half of what an int32 has.
func moreThan(set []bool, n []int32, least int32) (count int) {
	i := 0
	for ; i <= len(set)-8; i += 8 {
		v := (*[8]int32)(n[i:])
		a, b, c, d, e, f, g, h := least-v[0], least-v[1], least-v[2], least-v[3], least-v[4], least-v[5], least-v[6], least-v[7]
		if a&b&c&d&e&f&g&h < 0 {
			*(*[8]bool)(set[i:]) = [8]bool{true, true, true, true, true, true, true, true}
			count += 8
		} else if a|b|c|d|e|f|g|h < 0 {
			count += moreThanEach(set[i:i+8], v[:], least)
		}
	}
	return count + moreThanEach(set[i:], n[i:], least)
}

func moreThanEach(set []bool, n []int32, least int32) (count int) {
	for i := range set {
		if n[i] > least {
			set[i] = true
			count++
		}
	}
	return count
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
	if err := cmp.Or(l.Check(), s.checkSolution(dst)); err != nil {
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
	top, knee := cmp.Or(l.Ceiling, 1), cmp.Or(l.Knee, usualKnee)
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
