package scene

import "math"

const deckY = 0.905 // the far edge of the planks

// wood is weathered timber, its grain along u.
func wood(u, v float64, seed uint32) rgb {
	g := cloud(u*7, v*120, 3, seed)
	ring := math.Abs(2*fract(v*26+1.6*noise(u*4, v*9, seed+5)) - 1)
	return rgb{0.135, 0.105, 0.085}.times(0.12 + 1.15*g*g + 0.22*ring)
}

// deck paints the wet planks, which run towards the viewer, with what they mirror.
func (a *act) deck(c *canvas) {
	feetX := 0.70 + a.walk
	c.paint(box{-1, deckY - 0.01, 3, 1.1}, func(x, y float64) (rgb, float64) {
		// On the deck: depth from the far edge, and the way across.
		depth := (y - 0.60) / (deckY - 0.60)
		u := (x - 0.95) / depth
		const wide = 0.118
		k := math.Floor(u / wide)
		f := fract(u / wide)
		n := int32(k)
		end := deckY + 0.010*(lattice(n, 1, a.seed+40)-0.5) // plank ends are not in line
		gap := min(f, 1-f) * wide * depth
		cover := c.cover(end-y) * (1 - c.line(math.Abs(gap), 0.0016)*step(0.3, 0.2, math.Abs(y-deckY-0.0)-0.095))
		if cover == 0 {
			return rgb{}, 0
		}
		v := 1 / depth
		albedo := wood(v*6+float64(n)*3.7, u, a.seed+uint32(n&7)).times(0.75 + 0.5*lattice(n, 2, a.seed+41))
		wet := step(0.35, 0.65, cloud(u*9, v*30, 3, a.seed+42))
		bump := cloud(u*40, v*170, 3, a.seed+43) - 0.5
		edge := 0.8 * math.Exp(-gap/0.004) * sign(0.5-f) * -1
		top := y < end+0.006
		ny, nz := -0.86, 0.5
		if top {
			ny, nz = -0.7, 0.7
		}
		shade := 0.75 * math.Exp(-math.Pow((x-feetX)/0.20, 2)) * math.Exp(-math.Pow((y-0.945)/0.045, 2))
		shade = max(shade, 0.8*math.Exp(-math.Pow((x-1.150)/0.085, 2))*step(0.05, 0.0, math.Abs(y-0.932)))
		l := a.night.light(x, y, 0.25, edge*0.5+bump*0.5, ny+bump*0.3, nz, albedo.times(1-0.35*wet), 0.15, 1-shade)
		// The wet boards mirror the lantern, smeared towards the viewer, and the sky.
		mx := (x - a.x - bump*0.06) / (0.035 + 0.05*(y-deckY)/0.1)
		streak := math.Exp(-mx*mx) * (0.25 + 0.75*wet) * (0.5 + 0.9*noise(u*60, v*260, a.seed+44)) * (1 - shade)
		sky := (0.020 + 0.055*wet*noise(u*30, v*90, a.seed+45)) * (1 - shade)
		l = l.plus(lamplight.times(1.05 * streak)).plus(rgb{0.5, 0.8, 1}.times(sky))
		if y < end+0.004 { // the far edge catches the moon
			l = l.plus(moonlight.times(0.07))
		}
		l = l.times(0.25 + 0.75*step(0.0, 0.012, gap))
		return l, cover
	})
}

// timber paints an upright post between two heights, lit as a cylinder.
func (a *act) timber(c *canvas, x0, r, top, foot float64, seed uint32) {
	b := box{x0 - r - 0.01, top - 0.02, x0 + r + 0.01, foot + 0.02}
	rim := r * 0.24
	c.paint(b, func(x, y float64) (rgb, float64) {
		u := (x - x0) / r
		rough := 0.0035 * (noise(y*38, u, seed) - 0.5)
		d := math.Abs(x-x0) - r - rough
		bottom := y - foot - rim*math.Sqrt(max(0, 1-u*u))
		head := top - rim*math.Sqrt(max(0, 1-u*u)) - y
		cover := c.cover(d) * c.cover(bottom) * c.cover(head)
		if cover == 0 {
			return rgb{}, 0
		}
		face := math.Hypot(u, (y-top)/rim)
		if face < 1 { // the sawn top
			ring := 0.7 + 0.3*math.Sin(face*26+2*noise(x*60, y*60, seed))
			return a.night.light(x, y, 0.05, 0, -0.9, 0.42, rgb{0.20, 0.145, 0.10}.times(ring), 0.5, 1), cover
		}
		u = min(max(u, -0.99), 0.99)
		crack := 1 - 0.75*step(0.83, 0.93, noise(u*9, y*5, seed+1))
		albedo := wood(y*1.2, math.Asin(u)*r*1.2, seed).times(crack)
		weed := step(0.55, 0.75, noise(u*7, y*30, seed+3)+step(0.78, 0.93, y)*0.45-0.12)
		albedo = albedo.to(rgb{0.04, 0.085, 0.03}, weed*0.8)
		tilt := 0.7 * (noise(u*13, y*30, seed+2) - 0.5)
		open := (1 - 0.6*step(0.05, 0, foot-y)) * (0.55 + 0.45*step(0, 0.03, y-top))
		return a.night.light(x, y, 0.05*(1-u*u), u+tilt, 0.05, math.Sqrt(1-u*u), albedo, 0.45, open), cover
	})
}

// post paints the post with its iron arm, the bollard with its turns of rope, and the mug.
func (a *act) post(c *canvas) {
	a.timber(c, 1.560, 0.036, 0.085, 0.925, 71)
	iron := a.cord(rgb{0.11, 0.11, 0.12})
	c.stroke(through([]knot{{1.545, 0.300, 0.0055}, {1.490, 0.265, 0.0050}, {1.440, 0.200, 0.0048}, {1.425, 0.148, 0.0045}}, 10), iron)
	c.stroke([]knot{{1.545, 0.140, 0.0080}, {1.340, 0.140, 0.0062}}, iron)
	c.stroke(through([]knot{{1.340, 0.140, 0.0055}, {1.322, 0.132, 0.0050}, {1.318, 0.146, 0.0042}, {1.330, 0.155, 0.0038}, {1.341, 0.147, 0.0030}}, 8), iron)
	for _, y := range []float64{0.118, 0.162, 0.315} {
		c.stroke([]knot{{1.522, y, 0.0045}, {1.560, y + 0.006, 0.0045}, {1.598, y, 0.0045}}, iron)
	}
	a.ropeHeap(c)
	a.timber(c, 1.165, 0.062, 0.735, 0.920, 83)
	for k := range 4 { // turns about the bollard
		y := 0.862 - 0.0155*float64(k)
		c.stroke(through([]knot{{1.101, y - 0.005, 0.0082}, {1.130, y + 0.008, 0.0082}, {1.165, y + 0.013, 0.0082}, {1.200, y + 0.008, 0.0082}, {1.229, y - 0.005, 0.0082}}, 8), a.lay(0.004*float64(k), 0.9))
	}
	a.mug(c)
}

// ropeHeap paints the coil on the planks.
func (a *act) ropeHeap(c *canvas) {
	for k := range 7 {
		f := float64(k)
		rx := 0.083 - 0.006*math.Abs(f-2) + 0.004*math.Sin(f*5)
		y0 := 0.955 - 0.0088*f
		s := knots(44, func(j float64) knot {
			t := 2 * math.Pi * j / 44
			return knot{0.995 + 0.005*math.Sin(f*3.1) + rx*math.Cos(t), y0 + 0.024*math.Sin(t), 0.0082}
		})
		// The far half, then the near half over it.
		c.stroke(s[22:], a.lay(0.003*f, 0.45))
		c.stroke(s[:23], a.lay(0.003*f, 0.55+0.07*f))
	}
}

const mugX, mugY = 1.172, 0.688 // the middle of the mug's mouth

// mug paints an enamel mug, with the tea in it.
func (a *act) mug(c *canvas) {
	const r, tall, rim = 0.0290, 0.050, 0.0075
	blue := rgb{0.035, 0.12, 0.30}
	enamel := func(x, y, u float64) rgb {
		v := cloud(x*260, y*260, 2, a.seed+90)
		albedo := blue.to(rgb{0.55, 0.60, 0.62}, step(0.66, 0.74, v))
		return a.night.light(x, y, 0.08, u, 0.02, math.Sqrt(max(0.02, 1-u*u)), albedo, 1.3, 0.95)
	}
	handle := through([]knot{{mugX - r + 0.002, mugY + 0.012, 0.0042}, {mugX - r - 0.017, mugY + 0.013, 0.0040}, {mugX - r - 0.016, mugY + 0.034, 0.0038}, {mugX - r + 0.002, mugY + 0.040, 0.0040}}, 8)
	c.stroke(handle, a.round(0.08, 0.04, 1.3, 0.9, plain(blue)))
	c.paint(box{mugX - r, mugY - rim, mugX + r, mugY + tall + rim}.grow(0.004), func(x, y float64) (rgb, float64) {
		u := (x - mugX) / r
		bow := rim * math.Sqrt(max(0, 1-u*u))
		cover := c.cover(math.Abs(x-mugX)-r) * c.cover(y-mugY-tall-bow) * c.cover(mugY-bow-y)
		if cover == 0 {
			return rgb{}, 0
		}
		m := math.Hypot(u, (y-mugY)/rim)
		switch {
		case m < 0.80: // tea
			return rgb{0.10, 0.035, 0.010}.plus(lamplight.times(0.30 * step(0.3, 0.8, u))), cover
		case m < 1.0 && y < mugY+rim*0.5: // the rim, worn to the steel
			return a.night.light(x, y, 0.08, u*0.5, -0.7, 0.6, rgb{0.5, 0.55, 0.6}, 1.2, 1), cover
		}
		l := enamel(x, y, min(max(u, -1), 1))
		if math.Abs(y-mugY-0.006-bow) < 0.0022 {
			l = a.night.light(x, y, 0.08, u, 0, math.Sqrt(max(0.02, 1-u*u)), rgb{0.65, 0.68, 0.70}, 1.3, 1)
		}
		return l, cover
	})
}

// steam paints what rises from the mug: wisps that spread, curl and drift with the wind; part of it
// behind the hands, part before.
func (a *act) steam(c *canvas, front bool) {
	part, seed := 1.0, a.seed+100
	if front {
		part, seed = 0.60, a.seed+110
	}
	const thin = 1. / 540 // a length within which its finest curls hardly change
	c.wash(box{0.86, 0.10, 1.36, mugY}, thin, func(x, y float64) (rgb, float64) {
		h := mugY - y // above the mug
		drift := -0.22*h*h - 0.05*h + 0.020*h*math.Sin(a.now*2.2-h*6)
		bend := 0.090 * (cloud(h*5.5-a.now*1.5, 3.3+a.now*0.25, 2, seed) - 0.5) * step(0, 0.22, h)
		u := x - mugX - drift - bend
		w := 0.016 + 0.17*h
		if math.Abs(u) > 2.2*w {
			return rgb{}, 0
		}
		env := math.Exp(-u*u/(w*w)) * step(0.0, 0.03, h) * step(0.58, 0.18, h)
		if env < 0.004 {
			return rgb{}, 0
		}
		// Noise stretched upwards, carried up, and warped by itself: sheets that curl.
		px, py := u/(0.55+1.2*h)*26, h*9-a.now*2.5
		q := cloud(px*0.55, py*0.7, 2, seed+1)
		r := cloud(px*0.55+5.2, py*0.7+1.3, 2, seed+2)
		v := cloud(px+4.0*q, py+3.2*r, 4, seed+3)
		sheet := 1 - math.Abs(2*v-1)*2.1
		dense := env * clamp(0.85*max(0, sheet)+0.55*(v-0.42))
		alpha := clamp(dense*0.78) * part
		lx, ly := a.x-x, a.y-y
		fall := a.power / (lx*lx + ly*ly + 0.06)
		l := lamplight.to(rgb{1, 0.72, 0.45}, 0.6).times(0.17 * fall).plus(moonlight.times(0.20)).plus(skylight.times(0.5))
		return l.times(0.75 + 0.5*v), alpha
	})
}

// legs paints the trousers and the boots.
func (a *act) legs(c *canvas) {
	go1 := step(0.30, 0.54, a.turn) // the front foot steps first, then the back one
	go2 := step(0.52, 0.78, a.turn)
	lift1, lift2 := 0.022*math.Sin(math.Pi*go1), 0.018*math.Sin(math.Pi*go2)
	hx, hy := a.body(0.722, 0.62)
	a.leg(c, knot{hx, hy, 0.075}, 0.790+0.056*go1, 0.940-lift1, 0.45, lift1*6, 2)
	hx, hy = a.body(0.640, 0.62)
	a.leg(c, knot{hx, hy, 0.078}, 0.628+0.056*go2, 0.952-lift2, 0.1, lift2*9, 4)
}

// leg paints one leg, from the hip down to the sole at (x, y).
func (a *act) leg(c *canvas, hip knot, x, y, dim, tilt float64, seed uint32) {
	top := []knot{hip, {mix(hip.x, x, 0.62) + 0.010, 0.775, 0.062}, {x - 0.004, y - 0.115, 0.050}}
	r := body(aroundKnots(top), 0.05, func(px, py float64) float64 { return limb(top, px, py) }, func(px, py float64) float64 {
		return 0.012 * cloud((px-x)*24, py*40, 2, a.seed+seed)
	})
	c.body(r, &a.night, func(px, py float64, s surface) look {
		m := look{albedo: rgb{0.06, 0.065, 0.075}.times(0.7 + 0.6*noise(px*300, py*300, seed)), gloss: 0.25}
		m.shade = max(dim, 0.75*step(0.86, 0.76, py))
		return m
	})
	// A rubber boot, turned down at the top.
	ct, st := math.Cos(tilt), math.Sin(tilt)
	at := func(u, v float64) point { return point{x + ct*u + st*v, y + ct*v - st*u*0.6} }
	shape := outline([]point{
		at(-0.050, -0.150), at(0.046, -0.150), at(0.043, -0.105), at(0.040, -0.070), at(0.062, -0.052), at(0.094, -0.038),
		at(0.108, -0.018), at(0.104, -0.002), at(0.040, 0.001), at(-0.044, 0.001), at(-0.052, -0.020), at(-0.046, -0.060), at(-0.047, -0.110),
	}, 7)
	r = body(around(shape), 0.045, inside(shape), func(px, py float64) float64 {
		v := y - py
		crease := math.Exp(-(v-0.075)*(v-0.075)/0.0009) * 0.0028 * math.Sin((v+0.20*(px-x))*230)
		return 0.006*cloud((px-x)*22, py*22, 2, a.seed+seed+1) + crease
	})
	c.body(r, &a.night, func(px, py float64, s surface) look {
		u, v := ct*(px-x)-st*(py-y), (y - py)
		m := look{albedo: rgb{0.055, 0.060, 0.050}, gloss: 1.0, shade: dim * 0.8}
		switch {
		case v < 0.013: // sole
			m.albedo = rgb{0.16, 0.12, 0.075}.times(0.6 + 0.4*step(0.3, 0.6, fract(u*95)))
			m.gloss = 0.2
		case v > 0.128: // the turned-down top, lined with canvas
			m.albedo = rgb{0.34, 0.28, 0.19}.times(0.75 + 0.3*noise(px*500, py*500, seed))
			m.gloss = 0.2
		case v > 0.122:
			m.shade = max(m.shade, 0.6)
		}
		m.shade = max(m.shade, 0.5*step(0.150, 0.165, v))
		m.shade = clamp(max(m.shade, 0.5*step(0.015, 0, v)))
		return m
	})
}
