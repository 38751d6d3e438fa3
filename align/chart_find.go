package align

import (
	"math"
	"slices"
	"sort"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
)

// A saddle is a corner where four squares meet.
type saddle struct {
	x, y  float64 // in pixels
	mean  float64 // of the light around it
	swing float64 // half the difference of black and white around it
	phase float64 // twice the direction in which the light is strongest: opposite at neighbors

	known bool
	i, j  int           // in the lattice, where known
	axes  [2][2]float64 // to the next corners along i and j, in pixels
}

// A field is a square of the board as it was seen, by its lattice place.
type field struct {
	black, dot bool
	x, y       float64 // of the middle, in pixels
	level      float64 // of the light, beside the dot
}

// A board is a checkerboard as it was found in one picture. Its lattice starts anywhere and runs
// anyhow.
type board struct {
	corners map[[2]int]*saddle
	squares map[[2]int]field // by the corner with the least i and j
}

// Chosen by hand; not measured by itself.
const (
	cornerBlur = 1.5 // sigma of the smoothing before corners are looked for, in pixels
	refineBlur = 1.0 // and before their places are measured
	ringRadius = 4.5 // of the ring on which a corner is checked, in pixels
	ringSteps  = 32
	minSquare  = 10    // the least side of a square, in pixels
	maxCorners = 20000 // bounds the work
)

// findBoard finds the largest checkerboard in a picture; it is nil where there is none.
func findBoard(q plane) *board {
	grain := grain(q)
	finer := blur(plane{q.w, q.h, slices.Clone(q.pix)}, refineBlur*refineBlur)
	soft := blur(plane{q.w, q.h, slices.Clone(finer.pix)}, cornerBlur*cornerBlur-refineBlur*refineBlur)
	best := lattice(candidates(soft, grain))
	if len(best) < minBoard {
		return nil
	}
	b := &board{corners: map[[2]int]*saddle{}, squares: map[[2]int]field{}}
	for _, c := range best {
		b.corners[[2]int{c.i, c.j}] = c
	}
	b.readSquares(finer)
	b.flatten(finer)
	parallel.Parts(len(best), func(from, to int) {
		for _, c := range best[from:to] {
			c.known = refine(finer, c)
		}
	})
	for _, c := range best {
		if !c.known {
			delete(b.corners, [2]int{c.i, c.j})
		}
	}
	return b
}

// side is the lesser side of the squares around, in pixels.
func (c *saddle) side() float64 {
	return math.Min(math.Hypot(c.axes[0][0], c.axes[0][1]), math.Hypot(c.axes[1][0], c.axes[1][1]))
}

// flatten divides a picture by the light on the chart, a cubic polynomial fitted to the white
// squares without a dot. Light that falls off across a corner would pull it to one side.
func (b *board) flatten(q plane) {
	const (
		fewest  = 20  // white squares: twice the terms
		darkest = 0.1 // part of the typical light that the polynomial may fall to; chosen by hand
	)
	terms := func(x, y float64) [10]float64 {
		x, y = 2*x/float64(q.w)-1, 2*y/float64(q.w)-float64(q.h)/float64(q.w)
		return [10]float64{1, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y}
	}
	n := newNormal(10)
	var levels []float32
	for _, at := range sortedPlaces(b.squares) {
		f := b.squares[at]
		if f.black {
			continue
		}
		t := terms(f.x, f.y)
		n.add(t[:], f.level, 1)
		levels = append(levels, float32(f.level))
	}
	if len(levels) < fewest {
		return
	}
	typical := float64(robust.Median(levels))
	k, ok := n.solve()
	if !ok || typical <= 0 {
		return
	}
	parallel.Each(q.h, func(y int) {
		for x := range q.w {
			sum := 0.0
			for i, v := range terms(float64(x), float64(y)) {
				sum += k[i] * v
			}
			q.pix[y*q.w+x] *= float32(typical / max(sum, darkest*typical))
		}
	})
}

// minBoard is the least number of corners that counts as a board: twice the parameters; chosen by
// hand.
const minBoard = 24

// candidates returns what looks like a corner: where the light is a saddle, and goes dark and light
// twice on the way around.
func candidates(q plane, noise float64) []*saddle {
	w, h := q.w, q.h
	bend := make([]float32, len(q.pix))
	const (
		margin = 6     // pixels: the ring and peak reach no further
		least  = 1e-14 // of the light's bending, squared: rounding
		sure   = 2     // times the noise that a corner's swing is at least; common practice
		strong = 0.9   // the quantile of swings that is a sound corner's; chosen by hand
		weak   = 12    // one part in so many of that is shading or noise; chosen by hand
	)
	if w <= 2*margin || h <= 2*margin {
		return nil
	}
	parallel.Parts(h-2*margin, func(from, to int) {
		for y := from + margin; y < to+margin; y++ {
			for x := margin; x < w-margin; x++ {
				p := q.pix[(y-2)*w+x-2:]
				v := p[2*w+2]
				xx, yy := p[2*w]+p[2*w+4]-2*v, p[2]+p[4*w+2]-2*v
				xy := (p[0] + p[4*w+4] - p[4] - p[4*w]) / 4
				bend[y*w+x] = xy*xy - xx*yy
			}
		}
	})
	var all []*saddle
	floor := float32(math.Max(noise*noise, least))
	for y := margin; y < h-margin; y++ {
		for x := margin; x < w-margin; x++ {
			s := bend[y*w+x]
			if s <= floor || !peak(bend, w, x, y, s) {
				continue
			}
			c := ring(q, x, y)
			if c != nil && c.swing > sure*noise {
				all = append(all, c)
			}
		}
	}
	// A corner is about as strong as those around it; weak ones are shading and noise.
	if len(all) == 0 {
		return nil
	}
	swings := list.Of(all, func(c *saddle) float32 { return float32(c.swing) })
	faint := float64(robust.Quantile(swings, strong)) / weak
	all = slices.DeleteFunc(all, func(c *saddle) bool { return c.swing < faint })
	if len(all) > maxCorners {
		sort.SliceStable(all, func(i, j int) bool { return all[i].swing > all[j].swing })
		all = all[:maxCorners]
	}
	return all
}

// grain returns the standard deviation of a picture's noise, from the lower quartile of the
// differences of pixels three apart: the edges of even small squares are in the upper half.
func grain(q plane) float64 {
	const (
		apart = 3 // pixels
		// A part of the differences that the chart's own edges, which are fewer, do not reach.
		lower = 0.25
		// That quantile of a normal distribution's absolute values, in sigma: where its integral is
		// 5/8.
		quartile = 0.3186
	)
	var d []float32
	for i, step := 0, max(1, len(q.pix)/samples)|1; i < len(q.pix)-apart; i += step {
		d = append(d, float32(math.Abs(float64(q.pix[i+apart]-q.pix[i]))))
	}
	return float64(robust.Quantile(d, lower)) / (quartile * math.Sqrt2)
}

// peak reports whether s is the largest within three pixels.
func peak(a []float32, w, x, y int, s float32) bool {
	const reach = 3 // pixels: corners are minSquare apart at least
	for dy := -reach; dy <= reach; dy++ {
		for dx := -reach; dx <= reach; dx++ {
			v := a[(y+dy)*w+x+dx]
			if v > s || v == s && (dy < 0 || dy == 0 && dx < 0) {
				return false
			}
		}
	}
	return true
}

// ring looks at the light on a circle around a pixel. At a corner most of its variation has two
// periods a turn, and next to nothing has one.
func ring(q plane, x, y int) *saddle {
	// Parts of the variation that have two periods and one: an ideal corner's are 0.81 and 0.
	// Chosen by hand.
	const (
		leastTwo = 0.6
		mostOne  = 0.15
	)
	var v [ringSteps]float64
	mean := 0.0
	for i := range v {
		s, c := math.Sincos(2 * math.Pi * float64(i) / ringSteps)
		v[i] = bilinear(q, float64(x)+ringRadius*c, float64(y)+ringRadius*s)
		mean += v[i] / ringSteps
	}
	var energy, c1, s1, c2, s2 float64
	for i := range v {
		d := v[i] - mean
		energy += d * d / ringSteps
		s, c := math.Sincos(2 * math.Pi * float64(i) / ringSteps)
		c1, s1 = c1+d*c/ringSteps, s1+d*s/ringSteps
		c2, s2 = c2+d*(c*c-s*s)/ringSteps, s2+d*2*s*c/ringSteps
	}
	one, two := 2*(c1*c1+s1*s1), 2*(c2*c2+s2*s2)
	if two < leastTwo*energy || one > mostOne*energy {
		return nil
	}
	return &saddle{x: float64(x), y: float64(y), mean: mean, swing: math.Sqrt(energy), phase: math.Atan2(s2, c2)}
}

func bilinear(q plane, x, y float64) float64 {
	x, y = min(max(x, 0), float64(q.w-1)), min(max(y, 0), float64(q.h-1))
	i, j := min(int(x), q.w-2), min(int(y), q.h-2)
	fx, fy := x-float64(i), y-float64(j)
	p := q.pix[j*q.w+i:]
	return (float64(p[0])*(1-fx)+float64(p[1])*fx)*(1-fy) + (float64(p[q.w])*(1-fx)+float64(p[q.w+1])*fx)*fy
}

// How exactly the rings of neighbors are opposite, and an edge leaves along what a ring shows:
// cosines of twice an angle, which perspective and blur turn. And how often as strong one of two
// neighbors may be as the other. Chosen by hand.
const (
	turned = 0.6
	uneven = 3
)

// opposite reports whether two corners can be neighbors: the one dark where the other is light, and
// about as strong.
func (c *saddle) opposite(d *saddle) bool {
	return math.Cos(c.phase-d.phase) < -turned && c.swing < uneven*d.swing && d.swing < uneven*c.swing
}

// along reports whether an edge leaves c in the direction (dx, dy), as far as the ring can tell.
func (c *saddle) along(dx, dy float64) bool {
	return math.Abs(math.Cos(2*math.Atan2(dy, dx)-c.phase)) < turned
}

// lattice orders corners into rows and columns, and returns the largest board among them.
func lattice(all []*saddle) []*saddle {
	b := newBuckets(all)
	var best []*saddle
	used := map[*saddle]bool{}
	for _, seed := range all {
		if used[seed] || !b.seed(seed) {
			continue
		}
		got := b.grow(seed)
		for _, c := range got {
			used[c] = true
		}
		if len(got) > len(best) {
			kept := make([]*saddle, len(got))
			for i, c := range got {
				d := *c
				kept[i] = &d
			}
			best = kept
		}
		for _, c := range got {
			c.known = false
		}
	}
	return best
}

// buckets finds corners by place.
type buckets struct {
	all  []*saddle
	cell map[[2]int][]*saddle
}

const bucketSide = 32 // pixels; chosen by hand

func newBuckets(all []*saddle) *buckets {
	b := &buckets{all, map[[2]int][]*saddle{}}
	for _, c := range all {
		k := [2]int{int(c.x) / bucketSide, int(c.y) / bucketSide}
		b.cell[k] = append(b.cell[k], c)
	}
	return b
}

// nearest returns the corner nearest to a place that is no further than r and meets the condition.
func (b *buckets) nearest(x, y, r float64, ok func(*saddle) bool) (best *saddle) {
	i0, i1 := int(math.Floor((x-r)/bucketSide)), int(math.Floor((x+r)/bucketSide))
	j0, j1 := int(math.Floor((y-r)/bucketSide)), int(math.Floor((y+r)/bucketSide))
	for j := j0; j <= j1; j++ {
		for i := i0; i <= i1; i++ {
			for _, c := range b.cell[[2]int{i, j}] {
				if d := math.Hypot(c.x-x, c.y-y); d <= r && ok(c) {
					best, r = c, d
				}
			}
		}
	}
	return best
}

// seed gives c its axes by its neighbors, and returns false where they do not look like a board's.
func (b *buckets) seed(c *saddle) bool {
	const (
		reach  = 400 // the largest side of a square, in pixels; bounds the work
		across = 0.7 // the least sine of the angle between two axes; chosen by hand
	)
	var first *saddle
	for r := 2.0 * minSquare; first == nil && r <= reach; r *= 2 {
		first = b.nearest(c.x, c.y, r, func(d *saddle) bool {
			return math.Hypot(d.x-c.x, d.y-c.y) >= minSquare && c.opposite(d) && c.along(d.x-c.x, d.y-c.y)
		})
	}
	if first == nil {
		return false
	}
	u := [2]float64{first.x - c.x, first.y - c.y}
	lu := math.Hypot(u[0], u[1])
	second := b.nearest(c.x, c.y, 2*lu, func(d *saddle) bool {
		v := [2]float64{d.x - c.x, d.y - c.y}
		return c.opposite(d) && c.along(v[0], v[1]) && math.Abs(u[0]*v[1]-u[1]*v[0]) > across*lu*math.Hypot(v[0], v[1])
	})
	if second == nil {
		return false
	}
	c.axes = [2][2]float64{u, {second.x - c.x, second.y - c.y}}
	return true
}

// grow takes neighbor after neighbor into the lattice that starts at seed.
func (b *buckets) grow(seed *saddle) []*saddle {
	const near = 0.3 // of a side, within which a neighbor is where it is expected; chosen by hand
	seed.known, seed.i, seed.j = true, 0, 0
	taken := map[[2]int]bool{{0, 0}: true}
	list := []*saddle{seed}
	for k := 0; k < len(list); k++ {
		c := list[k]
		for axis := range 2 {
			for _, sign := range [2]int{1, -1} {
				at := [2]int{c.i, c.j}
				at[axis] += sign
				if taken[at] {
					continue
				}
				s, a := float64(sign), c.axes[axis]
				side := math.Hypot(a[0], a[1])
				d := b.nearest(c.x+s*a[0], c.y+s*a[1], near*side, func(d *saddle) bool { return !d.known && c.opposite(d) })
				if d == nil {
					continue
				}
				d.known, d.i, d.j, d.axes = true, at[0], at[1], c.axes
				d.axes[axis] = [2]float64{s * (d.x - c.x), s * (d.y - c.y)}
				c.axes[axis] = d.axes[axis]
				taken[at] = true
				list = append(list, d)
			}
		}
	}
	return list
}

// refine moves a corner to the place that the gradients around it are orthogonal to the lines to
// (Förstner and Gülch 1987; it is what OpenCV's cornerSubPix does). It returns false where that
// leads away.
func refine(q plane, c *saddle) bool {
	const (
		// Of a side: a dot comes to 0.32 of one, along both axes, from the corner.
		window      = 0.3
		least, most = 3, 16 // pixels of the window's half; bound the noise and the work
		steps       = 12    // chosen by hand
		// Least determinant of the gradients' products, over their trace squared; less is an edge.
		line   = 1e-3
		astray = 4    // pixels that a corner may move; chosen by hand
		still  = 1e-4 // pixels
	)
	half := int(min(max(window*c.side(), least), most))
	x, y := c.x, c.y
	for range steps {
		cx, cy := int(math.Round(x)), int(math.Round(y))
		if cx-half < 1 || cy-half < 1 || cx+half >= q.w-1 || cy+half >= q.h-1 {
			return false
		}
		fx, fy := x-float64(cx), y-float64(cy)
		var a, b, d, u, v float64
		for dy := -half; dy <= half; dy++ {
			for dx := -half; dx <= half; dx++ {
				px, py := float64(dx)-fx, float64(dy)-fy
				// The weight is smooth in the corner's place, and nothing at the window's rim.
				r := (px*px + py*py) / (float64(half*half) + 1)
				if r >= 1 {
					continue
				}
				weight := (1 - r) * (1 - r)
				i := (cy+dy)*q.w + cx + dx
				gx, gy := float64(q.pix[i+1]-q.pix[i-1]), float64(q.pix[i+q.w]-q.pix[i-q.w])
				a, b, d = a+weight*gx*gx, b+weight*gx*gy, d+weight*gy*gy
				g := weight * (gx*px + gy*py)
				u, v = u+g*gx, v+g*gy
			}
		}
		det := a*d - b*b
		if !(det > line*(a+d)*(a+d)) {
			return false
		}
		mx, my := (d*u-b*v)/det, (a*v-b*u)/det
		x, y = x+mx, y+my
		if math.Hypot(x-c.x, y-c.y) > astray {
			return false
		}
		if math.Hypot(mx, my) < still {
			break
		}
	}
	c.x, c.y = x, y
	return true
}

// readSquares reads which squares are black and which have dots.
func (b *board) readSquares(q plane) {
	const (
		// Where a square is read, in parts of its side: outside the dot, and within it.
		corner, opposite = 0.22, 0.78
		left, right      = 0.45, 0.55

		// Part of the swing by which a dot differs at least from what is around it; chosen by hand.
		dotted = 0.8
	)
	for at, c := range b.corners {
		c10, c01, c11 := b.corners[[2]int{at[0] + 1, at[1]}], b.corners[[2]int{at[0], at[1] + 1}], b.corners[[2]int{at[0] + 1, at[1] + 1}]
		if c10 == nil || c01 == nil || c11 == nil {
			continue
		}
		place := func(u, v float64) (x, y float64) {
			return (1-u)*(1-v)*c.x + u*(1-v)*c10.x + (1-u)*v*c01.x + u*v*c11.x,
				(1-u)*(1-v)*c.y + u*(1-v)*c10.y + (1-u)*v*c01.y + u*v*c11.y
		}
		mean := func(n [][2]float64) (sum float64) {
			for _, p := range n {
				x, y := place(p[0], p[1])
				sum += bilinear(q, x, y) / float64(len(n))
			}
			return sum
		}
		around := mean([][2]float64{{corner, corner}, {opposite, corner}, {corner, opposite}, {opposite, opposite}})
		middle := mean([][2]float64{{0.5, 0.5}, {left, 0.5}, {right, 0.5}, {0.5, left}, {0.5, right}})
		between := (c.mean + c10.mean + c01.mean + c11.mean) / 4
		swing := math.Abs(around - between)
		x, y := place(0.5, 0.5)
		b.squares[at] = field{around < between, math.Abs(middle-around) > dotted*swing, x, y, around}
	}
}
