package scene

import "math"

// The coat's cloths. The yellow is close to the sodium line's own color.
var cloths = []rgb{
	{0.94, 0.52, 0.02}, {0.04, 0.17, 0.075}, {0.03, 0.075, 0.24}, {0.09, 0.36, 0.22}, {0.14, 0.36, 0.55},
	{0.94, 0.52, 0.02}, {0.02, 0.11, 0.075}, {0.035, 0.15, 0.46}, {0.03, 0.27, 0.30}, {0.20, 0.30, 0.10},
	{0.025, 0.05, 0.13}, {0.62, 0.38, 0.05},
}

// patchwork is the coat's cloth at (u, v), in its own coordinates: irregular patches with sunk,
// stitched seams, wet and beaded with drops.
func patchwork(u, v float64, seed uint32) look {
	u, v = u+0.050*(noise(u*6, v*6, seed)-0.5)+0.012*noise(u*21, v*21, seed), v+0.10*(u-0.7)+0.060*(noise(u*5+40, v*5, seed)-0.5)+0.012*noise(u*21+40, v*21, seed)
	const tall = 0.083
	row := math.Floor(v / tall)
	edge := func(r float64) float64 { return r*tall + 0.034*(lattice(int32(r), 1, seed)-0.5) }
	if v < edge(row) {
		row--
	} else if v > edge(row+1) {
		row++
	}
	wide := 0.066 + 0.040*lattice(int32(row), 2, seed)
	side := func(k float64) float64 {
		return (k+lattice(int32(row), 3, seed))*wide + 0.45*wide*(lattice(int32(row), int32(k)+50, seed)-0.5)
	}
	col := math.Floor(u/wide - lattice(int32(row), 3, seed))
	if u < side(col) {
		col--
	} else if u > side(col+1) {
		col++
	}
	du, dv := u-side(col), v-edge(row)
	tu, tv := -1.0, -1.0 // the way to the nearest side
	if e := side(col+1) - u; e < du {
		du, tu = e, 1
	}
	if e := edge(row+1) - v; e < dv {
		dv, tv = e, 1
	}
	kind := lattice(int32(row)*7+3, int32(col)*13+1, seed+9)
	which := int(kind*float64(len(cloths))*0.999+float64(int(row)*5+int(col)*7)+1e6) % len(cloths)
	m := look{albedo: cloths[which], gloss: 0.75}
	switch print := lattice(int32(row), int32(col), seed+5); {
	case print < 0.22: // stripes
		m.albedo = m.albedo.times(0.72 + 0.38*step(0.35, 0.65, math.Abs(2*fract(u*95)-1)))
	case print < 0.40: // checks
		a, b := step(0.4, 0.6, math.Abs(2*fract(u*62)-1)), step(0.4, 0.6, math.Abs(2*fract(v*62)-1))
		m.albedo = m.albedo.times(0.7 + 0.22*(a+b))
	case print < 0.52: // dots
		a, b := fract(u*75)-0.5, fract(v*75)-0.5
		m.albedo = m.albedo.to(rgb{0.5, 0.6, 0.55}, 0.6*step(0.26, 0.16, math.Hypot(a, b)))
	}
	m.albedo = m.albedo.times(0.72 + 0.5*cloud(u*60, v*60, 2, seed+2))
	e := min(du, dv)
	puff := func(d float64) float64 { return 0.55 * math.Exp(-d*d/(0.006*0.006)) }
	m.tx, m.ty = tu*puff(du), tv*puff(dv)
	m.albedo = m.albedo.times(1 - 0.7*math.Exp(-e*e/(0.0015*0.0015)))
	for _, s := range [2][2]float64{{du, v}, {dv, u}} {
		if q := math.Abs(s[0]-0.0058) / 0.0011; q < 1 && fract(s[1]*78) < 0.55 && e > 0.003 {
			m.albedo = m.albedo.to(rgb{0.50, 0.47, 0.38}, 0.65*(1-q*q))
		}
	}
	// Beads of water.
	const bead = 0.0095
	bu, bv := math.Floor(u/bead), math.Floor(v/bead)
	if k := lattice(int32(bu), int32(bv), seed+77); k < 0.17 {
		x := (fract(u/bead) - 0.3 - 0.4*fract(k*31)) * bead
		y := (fract(v/bead) - 0.3 - 0.4*fract(k*57)) * bead
		r := 0.0009 + 0.0019*fract(k*91)
		if d := math.Hypot(x, y*0.85) / r; d < 1 {
			m.gloss = 1.7
			m.tx += x / r * 1.1
			m.ty += y / r * 1.1
			m.albedo = m.albedo.times(0.85)
		}
	}
	return m
}

func fract(x float64) float64 { return x - math.Floor(x) }

// folds is the lie of hanging cloth at (u, v): long creases that run down, broken by shorter ones.
func folds(u, v float64, seed uint32) float64 {
	w := 0.9 * (noise(u*5, v*4, seed) - 0.5)
	long := noise(u*26+w*3, v*3.2+w, seed+1)
	short := cloud(u*17+w*2, v*15-w*2, 2, seed+2)
	long = 1 - math.Abs(2*long-1)
	return 0.030*long*(0.25+0.75*step(0.40, 0.66, v)) + 0.020*short
}

// coat paints the raincoat's body, with the hood thrown back.
func (a *act) coat(c *canvas) {
	wind := 0.012 * a.breeze
	flap := 0.016 * math.Sin(2*math.Pi*a.now/0.8)
	shape := a.moved([]point{
		{0.668, 0.232}, {0.618, 0.252}, {0.580, 0.300}, {0.562, 0.380}, {0.572, 0.455}, {0.580, 0.515},
		{0.556, 0.600}, {0.530 - wind, 0.690}, {0.497 - wind + flap, 0.775}, {0.535 - wind + flap, 0.790}, {0.590, 0.778 + wind/2},
		{0.650, 0.794}, {0.720, 0.782 - wind/2}, {0.790, 0.790}, {0.842 + flap/3, 0.768}, {0.838, 0.690}, {0.822, 0.600}, {0.812, 0.520},
		{0.826, 0.440}, {0.836, 0.365}, {0.822, 0.300}, {0.785, 0.258}, {0.745, 0.236}, {0.705, 0.228},
	})
	belt := func(x, y float64) float64 { return y - 0.508 - 0.05*(x-0.7) }
	r := body(around(shape), 0.135, inside(shape), func(x, y float64) float64 {
		u := x - a.shift(y)
		b := belt(u, y) / 0.017
		gather := 0.010 * math.Exp(-b*b/7) * noise(u*75, y*6, a.seed+21) // pulled in by the belt
		return folds(u, y, a.seed+20) + gather - 0.022*math.Exp(-b*b/5)
	})
	coil := knot{a.near[2].x - 0.02, a.near[2].y + 0.09, 0.05}
	c.body(r, &a.night, func(x, y float64, s surface) look {
		u := x - a.shift(y)
		m := patchwork(u, y, a.seed)
		// The arm and the coil stand between the lantern and the coat.
		d := limb(a.near[:], x+0.016, y-0.016)
		m.shade = 0.80 * step(0.055, -0.02, d)
		m.shade = max(m.shade, 0.35*step(0.10, 0, math.Hypot(x-coil.x+0.03, (y-coil.y)*0.6)-0.02))
		m.shade = max(m.shade, 0.6*step(0.30, 0.235, y-0.1*(u-0.7))) // under the collar
		m.shade = max(m.shade, 0.35*step(0.60, 0.80, y))
		// The front's edge, with its toggles.
		front := u - 0.765 - 0.055*math.Sin((y-0.24)*4.4)
		if y > 0.25 {
			m.albedo = m.albedo.times(1 - 0.65*math.Exp(-front*front/(0.0021*0.0021)))
			m.tx += 0.8 * math.Exp(-front*front/(0.007*0.007)) * sign(front)
		}
		if b := belt(u, y); math.Abs(b) < 0.017 { // a leather belt
			m = look{albedo: rgb{0.16, 0.075, 0.03}.times(0.7 + 0.6*cloud(u*70, y*70, 2, a.seed)), gloss: 0.7, shade: m.shade * 0.6}
			m.ty = -b / 0.017 * 0.7
			if math.Abs(math.Abs(b)-0.012) < 0.0009 && fract(u*90) < 0.6 {
				m.albedo = rgb{0.5, 0.42, 0.28}
			}
		} else if math.Abs(b) < 0.03 {
			m.shade = max(m.shade, 0.5*step(0.03, 0.017, math.Abs(b)))
		}
		return m
	})
	bx, by := a.body(0.772, 0.512) // a brass buckle
	c.ring(&a.night, bx, by, 0.019, 0.0042, rgb{0.85, 0.55, 0.16})
	for k := range 2 {
		y := 0.335 + 0.066*float64(k)
		x := 0.765 + 0.055*math.Sin((y-0.24)*4.4) - 0.014
		tx, ty := a.body(x, y)
		a.toggle(c, tx, ty)
	}
}

func sign(x float64) float64 { return math.Copysign(1, x) }

// toggle paints a horn toggle on its loop.
func (a *act) toggle(c *canvas, x, y float64) {
	c.stroke(through([]knot{{x - 0.004, y - 0.002, 0.0022}, {x + 0.014, y - 0.007, 0.0022}, {x + 0.030, y, 0.0022}, {x + 0.014, y + 0.007, 0.0022}, {x - 0.004, y + 0.002, 0.0022}}, 6), a.cord(rgb{0.30, 0.24, 0.15}))
	c.stroke([]knot{{x, y - 0.015, 0.0045}, {x + 0.002, y, 0.0062}, {x, y + 0.015, 0.0045}}, a.round(0.1, 0, 1, 1, plain(rgb{0.42, 0.30, 0.17})))
}

// cord shades a thin round thread.
func (a *act) cord(albedo rgb) shade { return a.round(0.08, 0.05, 0.5, 0.9, plain(albedo)) }

// round shades a stroke as a rod that lies at height z, turned to the viewer by least at its edge.
func (a *act) round(z, least, gloss, open float64, albedo func(x, y, s float64) rgb) shade {
	return func(x, y, s, nx, ny float64) (rgb, float64) {
		return a.light(x, y, z, nx, ny, math.Sqrt(max(least, 1-nx*nx-ny*ny)), albedo(x, y, s), gloss, open), 1
	}
}

// plain is a reflectance that is the same everywhere.
func plain(albedo rgb) func(x, y, s float64) rgb { return func(_, _, _ float64) rgb { return albedo } }

// ring paints a metal ring of the radius and the half thickness given.
func (c *canvas) ring(n *night, x, y, r, t float64, albedo rgb) {
	c.paint(box{x, y, x, y}.grow(r+t+c.px), func(px, py float64) (rgb, float64) {
		dx, dy := px-x, py-y
		d := math.Hypot(dx, dy)
		o := (d - r) / t
		cover := c.line(math.Abs(d-r), t)
		if cover == 0 {
			return rgb{}, 0
		}
		return n.light(px, py, 0.12, dx/d*o, dy/d*o, math.Sqrt(max(0.03, 1-o*o)), albedo, 1.6, 1), cover
	})
}

// sleeve paints an arm in its coat, from shoulder to wrist, and the cuff.
func (a *act) sleeve(c *canvas, k [3]knot, dim float64, seed uint32) {
	bones := through(k[:], 8)
	r := body(aroundKnots(bones), 0.052, func(x, y float64) float64 { return limb(bones, x, y) }, func(x, y float64) float64 {
		s, v := alongLimb(k, x, y)
		bunch := math.Exp(-(s - 0.17) * (s - 0.17) / 0.0035) // the cloth bunches at the elbow
		crease := 1 - math.Abs(2*noise(s*48+v*11, v*14, seed)-1)
		return crease*(0.004+0.009*bunch) + 0.010*cloud(s*19, v*22, 2, seed+4)
	})
	c.body(r, &a.night, func(x, y float64, s surface) look {
		l, v := alongLimb(k, x, y)
		m := patchwork(l*0.95+3+float64(seed%5), v+2.07, a.seed+seed)
		m.shade = max(dim, 0.5*step(-0.030, 0.045, v))
		if end := 0.318 - l; end < 0.022 && end > 0 { // the cuff is turned back
			m.albedo = rgb{0.05, 0.17, 0.19}.times(0.75 + 0.5*noise(l*200, v*200, seed))
			m.tx -= 0.3
		} else if end < 0.028 && end > 0 {
			m.shade = max(m.shade, 0.55)
		}
		return m
	})
}

// alongLimb returns the place along an arm, and across it.
func alongLimb(k [3]knot, x, y float64) (s, v float64) {
	best, total := math.Inf(1), 0.0
	for i := 1; i < 3; i++ {
		dx, dy := k[i].x-k[i-1].x, k[i].y-k[i-1].y
		l := math.Hypot(dx, dy)
		t := ((x-k[i-1].x)*dx + (y-k[i-1].y)*dy) / (l * l)
		o := ((x-k[i-1].x)*-dy + (y-k[i-1].y)*dx) / l
		q := clamp(t)
		if d := math.Hypot(o, (t-q)*l); d < best {
			best, s, v = d, total+t*l, o
		}
		total += l
	}
	return s, v
}
