package scene

import (
	"math"

	"example.com/twinplate/plate"
)

// Kelp draws frame i, of w by h pixels, of a kelp forest under the sea, in linear light.
func Kelp(seed uint32, i, w, h int) *plate.RGB {
	c := newCanvas(w, h)
	f := forest{canvas: c, now: float64(i) / 24, seed: seed}
	for k := range f.depths {
		f.depths[k] = murkAt(float64(k) / murkSteps)
	}
	f.water()
	f.floor()
	f.fronds(0)
	f.rays(0.5)
	f.fronds(1)
	f.fish()
	f.rays(0.35)
	f.fronds(2)
	f.specks()
	f.fronds(3)
	for y := range h { // a lens falls off towards its corners
		for x := range w {
			u, v := (c.x0+float64(x)*c.px-8.0/9)/1.02, (c.y0+float64(y)*c.px-0.5)/1.02
			k := float32(1 - 0.55*clamp(u*u+v*v*0.8))
			for j := range c.p.Pix {
				q := &c.p.Pix[j][y*w+x]
				*q *= k
				if *q > 0.6 {
					*q = 0.6 + 0.2*(1-float32(math.Exp(float64(0.6-*q)/0.2)))
				}
			}
		}
	}
	return c.p
}

type forest struct {
	*canvas
	now    float64
	seed   uint32
	depths [murkMost*murkSteps + 2]rgb // the water's color by the square of the distance from the sun
}

// The table of the water's color: steps to a unit, and the units it has. Farther out it is all one.
const murkSteps, murkMost = 256, 6

// thinWash is the length within which water and light in it hardly change.
const thinWash = 1. / 270

// The sun's place above the frame.
const sunX, sunY = 1.06, -0.22

func (f *forest) murk(x, y float64) rgb {
	dx, dy := (x-sunX)*0.78, y-sunY
	d := min((dx*dx+dy*dy)*murkSteps, murkMost*murkSteps)
	k := int(d)
	return f.depths[k].to(f.depths[k+1], d-float64(k))
}

// murkAt returns the water's color where the square of the distance from the sun is d2.
func murkAt(d2 float64) rgb {
	deep := rgb{0.002, 0.016, 0.032}
	mid := rgb{0.006, 0.098, 0.140}
	high := rgb{0.16, 0.58, 0.56}
	l := deep.to(mid, math.Exp(-d2/0.62))
	return l.to(high, 0.95*math.Exp(-d2/0.115)).plus(rgb{0.5, 0.55, 0.42}.times(0.7 * math.Exp(-d2/0.030)))
}

func (f *forest) water() {
	f.wash(box{-9, -1, 9, 2}, thinWash, func(x, y float64) (rgb, float64) {
		l := f.murk(x, y)
		v := cloud(x*2.2+f.now*0.03, y*2.8, 3, f.seed)
		return l.times(0.80 + 0.4*v), 1
	})
}

// rays lays shafts of light over what is there.
func (f *forest) rays(power float64) {
	f.wash(box{-9, -1, 9, 2}, thinWash, func(x, y float64) (rgb, float64) {
		dx, dy := x-sunX, y-sunY
		a := math.Atan2(dx, dy)
		d := math.Hypot(dx, dy)
		t := f.now
		s := noise(a*9+0.25*t+power*50, t*0.35, f.seed+1)*0.6 + noise(a*27-0.4*t, t*0.5+7, f.seed+2)*0.4
		if s = step(0.48, 0.92, s); s == 0 {
			return rgb{}, 0
		}
		s *= math.Exp(-d*1.35) * step(1.5, 0.5, math.Abs(a))
		s *= 0.7 + 0.6*cloud(x*3, y*3-t*0.1, 2, f.seed+3)
		return rgb{0.62, 1.0, 0.86}, clamp(s * power * 0.75)
	})
}

// floor paints rocks on the sea floor, with the waves' light playing on them.
func (f *forest) floor() {
	for layer := range 3 {
		k := float64(layer)
		base := 0.80 + 0.068*k
		n := uint32(layer)*17 + f.seed + 6
		type boulder struct{ x, w, h float64 }
		var boulders [7]boulder
		for j := range boulders {
			rnd := func(m int32) float64 { return lattice(int32(j), m, n) }
			w := 0.05 + 0.13*rnd(1)*rnd(1)
			boulders[j] = boulder{(float64(j)+rnd(0))*0.29 - 0.1, w, w * (0.45 + 0.5*rnd(2))}
		}
		end := base + 0.17 // what lies lower is behind the next layer
		if layer == 2 {
			end = 2
		}
		// What depends on the column alone, and on the row alone.
		type column struct {
			ridge float64
			rough [len(boulders)]float64 // of each boulder's top
		}
		columns, rows := make([]column, f.w), make([][len(boulders)]float64, f.h) // of each boulder's side
		for i := range columns {
			x := f.x0 + float64(i)*f.px
			columns[i].ridge = base - 0.16*(cloud(x*(2.6-0.3*k)+k*9, k, 4, n)-0.5) + 0.05*math.Cos((x-0.9)*2)
			for j, b := range boulders {
				columns[i].rough[j] = b.h * (0.85 + 0.3*noise(x*34, b.x*90, n))
			}
		}
		for i := range rows {
			for j, b := range boulders {
				rows[i][j] = 0.5 * (noise((f.y0+float64(i)*f.px)*26, b.x*50, n) - 0.5)
			}
		}
		f.paint(box{-9, 0.55, 9, end}, func(x, y float64) (rgb, float64) {
			at, row := &columns[int((x-f.x0)/f.px+0.5)], &rows[int((y-f.y0)/f.px+0.5)]
			ridge, rise := at.ridge, 0.0
			for j, b := range boulders {
				if u := (x-b.x)/b.w + row[j]; u*u < 1 {
					rise = max(rise, at.rough[j]*math.Sqrt(1-u*u))
				}
			}
			ridge -= rise
			soft := 0.010 - 0.003*k
			a := step(-soft, soft, y-ridge)
			if a == 0 {
				return rgb{}, 0
			}
			down := y - ridge
			rock := cloud(x*14+k*5, y*22, 4, n+1)
			lit := step(0.08, 0, down) * (0.5 + rock)
			caustic := step(0.16, 0.0, down)
			if caustic > 0 {
				cx, cy := x*9, (y-ridge)*26
				wob := cloud(cx*0.7+f.now*0.6, cy*0.7, 2, n+2)
				web := 1 - math.Abs(2*cloud(cx+2*wob+f.now*0.35, cy+2*wob-f.now*0.25, 2, n+3)-1)
				caustic *= math.Pow(clamp(web), 9) * math.Exp(-(x-1.0)*(x-1.0)/0.5)
			}
			l := rgb{0.010, 0.045, 0.045}.times(0.3 + 1.0*rock + 1.4*lit).plus(rgb{0.25, 0.6, 0.45}.times(0.30 * caustic))
			haze := 0.70 - 0.30*k
			return l.to(f.murk(x, y*0.9), haze), a
		})
	}
}

// fronds paints one layer of kelp; 0 is the farthest.
func (f *forest) fronds(layer int) {
	type far struct {
		n                       int
		leaf, soft, haze, width float64
		tone                    rgb
	}
	d := []far{
		{18, 0.080, 0.0050, 0.84, 0.0032, rgb{0.06, 0.16, 0.07}},
		{11, 0.125, 0.0030, 0.60, 0.0042, rgb{0.10, 0.17, 0.045}},
		{7, 0.180, 0.0016, 0.24, 0.0048, rgb{0.15, 0.135, 0.018}},
		{3, 0.260, 0.0085, 0.05, 0.0090, rgb{0.035, 0.045, 0.010}},
	}[layer]
	for k := range d.n {
		rnd := func(j int) float64 { return lattice(int32(k+100*layer), int32(j), f.seed+11) }
		x0 := (float64(k)+0.5+0.85*(rnd(0)-0.5))/float64(d.n)*2.1 - 0.16
		if layer == 3 { // frame the picture, and keep its middle free
			x0 = []float64{-0.04, 0.17, 1.76}[k]
		}
		foot, top := 0.86+0.06*float64(layer), -0.12
		if layer > 0 {
			foot = 1.1
		}
		if layer < 2 && rnd(1) < 0.3 {
			top = 0.05 + 0.25*rnd(2)
		}
		stalk := func(s float64) (x, y float64) { // s from 0 at the foot to 1
			w := 2 * math.Pi * f.now / (3.6 + 1.5*rnd(3))
			x = x0 + (0.05+0.05*rnd(4))*s*math.Sin(w+3.0*s+6*rnd(5)) + 0.03*math.Sin(6*s+9*rnd(6)) + 0.10*(rnd(7)-0.3)*s*s
			return x, mix(foot, top, s)
		}
		shade := func(x, y, lit float64, tone rgb) rgb {
			g := math.Exp(-((x-sunX)*(x-sunX)*0.9 + (y-sunY)*(y-sunY)) / 0.42)
			l := tone.times(0.10 + 1.7*g*lit).plus(rgb{0.62, 0.52, 0.04}.times(0.70 * g * lit * lit * (1 - d.haze) * step(3.5, 2.5, float64(layer)))) // light through the blade
			return l.to(f.murk(x, y), d.haze)
		}
		f.stroke(knots(30, func(j float64) knot {
			x, y := stalk(j / 30)
			return knot{x, y, d.width * (1 - 0.4*j/30)}
		}), func(x, y, s, nx, ny float64) (rgb, float64) {
			return shade(x, y, 0.55-0.3*nx, d.tone), 0.95
		})
		n := int(1.05/d.leaf*2.6) + 3
		for j := range n {
			q := func(m int) float64 { return lattice(int32(k+100*layer), int32(j*10+m), f.seed+12) }
			s := (float64(j) + 0.5*q(0)) / float64(n)
			if s < 0.10 {
				continue
			}
			x, y := stalk(s)
			side := 1.0
			if j&1 == 0 {
				side = -1
			}
			l := d.leaf * (0.65 + 0.6*q(1))
			w := 2*math.Pi*f.now/(2.4+q(2)) + 6*q(3)
			h := 0.05 - 0.95*q(4) + 0.22*math.Sin(w)
			if q(5) < 0.3 {
				h += 0.7
			}
			const pieces = 12
			var mid []knot
			bx, by := x, y
			for i := 0; i <= pieces; i++ {
				t := float64(i) / pieces
				wide := l * 0.098 * math.Pow(math.Sin(math.Pi*math.Min(1, t*0.94+0.06)), 0.7) * (1 - 0.45*t)
				mid = append(mid, knot{bx, by, max(wide, l*0.006)})
				hh := h + 0.9*t*t*(q(6)+0.25) + 0.35*t*math.Sin(w*1.3-4*t)
				bx += side * math.Cos(hh) * l / pieces
				by += math.Sin(hh) * l / pieces
			}
			bladder := knot{x + side*l*0.05, y - 0.002, l * 0.026}
			light := 0.55 + 0.6*q(7)
			f.stroke(mid, func(x, y, s, nx, ny float64) (rgb, float64) {
				e := math.Hypot(nx, ny)
				vein := 0.72 + 0.36*noise(s/l*26-e*4, e*2.2+q(8)*9, f.seed+14)
				rib := 1 - 0.35*math.Exp(-e*e/0.02)
				edge := step(1.0, max(0.0, 1-d.soft/(l*0.05)), e) // out of focus
				return shade(x, y, light*vein*rib*(0.95+0.05*e), d.tone), (0.96 - 0.10*e) * edge
			})
			if layer > 0 && layer < 3 {
				f.stroke([]knot{{bladder.x - side*l*0.03, bladder.y, bladder.r * 0.5}, bladder, {bladder.x + side*l*0.06, bladder.y - 0.003, bladder.r * 0.9}}, func(x, y, s, nx, ny float64) (rgb, float64) {
					return shade(x, y, 0.8-0.5*ny-0.2*nx, d.tone.times(0.9)), 1
				})
			}
		}
	}
}

// fish paints a school, dark against the light, turning as one.
func (f *forest) fish() {
	for k := range 58 {
		rnd := func(j int32) float64 { return lattice(int32(k), j, f.seed+21) }
		r := math.Sqrt(rnd(0))
		a := 2 * math.Pi * rnd(1)
		x := 1.10 + 0.25*r*math.Cos(a) + 0.075*f.now + 0.012*math.Sin(f.now*1.3+6*rnd(2))
		y := 0.34 + 0.10*r*math.Sin(a) - 0.07*r*math.Cos(a) + 0.010*math.Sin(f.now*1.7+6*rnd(3)) - 0.012*f.now
		l := 0.017 + 0.012*rnd(4)
		h := -0.22 + 0.25*(rnd(5)-0.5)
		beat := 0.35 * math.Sin(f.now*15+6*rnd(6))
		ca, sa := math.Cos(h), math.Sin(h)
		at := func(u, v, r float64) knot { return knot{x + l*(ca*u-sa*v), y + l*(sa*u+ca*v), l * r} }
		shade := func(x, y, s, nx, ny float64) (rgb, float64) {
			dark := rgb{0.010, 0.055, 0.065}
			belly := dark.to(rgb{0.30, 0.62, 0.58}, 0.65*step(0.1, -0.9, ny)*rnd(7))
			return belly.to(f.murk(x, y), 0.30), 0.92
		}
		f.stroke([]knot{at(0.5, 0, 0.03), at(0.38, 0, 0.10), at(0.12, 0, 0.155), at(-0.2, 0.02*beat, 0.10), at(-0.42, 0.10*beat, 0.03)}, shade)
		f.stroke([]knot{at(-0.40, 0.10*beat, 0.025), at(-0.62, -0.16+0.35*beat, 0.045)}, shade)
		f.stroke([]knot{at(-0.40, 0.10*beat, 0.025), at(-0.62, 0.16+0.35*beat, 0.045)}, shade)
	}
}

// specks paints what drifts in the water.
func (f *forest) specks() {
	for k := range 210 {
		rnd := func(j int32) float64 { return lattice(int32(k), j, f.seed+31) }
		x := fract(rnd(0)+0.012*f.now*(rnd(1)-0.3))*1.9 - 0.06 + 0.01*math.Sin(f.now+6*rnd(2))
		y := fract(rnd(3) + 0.018*f.now*(0.3+rnd(4)))
		r := 0.0010 + 0.0060*math.Pow(rnd(5), 5)
		g := math.Exp(-((x-sunX)*(x-sunX)*0.8 + (y-sunY)*(y-sunY)) / 0.5)
		f.paint(box{x, y, x, y}.grow(2.2*r+f.px), func(px, py float64) (rgb, float64) {
			d2 := ((px-x)*(px-x) + (py-y)*(py-y)) / (r * r)
			return rgb{0.55, 0.9, 0.75}.times(0.25 + 0.9*g), math.Exp(-d2) * (0.12 + 0.45*g) * (0.35 + 0.65*rnd(6))
		})
	}
}
