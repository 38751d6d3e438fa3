//go:build js

package main

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall/js"
	"testing"

	"example.com/twinplate/internal/pngfile"
	"example.com/twinplate/plate"
)

// worker plays the worker: its files are Node's, given out without a copy in pieces, and next is what
// has been decoded of the file that is opened next. Streams come in pieces, between which one waits.
func worker(t *testing.T, next *js.Value) {
	t.Helper()
	fs := js.Global().Get("fs")
	view := js.FuncOf(func(_ js.Value, args []js.Value) any {
		from := args[1].Int()
		b := js.Global().Get("Uint8Array").New(args[2].Int() - from)
		return b.Call("subarray", 0, fs.Call("readSync", args[0], b, 0, b.Length(), from))
	})
	decoded := js.FuncOf(func(_ js.Value, args []js.Value) any {
		args[1].Invoke(js.Null(), *next)
		return nil
	})
	fs.Set("view", view)
	js.Global().Set("decoded", decoded)
	t.Cleanup(func() {
		fs.Delete("view")
		js.Global().Delete("decoded")
		view.Release()
		decoded.Release()
	})
}

// streamOf is a stream of bytes (site/js/worker/stream.js): every third time they have not come.
func streamOf(t *testing.T, b []byte) js.Value {
	all := bytesTo(b)
	asked := 0
	view := js.FuncOf(func(_ js.Value, args []js.Value) any {
		if asked++; asked%3 == 1 {
			return nil
		}
		from := args[0].Int()
		return all.Call("subarray", from, min(args[1].Int(), from+1000))
	})
	wait := js.FuncOf(func(_ js.Value, args []js.Value) any {
		args[1].Invoke(js.Null(), js.Undefined())
		return nil
	})
	t.Cleanup(func() {
		view.Release()
		wait.Release()
	})
	return js.ValueOf(map[string]any{"view": view, "wait": wait})
}

// linesOf undoes a PNG file's compression, as the page's worker does.
func linesOf(t *testing.T, file []byte) []byte {
	t.Helper()
	chunks := pngfile.NewChunks(bytes.NewReader(file))
	for chunks.Next() && chunks.Kind != "IDAT" {
		chunks.Skip()
	}
	data, err := io.ReadAll(chunks)
	if err != nil {
		t.Fatal(err)
	}
	z, err := zlib.NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	lines, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return append(lines, data[len(data)-4:]...)
}

// A file that the browser has decoded is read as the file that it was, to the bit, as is one that it
// has not; what is not in order is refused.
func TestWorkerFiles(t *testing.T) {
	next := js.Null()
	worker(t, &next)
	const w, h = 61, 40
	random := rand.New(rand.NewPCG(5, 6))
	color, gray := plate.NewRGB(w, h), plate.NewGray(w, h)
	for i := range gray.Pix {
		gray.Pix[i] = random.Float32()
		for c := range 3 {
			color.Pix[c][i] = float32(i) / (w * h) * random.Float32()
		}
	}
	path := filepath.Join(t.TempDir(), "a.png")
	same := func(name string, want *plate.RGB) {
		t.Helper()
		got, _, err := readRGB(path)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for c := range 3 {
			if !slices.Equal(got.Pix[c], want.Pix[c]) {
				t.Errorf("%s: channel %d differs", name, c)
			}
		}
	}
	is := func(planes string, depth int, color bool, b []byte) js.Value {
		return js.ValueOf(map[string]any{"format": "png", "width": w, "height": h, "depth": depth, "color": color, "planes": planes, "stream": streamOf(t, b)})
	}
	for _, depth := range []int{8, 16} {
		for _, m := range []image.Image{gray, color} {
			name := fmt.Sprintf("%T of %d bits", m, depth)
			if err := plate.Write(path, m, &plate.WriteOptions{Curve: plate.SRGB, Depth: depth}); err != nil {
				t.Fatal(err)
			}
			file, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			want, err := plate.ReadRGB(path, plate.SRGB, nil)
			if err != nil {
				t.Fatal(err)
			}
			next = js.Null()
			same(name, want)
			lines, isColor := linesOf(t, file), m == image.Image(color)
			next = is("lines", depth, isColor, lines)
			same(name+", lines", want)
			for fault, lines := range map[string][]byte{
				"a filter that there is not": append([]byte{9}, lines[1:]...),
				"another sum":                append(slices.Clone(lines[:len(lines)-1]), lines[len(lines)-1]+1),
				"too short":                  lines[:len(lines)-5],
				"none":                       nil,
			} {
				next = is("lines", depth, isColor, lines)
				if _, _, err := readRGB(path); err == nil || !strings.Contains(err.Error(), "a.png") {
					t.Errorf("%s, %s: %v", name, fault, err)
				}
			}
		}
	}
	var file bytes.Buffer
	if err := jpeg.Encode(&file, color, nil); err != nil {
		t.Fatal(err)
	}
	m, err := jpeg.Decode(&file)
	if err != nil {
		t.Fatal(err)
	}
	ycbcr := m.(*image.YCbCr)
	var planes, rgbx []byte
	for y := range h {
		planes = append(planes, ycbcr.Y[y*ycbcr.YStride:][:w]...)
	}
	for _, plane := range [][]byte{ycbcr.Cb, ycbcr.Cr} {
		for y := range (h + 1) / 2 {
			planes = append(planes, plane[y*ycbcr.CStride:][:(w+1)/2]...)
		}
	}
	next = is("420", 8, true, planes)
	same("planes", plate.RGBFromImage(m, plate.SRGB))
	opaque := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range w * h {
		r, g, b := byte(random.IntN(256)), byte(random.IntN(256)), byte(random.IntN(256))
		copy(opaque.Pix[4*i:], []byte{r, g, b, 0xff})
		rgbx = append(rgbx, r, g, b, byte(i)) // what is fourth is left out
	}
	next = is("rgbx", 8, true, rgbx)
	same("R'G'B'", plate.RGBFromImage(opaque, plate.SRGB))
	for _, planes := range []string{"420", "rgbx"} {
		next = is(planes, 8, true, []byte("short"))
		if _, _, err := readRGB(path); err == nil {
			t.Errorf("%s that are too short were read", planes)
		}
	}
	if err := os.WriteFile(path, file.Bytes()[:0], 0o666); err != nil {
		t.Fatal(err)
	}
	next = js.Null()
	if _, _, err := readRGB(path); err == nil || !strings.Contains(err.Error(), "it is empty") {
		t.Errorf("an empty file: %v", err)
	}
	if _, _, err := readRGB("nowhere.png"); err == nil || !strings.Contains(err.Error(), "nowhere.png: ") {
		t.Errorf("no file: %v", err)
	}
}
