package rig

import (
	"cmp"
	"fmt"
	"math"
)

// Lamps are the sodium lamps that light the screen, in rows along its edges.
type Lamps struct {
	Count      int     `json:"count"`
	Lumens     float64 `json:"lumens"`                 // of each bare lamp, warm
	Rows       string  `json:"rows,omitempty"`         // "sides" (or empty), "top and bottom", or "around"
	Distance   float64 `json:"distance_m"`             // of the rows before the screen
	Beyond     float64 `json:"beyond_m,omitempty"`     // of the rows outside the screen's edge
	Aim        float64 `json:"aim,omitempty"`          // where they point: the part of the way from their own edge across; 0: 0.5, the middle
	Beam       float64 `json:"beam_degrees,omitempty"` // between the directions of half the intensity; 0: 120, a plain trough
	Efficiency float64 `json:"efficiency,omitempty"`   // of the fixture: how much of the lamp's light leaves it; 0: 0.7
	Ballast    string  `json:"ballast,omitempty"`      // "magnetic" (or empty) or "electronic"
	Ripple     float64 `json:"ripple,omitempty"`       // amplitude of the light's swing at twice the mains, over its mean; 0: by the ballast
	Leak       float64 `json:"leak,omitempty"`         // how much of a bare lamp's light the flags let onto the performer; 0: 0.01
}

// The figures of the lamps that are taken where none are given: common practice, or assumed.
const (
	assumedAim            = 0.5
	assumedBeam           = 120
	assumedEfficiency     = 0.7
	assumedLeak           = 0.01
	assumedMagneticRipple = 0.7
	assumedElectronRipple = 0.02
)

func (l Lamps) filled() Lamps {
	l.Aim = cmp.Or(l.Aim, assumedAim)
	l.Beam = cmp.Or(l.Beam, assumedBeam)
	l.Efficiency = cmp.Or(l.Efficiency, assumedEfficiency)
	l.Leak = cmp.Or(l.Leak, assumedLeak)
	if l.Ballast == "electronic" {
		l.Ripple = cmp.Or(l.Ripple, assumedElectronRipple)
	}
	l.Ripple = cmp.Or(l.Ripple, assumedMagneticRipple)
	l.Rows = cmp.Or(l.Rows, "sides")
	return l
}

func (l Lamps) check() error {
	if l.Rows != "" && l.Rows != "sides" && l.Rows != "top and bottom" && l.Rows != "around" {
		return fmt.Errorf("rows %q: it must be sides, top and bottom, or around", l.Rows)
	}
	if l.Ballast != "" && l.Ballast != "magnetic" && l.Ballast != "electronic" {
		return fmt.Errorf("ballast %q: it must be magnetic or electronic", l.Ballast)
	}
	l = l.filled()
	return ranges([]limit{
		{"count", float64(l.Count), 1, 1000}, {"lumens", l.Lumens, 1, 1e6}, {"distance_m", l.Distance, 0.05, 50},
		{"beyond_m", l.Beyond, -20, 20}, {"aim", l.Aim, 0.05, 1}, {"beam_degrees", l.Beam, 10, 170},
		{"efficiency", l.Efficiency, 0.01, 1}, {"ripple", l.Ripple, 0, 1}, {"leak", l.Leak, 0, 1},
	})
}

// A Lamp is one lamp as a point: where it is, in meters from the middle of the screen with the
// screen at z = 0 and the cameras at z > 0, and the direction in which it is brightest.
type Lamp struct {
	X, Y, Z   float64
	Direction [3]float64 // of length 1
	Candela   float64    // in that direction
	Exponent  float64    // its intensity falls as this power of the cosine: 1 for a plain trough
}

// Illuminance returns the light of the lamp, in lux, on a screen at z = 0 at (x, y): by the inverse
// square of the distance and the cosine of the angle at which the light meets the screen.
func (l Lamp) Illuminance(x, y float64) float64 {
	dx, dy, dz := x-l.X, y-l.Y, -l.Z
	r := math.Sqrt(dx*dx + dy*dy + dz*dz)
	along := (dx*l.Direction[0] + dy*l.Direction[1] + dz*l.Direction[2]) / r
	if along <= 0 || l.Z <= 0 {
		return 0
	}
	return l.Candela * math.Pow(along, l.Exponent) * (l.Z / r) / (r * r)
}

// place returns the lamps before a screen of w by h meters.
func (l Lamps) place(w, h float64) []Lamp {
	l = l.filled()
	exponent := math.Log(0.5) / math.Log(math.Cos(l.Beam/2*math.Pi/180))
	// The integral of cos^n over a half space is 2 pi / (n + 1).
	candela := l.Lumens * l.Efficiency * (exponent + 1) / (2 * math.Pi)
	var out []Lamp
	row := func(n int, at func(along float64) (x, y, tx, ty float64)) {
		for i := range n {
			x, y, tx, ty := at((float64(i)+0.5)/float64(n)*2 - 1)
			d := [3]float64{tx - x, ty - y, -l.Distance}
			r := math.Sqrt(d[0]*d[0] + d[1]*d[1] + d[2]*d[2])
			out = append(out, Lamp{x, y, l.Distance, [3]float64{d[0] / r, d[1] / r, d[2] / r}, candela, exponent})
		}
	}
	both := func(n int, at func(sign, along float64) (x, y, tx, ty float64)) {
		row(n-n/2, func(a float64) (x, y, tx, ty float64) { return at(-1, a) })
		row(n/2, func(a float64) (x, y, tx, ty float64) { return at(1, a) })
	}
	sides := func(n int) {
		both(n, func(sign, a float64) (x, y, tx, ty float64) {
			return sign * (w/2 + l.Beyond), a * h / 2, sign * w * (0.5 - l.Aim), a * h / 2
		})
	}
	ends := func(n int) {
		both(n, func(sign, a float64) (x, y, tx, ty float64) {
			return a * w / 2, sign * (h/2 + l.Beyond), a * w / 2, sign * h * (0.5 - l.Aim)
		})
	}
	switch l.Rows {
	case "sides":
		sides(l.Count)
	case "top and bottom":
		ends(l.Count)
	case "around":
		n := int(math.Round(float64(l.Count) * w / (w + h)))
		ends(n)
		sides(l.Count - n)
	}
	return out
}

// illuminance returns the light of all lamps at a place on the screen, in lux.
func illuminance(lamps []Lamp, x, y float64) float64 {
	sum := 0.0
	for _, l := range lamps {
		sum += l.Illuminance(x, y)
	}
	return sum
}

// SideFactor returns the configuration factor from a small surface that is turned sideways,
// distance meters before the middle of a screen of w by h meters, to the screen: how much of what
// it could see of light is screen. A side of the performer that the camera sees at a grazing angle
// is such a surface. (An element at a right angle to a rectangle, of the catalogs of radiative heat
// transfer; the closed form of the double integral.)
func SideFactor(w, h, distance float64) float64 {
	if distance <= 0 {
		return 0.5
	}
	a, b := w/2, h/2
	q := math.Hypot(a, distance)
	return (math.Atan(b/distance) - distance/q*math.Atan(b/q)) / math.Pi
}
