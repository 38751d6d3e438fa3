package scene

import "math"

// lay shades a rope of three strands, wet, whose twist has come s0 further; s0 moves as the rope is
// drawn.
func (a *act) lay(s0, dim float64) shade {
	const pitch = 0.0105
	return func(x, y, s, nx, ny float64) (rgb, float64) {
		// Across: from the sign of the offset, by which side of the line it is on.
		side := nx + ny
		o := math.Copysign(math.Hypot(nx, ny), side)
		q := fract((s+s0)/pitch + 0.42*o)
		bump := 2*q - 1
		nz := math.Sqrt(max(0.04, 1-nx*nx-ny*ny))
		tx, ty := nx+0.55*bump*0.7, ny+0.55*bump*0.7
		albedo := rgb{0.46, 0.33, 0.17}.times((0.25 + 0.75*(1-bump*bump*bump*bump)) * (0.8 + 0.4*noise(s*400, o*3, a.seed)))
		return a.light(x, y, 0.11, tx, ty, nz, albedo, 0.95, dim), 1
	}
}

const ropeR = 0.0078

// coil paints the loops that hang from the near hand; the far half goes behind the hand.
func (a *act) coil(c *canvas, front bool) {
	h := a.near[2]
	hx, hy := h.x+0.040, h.y+0.006
	for k := range 5 {
		f := float64(k)
		sway := 0.020*math.Sin(2*math.Pi*a.now/1.3-0.5*f) + 0.5*a.lean
		long := 0.20 + 0.034*math.Sin(f*2.4) + 0.004*f
		wide := 0.050 + 0.011*math.Sin(f*1.7+1)
		from, to, dim := 0.0, math.Pi, 0.55
		if front {
			from, to, dim = math.Pi, 2*math.Pi, 1
		}
		const n = 26
		c.stroke(knots(n, func(j float64) knot {
			t := mix(from, to, j/n)
			down := (1 - math.Cos(t)) / 2 // 0 at the hand, 1 at the bottom
			x := hx + 0.008*(f-2) - wide*math.Sin(t)*math.Pow(down+0.05, 0.35) + sway*down*down
			y := hy + long*down
			return knot{x, y, ropeR}
		}), a.lay(0.003*f, dim))
	}
}

// line paints the rope from the near hand to the far one, and on to the bollard.
func (a *act) line(c *canvas) {
	n, f := a.near[2], a.far[2]
	drawn := 0.05 * math.Sin(2*math.Pi*a.now)
	sag := 0.045 + 0.02*math.Sin(2*math.Pi*a.now+0.6)
	c.stroke(through([]knot{{n.x + 0.022, n.y - 0.004, ropeR}, {(n.x+f.x)/2 + 0.03, (n.y+f.y)/2 + sag, ropeR}, {f.x + 0.005, f.y + 0.004, ropeR}}, 10), a.lay(drawn, 1))
	w := 0.010 * math.Sin(2*math.Pi*a.now*1.5)
	c.stroke(through([]knot{{f.x + 0.004, f.y + 0.002, ropeR}, {f.x + 0.030, f.y + 0.065, ropeR}, {f.x + 0.058 + w, f.y + 0.21, ropeR},
		{1.085 + w/2, 0.815, ropeR}, {1.118, 0.895, ropeR}, {1.075, 0.930, ropeR}, {0.985, 0.935, ropeR}}, 12), a.lay(drawn, 1))
}

// glove paints a leather glove closed around a rope; dir is the way the forearm points.
func (a *act) glove(c *canvas, w knot, dx, dy, size float64) {
	px, py := -dy, dx // across, downwards for an arm that points right
	at := func(s, o, r float64) knot {
		return knot{w.x + (dx*s+px*o)*size, w.y + (dy*s+py*o)*size, r * size}
	}
	parts := [][]knot{
		{at(-0.020, 0, 0.024), at(0.004, 0, 0.022), at(0.018, 0.002, 0.021)},
	}
	for k := range 4 {
		s := 0.006 + 0.0115*float64(k)
		parts = append(parts, []knot{at(s, -0.018, 0.0078), at(s+0.007, -0.002, 0.0085), at(s+0.003, 0.016, 0.0078), at(s-0.004, 0.021, 0.0070)})
	}
	thumb := []knot{at(-0.004, -0.018, 0.0085), at(0.016, -0.026, 0.0080), at(0.034, -0.022, 0.0066)}
	parts = append(parts, thumb)
	all := nowhere
	for _, p := range parts {
		b := aroundKnots(p)
		all = all.add(b.x0, b.y0).add(b.x1, b.y1)
	}
	dist := func(x, y float64) float64 {
		d := limb(parts[0], x, y)
		for _, p := range parts[1:] {
			d = join(d, limb(p, x, y), 0.003)
		}
		return d
	}
	r := body(all, 0.020, dist, func(x, y float64) float64 {
		v := 0.0
		for _, p := range parts[1:] { // the fingers stand out of the palm
			v = max(v, 0.008*math.Sqrt(max(0, -limb(p, x, y))/(0.0085*size)))
		}
		return v
	})
	c.body(r, &a.night, func(x, y float64, s surface) look {
		v := 0.75 + 0.5*cloud(x*120, y*120, 2, a.seed)
		return look{albedo: rgb{0.30, 0.145, 0.060}.times(v), gloss: 0.6}
	})
}

func toward(a, b knot) (float64, float64) {
	l := math.Hypot(b.x-a.x, b.y-a.y) + 1e-9
	return (b.x - a.x) / l, (b.y - a.y) / l
}

// farArm paints the arm that draws the rope in.
func (a *act) farArm(c *canvas) {
	a.line(c)
	dx, dy := toward(a.far[1], a.far[2])
	a.glove(c, knot{a.far[2].x, a.far[2].y, 0}, dx, dy, 0.92)
	a.sleeve(c, a.far, 0.35, 3)
	a.fingers(c, knot{a.far[2].x - 0.004, a.far[2].y, 0}, dx, dy, 0.86, 4)
}

// nearArm paints the arm that holds the coil.
func (a *act) nearArm(c *canvas) {
	a.coil(c, false)
	a.sleeve(c, a.near, 0, 8)
	dx, dy := toward(a.near[1], a.near[2])
	w := a.near[2]
	a.glove(c, knot{w.x + 0.012, w.y, 0}, dx, dy, 1.08)
	a.coil(c, true)
	a.fingers(c, knot{w.x + 0.012, w.y, 0}, dx, dy, 1, 3)
}

// fingers paints the fingers that close over the rope.
func (a *act) fingers(c *canvas, w knot, dx, dy, size float64, n int) {
	px, py := -dy*size, dx*size
	dx, dy = dx*size, dy*size
	for k := range n {
		s := 0.016 + 0.0135*float64(k) - 0.008*float64(n-3)
		f := []knot{
			{w.x + dx*s - px*0.016, w.y + dy*s - py*0.016, 0.0082 * size},
			{w.x + dx*(s+0.006) + px*0.004, w.y + dy*(s+0.006) + py*0.004, 0.0094 * size},
			{w.x + dx*s + px*0.024, w.y + dy*s + py*0.024, 0.0082 * size},
		}
		c.stroke(through(f, 5), a.round(0.13, 0.04, 0.7, 1, func(x, y, _ float64) rgb {
			return rgb{0.30, 0.145, 0.060}.times(0.8 + 0.4*noise(x*160, y*160, a.seed))
		}))
	}
}

// drips paints the water that falls from the rope, drawn out by the shutter.
func (a *act) drips(c *canvas) {
	const shutter = 0.5 / 24
	for k := range 34 {
		rnd := func(j int32) float64 { return lattice(int32(k), j, a.seed+61) }
		period := 0.34 + 0.3*rnd(0)
		t := a.now/period + rnd(1)
		run := math.Floor(t)
		t = (t - run) * period
		vary := lattice(int32(k), int32(run), a.seed+62)
		var x, y float64
		if k%3 == 0 { // off the far hand and its rope
			x, y = a.far[2].x+0.005+0.055*vary, a.far[2].y+0.03+0.16*vary
		} else { // off the coil
			x, y = a.near[2].x-0.035+0.095*vary, a.near[2].y+0.20+0.04*rnd(2)
		}
		fall := func(t float64) float64 { return y + 0.10*t + 1.6*t*t }
		y0, y1 := fall(max(0, t-shutter)), fall(t)
		x -= 0.05 * t
		if y1 > 0.93 {
			continue
		}
		r := 0.0011 + 0.0014*rnd(3)
		thin := 0.75 * min(1, 2*r/(y1-y0+r)+0.25)
		c.stroke([]knot{{x, y0, r * 0.5}, {x - 0.05*shutter, y1, r}}, func(px, py, s, nx, ny float64) (rgb, float64) {
			nz := math.Sqrt(max(0.05, 1-nx*nx-ny*ny))
			l := a.light(px, py, 0.1, nx*1.2, ny, nz, rgb{0.10, 0.13, 0.14}, 2.2, 1)
			return l, thin
		})
	}
	// Splashes and fine spray where the drops land.
	for k := range 90 {
		rnd := func(j int32) float64 { return lattice(int32(k), j, a.seed+63) }
		t := fract(a.now/0.38 + rnd(0))
		x0 := a.near[2].x - 0.03 + 0.10*rnd(1)
		x := x0 + (rnd(2)-0.5)*0.11*t
		y := 0.945 - 0.16*(0.3+rnd(3))*t + 0.15*t*t
		r := 0.0005 + 0.0006*rnd(4)
		c.stroke([]knot{{x, y, r}, {x + (rnd(2)-0.5)*0.002, y - 0.0012, r}}, func(px, py, s, nx, ny float64) (rgb, float64) {
			return lamplight.times(0.20).plus(moonlight.times(0.20)), 0.5 * (1 - t)
		})
	}
}
