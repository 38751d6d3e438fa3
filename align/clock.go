package align

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"sort"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// Clocks compares the motion in the two recordings of a take, to find how far apart the cameras
// were started. It keeps a small picture of each frame. The zero value is ready for use; a Clocks
// is not safe for concurrent use.
type Clocks struct {
	color, band         [][]float32
	colorSize, bandSize [2]int
}

// The small pictures' size: cells that a rig's misalignment shifts by about one.
const (
	clockW     = 32
	clockH     = 18
	clockCells = clockW * clockH
	clockReach = 2     // cells that the frames may be apart, at most
	maxClock   = 20000 // frames; bounds the memory
)

// AddColor takes the next frame of the color recording.
func (c *Clocks) AddColor(f *plate.RGB) error {
	if err := c.check("color", &c.colorSize, len(c.color), f); err != nil {
		return err
	}
	small := make([]float32, clockCells)
	for k := range 3 {
		for i, v := range cells(f.W, f.H, f.Pix[k]) {
			small[i] += v
		}
	}
	// The root keeps a bright part from outweighing all others.
	for i, v := range small {
		small[i] = float32(math.Sqrt(math.Max(float64(v), 0)))
	}
	c.color = append(c.color, small)
	return nil
}

// AddBand takes the next frame of the band recording.
func (c *Clocks) AddBand(f *plate.Gray) error {
	if err := c.check("band", &c.bandSize, len(c.band), f); err != nil {
		return err
	}
	const screen = 0.9 // the quantile of the cells that is screen; chosen by hand
	small := cells(f.W, f.H, f.Pix)
	// The lamps' drift and flicker go out with the brightest cells, which are screen.
	if top := robust.Quantile(slices.Clone(small), screen); top > 0 {
		for i := range small {
			small[i] /= top
		}
	}
	c.band = append(c.band, small)
	return nil
}

func (c *Clocks) check(camera string, size *[2]int, n int, f interface {
	Size() image.Point
	CheckFinite() error
}) error {
	w, h := f.Size().X, f.Size().Y
	switch {
	case w < clockW || h < clockH:
		return fmt.Errorf("align: %s frame %d has %dx%d pixels, and must have at least %dx%d", camera, n, w, h, clockW, clockH)
	case n > 0 && *size != [2]int{w, h}:
		return fmt.Errorf("align: %s frame %d has %dx%d pixels, and the ones before have %dx%d", camera, n, w, h, size[0], size[1])
	case n >= maxClock:
		return fmt.Errorf("align: more than %d %s frames: give a part of the take", maxClock, camera)
	}
	*size = [2]int{w, h}
	if err := f.CheckFinite(); err != nil {
		return fmt.Errorf("align: %s frame %d: %w", camera, n, err)
	}
	return nil
}

// cells averages a plane over clockW by clockH cells.
func cells(w, h int, pix []float32) []float32 {
	out := make([]float32, clockCells)
	parallel.Each(clockH, func(j int) {
		y0, y1 := j*h/clockH, (j+1)*h/clockH
		for i := range clockW {
			x0, x1 := i*w/clockW, (i+1)*w/clockW
			var sum float32
			for y := y0; y < y1; y++ {
				for _, v := range pix[y*w+x0 : y*w+x1] {
					sum += v
				}
			}
			out[j*clockW+i] = sum / float32((x1-x0)*(y1-y0))
		}
	})
	return out
}

// A ClockEstimate is how far apart the two recordings are in time.
type ClockEstimate struct {
	// Frames is how many frames the band camera was started late: its frame i is of the instant of
	// the color camera's frame i + Frames. It is negative where the band camera was first.
	Frames int

	// Fraction is how much later still the band frames are, in frames, from -0.5 to 0.5: not 0
	// where the cameras' shutters do not open together. Sigma is its standard error.
	Fraction, Sigma float64

	// InStep reports whether Fraction is 0 within 4.5 times its error, or at most a quarter of a
	// frame. The error is from eight parts of the take: by Student's t, with seven degrees of
	// freedom, that is as sure as three times a known one.
	InStep bool

	// Match is the part of the changes in color that those in the band explain, 0 to 1, less where
	// few frames overlap; Rival is the same for the best of the other offsets, three frames or more
	// away, that came into question, and 0 where none did.
	Match, Rival float64

	// Agreement is the correlation of the changes, less where few frames overlap, for every offset
	// that was looked at: pairs of frames and correlation, in rising order.
	Agreement [][2]float64

	Mirror   bool     // the motion agrees better with the band plate flipped left to right
	Warnings []string // in plain words, each naming what to do about it
}

// Step says in plain words by which part of a frame the band camera is late or early.
func (e *ClockEstimate) Step() string {
	late := "late"
	if e.Fraction < 0 {
		late = "early"
	}
	return fmt.Sprintf("the band camera is %.2f of a frame %s (standard error %.2f)", math.Abs(e.Fraction), late, e.Sigma)
}

// ErrNoMotion says that the recordings' motion does not tell how they lie in time.
var ErrNoMotion = errors.New("the recordings have no motion in common")

// minOverlap is the fewest frames that the recordings must have in common: half a second. Chosen by
// hand.
const minOverlap = 12

// Clocks.Offset's decisions. Where no reason stands beside one, it is chosen by hand; not measured
// by itself.
const (
	usualOffsets = 96   // frames either way that are looked at: four seconds of film
	neighbor     = 0.55 // of a frame, from which the offset is the next frame's
	moves        = 3    // to a next frame
	apartLag     = 3    // frames from the best from which another offset is a rival

	leastClock  = 0.05 // match below which nothing moves in common
	barely      = 1.02 // times the rival's match that the best must have, and not to be in doubt
	plainly     = 1.2
	stepAllowed = 0.25 // of a frame out of step that is always in step

	// What the affine map between the frames leaves over, and parts of the take that are not
	// independent, are not in the scatter: by what the error is multiplied, and what is added to
	// it, in frames. Both are from simulated takes.
	clockScatter = 1.5
	clockFloor   = 0.05
)

// Offset compares the recordings at all offsets up to maxFrames either way; 0 means 96, for four
// seconds of film. Twelve frames at least must overlap.
//
// No geometry is needed: where a performer comes into a cell, it becomes brighter in color and
// darker in the band, so the changes from frame to frame are correlated over cells and time, for
// both parities and for shifts of up to two cells (a sixteenth of the frame). At the offsets where
// they are the most (a step is like the one before it), the changes in color are fitted by the
// band's in five frames around the offset, and by its derivatives in space up to an affine map, so
// that frames which do not lie on each other do not pass for a fraction of a frame. The offset is
// the one of which the fit explains the most. The fraction is the center of gravity of the five.
// Its error is from leaving out parts of the take in turn.
//
// The error wraps ErrNoMotion where the recordings are the cause, and ctx.Err() when ctx ends
// first.
func (c *Clocks) Offset(ctx context.Context, maxFrames int) (*ClockEstimate, error) {
	maxFrames = cmp.Or(maxFrames, usualOffsets)
	if maxFrames < 0 || maxFrames > maxClock {
		return nil, fmt.Errorf("align: offsets up to %d frames: it must be 1 to %d", maxFrames, maxClock)
	}
	if min(len(c.color), len(c.band)) < minOverlap {
		return nil, fmt.Errorf("align: %d color and %d band frames, and each camera must give at least %d for the clocks", len(c.color), len(c.band), minOverlap)
	}
	color, band := changes(c.color), changes(c.band)
	pictures := map[bool][][]float32{false: c.band, true: flip(c.band)}
	list := make([]contender, 2*maxFrames+1) // by offset
	for i := range list {
		list[i].lag = i - maxFrames
	}
	for _, mirror := range []bool{false, true} {
		b := band
		if mirror {
			b = flip(band)
		}
		for dy := -clockReach; dy <= clockReach; dy++ {
			for dx := -clockReach; dx <= clockReach; dx++ {
				if err := ctx.Err(); err != nil {
					return nil, err
				}
				parallel.Each(len(list), func(i int) {
					if s := correlation(color, b, list[i].lag, dx, dy); s > list[i].agreement {
						list[i] = contender{lag: list[i].lag, agreement: s, dx: dx, dy: dy, mirror: mirror}
					}
				})
			}
		}
	}
	e := &ClockEstimate{}
	for _, v := range list {
		e.Agreement = append(e.Agreement, [2]float64{float64(v.lag), v.agreement})
	}
	// A performer who walks in step agrees with himself a step later, too: those that come into
	// question are fitted.
	var best contender
	high := peaks(list)
	for i := range high {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		v := &high[i]
		for range moves {
			v.fraction, v.sigma, v.match = fraction(c.color, pictures[v.mirror], v.lag, v.dx, v.dy)
			if math.Abs(v.fraction) <= neighbor {
				break
			}
			v.lag += int(math.Copysign(1, v.fraction)) // it belongs to the neighbor
		}
		if v.match > best.match {
			best = *v
		}
	}
	for _, v := range high {
		if v.lag <= best.lag-apartLag || v.lag >= best.lag+apartLag {
			e.Rival = math.Max(e.Rival, v.match)
		}
	}
	e.Frames, e.Fraction, e.Sigma, e.Match, e.Mirror = best.lag, best.fraction, best.sigma, best.match, best.mirror
	if e.Match < leastClock || e.Match < barely*e.Rival {
		return nil, fmt.Errorf("align: %w: at the best offset, %d frames, they agree to %.2f, and at others to %.2f: choose a part of the take in which the performer moves, and not in a steady rhythm, such as a clap", ErrNoMotion, best.lag, e.Match, e.Rival)
	}
	e.Fraction = max(min(e.Fraction, 0.5), -0.5)
	e.Sigma = math.Hypot(clockScatter*e.Sigma, clockFloor)
	e.InStep = math.Abs(e.Fraction) <= math.Max(stepAllowed, clockSure*e.Sigma)
	if !e.InStep {
		e.Warnings = append(e.Warnings, fmt.Sprintf("the cameras are not in step: %s; lock both to one clock, or edges of what moves will not fit", e.Step()))
	}
	if e.Match < plainly*e.Rival {
		e.Warnings = append(e.Warnings, fmt.Sprintf("the offset is not certain: another one agrees almost as well (%.2f and %.2f); check it against a clap or the time code", e.Match, e.Rival))
	}
	return e, nil
}

// FrameOffset is Clocks for frames that are all at hand: see Clocks.Offset.
func FrameOffset(ctx context.Context, color []*plate.RGB, band []*plate.Gray, maxFrames int) (*ClockEstimate, error) {
	var c Clocks
	for _, f := range color {
		if err := c.AddColor(f); err != nil {
			return nil, err
		}
	}
	for _, f := range band {
		if err := c.AddBand(f); err != nil {
			return nil, err
		}
	}
	return c.Offset(ctx, maxFrames)
}

// A contender is an offset that comes into question.
type contender struct {
	lag             int
	dx, dy          int // at which the changes are correlated best
	mirror          bool
	agreement       float64
	fraction, sigma float64
	match           float64
}

// peaks returns the contenders, given by offset, that agree better than those up to four frames
// away, and half as well as the best: the best eight.
func peaks(list []contender) (high []contender) {
	// Chosen by hand; not measured by itself.
	const (
		near = 4   // frames: less than a step of a walk
		part = 0.5 // of the best's agreement
		most = 8   // bounds the work
	)
	for i, v := range list {
		about := list[max(0, i-near):min(i+near+1, len(list))]
		if v.agreement > 0 && !slices.ContainsFunc(about, func(n contender) bool { return n.agreement > v.agreement }) {
			high = append(high, v)
		}
	}
	sort.SliceStable(high, func(i, j int) bool { return high[i].agreement > high[j].agreement })
	for i, v := range high {
		if i == most || v.agreement < part*high[0].agreement {
			return high[:i]
		}
	}
	return high
}

// changes returns the differences of each picture and the one before.
func changes(f [][]float32) [][]float32 {
	d := list.Rows[float32](len(f)-1, clockCells)
	for t := range d {
		for i := range d[t] {
			d[t][i] = f[t+1][i] - f[t][i]
		}
	}
	return d
}

func flip(f [][]float32) [][]float32 {
	r := list.Rows[float32](len(f), clockCells)
	for t := range f {
		for i := range r[t] {
			r[t][i] = f[t][i-i%clockW+clockW-1-i%clockW]
		}
	}
	return r
}

// correlation is that of the changes in color with those in the band, sign reversed, lag frames
// earlier and (dx, dy) cells further, shrunk where few frames overlap, which agree by chance more
// easily.
func correlation(color, band [][]float32, lag, dx, dy int) float64 {
	var cc, bb, cb float64
	n := 0
	for t := max(0, lag); t < len(color) && t-lag < len(band); t++ {
		c, b := color[t], band[t-lag]
		var sc, sb, scb float32
		for y := clockReach; y < clockH-clockReach; y++ {
			p := c[y*clockW+clockReach : (y+1)*clockW-clockReach]
			q := b[(y+dy)*clockW+clockReach+dx:][:len(p)]
			for i, v := range p {
				sc += v * v
				sb += q[i] * q[i]
				scb -= v * q[i]
			}
		}
		cc, bb, cb = cc+float64(sc), bb+float64(sb), cb+float64(scb)
		n++
	}
	if n < minOverlap-1 || cc == 0 || bb == 0 {
		return 0
	}
	return cb / math.Sqrt(cc*bb) * float64(n) / float64(n+minOverlap)
}

// clockParts is how many parts of the take are left out in turn, and clockSure Student's t, of
// clockParts less one degrees of freedom, for 0.9973.
const (
	clockParts = 8 // chosen by hand
	clockSure  = 4.5
)

// clockTaps is how many of the band's changes, around the offset, the change in color is fitted by.
const clockTaps = 5

// clockTerms are the taps, and the derivatives in space times the terms of an affine map.
const clockTerms = clockTaps + 6

// fraction returns how much later than lag frames the band is, in frames, the standard error, and
// the match.
func fraction(color, band [][]float32, lag, dx, dy int) (f, sigma, match float64) {
	warp := [6]float64{float64(dx), 0, 0, float64(dy), 0, 0}
	const rounds = 4 // about the map that the one before found; chosen by hand
	for range rounds {
		parts, energy, frames := clockEquations(color, band, lag, f, &warp)
		x, late, ok := centroid(parts, -1)
		if !ok {
			return 0, 1, 0
		}
		f, sigma = late, 0
		for k := range parts {
			_, late, ok := centroid(parts, k)
			if !ok {
				return 0, 1, 0
			}
			sigma += (late - f) * (late - f) * (clockParts - 1) / clockParts
		}
		f = min(max(f, -1), 1)
		match = 0
		for _, p := range parts {
			for i, v := range p.b {
				match += v * x[i] / energy
			}
		}
		match *= float64(frames) / float64(frames+minOverlap)
		sum := 0.0
		for _, v := range x[:clockTaps] {
			sum += v
		}
		for k := range warp {
			warp[k] += min(max(x[clockTaps+k]/sum, -1), 1)
		}
	}
	return f, math.Sqrt(sigma), match
}

// clockEquations relates the changes in color to those in the band, at lag and two frames to either
// side, and to the derivatives in space of a blend of two of these, about the map warp. energy is
// the sum of the squares of the changes in color, over so many frames.
func clockEquations(color, band [][]float32, lag int, late float64, warp *[6]float64) (parts [clockParts]*normal, energy float64, frames int) {
	const side = clockTaps / 2
	change := make([][]float32, len(band)) // to each frame from the one before, sign reversed
	parallel.Parts(len(band)-1, func(from, to int) {
		now, next := make([]float32, clockCells), make([]float32, clockCells)
		warpCells(now, band[from], warp)
		for t := from + 1; t <= to; t++ {
			warpCells(next, band[t], warp)
			change[t] = make([]float32, clockCells)
			for i := range next {
				change[t][i] = now[i] - next[i]
			}
			now, next = next, now
		}
	})
	first, last := max(1, lag+side+1), min(len(color), len(band)+lag-side)
	blend, to := math.Abs(late), 1
	if late < 0 {
		to = -1
	}
	var squares [clockParts]float64
	parallel.Parts(clockParts, func(from, until int) {
		d := make([]float64, clockCells)
		for k := from; k < until; k++ {
			parts[k] = newNormal(clockTerms)
			for t := first + k*(last-first)/clockParts; t < first+(k+1)*(last-first)/clockParts; t++ {
				for j := range d {
					d[j] = (1-blend)*float64(change[t-lag][j]) + blend*float64(change[t-lag-to][j])
				}
				for y := clockReach + 1; y < clockH-clockReach-1; y++ {
					for x := clockReach + 1; x < clockW-clockReach-1; x++ {
						j := y*clockW + x
						var row [clockTerms]float64
						for i := range clockTaps {
							row[i] = float64(change[t-lag-(i-side)][j])
						}
						gx, gy := (d[j+1]-d[j-1])/2, (d[j+clockW]-d[j-clockW])/2
						u, v := cellPlace(x, y)
						copy(row[clockTaps:], []float64{gx, u * gx, v * gx, gy, u * gy, v * gy})
						changed := float64(color[t][j] - color[t-1][j])
						parts[k].add(row[:], changed, 1)
						squares[k] += changed * changed
					}
				}
			}
		}
	})
	for _, v := range squares {
		energy += v
	}
	return parts, energy, last - first
}

// centroid solves the sum of all parts but one, and returns the solution and the taps' center of
// gravity.
func centroid(parts [clockParts]*normal, without int) (x []float64, late float64, ok bool) {
	sum := newNormal(clockTerms)
	for k, p := range parts {
		if k != without {
			sum.join(p)
		}
	}
	if x, ok = sum.solve(); !ok {
		return nil, 0, false
	}
	total := 0.0
	for i, v := range x[:clockTaps] {
		late += v * float64(i-clockTaps/2)
		total += v
	}
	return x, late / total, total > 0
}

// cellPlace is a cell's place from the middle, in parts of the width.
func cellPlace(x, y int) (u, v float64) {
	return (float64(x) - float64(clockW-1)/2) / clockW, (float64(y) - float64(clockH-1)/2) / clockW
}

func warpCells(dst, src []float32, m *[6]float64) {
	q := plane{clockW, clockH, src}
	for y := range clockH {
		for x := range clockW {
			u, v := cellPlace(x, y)
			dst[y*clockW+x] = float32(bilinear(q, float64(x)+m[0]+m[1]*u+m[2]*v, float64(y)+m[3]+m[4]*u+m[5]*v))
		}
	}
}
