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
	spill := s.spill(t, gain, where)
	b := spill.bounds()
	var lowered atomic.Int64
	parallel.Rows(b.Dx(), b.Dy(), func(y0, y1 int) {
		part := spill.again()
		for y := b.Min.Y + y0; y < b.Min.Y+y1; y++ {
			part.Row(t.Pix[y*s.w:(y+1)*s.w], dst.Foreground.Row(y), y)
		}
		lowered.Add(int64(part.lowered))
	})
	spill.taken.Part = float64(lowered.Load()) / float64(s.w*s.h)
	return spill.taken, nil
}

// A SpillRows takes spill off row by row, as TakeSpill does. It is not safe for concurrent use.
type SpillRows struct {
	s       *Solver
	rows    *fieldRows // nil: there is no core
	kernel  kernel.Unspill
	taken   SpillTaken
	lowered int       // pixels that count
	moved   []float32 // of a row, times the gain
}

// SpillRows returns what takes the spill off all of a frame whose transmission is known before its
// rows go by. It keeps nothing of the transmission. An error says that this has another size than
// the solver's frames.
func (s *Solver) SpillRows(transmission *plate.Gray, gain float64) (*SpillRows, error) {
	if err := plate.CheckSize("transmission", transmission.Size(), "solver's frame", s.Size()); err != nil {
		return nil, err
	}
	return s.spill(transmission, gain, nil), nil
}

// spill is SpillRows for a part of the frame; nil is all of it.
func (s *Solver) spill(t *plate.Gray, gain float64, where *Coverage) *SpillRows {
	const counts = 0.001 // a quarter of a step of eight bits
	r := &SpillRows{s: s, kernel: kernel.Unspill{Gain: float32(gain), Clamp: s.clamp != ClampNone, Counts: counts}}
	c := findCore(t)
	field := c.field(where)
	if field == nil {
		return r
	}
	r.rows = field.rows()
	var scatter []float64
	b := field.bounds
	core := b.Intersect(c.at)
	// The grid's rows tell enough of it; each spot is in one.
	for y := core.Min.Y; y < core.Max.Y; y++ {
		if (y-c.top)%c.step != 0 {
			continue
		}
		row, through := r.rows.at(y)[core.Min.X-b.Min.X:], t.Pix[y*c.w+core.Min.X:]
		for x, inside := range c.row(y)[core.Min.X-c.at.Min.X:][:core.Dx()] {
			if v := row[x]; inside && v > 0 {
				r.taken.Mean += float64(v)
				scatter = append(scatter, float64(through[x]-v))
			}
		}
	}
	if n := len(scatter); n > 0 {
		r.taken.Mean /= float64(n)
		r.taken.Scatter = scatterOf(scatter)
	}
	return r
}

// again returns one for other rows of the same frame, of which none are done.
func (r *SpillRows) again() *SpillRows {
	next := *r
	next.moved, next.lowered = nil, 0
	if r.rows != nil {
		next.rows = r.rows.f.rows()
	}
	return &next
}

// bounds returns the part of the frame that has spill.
func (r *SpillRows) bounds() (b image.Rectangle) {
	if r.rows != nil {
		b = r.rows.f.bounds
	}
	return b
}

// row returns the spill of row y, and which pixels have it.
func (r *SpillRows) row(y int) (spill []float32, from, to int) {
	b := r.bounds()
	if y < b.Min.Y || y >= b.Max.Y {
		return nil, 0, 0
	}
	spill = r.rows.at(y)
	from, to = wherePositive(spill)
	return spill[from:to], b.Min.X + from, b.Min.X + to
}

// CompRow is Frame.CompRow with the spill taken off.
func (r *SpillRows) CompRow(f *Frame, t []float32, out [3][]float32, color [3][]float32, band []float32, background [3][]float32, y int) bool {
	spill, from, to := r.row(y)
	in := f.solver.row(color, band, y)
	at := func(p *[3][]float32, i, j int) *[3][]float32 { return &[3][]float32{p[0][i:j], p[1][i:j], p[2][i:j]} }
	plain := func(i, j int) bool {
		some := in.Part(i, j)
		return f.model.Over(t[i:j], at(&out, i, j), &some, at(&background, i, j))
	}
	some := in.Part(from, to)
	ok := f.model.OverUnspilled(t[from:to], at(&out, from, to), &some, at(&background, from, to), spill)
	return plain(0, from) && ok && plain(to, f.solver.w)
}

// Row takes the spill off row y of a solution. It panics where a row is shorter than the frame is
// wide.
func (r *SpillRows) Row(t []float32, foreground [3][]float32, y int) {
	spill, from, to := r.row(y)
	if from == to {
		return
	}
	r.moved = slices.Grow(r.moved[:0], len(spill))[:len(spill)]
	r.lowered += r.kernel.Row(t[from:to], r.moved, spill)
	if screen := r.s.screen; screen != nil {
		for k, row := range screen.Row(y) {
			kernel.Held(foreground[k][from:to], foreground[k][from:to], r.moved, row[from:to])
		}
	}
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

// A spillField is a core's spill, smooth: its values on the core's grid, which it has for the whole
// frame, and what is between them.
type spillField struct {
	c      *spillCore
	grid   *plate.Gray
	bounds image.Rectangle // of the frame, beyond which it is 0
	where  *Coverage       // nil: everywhere
	places []lying         // of the columns of bounds
}

// field returns the core's spill of the spots in where and in proportion to it; nil where there is
// none.
func (c *spillCore) field(where *Coverage) *spillField {
	if c.size == 0 {
		return nil
	}
	gw, gh := (c.w-c.left+c.step-1)/c.step, (c.h-c.top+c.step-1)/c.step
	// Steps from the core: where it has not spread to yet too many, and none around the grid, where it
	// does not.
	const empty = math.MaxInt32
	pitch := gw + 2
	cells := pitch * (gh + 2)
	far, spill, shares := make([]int32, cells), make([]float32, cells), make([]float32, cells)
	for y := range gh {
		row := far[(y+1)*pitch+1:][:gw]
		for x := range row {
			row[x] = empty
		}
	}
	queue := make([]int32, 0, gw*gh) // those that it has spread to, the nearest first
	for _, p := range c.spots {
		if at := image.Pt(p.x, p.y); where != nil && (!at.In(where.Bounds) || where.Row(p.y)[p.x-where.Bounds.Min.X] == 0) {
			continue
		}
		i := ((p.y-c.top)/c.step+1)*pitch + (p.x-c.left)/c.step + 1
		far[i], spill[i] = 0, max(p.spill, 0)
		queue = append(queue, int32(i))
	}
	if len(queue) == 0 {
		return nil
	}
	// The next step has the mean of the neighbors that are nearer.
	reach, fade := spillReach*float64(c.w)/float64(c.step), spillFade*float64(c.w)/float64(c.step)
	for from, d := 0, int32(1); float64(d) < reach+fade && from < len(queue); d++ {
		edge := queue[from:]
		from = len(queue)
		for _, i := range edge {
			v := spill[i]
			for _, k := range [...]int{int(i) - pitch - 1, int(i) - 1, int(i) + pitch - 1} {
				steps, sums, n := (*[3]int32)(far[k:]), (*[3]float32)(spill[k:]), (*[3]float32)(shares[k:])
				for j := range steps {
					if steps[j] < d {
						continue
					}
					if steps[j] > d {
						steps[j] = d
						queue = append(queue, int32(k+j))
					}
					sums[j] += v
					n[j]++
				}
			}
		}
		for _, k := range queue[from:] {
			spill[k] /= shares[k]
		}
	}
	grid := plate.NewGray(gw, gh)
	// Where it is not 0: around the squares, as far as the mean and what is between two reach.
	var some image.Rectangle
	for _, k := range queue {
		v := spill[k]
		if over := float64(far[k]) - reach; over > 0 {
			v *= float32(max(0, 1-over/fade))
		}
		if v > 0 {
			x, y := int(k)%pitch-1, int(k)/pitch-1
			grid.Pix[y*gw+x] = v
			some = some.Union(image.Rect(x-2, y-2, x+3, y+3))
		}
	}
	frame := image.Rect(0, 0, c.w, c.h)
	place := func(p image.Point) image.Point { return p.Mul(c.step).Add(image.Pt(c.left, c.top)) }
	f := &spillField{c: c, grid: boxMean(grid, 1), where: where}
	f.bounds = image.Rectangle{place(some.Min), place(some.Max)}.Intersect(frame)
	if some.Min.X <= 0 { // before the first the grid goes on
		f.bounds.Min.X = 0
	}
	if some.Min.Y <= 0 {
		f.bounds.Min.Y = 0
	}
	if where != nil {
		f.bounds = f.bounds.Intersect(where.Bounds)
	}
	f.places = make([]lying, f.bounds.Dx())
	for i := range f.places {
		f.places[i] = between(f.bounds.Min.X+i, c.left, c.step, gw)
	}
	return f
}

// rows returns what goes over the rows of a field. It is not safe for concurrent use.
func (f *spillField) rows() *fieldRows {
	n := f.bounds.Dx()
	return &fieldRows{f: f, row: make([]float32, n), lines: [2][]float32{make([]float32, n), make([]float32, n)}, have: [2]int{-1, -1}}
}

type fieldRows struct {
	f     *spillField
	row   []float32
	lines [2][]float32 // a row of the grid at every pixel of a row, for the one before and the one behind
	have  [2]int
}

// at returns row y of the frame as far as the field's bounds go. The next one overwrites it.
func (r *fieldRows) at(y int) []float32 {
	f := r.f
	down := between(y, f.c.top, f.c.step, f.grid.H)
	kernel.Mix(r.row, r.line(down.first), r.line(down.last), down.part)
	if f.where != nil {
		for x, part := range f.where.Row(y)[f.bounds.Min.X-f.where.Bounds.Min.X:][:len(r.row)] {
			r.row[x] *= part
		}
	}
	return r.row
}

func (r *fieldRows) line(v int) []float32 {
	to := r.lines[v%2]
	if r.have[v%2] != v {
		r.have[v%2] = v
		values := r.f.grid.Pix[v*r.f.grid.W : (v+1)*r.f.grid.W]
		for i := range to {
			to[i] = r.f.places[i].of(values)
		}
	}
	return to
}

// between returns where x is on a grid of n places.
func between(x, first, step, n int) lying {
	d := max(x-first, 0)
	if at := d / step; at < n-1 {
		return lying{at, at + 1, float32(d%step) / float32(step)}
	}
	return lying{n - 1, n - 1, 0}
}
