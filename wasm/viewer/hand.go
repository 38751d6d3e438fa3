package main

import (
	"math"
	"slices"
	"time"
)

const (
	touchReach = 22.0 // CSS pixels: half of a target that a finger hits
	mouseReach = 7.0
	tapSlack   = 6.0 // a pointer that moves less has not moved
	doubleGap  = 350 * time.Millisecond
	keyStep    = 1.25 // the zoom of one key press
	splitStep  = 0.01 // the divider's way for one key press, of the picture's width
)

// A grasp is what the pointers that are down are doing.
type grasp int

const (
	free     grasp = iota
	panning        // one pointer moves the picture
	dragging       // one pointer moves the divider
	probing        // a long press: one finger reads pixels
	pinching       // two fingers zoom and move the picture
)

type finger struct {
	id int
	at point
}

// A stage is the view with its divider, and the hands on it: what pointers, wheel and keys do to
// both. Positions are canvas positions in device pixels; unit is the number of device pixels in a
// CSS pixel.
type stage struct {
	view
	unit float64

	divided bool
	split   float64 // the divider's place, 0 to 1 of the picture's width

	grasp   grasp
	fingers []finger
	start   point // where the first pointer went down
	moved   bool
	offset  float64 // from the pointer to the divider

	tapped  time.Time // the last tap
	tapSpot point
}

// line returns the divider's place on the canvas, rounded to a device pixel.
func (s *stage) line() float64 {
	return s.origin().x + math.Round(s.split*s.size().x)
}

// visible returns the top and the bottom of the part of the picture that is on the canvas.
func (s *stage) visible() (top, bottom float64) {
	o := s.origin()
	return max(o.y, 0), min(o.y+s.size().y, float64(s.ch))
}

// grip returns the middle of the divider's grip. It stays on the canvas when the divider is out of
// sight.
func (s *stage) grip() point {
	reach := touchReach * s.unit
	top, bottom := s.visible()
	return point{
		max(reach, min(s.line(), float64(s.cw)-reach)),
		max(reach, min(top+0.84*(bottom-top), float64(s.ch)-reach)),
	}
}

// onDivider reports whether a pointer at p takes hold of the divider.
func (s *stage) onDivider(p point, touch bool) bool {
	if !s.divided {
		return false
	}
	reach := mouseReach
	if touch {
		reach = touchReach
	}
	g := s.grip()
	top, bottom := s.visible()
	return math.Hypot(p.x-g.x, p.y-g.y) <= touchReach*s.unit ||
		math.Abs(p.x-s.line()) <= reach*s.unit && p.y >= top && p.y <= bottom
}

// down is a pointer put down.
func (s *stage) down(id int, p point, touch bool) {
	s.lift(id)
	s.fingers = append(s.fingers, finger{id, p})
	switch {
	case len(s.fingers) > 2:
		s.fingers = s.fingers[:2]
	case len(s.fingers) == 2:
		s.grasp, s.moved = pinching, true
	case s.onDivider(p, touch):
		s.grasp, s.start, s.moved = dragging, p, false
		s.offset = s.line() - p.x
		if math.Abs(s.offset) > touchReach*s.unit { // held by the grip of a divider that is out of sight
			s.offset = 0
		}
	default:
		s.grasp, s.start, s.moved = panning, p, false
	}
}

// long turns a press that has not moved into reading pixels, and reports whether it did.
func (s *stage) long() bool {
	if s.grasp != panning || s.moved {
		return false
	}
	s.grasp, s.moved = probing, true
	return true
}

// move is a pointer that moves while it is down. It reports whether the view or the divider
// changed.
func (s *stage) move(id int, p point) bool {
	i := s.find(id)
	if i < 0 {
		return false
	}
	before := s.fingers[i].at
	if !s.moved && math.Hypot(p.x-s.start.x, p.y-s.start.y) < tapSlack*s.unit {
		return false
	}
	s.moved = true
	switch s.grasp {
	case dragging:
		s.fingers[i].at = p
		return s.divide(p.x + s.offset)
	case panning:
		s.fingers[i].at = p
		s.pan(p.x-before.x, p.y-before.y)
		return true
	case pinching:
		a, b := s.fingers[0].at, s.fingers[1].at
		s.fingers[i].at = p
		c, d := s.fingers[0].at, s.fingers[1].at
		from, to := math.Hypot(b.x-a.x, b.y-a.y), math.Hypot(d.x-c.x, d.y-c.y)
		if from > 0 && to > 0 {
			s.zoomTo(s.zoom*to/from, point{(a.x + b.x) / 2, (a.y + b.y) / 2})
		}
		s.pan((c.x+d.x-a.x-b.x)/2, (c.y+d.y-a.y-b.y)/2)
		return true
	}
	s.fingers[i].at = p
	return false
}

// up is a pointer lifted at a time. Two taps in one place toggle between the whole picture and its
// actual size; up reports whether they did.
func (s *stage) up(id int, at time.Time) bool {
	i := s.find(id)
	if i < 0 {
		return false
	}
	s.lift(id)
	tap := s.grasp == panning && !s.moved
	if len(s.fingers) == 1 { // the finger that is left goes on moving the picture
		s.grasp, s.start, s.moved = panning, s.fingers[0].at, true
		return false
	}
	s.grasp = free
	if !tap {
		s.tapped = time.Time{}
		return false
	}
	near := math.Hypot(s.start.x-s.tapSpot.x, s.start.y-s.tapSpot.y) <= touchReach*s.unit
	if at.Sub(s.tapped) > doubleGap || !near {
		s.tapped, s.tapSpot = at, s.start
		return false
	}
	s.tapped = time.Time{}
	s.toggle(s.start)
	return true
}

// cancel forgets a pointer that the browser took away.
func (s *stage) cancel(id int) {
	s.lift(id)
	if len(s.fingers) == 0 {
		s.grasp = free
	} else {
		s.grasp = panning
	}
}

// wheel zooms about p by a wheel's way in CSS pixels, down to zoom out.
func (s *stage) wheel(p point, way float64) {
	s.zoomTo(s.zoom*math.Exp(-way), p)
}

// toggle goes from the whole picture to its actual size about p, and from anything else to the
// whole picture.
func (s *stage) toggle(p point) {
	if s.zoom == 1 {
		s.actual(p)
	} else {
		s.fit()
	}
}

// divide puts the divider at a canvas position, and reports whether that moved it.
func (s *stage) divide(x float64) bool {
	before := s.split
	s.split = min(max((x-s.origin().x)/max(s.size().x, 1), 0), 1)
	return s.split != before
}

// key does what a key does, by its name in the UI Events specification, and reports whether it does
// anything. Arrows move a picture that is larger than the canvas and, with shift, the divider.
func (s *stage) key(name string, shift bool) bool {
	wide, high := s.overflows()
	step := float64(min(s.cw, s.ch)) / 8
	switch {
	case name == "+" || name == "=":
		s.zoomTo(s.zoom*keyStep, s.middle())
	case name == "-" || name == "_":
		s.zoomTo(s.zoom/keyStep, s.middle())
	case name == "0":
		s.fit()
	case name == "ArrowLeft" && shift && s.divided:
		s.split = max(s.split-splitStep, 0)
	case name == "ArrowRight" && shift && s.divided:
		s.split = min(s.split+splitStep, 1)
	case name == "ArrowLeft" && !shift && wide:
		s.pan(step, 0)
	case name == "ArrowRight" && !shift && wide:
		s.pan(-step, 0)
	case name == "ArrowUp" && !shift && high:
		s.pan(0, step)
	case name == "ArrowDown" && !shift && high:
		s.pan(0, -step)
	default:
		return false
	}
	return true
}

func (s *stage) find(id int) int {
	return slices.IndexFunc(s.fingers, func(f finger) bool { return f.id == id })
}

func (s *stage) lift(id int) {
	s.fingers = slices.DeleteFunc(s.fingers, func(f finger) bool { return f.id == id })
}
