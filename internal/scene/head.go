package scene

import (
	"math"

	"example.com/twinplate/internal/list"
)

var (
	skin   = rgb{0.46, 0.255, 0.165}
	auburn = rgb{0.22, 0.078, 0.026}
)

// inHead takes a point of the head at rest to where it is now: the head nods about the neck.
func (a *act) inHead(p point) point {
	const nx, ny = 0.712, 0.215
	ca, sa := math.Cos(a.nod), math.Sin(a.nod)
	x, y := p.x-nx, p.y-ny
	p.x, p.y = a.body(nx+ca*x-sa*y, ny+sa*x+ca*y)
	return p
}

// fromHead undoes inHead.
func (a *act) fromHead(x, y float64) (float64, float64) {
	const nx, ny = 0.712, 0.215
	y -= a.bob
	x -= a.shift(y)
	ca, sa := math.Cos(a.nod), math.Sin(a.nod)
	x, y = x-nx, y-ny
	return nx + ca*x + sa*y, ny - sa*x + ca*y
}

func (a *act) headShape(p []point, n int) []point {
	return outline(list.Of(p, a.inHead), n)
}

// head paints the neck, the face in profile, the collar and the cap.
func (a *act) head(c *canvas) {
	// The collar's far side, and the hood thrown back.
	a.clothPart(c, []point{{0.640, 0.262}, {0.612, 0.232}, {0.622, 0.205}, {0.660, 0.196}, {0.735, 0.205}, {0.786, 0.222}, {0.800, 0.256}, {0.76, 0.285}, {0.68, 0.285}}, 0.02, 0.55, 5)

	base := a.inHead(point{0.708, 0.190})
	low := point{}
	low.x, low.y = a.body(0.712, 0.275)
	neck := []knot{{base.x, base.y, 0.034}, {low.x, low.y, 0.037}}
	r := body(aroundKnots(neck), 0.03, func(x, y float64) float64 { return limb(neck, x, y) }, nil)
	c.body(r, &a.night, func(x, y float64, s surface) look {
		return look{albedo: skin, gloss: 0.05, shade: 0.72}
	})

	face := a.headShape([]point{
		{0.764, 0.112}, {0.7715, 0.131}, {0.7725, 0.140}, {0.7700, 0.1475}, {0.7760, 0.157}, {0.7875, 0.1705}, {0.7865, 0.1755}, {0.7770, 0.1780},
		{0.7785, 0.1855}, {0.7745, 0.1895}, {0.7770, 0.1955}, {0.7725, 0.2015}, {0.7735, 0.2100}, {0.7660, 0.2190}, {0.7500, 0.2200}, {0.7300, 0.2120},
		{0.7080, 0.198}, {0.690, 0.185}, {0.672, 0.160}, {0.680, 0.120}, {0.72, 0.095},
	}, 5)
	dent := func(x, y, cx, cy, r float64) float64 {
		d := ((x-cx)*(x-cx) + (y-cy)*(y-cy)) / (r * r)
		return math.Exp(-d)
	}
	r = body(around(face), 0.056, inside(face), func(x, y float64) float64 {
		u, v := a.fromHead(x, y)
		return -0.0075*dent(u, v, 0.763, 0.150, 0.0080) + 0.005*dent(u, v, 0.754, 0.138, 0.010) + 0.0065*dent(u, v, 0.753, 0.170, 0.015) -
			0.003*dent(u, v, 0.752, 0.193, 0.012) + 0.003*dent(u, v, 0.766, 0.209, 0.010) + 0.004*dent(u, v, 0.767, 0.190, 0.006)
	})
	c.body(r, &a.night, func(x, y float64, s surface) look {
		u, v := a.fromHead(x, y)
		m := look{albedo: skin, gloss: 0.10}
		m.albedo = m.albedo.to(rgb{0.50, 0.16, 0.10}, 0.50*dent(u, v, 0.757, 0.173, 0.014)+0.5*dent(u, v, 0.785, 0.171, 0.007)) // cold cheeks and nose
		m.albedo = m.albedo.to(rgb{0.34, 0.10, 0.08}, 0.75*dent(u, v, 0.7775, 0.1900, 0.0050))
		m.shade = max(0.6*step(0.745, 0.720, u), 0.55*step(0.145, 0.128, v+0.17*(u-0.77)), 0.45*dent(u, v, 0.763, 0.150, 0.009), 0.6*step(0.205, 0.222, v)*step(0.772, 0.750, u))
		return m
	})
	line := func(dark rgb, k ...knot) {
		for i, q := range k {
			p := a.inHead(point{q.x, q.y})
			k[i].x, k[i].y = p.x, p.y
		}
		c.stroke(through(k, 6), func(x, y, s, nx, ny float64) (rgb, float64) { return dark, 0.85 })
	}
	brown := rgb{0.020, 0.010, 0.007}
	line(brown, knot{0.7530, 0.1520, 0.0006}, knot{0.7600, 0.1538, 0.0012}, knot{0.7675, 0.1548, 0.0012}, knot{0.7715, 0.1562, 0.0005}) // lashes, lowered
	line(rgb{0.035, 0.015, 0.008}, knot{0.7480, 0.1425, 0.0006}, knot{0.7570, 0.1392, 0.0018}, knot{0.7690, 0.1412, 0.0013})            // brow
	line(rgb{0.05, 0.014, 0.010}, knot{0.7640, 0.1905, 0.0004}, knot{0.7700, 0.1899, 0.0009}, knot{0.7755, 0.1896, 0.0006})             // lips
	line(rgb{0.06, 0.020, 0.012}, knot{0.7765, 0.1762, 0.0011}, knot{0.7800, 0.1755, 0.0005})                                           // nostril

	// The hair under the cap.
	mass := a.headShape([]point{{0.655, 0.140}, {0.700, 0.130}, {0.742, 0.130}, {0.7455, 0.150}, {0.7400, 0.172}, {0.7270, 0.196}, {0.712, 0.222}, {0.690, 0.246}, {0.655, 0.240}, {0.634, 0.215}, {0.642, 0.175}}, 6)
	r = body(around(mass), 0.05, inside(mass), func(x, y float64) float64 {
		u, v := a.fromHead(x, y)
		return 0.012 * cloud((u+v*0.7)*60, (v-u*0.55)*9, 2, a.seed+33)
	})
	c.body(r, &a.night, func(x, y float64, s surface) look {
		u, v := a.fromHead(x, y)
		w := v - 0.55*u + 6*(u-0.70)*(u-0.70)
		fine := noise((u+v*0.9)*330, w*16, a.seed+34)
		m := look{albedo: auburn.times(0.35 + 0.8*fine), gloss: 0.25 + 0.3*fine, tx: 0.7 * (fine - 0.5)}
		m.shade = max(0.65*step(0.166, 0.140, v+0.17*(u-0.72)), 0.3)
		return m
	})

	// The collar's near side stands up before the chin's shadow.
	a.clothPart(c, []point{{0.634, 0.268}, {0.626, 0.240}, {0.648, 0.214}, {0.676, 0.216}, {0.702, 0.240}, {0.740, 0.254}, {0.776, 0.240}, {0.800, 0.246}, {0.806, 0.274}, {0.768, 0.306}, {0.700, 0.312}, {0.655, 0.298}}, 0.022, 0.1, 6)
	a.cap(c)
}

// clothPart paints a piece of the coat's cloth.
func (a *act) clothPart(c *canvas, p []point, round, dim float64, k uint32) {
	shape := a.moved(p)
	r := body(around(shape), round, inside(shape), func(x, y float64) float64 {
		return 0.010 * cloud((x-a.shift(y))*30, y*22, 2, a.seed+k)
	})
	c.body(r, &a.night, func(x, y float64, s surface) look {
		m := patchwork(x-a.shift(y)+float64(k), y*1.1, a.seed+k)
		m.shade = dim
		hem := float64(s.d) + 0.007
		m.albedo = m.albedo.times(1 - 0.5*math.Exp(-hem*hem/(0.0012*0.0012)))
		return m
	})
}

// cap paints the knitted cap with its turned-up brim.
func (a *act) cap(c *canvas) {
	wool := rgb{0.20, 0.035, 0.022}
	knit := func(u, v float64) (float64, float64) { // ribs of stitches
		return fract(u * 78), 0.7 + 0.3*math.Abs(2*fract(v*120+0.3*math.Abs(2*fract(u*78)-1))-1)
	}
	dome := a.headShape([]point{{0.652, 0.150}, {0.654, 0.105}, {0.676, 0.068}, {0.714, 0.052}, {0.748, 0.066}, {0.772, 0.096}, {0.780, 0.124}, {0.72, 0.145}}, 6)
	r := body(around(dome), 0.062, inside(dome), nil)
	c.body(r, &a.night, func(x, y float64, s surface) look {
		u, v := a.fromHead(x, y)
		u = 0.714 + (u-0.714)*(1+0.5*(0.13-v)/0.08*0.6) // the ribs meet at the crown
		p, q := knit(u, v)
		m := look{albedo: wool.times(0.55 + 0.7*q*(1-0.4*math.Abs(2*p-1))), gloss: 0.05, tx: 1.5 * (p - 0.5)}
		m.shade = 0.5 * step(0.10, 0.128, v+0.17*(u-0.72))
		return m
	})
	var brim []knot
	for _, q := range []knot{{0.650, 0.158, 0.0165}, {0.685, 0.1475, 0.0185}, {0.730, 0.1365, 0.0185}, {0.772, 0.1225, 0.0150}} {
		p := a.inHead(point{q.x, q.y})
		brim = append(brim, knot{p.x, p.y, q.r})
	}
	brim = through(brim, 6)
	r = body(aroundKnots(brim), 0.017, func(x, y float64) float64 { return limb(brim, x, y) }, nil)
	c.body(r, &a.night, func(x, y float64, s surface) look {
		u, v := a.fromHead(x, y)
		p, q := knit(u, v+0.3*(u-0.7))
		return look{albedo: wool.times(0.6 + 0.8*q*(1-0.5*math.Abs(2*p-1))), gloss: 0.05, tx: 1.6 * (p - 0.5)}
	})
}

// hair paints the loose hair that the wind takes: behind the shoulders, or the strands before them.
func (a *act) hair(c *canvas, front bool) {
	n, base := 150, int32(0)
	if front {
		n, base = 95, 1000
	}
	for k := range n {
		rnd := func(j int32) float64 { return lattice(base+int32(k), j, a.seed+31) }
		root := a.inHead(point{0.662 + 0.040*rnd(0), 0.160 + 0.052*rnd(1)})
		if front && k%24 == 0 { // a few by the temple
			root = a.inHead(point{0.735 + 0.02*rnd(0), 0.148})
		}
		l := 0.10 + 0.17*rnd(2)
		wild := 0.0
		if rnd(3) < 0.33 { // flyaway
			l *= 1.12
			wild = 1
		}
		phase := 6.3*rnd(4)*(0.35+0.65*wild) + 2*math.Pi*a.now/(0.9+0.5*rnd(5)*wild)
		heading := math.Pi - 0.34 + 0.50*rnd(6) + 0.20*a.breeze + (rnd(7)-0.4)*0.8*wild
		if !front {
			heading -= 0.12
		}
		curl := (rnd(8)-0.38)*1.6 + 0.3*wild*(rnd(9)-0.5)
		width := 0.00046 + 0.00038*rnd(10)
		if wild > 0 {
			width = 0.00030 + 0.0002*rnd(10)
		}
		const pieces = 14
		strand := make([]knot, pieces+1)
		x, y := root.x, root.y
		for j := range strand {
			t := float64(j) / pieces
			strand[j] = knot{x, y, width * (1 - 0.6*t)}
			// The root falls down behind the ear before the wind lifts it.
			h := heading - (0.9-0.2*wild)*math.Exp(-t*4.5) + curl*t*t + 0.42*t*math.Sin(phase-3.6*t)
			x += math.Cos(h) * l / pieces
			y += math.Sin(h) * l / pieces
		}
		tone := auburn.times(0.6 + 0.9*rnd(12))
		dim := 0.55
		if front {
			dim = 1
		}
		c.stroke(strand, func(x, y, s, nx, ny float64) (rgb, float64) {
			// A strand shines along rings, as hair does.
			t := s / l
			ring := math.Exp(-(t-0.30-0.1*rnd(13))*(t-0.30-0.1*rnd(13))/0.012) + 0.5*math.Exp(-(t-0.75)*(t-0.75)/0.02)
			cool := moonlight.times((0.006 + 0.19*ring + 0.09*wild) * (0.2 + 0.8*rnd(14)))
			warm := lamplight.times((0.05 + 0.14*ring) * step(0.5, 0, t))
			return tone.by(rgb{0.9, 0.9, 0.9}).times(0.5).plus(cool.plus(warm).times(dim)), 1
		})
	}
}
