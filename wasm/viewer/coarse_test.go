//go:build !js

package main

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/internal/half"
	"example.com/twinplate/plate"
)

// Every half float has the value that IEEE 754-2008 gives it, but for infinities and what is not a
// number, which lie above all others.
func TestLights(t *testing.T) {
	all := lights()
	for bits, got := range all {
		want := half.ToFloat32(uint16(bits))
		if math.IsNaN(float64(want)) || math.IsInf(float64(want), 0) {
			if !(math.Abs(float64(got)) > 65504) || math.IsInf(float64(got), 0) {
				t.Errorf("bits %#x: %v, want a number above 65504", bits, got)
			}
		} else if got != want {
			t.Errorf("bits %#x: %v, want %v", bits, got, want)
		}
	}
}

// A coarse frame is the nearest pixels, exposed, over the ground, by the curve of package plate.
func TestCoarse(t *testing.T) {
	const w, h, cw, ch = 7, 5, 40, 30
	random := rand.New(rand.NewPCG(1, 2))
	p := patch{w: w, h: h, hi: make([]byte, 4*w*h), lo: make([]byte, 4*w*h), origin: point{3, 4}, pace: point{0.25, 0.25}, left: 3, right: 31, gain: 2, curve: 1, check: 10}
	p.ground = [2][3]float32{{0.1, 0.2, 0.3}, {0.4, 0.5, 0.6}}
	values := make([]float32, 4*w*h)
	for i := range values {
		bits := half.FromFloat32(float32(random.Float64()*1.2 - 0.1))
		var b [2]byte
		binary.BigEndian.PutUint16(b[:], bits)
		p.hi[i], p.lo[i], values[i] = b[0], b[1], half.ToFloat32(bits)
	}
	want := func(c, x, y int) float64 { // code
		if x < 3 || x >= 31 || y < 4 || y >= 24 {
			return [3]float64{51, 102, 153}[c]
		}
		i := 4 * ((y-4)/4*w + (x-3)/4)
		alpha := float64(values[i+3])
		light := func(c int) float64 {
			field := ((x-3)/10 + (y-4)/10) % 2
			v := 2 * float64(values[i+c])
			if alpha < 1 {
				v += (1 - max(alpha, 0)) * float64(p.ground[field][c])
			}
			return v
		}
		v := light(c)
		if p.mono {
			v = 0
			for k := range 3 {
				v += float64(p.pick[k]) * light(k)
			}
			v += float64(p.pick[3]) * 2 * alpha
		}
		if v = min(max(v, 0), 1); p.curve == 1 {
			v = plate.SRGB.FromLinear(v)
		}
		return 255 * v
	}
	check := func(what string) {
		t.Helper()
		var c coarse
		c.prepare(cw, ch, [3]float32{0.2, 0.4, 0.6})
		c.draw(&p)
		for y := range ch {
			for x := range cw {
				for k := range 3 {
					// Rounding to a code, and to a step of the table.
					if got, want := float64(c.pix[4*(y*cw+x)+k]), want(k, x, y); math.Abs(got-want) > 0.5+0.11 {
						t.Fatalf("%s: channel %d at %d, %d is %v, want %.2f", what, k, x, y, got, want)
					}
				}
				if c.pix[4*(y*cw+x)+3] != 255 {
					t.Fatalf("%s: the canvas is not opaque at %d, %d", what, x, y)
				}
			}
		}
	}
	check("color")
	p.mono, p.pick = true, [4]float32{0.2126, 0.7152, 0.0722}
	check("luminance")
	p.pick, p.curve = [4]float32{0, 0, 0, 1}, 0
	check("alpha")
}
