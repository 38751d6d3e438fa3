package scene

import (
	"math"

	"example.com/twinplate/plate"
)

// Cutouts draws frame i, of w by h pixels: textured discs, turning bars, thin wires and a soft puff,
// spread over the frame and moving. The seed n changes the places and the colors. It returns
// premultiplied light and transmission.
func Cutouts(n uint32, i, w, h int) (*plate.RGB, *plate.Gray) {
	c := newCanvas(w, h)
	rnd := func(k, j int) float64 { return lattice(int32(k), int32(j), n) }
	now := float64(i) / 24
	texture := func(x, y float64, k int) rgb {
		v := 0.25 + 0.75*cloud(x*28, y*28, 3, n+uint32(k))
		return rgb{0.15 + 0.6*rnd(k, 7), 0.15 + 0.6*rnd(k, 8), 0.1 + 0.6*rnd(k, 9)}.times(v)
	}
	for k := range 12 { // on a grid of 4 by 3 places, each wandering about its own
		mx := (float64(k%4)+0.5)*16/9/4 + 0.19*math.Sin(now*(1.7+rnd(k, 0))+6*rnd(k, 1))
		my := (float64(k/4)+0.5)/3 + 0.14*math.Cos(now*(1.9+rnd(k, 2))+6*rnd(k, 3))
		r := 0.06 + 0.05*rnd(k, 4)
		a := now*(rnd(k, 5)-0.5)*2 + 6*rnd(k, 6)
		ca, sa := math.Cos(a), math.Sin(a)
		around := box{mx, my, mx, my}
		switch k % 3 {
		case 0: // a disc
			c.paint(around.grow(r+c.px), func(x, y float64) (rgb, float64) {
				return texture(x-mx, y-my, k), c.cover(math.Hypot(x-mx, y-my) - r)
			})
		case 1: // a bar
			c.paint(around.grow(2*r+c.px), func(x, y float64) (rgb, float64) {
				u, v := ca*(x-mx)+sa*(y-my), ca*(y-my)-sa*(x-mx)
				return texture(u, v, k), c.cover(math.Abs(u)-1.3*r) * c.cover(math.Abs(v)-0.3*r)
			})
		case 2: // a ring with wires across it, and a puff in it
			c.paint(around.grow(r+0.01), func(x, y float64) (rgb, float64) {
				d := math.Hypot(x-mx, y-my)
				return rgb{0.5, 0.55, 0.6}, 0.6 * step(r, 0, d) * cloud((x-mx)*20+now, (y-my)*20, 2, n)
			})
			c.paint(around.grow(2*r+c.px), func(x, y float64) (rgb, float64) {
				u, v := ca*(x-mx)+sa*(y-my), ca*(y-my)-sa*(x-mx)
				d := math.Abs(math.Hypot(u, v) - r)
				cover := c.line(d, 0.006)
				if math.Abs(u) < 1.6*r && math.Abs(v) < 1.6*r {
					cover = max(cover, c.line(math.Abs(u-r*math.Round(u/r*2)/2), 0.0012))
				}
				return texture(u, v, k), cover
			})
		}
	}
	return c.p, c.t
}
