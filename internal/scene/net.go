package scene

import "math"

// netAt returns the place of the net at (u, v): u across it, v from the shoulder down, both 0 to 1.
func (a *act) netAt(u, v float64) (x, y float64) {
	t := 2 * math.Pi * a.now
	tx, ty := 0.735-0.150*u, 0.262+0.030*math.Abs(u-0.35)-0.035*math.Exp(-(u-0.45)*(u-0.45)/0.05)
	bx, by := 0.600-0.290*u, 0.735+0.085*math.Sin(u*3.1)-0.06*u
	w := math.Pow(v, 0.85)
	x = mix(tx, bx, w) - 0.050*math.Sin(math.Pi*v)*(0.4+0.6*u)
	y = mix(ty, by, v)
	// Gathered in folds, swaying in the wind.
	fold := math.Sin(u*17 + v*2.2 + 0.5*math.Sin(t/1.6))
	x += 0.012 * fold * (0.35 + 0.65*v)
	x += v * v * (0.022*math.Sin(t/1.9-2.2*v+1.2*u) - 0.016*a.breeze)
	y += 0.008*v*math.Cos(u*17+v*2.2) + 0.010*v*v*math.Sin(t/1.4-2*u)
	return a.body(x, y)
}

// net paints the fishing net over the far shoulder: thin cords in diamonds, knotted where they
// cross, with a rope along its foot and corks on that.
func (a *act) net(c *canvas) {
	const across, down = 21, 34
	node := func(i, j int) (float64, float64) {
		u := (float64(i) + 0.5*float64(j&1)) / across
		return a.netAt(u, float64(j)/down)
	}
	cord := func(lit float64) shade {
		return func(x, y, s, nx, ny float64) (rgb, float64) {
			nz := math.Sqrt(max(0.05, 1-min(0.95, nx*nx+ny*ny)))
			twist := 0.75 + 0.25*math.Sin(s*1500)
			return a.light(x, y, 0.09, nx, ny, nz, rgb{0.34, 0.30, 0.20}.times(twist*lit), 0.5, 1), 1
		}
	}
	const r = 0.00105
	for j := range down {
		for i := range across {
			x0, y0 := node(i, j)
			left, right := i-1+j&1, i+j&1
			fold := math.Cos((float64(i)+0.5)/across*17 + float64(j)/down*2.2)
			shade := cord(0.8 + 0.35*fold)
			for _, k := range [2]int{left, right} {
				if k < 0 || k >= across {
					continue
				}
				x1, y1 := node(k, j+1)
				mx, my := (x0+x1)/2, (y0+y1)/2+0.0012 // cords hang a little
				c.stroke([]knot{{x0, y0, r}, {mx, my, r}, {x1, y1, r}}, shade)
			}
			c.stroke([]knot{{x0, y0 - 0.0010, 0.0017}, {x0, y0 + 0.0014, 0.0017}}, shade)
		}
	}
	for side := range 2 { // the head rope over the shoulder, the foot rope below
		c.stroke(knots(40, func(k float64) knot {
			x, y := a.netAt(k/40, float64(side))
			return knot{x, y, 0.0043}
		}), a.lay(0, 1))
	}
	for k := range 9 {
		u := (float64(k) + 0.5) / 9
		x, y := a.netAt(u, 1)
		xa, ya := a.netAt(u-0.03, 1)
		xb, yb := a.netAt(u+0.03, 1)
		dx, dy := toward(knot{xa, ya, 0}, knot{xb, yb, 0})
		c.stroke([]knot{{x - dx*0.009, y - dy*0.009, 0.0085}, {x, y, 0.0105}, {x + dx*0.009, y + dy*0.009, 0.0085}}, a.round(0.09, 0.03, 0.45, 1, func(x, y, _ float64) rgb {
			return rgb{0.36, 0.19, 0.085}.times(0.7 + 0.6*cloud(x*170, y*170, 2, a.seed+uint32(k)))
		}))
	}
}

// float paints the glass float that hangs at the hand's back: thin glass, seen through, with the
// lights in it, in a lashing of cord.
func (a *act) float(c *canvas) {
	t := 2 * math.Pi * a.now
	x0, y0 := a.body(0.405+0.014*math.Sin(t/1.6), 0.520)
	y0 += 0.006 * math.Sin(t/0.9)
	const r = 0.074
	top, left := a.body(0.590, 0.300)
	hang := []knot{{top, left, 0.0022}, {mix(top, x0, 0.6) - 0.012, mix(left, y0-r, 0.45), 0.0022}, {x0, y0 - r, 0.0022}}
	c.stroke(through(hang, 10), a.cord(rgb{0.40, 0.33, 0.2}))
	lx, ly, _ := unit(a.x-x0, a.y-y0, 0.4)
	c.paint(box{x0, y0, x0, y0}.grow(r+c.px), func(x, y float64) (rgb, float64) {
		u, v := (x-x0)/r, (y-y0)/r
		d := math.Hypot(u, v)
		cover := c.cover((d - 1) * r)
		if cover == 0 {
			return rgb{}, 0
		}
		d = min(d, 1)
		nz := math.Sqrt(1 - d*d)
		f := math.Pow(1-nz, 3) // Schlick 1994
		opaque := 0.12 + 0.40*f + 0.10*cloud(u*3+5, v*3, 3, a.seed+3)*d
		tint := rgb{0.05, 0.30, 0.22}
		l := tint.times(0.10 + 0.25*f)
		// The lights on the near wall, and turned over on the far one.
		spot := func(cx, cy, s float64) float64 {
			return math.Exp(-((u-cx)*(u-cx) + (v-cy)*(v-cy)) / (s * s))
		}
		l = l.plus(moonlight.times(0.85*spot(-0.48, -0.46, 0.11) + 0.20*spot(-0.40, -0.40, 0.30) + 0.5*spot(0.50, 0.52, 0.22)*d))
		l = l.plus(lamplight.times(1.3*spot(0.62*lx, 0.45*ly-0.1, 0.075) + 0.9*spot(-0.66*lx, -0.50*ly+0.18, 0.20)*d))
		l = l.plus(moonlight.times(0.75 * f * clamp(-0.8*u-0.5*v+0.25)))
		l = l.plus(lamplight.times(0.8 * f * clamp(0.9*u+0.1)))
		l = l.plus(rgb{0.25, 0.8, 0.6}.times(0.30 * f * clamp(v)))
		shine := clamp(max(l[0], l[1], l[2]) * 0.55)
		opaque = clamp(max(opaque, shine))
		return l.times(1 / max(opaque, 0.05)), opaque * cover
	})
	// The lashing: meridians and rings seen on the near half.
	for k := range 4 {
		w := math.Cos(math.Pi*(float64(k)+0.5)/4 + 0.1*math.Sin(t/1.6))
		c.stroke(knots(18, func(j float64) knot {
			q := -1 + 2*j/18
			return knot{x0 + r*w*math.Sqrt(max(0, 1-q*q))*1.01, y0 + r*q*1.01, 0.0016}
		}), a.cord(rgb{0.40, 0.33, 0.2}))
	}
	for k := range 3 {
		q := -0.55 + 0.5*float64(k)
		w := math.Sqrt(1 - q*q)
		c.stroke(knots(18, func(j float64) knot {
			u := -1 + 2*j/18
			return knot{x0 + r*w*u*1.01, y0 + r*(q+0.16*math.Sqrt(max(0, 1-u*u))), 0.0016}
		}), a.cord(rgb{0.40, 0.33, 0.2}))
	}
	c.stroke([]knot{{x0, y0 - r - 0.006, 0.006}, {x0, y0 - r + 0.005, 0.008}}, a.cord(rgb{0.34, 0.27, 0.16}))
	c.stroke(through([]knot{{x0, y0 + r, 0.003}, {x0 - 0.004, y0 + r + 0.022, 0.0035}, {x0 - 0.008 - 0.006*a.breeze, y0 + r + 0.045, 0.0012}}, 5), a.cord(rgb{0.40, 0.33, 0.2}))
}
