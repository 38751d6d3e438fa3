package align

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/patches"
	"example.com/twinplate/internal/robust"
)

// A screen is the lit screen without the performer: the exponential of a quadratic over the band
// frame, times a gain for each pair. It need not be exact: only its slope within a small window
// matters.
type screen struct {
	q        [6]float64
	low, top float64 // the logarithms that it stays between
	gain     []float64
	borders  []border // where it ends within the frame
	part     float64  // the part of the band frame within its borders, 0 to 1
}

// A border is a straight line at which the screen ends, in parts of the band frame's width and
// height: the screen is where x u + y v <= at.
type border struct{ x, y, at float64 }

// By how much parts of the screen that the performer divides may differ in light, in natural
// logarithms: to belong to the screen (a stop and a half), and to be surely open, with no scrim or
// smoke before them.
const (
	darkPart = 1.
	likePart = 0.35
)

// fitScreen fits the screen to what is brightest in the coarsest level of the band plates, and
// finds where it ends.
func fitScreen(bands [][]plane) (*screen, error) {
	sc := &screen{gain: make([]float64, len(bands)), part: 1}
	top := len(bands[0]) - 1
	w, h := bands[0][top].w, bands[0][top].h
	all := slices.Repeat([]bool{true}, w*h)
	light, err := sc.light(bands, all)
	if err != nil {
		return nil, err
	}
	sc.borders = bordersOf(brightArea(light, w, h, darkPart), w, h)
	open := brightArea(light, w, h, likePart)
	if beyond := sc.beyond(w, h); beyond != nil {
		inside, n := make([]bool, w*h), 0
		for i, b := range beyond {
			inside[i] = !b
			open[i] = open[i] && !b
			if !b {
				n++
			}
		}
		if n == 0 {
			return nil, fmt.Errorf("align: %w: no part of the band plates is a lit screen", ErrNoSilhouettes)
		}
		sc.part = float64(n) / float64(w*h)
		if light, err = sc.light(bands, inside); err != nil {
			return nil, err
		}
	}
	sc.fit(light, open, w, h)
	return sc, nil
}

// light sets the gains of the pairs, by the pixels that are inside, and returns the logarithm of
// the most light that a pixel of the coarsest level has in any of them, over its pair's gain.
func (sc *screen) light(bands [][]plane, inside []bool) ([]float64, error) {
	const (
		darkest = -6  // the least that is returned, in natural logarithms: a 400th; chosen by hand
		screen  = 0.9 // the quantile of a plate that is screen, and its gain; chosen by hand
		// Part of the brightest plate's gain up to which a plate has no lamps on; chosen by hand.
		unlit = 0.02
	)
	top := len(bands[0]) - 1
	brightest := 0.0
	for i := range bands {
		var within []float32
		for k, v := range bands[i][top].pix {
			if inside[k] {
				within = append(within, v)
			}
		}
		if len(within) == 0 {
			return nil, fmt.Errorf("align: %w: no part of the band plates is bright together, as a lit screen is", ErrNoSilhouettes)
		}
		sc.gain[i] = float64(robust.Quantile(within, screen))
		brightest = math.Max(brightest, sc.gain[i])
	}
	if !(brightest > 0) {
		return nil, fmt.Errorf("align: %w: the band plates are black", ErrNoSilhouettes)
	}
	light := make([]float64, len(inside))
	for i := range light {
		light[i] = darkest
		for f := range bands {
			if v := float64(bands[f][top].pix[i]); v > 0 && sc.gain[f] > unlit*brightest {
				light[i] = math.Max(light[i], math.Log(v/sc.gain[f]))
			}
		}
	}
	return light, nil
}

// fit fits the quadratic to the light of the open pixels, by least squares in which what lies below
// the fit (strands, what is thin) counts little, and in the end nothing.
func (sc *screen) fit(light []float64, open []bool, w, h int) {
	const (
		// In the first 31 of which what lies far below still counts; chosen by hand.
		passes, convex = 40, 31

		// How far below the fit, in natural logarithms, light counts as strands, and as the
		// performer; and what strands count. Chosen by hand.
		thin, solid = 0.15, 0.3
		thinWeight  = 0.01

		fewest = 50 // one pixel in so many must be at the fit; chosen by hand
		// Pixels' worth by which each term is held to zero, so that the equations can be solved.
		ridge = 1e-3
	)
	xs := list.By(w, func(i int) float64 { return 2*float64(i)/float64(w) - 1 })
	ys := list.By(h, func(i int) float64 { return 2*float64(i)/float64(h) - 1 })
	for pass := range passes {
		m := newNormal(6)
		count := 0
		for j, y := range ys {
			var sums screenSums
			c, b, a := sc.across(y)
			for i, v := range light[j*w : (j+1)*w] {
				if !open[j*w+i] {
					continue
				}
				x := xs[i]
				weight := 1.0
				if pass > 0 {
					r := v - (c + x*(b+x*a))
					switch {
					case r < -solid && pass >= convex:
						weight = 0
					case r < -thin:
						weight = thinWeight
					}
				}
				if weight == 1 {
					count++
				}
				sums.add(x, v, weight)
			}
			sums.into(m, y)
		}
		if pass >= convex && count < len(light)/fewest {
			break
		}
		for j := range 6 {
			m.a[j*6+j] += ridge
		}
		x, ok := m.solve()
		if !ok {
			break
		}
		copy(sc.q[:], x)
	}
	sc.low, sc.top = math.Inf(1), math.Inf(-1)
	for j, y := range ys {
		c, b, a := sc.across(y)
		for i, x := range xs {
			fit := c + x*(b+x*a)
			if k := j*w + i; open[k] && math.Abs(light[k]-fit) < solid {
				sc.low, sc.top = math.Min(sc.low, fit), math.Max(sc.top, fit)
			}
		}
	}
	if sc.low > sc.top {
		sc.low, sc.top = 0, 0
	}
}

// across returns the screen along a row, c + x (b + x a), of the terms 1, x, y, x^2, x y and y^2.
func (sc *screen) across(y float64) (c, b, a float64) {
	q := &sc.q
	return q[0] + y*(q[2]+y*q[5]), q[1] + y*q[4], q[3]
}

// screenSums are a row's part in the equations of the screen's terms: those of the weights times
// the powers of x, and of these times the light.
type screenSums struct {
	powers [5]float64
	light  [3]float64
}

func (s *screenSums) add(x, light, weight float64) {
	p := &s.powers
	w1 := weight * x
	w2 := w1 * x
	w3 := w2 * x
	p[0], p[1], p[2], p[3], p[4] = p[0]+weight, p[1]+w1, p[2]+w2, p[3]+w3, p[4]+w3*x
	l := &s.light
	l[0], l[1], l[2] = l[0]+weight*light, l[1]+w1*light, l[2]+w2*light
}

// into adds them for the row y.
func (s *screenSums) into(m *normal, y float64) {
	byX, byY := [6]int{0, 1, 0, 2, 1, 0}, [6]int{0, 0, 1, 0, 1, 2} // the powers in across's terms
	high := [5]float64{1, y, y * y, y * y * y, y * y * y * y}
	for i := range byX {
		for j := range i + 1 {
			m.a[i*6+j] += high[byY[i]+byY[j]] * s.powers[byX[i]+byX[j]]
		}
		m.b[i] += high[byY[i]] * s.light[byX[i]]
	}
}

// brightArea returns which pixels are open screen: the brightest and what lies about them without a
// step, and other such parts whose light is at most fades less.
func brightArea(light []float64, w, h int, fades float64) []bool {
	const (
		// The most by which neighbors on the screen differ, besides noise; chosen by hand.
		step = 0.12
		// What is smaller than this part of the largest piece is a lamp or a reflection; chosen by
		// hand.
		speck = 0.02

		// The quantile of the neighbors' differences that is noise alone, and how often it
		// neighbors may differ: edges are in the rest. A normal difference's lower quartile is 0.32
		// sigma. Chosen by hand.
		calm, noisy = 0.25, 6

		// The quantile of light that a search begins with: what is above may glint; chosen by hand.
		bright = 0.98
	)
	const rounded = 1e-3 // by float32, of which the quantile is

	// Natural logarithms below the brightest, four stops, from which it is no screen but a wall with
	// the screen's light on it: a border that is nearly level goes down to it without a step. As in
	// matte's extent; chosen by hand.
	const wall = 2.8
	var differences []float32
	levels := make([]float32, len(light))
	for i, v := range light {
		levels[i] = float32(v)
		if i%w > 0 {
			differences = append(differences, float32(math.Abs(v-light[i-1])))
		}
	}
	most := step + noisy*float64(robust.Quantile(differences, calm))
	seed := float64(robust.Quantile(levels, bright)) - rounded
	least := seed - wall
	var piece []int32 // by pixel: 0 where it is not bright
	var sizes []int
	for range 2 { // from the brightest; then from all that is as bright as most of that
		piece, sizes = patches.Find(w, h, func(i, from int) bool {
			if from < 0 {
				return light[i] >= seed
			}
			return light[i] > least && math.Abs(light[i]-light[from]) < most
		})
		var largest []float32
		for i, n := range piece {
			if n != 0 && sizes[n] == slices.Max(sizes) {
				largest = append(largest, float32(light[i]))
			}
		}
		if len(largest) == 0 {
			return make([]bool, len(light))
		}
		seed = float64(robust.Median(largest)) - fades
	}
	return list.Of(piece, func(n int32) bool { return n != 0 && float64(sizes[n]) > speck*float64(slices.Max(sizes)) })
}

// bordersOf returns the sides of the convex hull of the open pixels of w by h that lie within the
// frame, moved inward by what smoothing spreads an edge to. There are none where the open screen
// reaches almost all around the frame: then what is missing is the performer.
func bordersOf(open []bool, w, h int) []border {
	const (
		// Pixels from the frame's edge at which the screen counts as reaching it; chosen by hand.
		near   = 3.0
		inward = 2.0 // pixels
	)
	// The hull, by Andrew's monotone chain (1979), of corners of pixels: those of the outermost in
	// each row.
	var points [][2]float64
	for y := range h {
		row := open[y*w : (y+1)*w]
		left := slices.Index(row, true)
		if left < 0 {
			continue
		}
		right := w - 1
		for !row[right] {
			right--
		}
		x0, y0, x1, y1 := float64(left), float64(y), float64(right+1), float64(y+1)
		if x0 < near {
			x0 = 0
		}
		if y0 < near {
			y0 = 0
		}
		if x1 > float64(w)-near {
			x1 = float64(w)
		}
		if y1 > float64(h)-near {
			y1 = float64(h)
		}
		points = append(points, [2]float64{x0, y0}, [2]float64{x0, y1}, [2]float64{x1, y0}, [2]float64{x1, y1})
	}
	hull := convexHull(points)
	if len(hull) < 3 {
		return nil
	}
	var list []border
	for i, p := range hull {
		q := hull[(i+1)%len(hull)]
		dx, dy := q[0]-p[0], q[1]-p[1]
		onFrame := p[0] == q[0] && (p[0] == 0 || p[0] == float64(w)) || p[1] == q[1] && (p[1] == 0 || p[1] == float64(h))
		if onFrame {
			continue
		}
		// Outward is to the right of the way around.
		l := math.Hypot(dx, dy)
		nx, ny := dy/l, -dx/l
		at := nx*p[0] + ny*p[1] - inward
		list = append(list, border{nx * float64(w), ny * float64(h), at})
	}
	return list
}

// convexHull returns the corners of the convex hull of points, counterclockwise where y points up.
func convexHull(points [][2]float64) [][2]float64 {
	slices.SortFunc(points, func(a, b [2]float64) int {
		return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1]))
	})
	points = slices.Compact(points)
	var hull [][2]float64
	add := func(p [2]float64, least int) {
		for n := len(hull); n >= least+2; n-- {
			a, b := hull[n-2], hull[n-1]
			if (b[0]-a[0])*(p[1]-a[1])-(b[1]-a[1])*(p[0]-a[0]) > 0 {
				break
			}
			hull = hull[:n-1]
		}
		hull = append(hull, p)
	}
	for _, p := range points {
		add(p, 0)
	}
	lower := len(hull) - 1
	for i := len(points) - 2; i >= 0; i-- {
		add(points[i], lower)
	}
	return hull[:max(0, len(hull)-1)]
}

// beyond returns which pixels of a band plate of w by h lie beyond the screen; nil where none does.
func (sc *screen) beyond(w, h int) []bool {
	if len(sc.borders) == 0 {
		return nil
	}
	list := make([]bool, w*h)
	parallel.EachRow(w, h, func(y int) {
		v := (float64(y) + 0.5) / float64(h)
		from, to := 0.0, 1.0 // the screen's part of the row
		for _, b := range sc.borders {
			switch left := b.at - b.y*v; {
			case b.x > 0:
				to = math.Min(to, left/b.x)
			case b.x < 0:
				from = math.Max(from, left/b.x)
			case left < 0:
				to = 0
			}
		}
		row := list[y*w : (y+1)*w]
		for x := range row {
			u := (float64(x) + 0.5) / float64(w)
			row[x] = u < from || u > to
		}
	})
	return list
}

// divide turns a band plate into alpha.
func (sc *screen) divide(b plane, pair int) {
	gain := sc.gain[pair]
	if !(gain > 0) {
		clear(b.pix)
		return
	}
	const (
		// Places of a row between which one over the screen is taken as a straight line, and as many
		// pixels down: it is off by a hundred-thousandth where the screen falls by a stop over half of
		// the frame.
		places = 128

		// The light, of the screen's, that goes into alpha: what is darker or brighter says no
		// more, and would outweigh all else. Chosen by hand.
		least, most = -0.5, 2
	)
	step := max(1, b.w/places)
	across, down := (b.w+step-1)/step+1, (b.h+step-1)/step
	// nodes fills in one over the screen at every step-th place of row y.
	nodes := func(to []float64, y int) {
		level, slope, bend := sc.across(2*float64(y)/float64(b.h) - 1)
		for i := range to {
			x := 2*float64(i*step)/float64(b.w) - 1
			to[i] = 1 / (gain * math.Exp(math.Max(sc.low, math.Min(level+x*(slope+x*bend), sc.top))))
		}
	}
	parallel.Parts(down, func(from, to int) {
		top, bottom := make([]float64, across), make([]float64, across)
		nodes(bottom, from*step)
		for k := from; k < to; k++ {
			top, bottom = bottom, top
			nodes(bottom, (k+1)*step)
			for j := range min(step, b.h-k*step) {
				part := float64(j) / float64(step)
				at := func(i int) float64 { return top[i] + part*(bottom[i]-top[i]) }
				y := k*step + j
				row := b.pix[y*b.w : (y+1)*b.w]
				f0 := at(0)
				for i := range across - 1 {
					f1 := at(i + 1)
					f, slope := float32(f0), float32((f1-f0)/float64(step))
					some := row[i*step : min((i+1)*step, b.w)]
					for x, p := range some {
						light := p * f
						if light < least { // no min and max, which in WebAssembly are calls
							light = least
						} else if light > most {
							light = most
						}
						some[x] = 1 - light
						f += slope
					}
					f0 = f1
				}
			}
		}
	})
}
