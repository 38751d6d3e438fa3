//go:build !js

package main

import (
	"math"
	"testing"
	"time"
)

var noon = time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC)

func TestDividerIsHeld(t *testing.T) {
	s := newStage(800, 600, 800, 600)
	if s.onDivider(point{400, 100}, true) {
		t.Error("held where there is none")
	}
	s.divided = true
	g := s.grip()
	for _, row := range []struct {
		name  string
		p     point
		touch bool
		held  bool
	}{
		{"mouse on the line", point{403, 100}, false, true},
		{"mouse beside the line", point{415, 100}, false, false},
		{"finger beside the line", point{415, 100}, true, true},
		{"mouse at the rim of the grip", point{g.x + 15, g.y + 15}, false, true},
		{"finger far off", point{450, 100}, true, false},
	} {
		if got := s.onDivider(row.p, row.touch); got != row.held {
			t.Errorf("%s: held %v", row.name, got)
		}
	}
}

func TestDragDivider(t *testing.T) {
	s := newStage(800, 600, 1600, 1200)
	s.divided = true
	s.down(1, point{403, 100}, false)
	if !s.move(1, point{603, 150}) || s.split != 0.75 {
		t.Errorf("divider at %v, want 0.75: what was held 3 pixels beside stays so", s.split)
	}
	s.move(1, point{5000, 150})
	if s.split != 1 {
		t.Errorf("divider at %v outside the picture", s.split)
	}
	if s.up(1, noon) || s.grasp != free {
		t.Error("not let go")
	}
	if s.zoom != 1 || s.center != (point{0.5, 0.5}) {
		t.Error("the picture moved with the divider")
	}
}

func TestGripStaysOnTheCanvas(t *testing.T) {
	s := newStage(800, 600, 1600, 1200)
	s.divided = true
	s.split = 0.1
	s.actual(point{800, 300})
	if x := s.grip().x; s.line() > 0 || x != touchReach {
		t.Fatalf("line at %v, grip at %v", s.line(), x)
	}
	s.down(1, s.grip(), true)
	s.move(1, point{200, 500})
	if s.line() != 200 {
		t.Errorf("line pulled to %v, pointer at 200", s.line())
	}
}

func TestDragPans(t *testing.T) {
	s := newStage(800, 600, 1600, 1200)
	s.actual(s.middle())
	o := s.origin()
	s.down(1, point{300, 300}, false)
	if s.move(1, point{303, 300}) {
		t.Error("moved by less than a hand's tremble")
	}
	s.move(1, point{340, 320})
	if got := s.origin(); got != (point{o.x + 40, o.y + 20}) {
		t.Errorf("origin %v, was %v", got, o)
	}
}

func TestPinch(t *testing.T) {
	s := newStage(800, 600, 1600, 1200)
	s.down(1, point{300, 300}, true)
	s.down(2, point{500, 300}, true)
	under := s.at(point{400, 300})
	s.move(1, point{200, 300})
	s.move(2, point{600, 300})
	if math.Abs(s.zoom-2) > 1e-9 {
		t.Errorf("fingers twice as far apart: zoom %v", s.zoom)
	}
	if now := s.at(point{400, 300}); math.Hypot(now.x-under.x, now.y-under.y) > 1 {
		t.Errorf("between the fingers lay %v, now %v", under, now)
	}
	s.up(2, noon)
	o := s.origin()
	s.move(1, point{210, 310})
	if got := s.origin(); got != (point{o.x + 10, o.y + 10}) {
		t.Errorf("the finger that is left moves the picture from %v to %v", o, got)
	}
	s.cancel(1)
	if s.grasp != free || s.move(1, point{0, 0}) {
		t.Error("a pointer that was taken away still moves")
	}
}

func TestTaps(t *testing.T) {
	for _, row := range []struct {
		name    string
		gap     time.Duration
		away    float64
		toggles bool
	}{
		{"two in one place", 200 * time.Millisecond, 3, true},
		{"too slow", time.Second, 0, false},
		{"too far apart", 200 * time.Millisecond, 60, false},
	} {
		s := newStage(800, 600, 1600, 1200)
		s.down(1, point{200, 200}, true)
		s.up(1, noon)
		s.down(1, point{200 + row.away, 200}, true)
		got := s.up(1, noon.Add(row.gap))
		if got != row.toggles || got != (s.scale() == 1) {
			t.Errorf("%s: toggled %v, scale %v", row.name, got, s.scale())
		}
		if got {
			s.toggle(point{})
			if s.zoom != 1 {
				t.Errorf("%s: toggling back gives zoom %v", row.name, s.zoom)
			}
		}
	}
}

func TestLongPressReads(t *testing.T) {
	s := newStage(800, 600, 1600, 1200)
	s.actual(s.middle())
	o := s.origin()
	s.down(1, point{200, 200}, true)
	if !s.long() || s.grasp != probing {
		t.Fatal("a long press does not read")
	}
	if s.move(1, point{300, 300}) || s.origin() != o {
		t.Error("reading moves the picture")
	}
	s.up(1, noon)
	s.down(1, point{200, 200}, true)
	s.move(1, point{300, 300})
	if s.long() {
		t.Error("a drag became a long press")
	}
}

func TestKeys(t *testing.T) {
	for _, row := range []struct {
		name    string
		shift   bool
		zoomed  bool
		handled bool
		effect  func(*stage) bool
	}{
		{"+", true, false, true, func(s *stage) bool { return s.zoom == keyStep }},
		{"-", false, false, true, func(s *stage) bool { return s.zoom == 1/keyStep }},
		{"0", false, true, true, func(s *stage) bool { return s.zoom == 1 }},
		{"1", false, false, false, nil},         // the page's: a station
		{"ArrowLeft", false, false, false, nil}, // nothing to move: left for the page to step frames
		{"ArrowLeft", false, true, true, func(s *stage) bool { return s.center.x < 0.5 }},
		{"ArrowDown", false, true, true, func(s *stage) bool { return s.center.y > 0.5 }},
		{"ArrowRight", true, false, true, func(s *stage) bool { return s.split == 0.5+splitStep }},
		{"ArrowUp", true, true, false, nil},
		{" ", false, false, false, nil},
	} {
		s := newStage(800, 600, 1600, 1200)
		s.divided = true
		if row.zoomed {
			s.actual(s.middle())
		}
		if got := s.key(row.name, row.shift); got != row.handled {
			t.Errorf("%q, shift %v: handled %v", row.name, row.shift, got)
		} else if got && !row.effect(s) {
			t.Errorf("%q, shift %v: zoom %v, center %v, divider %v", row.name, row.shift, s.zoom, s.center, s.split)
		}
	}
}

func TestWheel(t *testing.T) {
	s := newStage(800, 600, 1600, 1200)
	s.wheel(s.middle(), -math.Ln2)
	if math.Abs(s.zoom-2) > 1e-9 {
		t.Errorf("zoom %v", s.zoom)
	}
}
