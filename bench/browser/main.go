//go:build js

// Command browser is this project's side of the benchmark in the browser: one frame, resampled, solved and
// composited, on one worker. See bench_test.go.
package main

import (
	"encoding/binary"
	"math"
	"syscall/js"

	"example.com/twinplate/align"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// main gives the worker one function, ours({w, h, homography, crosstalk, color, band, clean, background}), which takes
// planes as Uint8Arrays over float32 values and returns {run, at}: run does the frame once, and at(x, y) gives the
// transmission and the composite of a pixel.
func main() {
	js.Global().Set("ours", js.FuncOf(func(_ js.Value, args []js.Value) any {
		work := args[0]
		w, h := work.Get("w").Int(), work.Get("h").Int()
		color, background := plate.NewRGB(w, h), plate.NewRGB(w, h)
		band, clean := plate.NewGray(w, h), plate.NewGray(w, h)
		for c := range 3 {
			floats(color.Pix[c], work.Get("color").Index(c))
			floats(background.Pix[c], work.Get("background").Index(c))
		}
		floats(band.Pix, work.Get("band"))
		floats(clean.Pix, work.Get("clean"))
		g := align.Identity(w, h)
		for i := range g.Homography {
			g.Homography[i] = work.Get("homography").Index(i).Float()
		}
		var m [3]float64
		for i := range m {
			m[i] = work.Get("crosstalk").Index(i).Float()
		}
		solver, err := matte.NewSolver(w, h, matte.References{CleanBand: clean}, &matte.SolverOptions{Crosstalk: m})
		if err != nil {
			panic(err)
		}
		chain, err := take.NewChain(align.NewResampler(g), solver)
		if err != nil {
			panic(err)
		}
		out, t := plate.NewRGB(w, h), plate.NewGray(w, h)
		return map[string]any{
			"run": js.FuncOf(func(js.Value, []js.Value) any {
				if err := chain.Comp(out, t, color, band, background, 1); err != nil {
					panic(err)
				}
				return nil
			}),
			"at": js.FuncOf(func(_ js.Value, args []js.Value) any {
				i := args[1].Int()*w + args[0].Int()
				return []any{t.Pix[i], out.Pix[0][i], out.Pix[1][i], out.Pix[2][i]}
			}),
		}
	}))
	js.Global().Call("oursReady")
	select {}
}

// floats copies float32 values, the lowest byte first, into dst.
func floats(dst []float32, from js.Value) {
	bytes := make([]byte, 4*len(dst))
	js.CopyBytesToGo(bytes, from)
	for i := range dst {
		dst[i] = math.Float32frombits(binary.LittleEndian.Uint32(bytes[4*i:]))
	}
}
