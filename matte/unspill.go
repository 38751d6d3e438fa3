package matte

import (
	"image"
	"math"
	"slices"
	"sync/atomic"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A SpillTaken says what TakeSpill took off a frame.
type SpillTaken struct {
	Part    float64 `json:"part"`    // of the frame, 0 to 1, in which the performer's transmission was lowered by more than 0.001
	Mean    float64 `json:"mean"`    // the spill of the core, as a transmission
	Scatter float64 `json:"scatter"` // standard deviation of the core's transmission about it: what noise there is
}

// Sigmas returns how many standard deviations of the core's noise were taken off in the mean; 0
// where nothing was.
func (t SpillTaken) Sigmas() float64 {
	if t.Scatter <= 0 {
		return 0
	}
	return t.Mean / t.Scatter
}

// How far beyond the core its spill is taken to go on as it is, and then fades, in parts of the
// frame's width: over hair and hems. Chosen by hand.
const spillReach, spillFade = 0.05, 0.1

// TakeSpill takes the performer's spill off a solution, where somebody says that the performer's
// core is solid: with where, in proportion to it (0 to 1), and everywhere with nil. Sodium light on
// a performer is seen where the screen is not, so what is measured is t + (1 - t) s; s is the spill
// of FindSpill's squares, smooth, and goes on a little beyond the core. It is 0 at the screen
// whatever s is, and a core's noise stays. The screen's light in the color plate is taken off the
// foreground again by the new transmission.
//
// The cost: what is truly transparent and wider than 2 % of the frame in the core is lost, and the
// matte is not measured there any more. An error says which plane has another size than the
// solver's frames.
func (s *Solver) TakeSpill(dst *Solution, gain float64, where *plate.Gray) (taken SpillTaken, err error) {
	if err := s.checkSolution(dst); err != nil {
		return taken, err
	}
	if where != nil {
		if err := plate.CheckSize("region", where.Size(), "solver's frame", s.Size()); err != nil {
			return taken, err
		}
	}
	var cover *Coverage
	if where != nil {
		cover = &Coverage{where.Bounds(), where}
	}
	return s.takeSpill(dst, gain, cover)
}

// takeSpill is TakeSpill for a part of the frame; nil is all of it.
func (s *Solver) takeSpill(dst *Solution, gain float64, where *Coverage) (taken SpillTaken, err error) {
	t := dst.Transmission
	c := findCore(t)
	field := c.field(where)
	if field == nil {
		return taken, nil
	}
	n := 0
	var scatter []float64
	b := field.Bounds
	core := b.Intersect(c.at)
	for y := core.Min.Y; y < core.Max.Y; y++ {
		row, through := field.Row(y)[core.Min.X-b.Min.X:], t.Pix[y*c.w+core.Min.X:]
		for x, inside := range c.row(y)[core.Min.X-c.at.Min.X:][:core.Dx()] {
			if v := row[x]; inside && v > 0 {
				taken.Mean += float64(v)
				if n++; n%7 == 0 { // enough of them; neither a row's length nor a grid's step
					scatter = append(scatter, float64(through[x]-v))
				}
			}
		}
	}
	if n > 0 {
		taken.Mean /= float64(n)
	}
	if len(scatter) > 0 {
		taken.Scatter = scatterOf(scatter)
	}
	var touched atomic.Int64
	parallel.Rows(b.Dx(), b.Dy(), func(y0, y1 int) {
		clamps := s.clamp != ClampNone
		const counts = 0.001             // a quarter of a step of eight bits
		moved := make([]float32, b.Dx()) // of a row, times the gain
		n := 0
		for y := b.Min.Y + y0; y < b.Min.Y+y1; y++ {
			row := field.Row(y)
			from, to := wherePositive(row)
			i := y*c.w + b.Min.X + from
			through, moved := t.Pix[i:i+to-from], moved[:to-from]
			for x, spill := range row[from:to] {
				if moved[x] = 0; spill == 0 {
					continue
				}
				was := through[x]
				if spill*(1-was) > counts {
					n++
				}
				now := (was - spill) / (1 - spill)
				if now < 0 && clamps { // for max WebAssembly calls a function
					now = 0
				}
				through[x], moved[x] = now, float32(gain)*(was-now)
			}
			if s.screen != nil {
				for k := range 3 {
					foreground := dst.Foreground.Pix[k][i : i+len(moved)]
					kernel.Held(foreground, foreground, moved, s.screen.Pix[k][i:i+len(moved)])
				}
			}
		}
		touched.Add(int64(n))
	})
	taken.Part = float64(touched.Load()) / float64(len(t.Pix))
	return taken, nil
}

// wherePositive returns the first of a row's values that is above 0, and what is behind the last.
func wherePositive(row []float32) (from, to int) {
	for to = len(row); from < to && row[from] <= 0; {
		from++
	}
	for to > from && row[to-1] <= 0 {
		to--
	}
	return from, to
}

// scatterOf returns the standard deviation of values about their median.
func scatterOf(v []float64) float64 {
	middle := robust.Median(slices.Clone(v))
	for i := range v {
		v[i] = math.Abs(v[i] - middle)
	}
	return robust.Sigma(v)
}

// field returns the core's spill, smooth, of the spots in where and in proportion to it; nil where
// there is none.
func (c *spillCore) field(where *Coverage) *Coverage {
	if c.size == 0 {
		return nil
	}
	gw, gh := (c.w-c.left+c.step-1)/c.step, (c.h-c.top+c.step-1)/c.step
	const empty = -1
	far := slices.Repeat([]int{empty}, gw*gh) // steps from the core
	grid := plate.NewGray(gw, gh)
	var edge []int
	for _, p := range c.spots {
		if at := image.Pt(p.x, p.y); where != nil && (!at.In(where.Bounds) || where.Row(p.y)[p.x-where.Bounds.Min.X] == 0) {
			continue
		}
		i := (p.y-c.top)/c.step*gw + (p.x-c.left)/c.step
		far[i], grid.Pix[i] = 0, max(p.spill, 0)
		edge = append(edge, i)
	}
	if len(edge) == 0 {
		return nil
	}
	neighbors := func(i int, do func(k int)) {
		x, y := i%gw, i/gw
		for v := max(y-1, 0); v <= min(y+1, gh-1); v++ {
			for u := max(x-1, 0); u <= min(x+1, gw-1); u++ {
				if k := v*gw + u; k != i {
					do(k)
				}
			}
		}
	}
	reach, fade := spillReach*float64(c.w)/float64(c.step), spillFade*float64(c.w)/float64(c.step)
	for d := 1; float64(d) < reach+fade && len(edge) > 0; d++ {
		var next []int
		for _, i := range edge {
			neighbors(i, func(k int) {
				if far[k] == empty {
					far[k] = d
					next = append(next, k)
				}
			})
		}
		for _, k := range next { // the mean of the neighbors that are nearer
			var sum, n float32
			neighbors(k, func(i int) {
				if far[i] != empty && far[i] < d {
					sum += grid.Pix[i]
					n++
				}
			})
			grid.Pix[k] = sum / n
		}
		edge = next
	}
	for i, d := range far {
		if over := float64(d) - reach; over > 0 {
			grid.Pix[i] *= float32(max(0, 1-over/fade))
		}
	}
	// Where it is not 0: around the squares, as far as the mean and what is between two reach.
	var some image.Rectangle
	for i, v := range grid.Pix {
		if v > 0 {
			x, y := i%gw, i/gw
			some = some.Union(image.Rect(x-2, y-2, x+3, y+3))
		}
	}
	frame := image.Rect(0, 0, c.w, c.h)
	place := func(p image.Point) image.Point { return p.Mul(c.step).Add(image.Pt(c.left, c.top)) }
	out := &Coverage{Bounds: image.Rectangle{place(some.Min), place(some.Max)}.Intersect(frame)}
	if some.Min.X <= 0 { // before the first the grid goes on
		out.Bounds.Min.X = 0
	}
	if some.Min.Y <= 0 {
		out.Bounds.Min.Y = 0
	}
	if where != nil {
		out.Bounds = out.Bounds.Intersect(where.Bounds)
	}
	grid = boxMean(grid, 1)
	b := out.Bounds
	out.Part = plate.NewGray(b.Dx(), b.Dy())
	parallel.Rows(b.Dx(), b.Dy(), func(y0, y1 int) {
		// A row of the grid at every pixel of a row, for the one before and the one behind.
		lines, at := [2][]float32{make([]float32, b.Dx()), make([]float32, b.Dx())}, [2]int{-1, -1}
		line := func(v int) []float32 {
			to := lines[v%2]
			if at[v%2] == v {
				return to
			}
			at[v%2] = v
			values := grid.Pix[v*gw : (v+1)*gw]
			for i := range to {
				u, a := between(b.Min.X+i, c.left, c.step, gw)
				to[i] = values[u] + a*(values[min(u+1, gw-1)]-values[u])
			}
			return to
		}
		for y := b.Min.Y + y0; y < b.Min.Y+y1; y++ {
			v, down := between(y, c.top, c.step, gh)
			row := out.Row(y)
			kernel.Mix(row, line(v), line(min(v+1, gh-1)), down)
			if where != nil {
				for x, part := range where.Row(y)[b.Min.X-where.Bounds.Min.X:][:len(row)] {
					row[x] *= part
				}
			}
		}
	})
	return out
}

// between returns the place on a grid of n before x, and how far x is to the next, 0 to 1.
func between(x, first, step, n int) (at int, part float32) {
	d := max(x-first, 0)
	if at = d / step; at >= n-1 {
		return n - 1, 0
	}
	return at, float32(d%step) / float32(step)
}
