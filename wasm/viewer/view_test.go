//go:build !js

package main

import (
	"math"
	"testing"
)

func newStage(cw, ch, pw, ph int) *stage {
	s := &stage{unit: 1, split: 0.5}
	s.zoom, s.center = 1, point{0.5, 0.5}
	s.resize(cw, ch, pw, ph)
	return s
}

func TestFit(t *testing.T) {
	for _, row := range []struct {
		name           string
		cw, ch, pw, ph int
		scale          float64
		origin         point
	}{
		{"wide picture, bars above and below", 800, 600, 1600, 900, 0.5, point{0, 75}},
		{"tall picture, bars at the sides", 800, 600, 300, 1200, 0.5, point{325, 0}},
		{"small picture is enlarged", 800, 600, 80, 60, 10, point{0, 0}},
		{"odd bar lies on a whole pixel", 801, 600, 80, 60, 10, point{1, 0}},
		{"canvas of no size", 0, 0, 80, 60, 1, point{-40, -30}},
		{"no picture", 800, 600, 0, 0, 1, point{400, 300}},
	} {
		s := newStage(row.cw, row.ch, row.pw, row.ph)
		if s.scale() != row.scale || s.origin() != row.origin {
			t.Errorf("%s: scale %v at %v, want %v at %v", row.name, s.scale(), s.origin(), row.scale, row.origin)
		}
	}
}

func TestPixel(t *testing.T) {
	s := newStage(800, 600, 80, 60)
	for _, row := range []struct {
		p      point
		x, y   int
		inside bool
	}{
		{point{0, 0}, 0, 0, true},
		{point{9.9, 9.9}, 0, 0, true},
		{point{10, 10}, 1, 1, true},
		{point{799.5, 599.5}, 79, 59, true},
		{point{-1, 5}, -1, 0, false},
		{point{5, 600}, 0, 60, false},
	} {
		if x, y, inside := s.pixel(row.p); x != row.x || y != row.y || inside != row.inside {
			t.Errorf("%v is pixel %d, %d, inside %v", row.p, x, y, inside)
		}
	}
}

func TestZoomHoldsTheSpotUnderThePointer(t *testing.T) {
	s := newStage(800, 600, 1600, 900)
	p := point{600, 200}
	before := s.at(p)
	for range 6 {
		s.zoomTo(s.zoom*1.7, p)
		after, slack := s.at(p), 0.51/s.scale() // the origin lies on whole device pixels
		if math.Abs(after.x-before.x) > slack || math.Abs(after.y-before.y) > slack {
			t.Fatalf("at scale %v the pointer is over %v, was over %v", s.scale(), after, before)
		}
	}
}

func TestZoomLimits(t *testing.T) {
	s := newStage(800, 600, 1600, 900)
	s.zoomTo(1e9, s.middle())
	if s.scale() != maxScale {
		t.Errorf("largest scale %v", s.scale())
	}
	s.zoomTo(0, s.middle())
	if s.zoom != 0.5 {
		t.Errorf("smallest zoom %v", s.zoom)
	}
	s.zoomTo(math.NaN(), s.middle())
	if s.zoom != 0.5 {
		t.Errorf("zoom after NaN %v", s.zoom)
	}
	small := newStage(800, 600, 8, 6)
	small.actual(small.middle())
	if small.scale() != 1 {
		t.Errorf("actual size of a small picture: scale %v", small.scale())
	}
}

func TestPanStopsAtTheEdges(t *testing.T) {
	s := newStage(800, 600, 1600, 1200)
	s.actual(s.middle())
	s.pan(1e6, -1e6)
	if got := s.origin(); got != (point{0, -600}) {
		t.Errorf("panned to the lower left: origin %v", got)
	}
	s.fit()
	s.pan(100, 100)
	if got := s.origin(); got != (point{0, 0}) {
		t.Errorf("a picture that fits moved to %v", got)
	}
}

func TestResize(t *testing.T) {
	s := newStage(800, 600, 1600, 1200)
	s.resize(400, 300, 1600, 1200)
	if s.zoom != 1 {
		t.Errorf("what fitted has zoom %v", s.zoom)
	}
	s.actual(s.middle())
	s.resize(500, 300, 1600, 1200)
	if s.scale() != 1 {
		t.Errorf("actual size became scale %v", s.scale())
	}
	zoom := s.zoom
	s.resize(500, 300, 800, 600)
	if s.zoom != zoom {
		t.Errorf("another picture is seen at zoom %v, the one before at %v", s.zoom, zoom)
	}
}

func TestFilter(t *testing.T) {
	for _, row := range []struct {
		name  string
		scale float64
		span  float64
		taps  int
	}{
		{"actual size", 1, 1.0 / 64, 1},
		{"bilinear", 1.5, 1, 2},
		{"bilinear to the last", 4, 1, 2},
		{"squares with soft edges", 5.5, 1 / 5.5, 2},
		{"squares on whole pixels", 20, 1.0 / 64, 1},
		{"a little smaller", 0.75, 4.0 / 3, 3},
		{"half", 0.5, 2, 3},
		{"a third", 1.0 / 3, 3, 4},
		{"a twentieth", 0.05, 8, 9},
	} {
		span, taps := filter(row.scale)
		if math.Abs(span-row.span) > 1e-12 || taps != row.taps {
			t.Errorf("%s: span %v with %d taps, want %v with %d", row.name, span, taps, row.span, row.taps)
		}
		// Wherever an area of that span lies, the taps reach to its end, unless it stays within a pixel.
		if taps > 1 && float64(taps) < span+1-1e-9 {
			t.Errorf("%s: %d taps do not cover %v pixels", row.name, taps, span)
		}
	}
}
