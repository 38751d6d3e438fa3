//go:build js

package main

import (
	_ "embed"
	"syscall/js"

	"github.com/hajimehoshi/ebiten/v2"
)

//go:embed live.kage
var liveKage []byte

// A live picture is made here from what two cameras send.
type live struct {
	shader   *ebiten.Shader
	uniforms map[string]any
	images   [4]*ebiten.Image // the color and the band plate, and what wasm/engine's graphics gives
	out      *ebiten.Image    // of the color plate's size
	inverse  float64
	bytes    []byte
	drawn    bool // nobody has been told yet
}

// shows are what a live picture can be of, by the numbers that the shader has for them.
var shows = map[string]float32{"sum": 0, "matte": 1, "color": 2, "band": 3}

// setArithmetic takes what live frames are made from: the object that the engine's graphics gives,
// and its two pictures.
func (v *viewer) setArithmetic(args []js.Value) any {
	o := args[0]
	number := func(name string) float64 { return o.Get(name).Float() }
	w, h, bw, bh := int(number("w")), int(number("h")), int(number("band_w")), int(number("band_h"))
	if max(2*w, 2*h, bw, bh) > v.textures() {
		return false
	}
	list := func(name string, from, n int) []float32 {
		out := make([]float32, n)
		for i := range out {
			out[i] = float32(o.Get(name).Index(from + i).Float())
		}
		return out
	}
	l := v.live
	if l == nil {
		l = &live{shader: compile(liveKage)}
		v.live = l
	}
	l.inverse = number("inverse")
	l.uniforms = map[string]any{
		"Size": []float32{float32(w), float32(h), float32(bw), float32(bh)},
		"Row0": list("homography", 0, 3), "Row1": list("homography", 3, 3), "Row2": list("homography", 6, 3),
		"Center": list("center", 0, 2), "Radial": list("radial", 0, 2), "Unit": float32(4 / float64(w*w+h*h)), "Mirror": truth(o.Get("mirror").Bool()),
		"Crosstalk": list("crosstalk", 0, 3), "Weights": list("weights", 0, 3),
	}
	for i, size := range [4][2]int{{w, h}, {bw, bh}, {2 * w, 2 * h}, {2 * w, h + 1}} {
		if l.images[i] != nil {
			l.images[i].Deallocate()
		}
		l.images[i] = newImage(size[0], size[1])
	}
	if l.out != nil {
		l.out.Deallocate()
	}
	l.out = newImage(w, h)
	return l.write(2, args[1]) && l.write(3, args[2])
}

// write brings bytes of the page's to an image, and reports whether they are as many as it has.
func (l *live) write(i int, from js.Value) bool {
	n := 4 * l.images[i].Bounds().Dx() * l.images[i].Bounds().Dy()
	if from.Length() != n {
		return false
	}
	l.bytes = taken(l.bytes, from)
	l.images[i].WritePixels(l.bytes)
	return true
}

// setFrame takes a pair of plates, four bytes a pixel, the lamps' gain in them, and what is shown.
func (v *viewer) setFrame(args []js.Value) any {
	l := v.live
	if l == nil || !l.write(0, args[0]) || !l.write(1, args[1]) {
		return false
	}
	gain := args[2].Float()
	l.uniforms["Gain"], l.uniforms["Inverse"], l.uniforms["Show"] = float32(gain), float32(l.inverse/gain), shows[args[3].String()]
	w, h := l.out.Bounds().Dx(), l.out.Bounds().Dy()
	quad(l.out, l.shader, &ebiten.DrawTrianglesShaderOptions{Blend: ebiten.BlendCopy, Uniforms: l.uniforms, Images: l.images},
		point{0, 0}, point{float64(w), float64(h)}, func(q point) point { return q })
	l.drawn = true
	v.wake()
	return true
}

// show draws the live picture as large as the canvas has room for it.
func (l *live) show(screen ebiten.FinalScreen) {
	w, h := screen.Bounds().Dx(), screen.Bounds().Dy()
	s := min(float64(w)/float64(l.out.Bounds().Dx()), float64(h)/float64(l.out.Bounds().Dy()))
	o := &ebiten.DrawImageOptions{Filter: ebiten.FilterLinear}
	o.GeoM.Scale(s, s)
	o.GeoM.Translate((float64(w)-s*float64(l.out.Bounds().Dx()))/2, (float64(h)-s*float64(l.out.Bounds().Dy()))/2)
	screen.DrawImage(l.out, o)
}
