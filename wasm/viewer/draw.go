//go:build js

package main

import (
	_ "embed"
	"image"
	"image/color"
	"strconv"
	"strings"

	"github.com/hajimehoshi/ebiten/v2"
)

//go:embed picture.kage
var pictureKage string

//go:embed divider.kage
var dividerKage []byte

const checkSize = 10 // CSS pixels of a field of the checker

// A picture is one side's pixels, and their two textures. A changed picture is uploaded with the
// next frame.
type picture struct {
	w, h    int // 0 where there is no picture
	bytes   [2][]byte
	images  [2]*ebiten.Image
	changed bool
}

// upload brings the textures up to date.
func (p *picture) upload() {
	if !p.changed {
		return
	}
	p.changed = false
	for i, img := range p.images {
		if img != nil && (img.Bounds().Dx() != p.w || img.Bounds().Dy() != p.h) {
			img.Deallocate()
			img = nil
		}
		if p.w > 0 {
			if img == nil {
				img = newImage(p.w, p.h)
			}
			img.WritePixels(p.bytes[i][:4*p.w*p.h])
		}
		p.images[i] = img
	}
}

func newImage(w, h int) *ebiten.Image {
	size := ebiten.NewImageOptions{Unmanaged: true}
	return ebiten.NewImageWithOptions(image.Rect(0, 0, w, h), &size)
}

// A target is what can be drawn on: the screen, or an image that is read back.
type target interface {
	Fill(color.Color)
	DrawTrianglesShader([]ebiten.Vertex, []uint16, *ebiten.Shader, *ebiten.DrawTrianglesShaderOptions)
}

// A painter holds the shaders, compiled when they are first used.
type painter struct {
	byTaps  [int(widestStep) + 2]*ebiten.Shader
	divider *ebiten.Shader
}

func compile(source []byte) *ebiten.Shader {
	s, err := ebiten.NewShader(source)
	if err != nil {
		panic(err) // the source is ours
	}
	return s
}

func (p *painter) picture(taps int) *ebiten.Shader {
	if p.byTaps[taps] == nil {
		p.byTaps[taps] = compile([]byte(strings.Replace(pictureKage, "taps = 2", "taps = "+strconv.Itoa(taps), 1)))
	}
	return p.byTaps[taps]
}

// show draws the whole canvas, by the processor where that is quicker and coarse will do.
func (v *viewer) show(screen ebiten.FinalScreen) {
	if !v.coarsely() {
		v.draw(screen)
		return
	}
	v.coarse.prepare(v.cw, v.ch, v.look.surround)
	v.sides(func(side int, left, right float64) {
		p := &v.pictures[side]
		pick, mono, curve := v.look.pick(side)
		g := v.look.ground()
		v.coarse.draw(&patch{
			w: p.w, h: p.h, hi: p.bytes[0], lo: p.bytes[1],
			origin: v.origin(), pace: v.pace(p), left: left, right: right,
			gain: v.look.gain(), pick: pick, mono: mono == 1, curve: int(curve), ground: [2][3]float32{{g[0], g[1], g[2]}, {g[3], g[4], g[5]}}, check: checkSize * v.unit,
		})
	})
	if v.canvasImage == nil || v.canvasImage.Bounds().Dx() != v.cw || v.canvasImage.Bounds().Dy() != v.ch {
		if v.canvasImage != nil {
			v.canvasImage.Deallocate()
		}
		v.canvasImage = newImage(v.cw, v.ch)
	}
	v.canvasImage.WritePixels(v.coarse.pix)
	screen.DrawImage(v.canvasImage, &ebiten.DrawImageOptions{Blend: ebiten.BlendCopy})
	if v.divided && v.pw > 0 {
		v.drawDivider(screen)
	}
}

// coarsely reports whether this frame is drawn by the processor.
func (v *viewer) coarsely() bool {
	return v.software && v.draft && !v.look.clip && v.scale() < gridFrom && v.cw > 0 && v.ch > 0
}

// sides calls each with the pictures that there are and the columns of the canvas that they take.
func (v *viewer) sides(each func(side int, left, right float64)) {
	if v.pw == 0 {
		return
	}
	left := v.origin().x
	right := left + v.size().x
	middle := right
	if v.divided {
		middle = v.line()
	}
	for side, ends := range [2][2]float64{{left, middle}, {middle, right}} {
		if v.pictures[side].w > 0 && ends[1] > ends[0] {
			each(side, ends[0], ends[1])
		}
	}
}

// pace returns how many pixels of a picture lie from one device pixel to the next. The other side's
// picture may be of another size.
func (v *viewer) pace(p *picture) point {
	scale := v.scale()
	return point{float64(p.w) / (float64(v.pw) * scale), float64(p.h) / (float64(v.ph) * scale)}
}

// draw draws the whole canvas by shaders.
func (v *viewer) draw(dst target) {
	v.pictures[0].upload()
	v.pictures[1].upload()
	c := v.look.surround
	dst.Fill(color.NRGBA{code(c[0]), code(c[1]), code(c[2]), 255})
	v.sides(func(side int, left, right float64) { v.drawSide(dst, side, left, right) })
	if v.divided && v.pw > 0 {
		v.drawDivider(dst)
	}
}

// drawSide draws a side's picture between two columns of the canvas.
func (v *viewer) drawSide(dst target, side int, left, right float64) {
	p := &v.pictures[side]
	o, height, scale := v.origin(), v.size().y, v.scale()
	pace := v.pace(p)
	spanX, tapsX := filter(1 / pace.x)
	spanY, tapsY := filter(1 / pace.y)
	if v.draft {
		spanX, tapsX = min(spanX, 1), min(tapsX, 2)
		spanY, tapsY = min(spanY, 1), min(tapsY, 2)
	}

	var grid float32
	if scale >= gridFrom {
		grid = 0.2
	}
	pick, mono, curve := v.look.pick(side)
	ground := v.look.ground()
	unit := float32(v.unit)
	u := v.uniforms
	u["Pace"] = []float32{float32(pace.x), float32(pace.y)}
	u["Span"] = []float32{float32(spanX), float32(spanY)}
	u["Gain"] = v.look.gain()
	u["Pick"] = pick[:]
	u["Mono"] = mono
	u["Curve"] = curve
	u["Ground"] = ground[:]
	u["Check"] = checkSize * unit
	u["Clip"] = truth(v.look.clip)
	u["Hatch"] = 8 * unit
	u["Grid"] = grid

	quad(dst, v.paint.picture(max(tapsX, tapsY)), &ebiten.DrawTrianglesShaderOptions{
		Blend:    ebiten.BlendCopy,
		Uniforms: u,
		Images:   [4]*ebiten.Image{p.images[0], p.images[1]},
	}, point{left, o.y}, point{right, o.y + height}, func(q point) point {
		return point{(q.x - o.x) * pace.x, (q.y - o.y) * pace.y}
	})
}

func (v *viewer) drawDivider(dst target) {
	if v.paint.divider == nil {
		v.paint.divider = compile(dividerKage)
	}
	line, grip, reach := v.line(), v.grip(), touchReach*v.unit
	top, bottom := v.visible()
	quad(dst, v.paint.divider, &ebiten.DrawTrianglesShaderOptions{
		Uniforms: map[string]any{
			"Line":   []float32{float32(line), float32(top), float32(bottom)},
			"Grip":   []float32{float32(grip.x), float32(grip.y)},
			"Unit":   float32(v.unit),
			"Accent": v.look.accent[:],
		},
	}, point{min(line, grip.x) - reach, min(top, grip.y-reach)}, point{max(line, grip.x) + reach, max(bottom, grip.y+reach)},
		func(q point) point { return q })
}

// quad draws a rectangle of the canvas; source gives the source position of a canvas position.
func quad(dst target, s *ebiten.Shader, options *ebiten.DrawTrianglesShaderOptions, min, max point, source func(point) point) {
	var corners [4]ebiten.Vertex
	for i, p := range [4]point{min, {max.x, min.y}, {min.x, max.y}, max} {
		q := source(p)
		corners[i] = ebiten.Vertex{
			DstX: float32(p.x), DstY: float32(p.y),
			SrcX: float32(q.x), SrcY: float32(q.y),
			ColorR: 1, ColorG: 1, ColorB: 1, ColorA: 1,
		}
	}
	dst.DrawTrianglesShader(corners[:], []uint16{0, 1, 2, 1, 2, 3}, s, options)
}

func truth(b bool) float32 {
	if b {
		return 1
	}
	return 0
}
