package scene

import "math"

// The lantern hangs from an iron arm.
const hookX, hookY = 1.335, 0.150

// lanternAngle is how far the lantern has swung to the right, in radians, at a time in seconds.
func lanternAngle(now float64) float64 {
	return 0.40 * math.Sin(2*math.Pi*now/1.1+0.5)
}

// lanternAt returns the place of what hangs l below the hook.
func lanternAt(angle, l float64) (x, y float64) {
	return hookX + l*math.Sin(angle), hookY + l*math.Cos(angle)
}

// lantern paints the lantern as the shutter sees it: the mean of what it looks like while the
// shutter is open, half of the frame's time. The glow in the damp air goes over everything.
func (a *act) lantern(c *canvas) {
	const parts = 14
	reach := box{hookX, hookY, hookX, hookY}
	for k := range parts {
		x, y := lanternAt(lanternAngle(a.now+(float64(k)/parts-0.5)*0.5/24), 0.31)
		reach = reach.add(x, y)
	}
	b := box{reach.x0 - 0.07, hookY - 0.012, reach.x1 + 0.07, reach.y1 + 0.03}
	x0, y0, x1, y1 := c.pixels(b)
	w, h := x1-x0, y1-y0
	if w > 0 && h > 0 {
		sum := newCanvas(w, h)
		sum.t.Fill(0)
		one := newCanvas(w, h)
		one.px, one.x0, one.y0 = c.px, c.x0+float64(x0)*c.px, c.y0+float64(y0)*c.px
		for k := range parts {
			one.p.Fill(0, 0, 0)
			one.t.Fill(1)
			a.hanging(one, lanternAngle(a.now+(float64(k)+0.5-parts/2)/parts*0.5/24))
			for i, t := range one.t.Pix {
				sum.t.Pix[i] += t / parts
				for j := range sum.p.Pix {
					sum.p.Pix[j][i] += one.p.Pix[j][i] / parts
				}
			}
		}
		for y := range h {
			for x := range w {
				from, to := y*w+x, (y+y0)*c.w+x+x0
				t := sum.t.Pix[from]
				for j := range c.p.Pix {
					c.p.Pix[j][to] = c.p.Pix[j][to]*t + sum.p.Pix[j][from]
				}
				c.t.Pix[to] *= t
			}
		}
	}
	// The glow.
	const thin = 1. / 270 // a length within which it hardly changes
	c.wash(box{a.x, a.y, a.x, a.y}.grow(0.42), thin, func(x, y float64) (rgb, float64) {
		d2 := (x-a.x)*(x-a.x) + (y-a.y)*(y-a.y)
		d := math.Sqrt(d2)
		s := step(0.42, 0.02, d)
		v := (0.120*math.Exp(-d2/0.0040) + 0.060*math.Exp(-d2/0.025)) * s
		mist := 0.5 + cloud(x*7+a.now*0.35, y*9-a.now*0.1, 3, a.seed+8)
		v += 0.014 * s * mist
		hide := 0.10*s*s*mist*0.5 + 0.02*s // damp air hides a little of what it lights
		return lamplight.times(v / max(hide, 1e-3) * a.power / 0.50), hide
	})
}

// hanging paints the lantern at rest at an angle.
func (a *act) hanging(c *canvas, angle float64) {
	sa, ca := math.Sin(angle), math.Cos(angle)
	at := func(u, v, r float64) knot { // u across, v down from the hook
		return knot{hookX + ca*u + sa*v, hookY - sa*u + ca*v, r}
	}
	fx, fy := at(0, 0.215, 0).x, at(0, 0.215, 0).y
	metal := func(albedo rgb, gloss float64) shade {
		return func(x, y, s, nx, ny float64) (rgb, float64) {
			nz := math.Sqrt(max(0.05, 1-nx*nx-ny*ny))
			// Lit from inside as well, from below or above.
			dx, dy := fx-x, fy-y
			d := math.Hypot(dx, dy) + 1e-6
			l := a.night.light(x, y, 0, nx, ny, nz, albedo, gloss, 0.7).times(0.35)
			in := max(0, (nx*dx+ny*dy)/d) * 0.42 / (1 + d*d*420)
			return l.plus(albedo.by(lamplight).times(in)), 1
		}
	}
	brass := metal(rgb{0.60, 0.40, 0.14}, 1.2)
	iron := metal(rgb{0.10, 0.10, 0.11}, 0.8)
	c.stroke([]knot{at(0, 0, 0.0022), at(0, 0.095, 0.0022)}, iron) // the chain
	for k := range 7 {
		v := 0.006 + 0.0135*float64(k)
		c.stroke([]knot{at(0, v-0.0030, 0.0042), at(0, v+0.0030, 0.0042)}, iron)
	}
	c.stroke(knots(16, func(k float64) knot { // the bail
		t := math.Pi * k / 16
		return at(0.043*math.Cos(t), 0.155-0.058*math.Sin(t), 0.0024)
	}), iron)
	// The chimney: hot glass around a flame.
	b := box{fx, fy, fx, fy}.grow(0.085)
	c.paint(b, func(x, y float64) (rgb, float64) {
		dx, dy := x-hookX, y-hookY
		u, v := ca*dx-sa*dy, sa*dx+ca*dy
		q := clamp((v - 0.165) / 0.090)
		if v < 0.160 || v > 0.260 {
			return rgb{}, 0
		}
		half := 0.026 + 0.016*math.Sin(math.Pi*(0.15+0.85*q))
		cover := c.cover(math.Abs(u) - half)
		if cover == 0 {
			return rgb{}, 0
		}
		e := math.Abs(u) / half
		f := math.Pow(clamp(e), 5)
		lick := 0.0025 * math.Sin(a.now*23+v*160)
		flame := math.Exp(-((u-lick)*(u-lick)/(0.0075*0.0075) + (v-0.219)*(v-0.219)/(0.021*0.021)))
		inner := math.Exp(-((u-lick)*(u-lick)/(0.018*0.018) + (v-0.215)*(v-0.215)/(0.032*0.032)))
		l := lamplight.times(0.40 + 0.8*inner + 0.35*f).plus(rgb{3.0, 2.1, 1.0}.times(flame))
		l = l.plus(moonlight.times(0.4 * math.Exp(-(u+0.55*half)*(u+0.55*half)/(0.0035*0.0035)) * step(0.17, 0.19, v) * step(0.245, 0.22, v)))
		opaque := clamp(0.46 + 0.5*inner + 0.5*f)
		return l, opaque * cover
	})
	cap := func(v, r, t float64) []knot { return []knot{at(-r, v, t), at(r, v, t)} }
	c.stroke([]knot{at(0, 0.128, 0.010), at(0, 0.150, 0.024)}, brass)
	c.stroke(cap(0.1585, 0.034, 0.0062), brass)
	c.stroke(cap(0.1500, 0.020, 0.0055), brass)
	c.stroke(cap(0.2600, 0.034, 0.0060), brass)
	c.stroke([]knot{at(0, 0.262, 0.022), at(0, 0.270, 0.022)}, brass)
	c.stroke(cap(0.2820, 0.026, 0.0155), brass) // the oil
	c.stroke(cap(0.2770, 0.041, 0.0016), metal(rgb{0.25, 0.15, 0.05}, 0.5))
	c.stroke(cap(0.2985, 0.043, 0.0040), brass)
	for k := range 3 { // the guard's wires
		w := 0.041 * math.Sin(math.Pi*(float64(k)-1)/2.6)
		c.stroke(knots(10, func(j float64) knot {
			t := j / 10
			return at(w*(0.82+0.30*math.Sin(math.Pi*t)), 0.160+0.100*t, 0.0013)
		}), iron)
	}
}
