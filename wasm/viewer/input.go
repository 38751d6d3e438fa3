//go:build js

package main

import (
	"syscall/js"
	"time"
)

// listen takes the canvas's events before Ebitengine does, which would keep keys such as Tab to
// itself and draw a frame for every move of the pointer.
func (v *viewer) listen() {
	v.canvas.Set("tabIndex", 0)
	v.canvas.Call("setAttribute", "role", "application")
	v.canvas.Call("setAttribute", "aria-label", "Picture")
	style := v.canvas.Get("style")
	style.Set("cursor", "crosshair")

	options := map[string]any{"capture": true, "passive": false}
	for name, f := range map[string]func(js.Value){
		"pointerdown":   v.pointerDown,
		"pointermove":   v.pointerMove,
		"pointerup":     v.pointerUp,
		"pointercancel": v.pointerUp,
		"pointerleave":  v.pointerLeave,
		"wheel":         v.turnWheel,
		"keydown":       v.keyDown,
		"dragenter":     v.dragged,
		"dragover":      v.dragged,
		"dragleave":     v.dragged,
		"drop":          v.dragged,
		"focus": func(js.Value) {
			if v.canvas.Call("matches", ":focus-visible").Bool() {
				style.Set("outline", "2px solid "+css(v.look.accent))
				style.Set("outlineOffset", "-2px")
			}
		},
		"blur":  func(js.Value) { style.Set("outline", "none") },
		"keyup": nil, "mousedown": nil, "mousemove": nil, "mouseup": nil,
		"touchstart": nil, "touchmove": nil, "touchend": nil,
	} {
		v.canvas.Call("addEventListener", name, js.FuncOf(func(_ js.Value, args []js.Value) any {
			args[0].Call("stopImmediatePropagation")
			if f != nil {
				f(args[0])
			}
			return nil
		}), options)
	}
}

// spot returns where an event is on the canvas.
func (v *viewer) spot(e js.Value) point {
	return point{e.Get("clientX").Float() * v.ratio.x, e.Get("clientY").Float() * v.ratio.y}
}

func touch(e js.Value) bool { return e.Get("pointerType").String() == "touch" }

func (v *viewer) pointerDown(e js.Value) {
	if e.Get("button").Int() > 1 {
		return
	}
	v.canvas.Call("setPointerCapture", e.Get("pointerId"))
	p := v.spot(e)
	v.down(e.Get("pointerId").Int(), p, touch(e))
	v.hover(p)
	v.endPress()
	if touch(e) && v.grasp == panning {
		var long js.Func
		long = js.FuncOf(func(js.Value, []js.Value) any {
			long.Release()
			if v.long() {
				v.hovered[2] = -1
				v.hover(p)
			}
			return nil
		})
		v.press = js.Global().Call("setTimeout", long, 450)
	}
	v.point(p, touch(e))
}

func (v *viewer) endPress() {
	if v.press.Truthy() {
		js.Global().Call("clearTimeout", v.press)
		v.press = js.Undefined()
	}
}

func (v *viewer) pointerMove(e js.Value) {
	p, before := v.spot(e), v.split
	if v.move(e.Get("pointerId").Int(), p) {
		if v.split != before {
			v.splitting = true
			v.wake()
		} else {
			v.changedView()
		}
	}
	if v.grasp == free || v.grasp == probing {
		v.hover(p)
	}
	v.point(p, touch(e))
}

func (v *viewer) pointerUp(e js.Value) {
	v.endPress()
	id := e.Get("pointerId").Int()
	if e.Get("type").String() == "pointercancel" {
		v.cancel(id)
	} else if v.up(id, time.Now()) {
		v.changedView()
	}
	v.point(v.spot(e), touch(e))
}

func (v *viewer) pointerLeave(js.Value) {
	if v.grasp == free {
		v.hover(point{-1e6, -1e6})
	}
}

// point gives the cursor the shape of what a press would do.
func (v *viewer) point(p point, touch bool) {
	shape := "crosshair"
	switch {
	case v.grasp == dragging || v.grasp == free && v.onDivider(p, touch):
		shape = "ew-resize"
	case v.grasp == panning && v.moved:
		shape = "grabbing"
	}
	v.canvas.Get("style").Set("cursor", shape)
}

// hover emits the picture pixel at p, where it is another than the last.
func (v *viewer) hover(p point) {
	if v.pw == 0 {
		return
	}
	x, y, inside := v.pixel(p)
	if !inside {
		x, y = -1, -1
	}
	now := [3]int{x, y, int(truth(inside))}
	if now == v.hovered {
		return
	}
	v.hovered = now
	v.emit("pixel", map[string]any{"x": x, "y": y, "inside": inside})
}

func (v *viewer) turnWheel(e js.Value) {
	e.Call("preventDefault")
	way := e.Get("deltaY").Float()
	switch e.Get("deltaMode").Int() {
	case 1: // lines
		way *= 16
	case 2: // pages
		way *= 400
	}
	speed := 1.0 / 400
	if e.Get("ctrlKey").Bool() { // the pinch of a touch pad
		speed = 1.0 / 100
	}
	v.wheel(v.spot(e), min(max(way*speed, -1), 1))
	v.changedView()
}

func (v *viewer) keyDown(e js.Value) {
	name := e.Get("key").String()
	if name == "Tab" {
		return
	}
	plain := !e.Get("ctrlKey").Bool() && !e.Get("altKey").Bool() && !e.Get("metaKey").Bool()
	if plain && v.strike(name, e.Get("shiftKey").Bool()) {
		e.Call("preventDefault")
		return
	}
	v.emit("key", e)
}

// dragged hands what is dragged over the canvas to the page.
func (v *viewer) dragged(e js.Value) {
	e.Call("preventDefault")
	v.emit("drag", e)
}

func css(c [3]float32) string {
	const digits = "0123456789abcdef"
	s := []byte{'#'}
	for _, x := range c {
		s = append(s, digits[code(x)>>4], digits[code(x)&15])
	}
	return string(s)
}
