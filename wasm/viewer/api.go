//go:build js

package main

import (
	"math"
	"slices"
	"syscall/js"
)

const (
	largest    = 4096   // the largest picture width and height, where the graphics system has it
	maxTexture = 0x0D33 // MAX_TEXTURE_SIZE
)

// open puts the object twinplateViewer into the frame's window, takes hold of the canvas, and
// announces the event twinplate-viewer-ready at the window and at the frame's element in the page
// around it. When the browser loses its graphics context the frame loads anew and announces itself
// again: the page then gives it its pictures again.
//
//	picture(side, w, h, hi, lo)  shows a picture on side 0 or 1; false where it cannot (sizes over
//	                             4096, or over what the graphics system has; lengths that do not
//	                             fit). hi and lo are the high and low bytes of w*h*4 half floats:
//	                             linear light, premultiplied RGBA. They are copied.
//	clear(side)                  takes it away
//	look({...})                  merges into how pictures are shown, and returns the whole: exposure
//	                             (stops), channel "rgb", "r", "g", "b", "alpha", "luminance", under
//	                             "black", "gray", "checker", "color", underColor [r, g, b], surround
//	                             and accent likewise (sRGB, 0 to 1), gray and matte [side 0, side
//	                             1], clip; and software, true where that plays a graphics
//	                             processor: then pictures that follow each other are drawn coarsely
//	divider(x)                   puts the divider at x, 0 to 1 of the picture's width; null takes it
//	                             away. Without an argument nothing moves. Returns x or null
//	view({zoom, x, y})           sets what is seen: zoom 1 fits, (x, y) of the picture, 0 to 1, is in
//	                             the middle. Returns {zoom, percent, x, y}; percent is of device
//	                             pixels
//	fit(), actual()              the whole picture; a picture pixel on a device pixel
//	arithmetic(numbers, hold, back)  has pictures of cameras made here from now on, from what the
//	                             engine's graphics gives; false where it cannot
//	frame(color, band, gain, show)  makes one from the plates, 4 bytes a pixel, and shows "sum",
//	                             "matte", "color" or "band"; false where they are of another size
//	key(name, shift)             does what a key does on the canvas; false where it does nothing
//	label(text)                  names the canvas for those who do not see it
//	snapshot()                   promises {w, h, rgba}: the canvas, of the next frame; of a picture
//	                             that is made here that picture, in its own size
//	limit                        the largest width and height
//	on(name, f)                  calls f at "drawn" of a frame, and at "pixel" {x, y, inside},
//	                             "view", "divider" {x}, and with the browser's own event at "key"
//	                             (keys that the canvas has no use for) and "drag" (dragenter,
//	                             dragover, dragleave, drop)
func (v *viewer) open() {
	v.limit = min(largest, v.textures())
	v.measure(v.canvas.Get("width").Int(), v.canvas.Get("height").Int())
	api := js.Global().Get("Object").New()
	for name, f := range map[string]func([]js.Value) any{
		"picture": v.setPicture,
		"clear": func(args []js.Value) any {
			if p := v.side(args); p != nil {
				p.w, p.h, p.bytes, p.changed = 0, 0, [2][]byte{}, true
				v.measure(v.cw, v.ch)
				v.wake()
			}
			return nil
		},
		"look":       v.setLook,
		"arithmetic": v.setArithmetic,
		"frame":      v.setFrame,
		"divider":    v.setDivider,
		"view":       v.setView,
		"fit": func([]js.Value) any {
			v.fit()
			return v.changedView()
		},
		"actual": func([]js.Value) any {
			v.actual(v.middle())
			return v.changedView()
		},
		"key": func(args []js.Value) any {
			return v.strike(args[0].String(), len(args) > 1 && args[1].Truthy())
		},
		"label": func(args []js.Value) any {
			v.canvas.Call("setAttribute", "aria-label", args[0])
			return nil
		},
		"snapshot": func([]js.Value) any {
			var settle js.Func
			settle = js.FuncOf(func(_ js.Value, args []js.Value) any {
				v.snapshots = append(v.snapshots, args[0])
				settle.Release()
				return nil
			})
			v.wake()
			return js.Global().Get("Promise").New(settle)
		},
		"on": func(args []js.Value) any {
			name := args[0].String()
			v.listeners[name] = append(v.listeners[name], args[1])
			return nil
		},
	} {
		api.Set(name, js.FuncOf(func(_ js.Value, args []js.Value) (result any) {
			defer func() { // a wrong argument does not end the viewer
				if wrong := recover(); wrong != nil {
					js.Global().Get("console").Call("error", "twinplateViewer."+name+": wrong arguments")
				}
			}()
			return f(args)
		}))
	}
	api.Set("limit", v.limit)
	js.Global().Set("twinplateViewer", api)
	v.listen()
	announce("twinplate-viewer-ready", "")
}

// textures returns the largest width and height that the graphics system has.
func (v *viewer) textures() int {
	return v.canvas.Call("getContext", "webgl2").Call("getParameter", maxTexture).Int()
}

// announce dispatches an event at the window and at the frame's element.
func announce(name, detail string) {
	for _, at := range []js.Value{js.Global(), js.Global().Get("frameElement")} {
		if at.Truthy() {
			at.Call("dispatchEvent", js.Global().Get("CustomEvent").New(name, map[string]any{"detail": detail}))
		}
	}
}

func (v *viewer) side(args []js.Value) *picture {
	if len(args) > 0 && args[0].Type() == js.TypeNumber {
		if i := args[0].Int(); i == 0 || i == 1 {
			return &v.pictures[i]
		}
	}
	return nil
}

func (v *viewer) setPicture(args []js.Value) any {
	p := v.side(args)
	if p == nil || len(args) < 5 {
		return false
	}
	w, h := args[1].Int(), args[2].Int()
	if w < 1 || h < 1 || w > v.limit || h > v.limit {
		return false
	}
	n := 4 * w * h
	if args[3].Length() != n || args[4].Length() != n {
		return false
	}
	for i := range p.bytes {
		p.bytes[i] = taken(p.bytes[i], args[3+i])
	}
	p.w, p.h, p.changed = w, h, true
	v.measure(v.cw, v.ch) // so that a view can be set at once
	v.wake()
	return true
}

// taken returns the bytes of an array of the page's, in dst where they have room there.
func taken(dst []byte, from js.Value) []byte {
	n := from.Length()
	dst = slices.Grow(dst[:0], n)[:n]
	// A view of this window's own kind: the page's arrays are of another.
	js.CopyBytesToGo(dst, js.Global().Get("Uint8Array").New(from.Get("buffer"), from.Get("byteOffset"), n))
	return dst
}

func (v *viewer) setLook(args []js.Value) any {
	l := &v.look
	if len(args) > 0 && args[0].Type() == js.TypeObject {
		o := args[0]
		set(o, "exposure", js.TypeNumber, func(x js.Value) { l.exposure = x.Float() })
		set(o, "channel", js.TypeString, func(x js.Value) { l.channel = x.String() })
		set(o, "under", js.TypeString, func(x js.Value) { l.under = x.String() })
		set(o, "clip", js.TypeBoolean, func(x js.Value) { l.clip = x.Bool() })
		set(o, "software", js.TypeBoolean, func(x js.Value) { v.software = x.Bool() })
		for name, c := range map[string]*[3]float32{
			"underColor": &l.underColor, "surround": &l.surround, "accent": &l.accent,
		} {
			set(o, name, js.TypeObject, func(x js.Value) {
				for i := range c {
					c[i] = float32(x.Index(i).Float())
				}
			})
		}
		for name, b := range map[string]*[2]bool{"gray": &l.gray, "matte": &l.matte} {
			set(o, name, js.TypeObject, func(x js.Value) { b[0], b[1] = x.Index(0).Truthy(), x.Index(1).Truthy() })
		}
		v.wake()
	}
	return map[string]any{
		"exposure": l.exposure, "channel": l.channel, "under": l.under, "clip": l.clip,
		"underColor": triple(l.underColor), "surround": triple(l.surround), "accent": triple(l.accent),
		"software": v.software,
		"gray":     []any{l.gray[0], l.gray[1]}, "matte": []any{l.matte[0], l.matte[1]},
	}
}

// set calls f with a field of the type wanted.
func set(o js.Value, name string, t js.Type, f func(js.Value)) {
	if x := o.Get(name); x.Type() == t {
		f(x)
	}
}

func triple(c [3]float32) []any { return []any{c[0], c[1], c[2]} }

func (v *viewer) setDivider(args []js.Value) any {
	if len(args) > 0 {
		v.divided = args[0].Type() == js.TypeNumber
		if v.divided {
			v.split = min(max(args[0].Float(), 0), 1)
		}
		v.wake()
	}
	if !v.divided {
		return nil
	}
	return v.split
}

func (v *viewer) setView(args []js.Value) any {
	if len(args) > 0 && args[0].Type() == js.TypeObject {
		center := v.center
		set(args[0], "x", js.TypeNumber, func(x js.Value) { center.x = x.Float() })
		set(args[0], "y", js.TypeNumber, func(x js.Value) { center.y = x.Float() })
		set(args[0], "zoom", js.TypeNumber, func(x js.Value) { v.zoomTo(x.Float(), v.middle()) })
		v.lookAt(center)
		v.changedView()
	}
	return v.seen()
}

// seen describes the view for the page.
func (v *viewer) seen() map[string]any {
	return map[string]any{
		"zoom": v.zoom, "percent": math.Round(v.scale()*1e4) / 100, "x": v.center.x, "y": v.center.y,
	}
}

func (v *viewer) changedView() any {
	v.viewMoved = true
	v.wake()
	return nil
}

// strike does what a key does.
func (v *viewer) strike(name string, shift bool) bool {
	before := v.split
	if !v.key(name, shift) {
		return false
	}
	if v.split != before {
		v.splitting = true
	}
	v.changedView()
	return true
}

// tell calls the listeners of what a frame has changed.
func (v *viewer) tell() {
	if v.viewMoved {
		v.viewMoved = false
		_, high := v.overflows()
		touch := "none"
		if !high {
			touch = "pan-y" // the page may be scrolled by a finger on a picture that has nothing to show by moving
		}
		v.canvas.Get("style").Set("touchAction", touch)
		v.emit("view", v.seen())
	}
	if v.live != nil && v.live.drawn {
		v.live.drawn = false
		v.emit("drawn", nil)
	}
	if v.splitting {
		v.splitting = false
		v.emit("divider", map[string]any{"x": v.split})
	}
}

func (v *viewer) emit(name string, value any) {
	for _, f := range v.listeners[name] {
		f.Invoke(value)
	}
}
