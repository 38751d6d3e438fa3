package rig_test

import (
	"math"
	"testing"

	"example.com/twinplate/rig"
)

// Worked examples of illuminating engineering. The first is from a published set of problems with
// its answer; the others are that discipline's usual problems, worked out by hand by E = I
// cos(angle) / r2.
func TestIlluminance(t *testing.T) {
	down := [3]float64{0, 0, -1}
	for _, row := range []struct {
		name string
		lamp rig.Lamp
		x, y float64
		want float64
		e    float64
	}{
		// 628 lm to all sides is 50 cd (with pi as 3.14); 1 m away, the light 37 degrees off
		// upright, of cosine 4/5: 40 lux.
		{"628 lm at 1 m and 37 degrees", rig.Lamp{Z: 0.8, Direction: down, Candela: 628 / (4 * math.Pi)}, 0.6, 0, 40, 0.05},
		{"100 cd, 4 m above", rig.Lamp{Z: 4, Direction: down, Candela: 100}, 0, 0, 6.25, 1e-9},
		{"100 cd, 2.5 m above the corner's middle of a table of 3 m", rig.Lamp{Z: 2.5, Direction: down, Candela: 100}, 1.5, 1.5, 100 * 2.5 / math.Pow(10.75, 1.5), 1e-9},
		{"one of four lamps of 250 cd, 6 m above the corners of a lawn of 4 m, at its middle", rig.Lamp{X: 2, Y: 2, Z: 6, Direction: down, Candela: 250}, 0, 0, 250 * 6 / math.Pow(44, 1.5), 1e-9},
		{"a plain trough falls off as the cosine too", rig.Lamp{Z: 3, Direction: down, Candela: 90, Exponent: 1}, 4, 0, 90 * 0.6 * 0.6 / 25, 1e-9},
		{"behind the lamp it is dark", rig.Lamp{Z: 3, Direction: [3]float64{0, 0, 1}, Candela: 90, Exponent: 1}, 0, 0, 0, 0},
	} {
		if got := row.lamp.Illuminance(row.x, row.y); math.Abs(got-row.want) > row.e {
			t.Errorf("%s: %.4f lux, want %.4f", row.name, got, row.want)
		}
	}
}

func TestSideFactor(t *testing.T) {
	// By the definition (Siegel and Howell, Thermal Radiation Heat Transfer): the integral of cos
	// cos / (pi r2), here x d / (pi r4), over the half of the screen that the surface faces.
	for _, row := range [][3]float64{{6, 3.4, 4}, {6, 3.4, 1}, {2, 8, 3}} {
		w, h, d := row[0], row[1], row[2]
		const n = 800
		sum := 0.0
		for i := range n {
			for j := range n {
				x, y := (float64(i)+0.5)/n*w/2, ((float64(j)+0.5)/n-0.5)*h
				r2 := x*x + y*y + d*d
				sum += x * d / (math.Pi * r2 * r2) * (w / 2 / n) * (h / n)
			}
		}
		if got := rig.SideFactor(w, h, d); math.Abs(got-sum) > 1e-6 {
			t.Errorf("%v x %v m at %v m: %.6f, want %.6f", w, h, d, got, sum)
		}
	}
	// A screen without end hides half of what a sideways surface sees.
	if got := rig.SideFactor(1e6, 1e6, 1); math.Abs(got-0.5) > 1e-5 {
		t.Errorf("an endless screen: %v", got)
	}
}

func TestSafeShutters(t *testing.T) {
	for _, row := range []struct {
		name       string
		fps, mains float64
		degrees    float64
	}{
		// Common practice: the angles that camera handbooks give.
		{"24 frames at 50 Hz", 24, 50, 172.8},
		{"24 frames at 60 Hz", 24, 60, 144},
		{"25 frames at 50 Hz", 25, 50, 180},
		{"25 frames at 60 Hz", 25, 60, 150},
		{"30 frames at 50 Hz", 30, 50, 216},
	} {
		found := false
		for _, a := range rig.SafeShutters(row.fps, row.mains) {
			found = found || math.Abs(a-row.degrees) < 1e-9
			if r, _ := rig.Ripple(row.fps, a, row.mains, 1); r != 0 {
				t.Errorf("%s: %v degrees has a ripple of %v", row.name, a, r)
			}
		}
		if !found {
			t.Errorf("%s: %v lacks %v", row.name, rig.SafeShutters(row.fps, row.mains), row.degrees)
		}
	}
	if got := rig.SafeShutters(200, 50); len(got) != 0 {
		t.Errorf("frames shorter than a pulse: %v", got)
	}
}

func TestRipple(t *testing.T) {
	// By the definition: the mean light of each of many frames, of lamps that pulse as 1 + swing
	// cos.
	for _, row := range [][3]float64{{24, 180, 50}, {24, 90, 50}, {30, 180, 50}, {23.976, 180, 60}, {25, 180, 60}} {
		fps, degrees, mains := row[0], row[1], row[2]
		const swing, frames = 0.7, 3000
		exposure := degrees / 360 / fps
		low, high := math.Inf(1), math.Inf(-1)
		for k := range frames {
			w := 2 * math.Pi * 2 * mains
			t0 := float64(k) / fps
			mean := 1 + swing*(math.Sin(w*(t0+exposure))-math.Sin(w*t0))/(w*exposure)
			low, high = min(low, mean), max(high, mean)
		}
		got, beat := rig.Ripple(fps, degrees, mains, swing)
		// Frames fall on few phases where the beat repeats soon, and may miss the extremes.
		if half := (high - low) / 2; half > got*1.0001 || half < 0.74*got {
			t.Errorf("%v frames, %v degrees, %v Hz: %.5f, want %.5f", fps, degrees, mains, got, half)
		}
		if beat <= 0 || beat > fps/2 {
			t.Errorf("%v frames, %v Hz: a beat of %v Hz", fps, mains, beat)
		}
	}
	if got, beat := rig.Ripple(25, 137, 50, 1); got != 0 || beat != 0 {
		t.Errorf("a whole number of pulses to a frame: %v, %v Hz", got, beat)
	}
}
