package matte

import (
	"math"

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
	t := dst.Transmission
	c := findCore(t)
	field := c.field(where)
	if field == nil {
		return taken, nil
	}
	const counts = 0.001 // a quarter of a step of eight bits
	touched, n := 0, 0
	var scatter []float64
	for i, v := range field.Pix {
		if where != nil {
			v *= where.Pix[i]
			field.Pix[i] = v
		}
		if v*(1-t.Pix[i]) > counts {
			touched++
		}
		if c.inside[i] && v > 0 {
			taken.Mean += float64(v)
			if n++; n%7 == 0 { // enough of them; neither a row's length nor a grid's step
				scatter = append(scatter, float64(t.Pix[i]-v))
			}
		}
	}
	taken.Part = float64(touched) / float64(len(t.Pix))
	if n > 0 {
		taken.Mean /= float64(n)
	}
	if len(scatter) > 0 {
		taken.Scatter = scatterOf(scatter)
	}
	parallel.Rows(t.W, t.H, func(y0, y1 int) {
		for i := y0 * t.W; i < y1*t.W; i++ {
			spill := field.Pix[i]
			if spill == 0 {
				continue
			}
			was := t.Pix[i]
			now := (was - spill) / (1 - spill)
			if s.clamp != ClampNone {
				now = max(now, 0)
			}
			t.Pix[i] = now
			if s.screen != nil {
				for k := range 3 {
					dst.Foreground.Pix[k][i] += float32(gain) * (was - now) * s.screen.Pix[k][i]
				}
			}
		}
	})
	return taken, nil
}

// scatterOf returns the standard deviation of values about their median.
func scatterOf(v []float64) float64 {
	middle := robust.Median(append([]float64(nil), v...))
	for i := range v {
		v[i] = math.Abs(v[i] - middle)
	}
	return robust.Sigma(v)
}

// field returns the core's spill as a smooth plane, of the spots in where; nil where there is none.
func (c *spillCore) field(where *plate.Gray) *plate.Gray {
	if c.size == 0 {
		return nil
	}
	gw, gh := (c.w-c.left+c.step-1)/c.step, (c.h-c.top+c.step-1)/c.step
	const empty = -1
	far := make([]int, gw*gh) // steps from the core
	grid := plate.NewGray(gw, gh)
	for i := range far {
		far[i] = empty
	}
	var edge []int
	for _, p := range c.spots {
		if where != nil && where.Pix[p.y*c.w+p.x] == 0 {
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
	grid = boxMean(grid, 1)
	out := plate.NewGray(c.w, c.h)
	parallel.Rows(c.w, c.h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			v, b := between(y, c.top, c.step, gh)
			for x := range c.w {
				u, a := between(x, c.left, c.step, gw)
				p := grid.Pix[v*gw+u:]
				q := grid.Pix[min(v+1, gh-1)*gw+u:]
				right := min(1, gw-1-u)
				top, bottom := p[0]+a*(p[right]-p[0]), q[0]+a*(q[right]-q[0])
				out.Pix[y*c.w+x] = top + b*(bottom-top)
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
