package scene

import "math"

// lattice returns a number from 0 to 1 for a point of the whole-numbered lattice.
func lattice(x, y int32, seed uint32) float64 {
	return scatter(uint32(x)*latticeX^uint32(y)*latticeY^seed*latticeSeed) / (1 << 32)
}

const latticeX, latticeY, latticeSeed = 0x8da6b343, 0xd8163841, 0xcb1ab31f

// scatter returns a whole number below 2^32 for a number, with no likeness for numbers that are
// alike.
func scatter(h uint32) float64 {
	h = (h ^ h>>15) * 0x2c1b3c6d
	h = (h ^ h>>12) * 0x297a2d39
	return float64(h ^ h>>15)
}

// noise returns smooth value noise, 0 to 1, whose cells are one unit wide.
func noise(x, y float64, seed uint32) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	left, upper := uint32(int32(fx))*latticeX, uint32(int32(fy))*latticeY
	right, lower := left+latticeX, (upper+latticeY)^seed*latticeSeed
	upper ^= seed * latticeSeed
	u, v := ease(x-fx), ease(y-fy)
	a, b := scatter(left^upper), scatter(right^upper)
	c, d := scatter(left^lower), scatter(right^lower)
	return (a + (b-a)*u + (c-a+(a-b-c+d)*u)*v) / (1 << 32)
}

// cloud returns the sum of octaves of noise, each half as strong and twice as fine, scaled to 0 to
// 1.
func cloud(x, y float64, octaves int, seed uint32) float64 {
	s, a, top := 0.0, 1.0, 0.0
	for k := range octaves {
		s += a * noise(x, y, seed+uint32(k)*101)
		top += a
		a /= 2
		x, y = 1.6*x-1.2*y+7.3, 1.2*x+1.6*y-3.1 // turned, so that the lattices do not line up
	}
	return s / top
}

// ease is 3t^2 - 2t^3.
func ease(t float64) float64 { return t * t * (3 - 2*t) }

// step rises smoothly from 0 at a to 1 at b; b may be below a.
func step(a, b, x float64) float64 {
	return ease(clamp((x - a) / (b - a)))
}

func clamp(x float64) float64 { return min(max(x, 0), 1) }

func mix(a, b, t float64) float64 { return a + (b-a)*t }
