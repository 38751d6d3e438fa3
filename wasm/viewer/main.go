//go:build js

// Command viewer is the playground's canvas: it shows pictures of 16 bits a value, and compares two
// with a divider. It only looks; every number it shows was made elsewhere. The page runs it in a
// frame of its own and talks to it by the object twinplateViewer that it puts into that frame's
// window (see api.go).
//
//	GOOS=js GOARCH=wasm go build -trimpath -ldflags="-s -w" -o viewer.wasm ./wasm/viewer
package main

import (
	"syscall/js"
	"time"

	"github.com/hajimehoshi/ebiten/v2"
)

// A viewer is the whole program's state. All of it is used from the browser's one thread.
type viewer struct {
	stage
	look     look
	pictures [2]picture
	paint    painter
	uniforms map[string]any
	live     *live // nil: pictures are given

	canvas    js.Value
	ratio     point // device pixels in a client pixel
	limit     int   // the largest picture width and height
	listeners map[string][]js.Value
	snapshots []js.Value // functions that wait for the next frame's pixels
	hovered   [3]int     // the pixel under the pointer that listeners heard of last
	press     js.Value   // the timer of a long press

	software    bool   // software plays a graphics processor, as the page tells
	coarse      coarse // the canvas by the processor
	canvasImage *ebiten.Image

	woken    time.Time     // when the frame that is on its way was asked for
	late     time.Duration // how long frames take to come, on average
	draft    bool          // this frame's reduced pictures are averaged coarsely
	fine     bool          // the next frame is no draft
	settle   js.Func       // asks for a fine frame
	settling js.Value      // its timer

	ready     bool
	dirty     bool // a frame is on its way
	viewMoved bool
	splitting bool // the divider moved
}

func main() {
	v := &viewer{
		look:      newLook(),
		uniforms:  map[string]any{},
		listeners: map[string][]js.Value{},
		dirty:     true,
	}
	v.zoom, v.center, v.unit, v.split = 1, point{0.5, 0.5}, 1, 0.5
	v.hovered[2] = -1

	// Ebitengine has put its canvas into the page by now, and takes the context that the canvas
	// has. Multisampling and a stencil would only cost: what is drawn is rectangles on whole
	// pixels.
	v.canvas = js.Global().Get("document").Call("querySelector", "canvas")
	v.canvas.Call("getContext", "webgl2", map[string]any{"alpha": false, "antialias": false, "depth": false, "stencil": false})

	v.settle = js.FuncOf(func(js.Value, []js.Value) any {
		v.settling = js.Undefined()
		v.wake()
		v.fine = true
		return nil
	})
	ebiten.SetTPS(ebiten.SyncWithFPS)
	err := ebiten.RunGameWithOptions(v, &ebiten.RunGameOptions{
		InitUnfocused:     true,
		ScreenTransparent: true,
		DisableHiDPI:      true, // the frame's script gives the canvas its size in device pixels
		ColorSpace:        ebiten.ColorSpaceSRGB,
	})
	if err != nil {
		announce("twinplate-viewer-failed", err.Error())
	}
}

// Update opens the viewer to the page in the first frame, when there is a canvas.
func (v *viewer) Update() error {
	if !v.ready {
		v.ready = true
		v.open()
		v.woken = time.Now() // starting is not being late
	}
	return nil
}

// Draw has nothing to draw: DrawFinalScreen draws on the screen itself, and Layout keeps the image
// between small.
func (v *viewer) Draw(*ebiten.Image) {}

// Layout implements ebiten.Game.
func (v *viewer) Layout(w, h int) (int, int) { return 1, 1 }

// DrawFinalScreen draws a frame, and tells the page what has changed.
func (v *viewer) DrawFinalScreen(screen ebiten.FinalScreen, _ *ebiten.Image, _ ebiten.GeoM) {
	v.hurry()
	v.dirty = false
	v.measure(screen.Bounds().Dx(), screen.Bounds().Dy())
	if v.live == nil {
		v.show(screen)
	} else {
		v.live.show(screen)
	}
	v.answer()
	v.tell()
}

// measure takes in the sizes of the canvas and of the picture that leads: side 0's, or side 1's
// alone.
func (v *viewer) measure(w, h int) {
	lead := &v.pictures[0]
	if lead.w == 0 {
		lead = &v.pictures[1]
	}
	if w == v.cw && h == v.ch && lead.w == v.pw && lead.h == v.ph {
		return
	}
	box := v.canvas.Call("getBoundingClientRect")
	v.ratio = point{float64(w) / max(box.Get("width").Float(), 1), float64(h) / max(box.Get("height").Float(), 1)}
	v.unit = v.ratio.x
	v.resize(w, h, lead.w, lead.h)
	v.viewMoved = true
}

// answer gives the frame's pixels to those who asked for them.
func (v *viewer) answer() {
	if len(v.snapshots) == 0 {
		return
	}
	var img *ebiten.Image
	if v.live != nil {
		img = v.live.out
	} else {
		img = newImage(v.cw, v.ch)
		defer img.Deallocate()
		v.draft = false
		v.draw(img)
	}
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	pix := make([]byte, 4*w*h)
	img.ReadPixels(pix)
	for _, resolve := range v.snapshots {
		rgba := js.Global().Get("Uint8ClampedArray").New(len(pix))
		js.CopyBytesToJS(rgba, pix)
		resolve.Invoke(map[string]any{"w": w, "h": h, "rgba": rgba})
	}
	v.snapshots = nil
}

// hurry makes drafts while something moves and frames come late, or software draws them, and asks
// for a fine frame when all is still.
func (v *viewer) hurry() {
	const (
		tooLate = 40 * time.Millisecond // from asking for a frame to drawing it, on average
		still   = 200                   // milliseconds
	)
	if v.dirty {
		v.late += (time.Since(v.woken) - v.late) / 4
	}
	v.draft = (v.late > tooLate || v.software) && !v.fine
	v.fine = false
	if v.draft {
		v.settling = js.Global().Call("setTimeout", v.settle, still)
	}
}

// wake asks for a frame. The frame's script keeps Ebitengine asleep otherwise.
func (v *viewer) wake() {
	if v.dirty {
		return
	}
	v.dirty, v.woken = true, time.Now()
	if v.settling.Truthy() {
		js.Global().Call("clearTimeout", v.settling)
		v.settling = js.Undefined()
	}
	if f := js.Global().Get("twinplateViewerWake"); f.Truthy() {
		f.Invoke()
	}
}
