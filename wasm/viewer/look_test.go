//go:build !js

package main

import (
	"math"
	"testing"

	"example.com/twinplate/plate"
)

func TestNewLook(t *testing.T) {
	l := newLook()
	if l.gain() != 1 || l.clip || l.surround[0] != l.surround[1] || l.surround[1] != l.surround[2] {
		t.Errorf("a new look is not plain on a neutral surround: %+v", l)
	}
}

func TestLinear(t *testing.T) {
	for i := range 256 {
		v := float32(i) / 255
		if got, want := float64(linear(v)), plate.SRGB.ToLinear(float64(v)); math.Abs(got-want) > 1e-7 {
			t.Errorf("code %d: %v, plate has %v", i, got, want)
		}
	}
}

func TestGround(t *testing.T) {
	l := newLook()
	for _, row := range []struct {
		under string
		want  [6]float32
	}{
		{"black", [6]float32{}},
		{"gray", [6]float32{0.18, 0.18, 0.18, 0.18, 0.18, 0.18}},
		{"color", [6]float32{1, 0, linear(0.5), 1, 0, linear(0.5)}},
		{"of no such name", [6]float32{}},
	} {
		l.under, l.underColor = row.under, [3]float32{1, 0, 0.5}
		if got := l.ground(); got != row.want {
			t.Errorf("%s: %v", row.under, got)
		}
	}
	l.under = "checker"
	if g := l.ground(); g[0] != g[2] || g[3] != g[5] || g[0] >= g[3] {
		t.Errorf("checker: %v", g)
	}
}

func TestPick(t *testing.T) {
	for _, row := range []struct {
		name        string
		channel     string
		gray, matte bool
		weights     [4]float32
		mono, curve float32
	}{
		{"all three", "rgb", false, false, [4]float32{}, 0, 1},
		{"one", "g", false, false, [4]float32{0, 1}, 1, 1},
		{"alpha has no display curve", "alpha", false, false, [4]float32{3: 1}, 1, 0},
		{"one plane, whatever the channel", "b", true, false, [4]float32{1}, 1, 1},
		{"numbers", "rgb", false, true, [4]float32{1}, 1, 0},
	} {
		l := newLook()
		l.channel, l.gray[1], l.matte[1] = row.channel, row.gray, row.matte
		w, mono, curve := l.pick(1)
		if w != row.weights || mono != row.mono || curve != row.curve {
			t.Errorf("%s: %v %v %v", row.name, w, mono, curve)
		}
	}
	l := newLook()
	l.channel = "luminance"
	if w, _, _ := l.pick(0); w[0]+w[1]+w[2] != 1 {
		t.Errorf("luminance of white is %v", w[0]+w[1]+w[2])
	}
}

func TestGain(t *testing.T) {
	l := newLook()
	l.exposure = -2
	if l.gain() != 0.25 {
		t.Errorf("two stops down: %v", l.gain())
	}
}
