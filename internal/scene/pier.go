package scene

import (
	"math"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

// Pier draws frame i, of w by h pixels, of a take of so many frames: a ferry hand at night, coiling
// a wet rope by the light of a swinging lantern. The seed changes the patches of the coat, the
// strands of hair and the wind. It returns premultiplied light and transmission.
func Pier(seed uint32, frames, i, w, h int) (*plate.RGB, *plate.Gray) {
	c := newCanvas(w, h)
	a := pierAt(seed, frames, i)
	a.deck(c)
	a.post(c)
	a.steam(c, false)
	a.float(c)
	a.farArm(c)
	a.hair(c, false)
	a.legs(c)
	a.coat(c)
	a.head(c)
	a.hair(c, true)
	a.net(c)
	a.nearArm(c)
	a.steam(c, true)
	a.drips(c)
	a.lantern(c)
	for _, v := range c.p.Pix { // film's shoulder: a highlight nears white and does not clip
		for j, x := range v {
			if x > 0.7 {
				v[j] = 0.7 + 0.22*(1-float32(math.Exp(float64(0.7-x)/0.22)))
			}
		}
	}
	return c.p, c.t
}

// act is the state of everything at one instant.
type act struct {
	night
	now    float64 // seconds
	turn   float64 // 0 to 1 over the take
	seed   uint32
	walk   float64 // how far the hips have gone to the right
	lean   float64 // how far the head is before the feet
	bob    float64
	nod    float64
	near   [3]knot // shoulder, elbow, wrist
	far    [3]knot
	swing  float64 // the lantern's angle
	breeze float64
}

func pierAt(seed uint32, frames, i int) *act {
	a := &act{now: float64(i) / 24, turn: float64(i) / float64(frames), seed: seed}
	wave := func(period, phase float64) float64 { return math.Sin(2 * math.Pi * (a.now/period + phase)) }
	a.walk = 0.052*step(0.3, 0.78, a.turn) + 0.010*wave(2, 0)
	a.lean = 0.020 + 0.022*wave(1, 0.1) + 0.012*step(0.2, 0.5, a.turn)
	a.bob = 0.004*wave(1, 0.35) + 0.006*math.Sin(math.Pi*step(0.3, 0.78, a.turn))
	a.nod = 0.13 + 0.05*wave(1, 0.2)
	a.breeze = wave(1.7, 0.1)
	a.swing = lanternAngle(a.now)
	lx, ly := lanternAt(a.swing, 0.215)
	a.night = night{x: lx, y: ly, z: 0.17, power: 0.50 * (1 + 0.05*wave(0.31, 0) + 0.04*wave(0.17, 0.3))}

	// The far hand draws rope in and lays it on the near one, once a second.
	f := 2 * math.Pi * a.now
	sx, sy := a.body(0.668, 0.318)
	a.near[0] = knot{sx, sy, 0.060}
	a.near[2] = knot{0.868 + a.walk + 0.014*math.Cos(f+2.2), 0.498 + a.bob + 0.012*math.Sin(f+2.2), 0.031}
	a.near[1] = elbow(a.near[0], a.near[2], 0.185, 0.165, 1)
	sx, sy = a.body(0.795, 0.318)
	a.far[0] = knot{sx, sy, 0.052}
	a.far[2] = knot{0.955 + a.walk + 0.052*math.Cos(f), 0.420 + a.bob + 0.042*math.Sin(f), 0.028}
	a.far[1] = elbow(a.far[0], a.far[2], 0.15, 0.145, 1)
	return a
}

// elbow returns the joint between a shoulder and a wrist, with upper and lower arms of the lengths
// given, bent downwards.
func elbow(s, w knot, upper, lower, side float64) knot {
	dx, dy := w.x-s.x, w.y-s.y
	l := math.Hypot(dx, dy)
	k := min(l, (upper+lower)*0.995)
	a := (upper*upper - lower*lower + k*k) / (2 * k)
	h := math.Sqrt(max(0, upper*upper-a*a)) * side
	return knot{s.x + dx/l*a - dy/l*h, s.y + dy/l*a + dx/l*h, (s.r + w.r) / 2 * 1.02}
}

// body moves a point of the body at rest to where it is now: what is higher leans further.
func (a *act) body(x, y float64) (float64, float64) {
	return x + a.shift(y), y + a.bob*clamp((0.95-y)*4)
}

func (a *act) shift(y float64) float64 {
	k := max(0, 0.95-y)
	return a.walk*min(1, k*3) + a.lean*k*k*1.4
}

// moved returns an outline through points of the body at rest.
func (a *act) moved(p []point) []point {
	return outline(list.Of(p, func(v point) point {
		v.x, v.y = a.body(v.x, v.y)
		return v
	}), 7)
}
