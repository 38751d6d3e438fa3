//go:build js

package main

import (
	"bufio"
	"encoding/binary"
	"errors"
	"image"
	"io"
	"os"
	"syscall/js"

	"example.com/twinplate/internal/pngfile"
	"example.com/twinplate/plate"
)

// workerFiles are the worker's files (site/js/worker/fs.js), and what the browser has decoded of them
// (site/js/worker/files.js).
type workerFiles struct {
	plate.Disk
	by int // that pictures' sides are divided by
}

// Open opens a file, or what has been prefetched of it.
func (f workerFiles) Open(name string) (*plate.Picture, error) {
	p, err := whole(name)
	if err != nil {
		return nil, err
	}
	return p.Reduced(f.by), nil
}

func whole(name string) (*plate.Picture, error) {
	d, err := await(js.Global(), "decoded", name)
	if err != nil {
		return nil, &plate.FileError{Path: name, Err: err}
	}
	if !d.IsNull() {
		return decoded(name, d), nil
	}
	file, err := os.Open(name)
	if err != nil {
		return nil, &plate.FileError{Path: name, Err: errors.Unwrap(err)}
	}
	stat, err := file.Stat()
	if err != nil {
		return nil, &plate.FileError{Path: name, Err: err}
	}
	return plate.NewPicture(name, &viewed{file, js.Global().Get("fs"), int(file.Fd())}, stat.Size(), nil)
}

// readRGB reads a picture of the page's own.
func readRGB(name string) (*plate.RGB, plate.Info, error) {
	p, err := workerFiles{}.Open(name)
	if err != nil {
		return nil, plate.Info{}, err
	}
	defer p.Close()
	f, err := p.RGB(nil, plate.SRGB)
	return f, p.Info(), err
}

// await calls a function of JavaScript whose last argument is a callback of an error's text, or null,
// and a result.
func await(of js.Value, name string, args ...any) (js.Value, error) {
	answer := make(chan []js.Value, 1)
	callback := js.FuncOf(func(_ js.Value, args []js.Value) any {
		answer <- args
		return nil
	})
	defer callback.Release()
	of.Call(name, append(args, callback)...)
	got := <-answer
	if !got[0].IsNull() {
		return js.Null(), errors.New(got[0].String())
	}
	return got[1], nil
}

// A viewed file is read by the worker's fs.view(fd, from, to), which gives out what it holds without a
// copy, as a Uint8Array. Package os would have it fill an array that is made for every read.
type viewed struct {
	*os.File
	fs js.Value
	fd int
}

func (f *viewed) ReadAt(b []byte, at int64) (int, error) {
	n := js.CopyBytesToGo(b, f.fs.Call("view", f.fd, at, at+int64(len(b))))
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

// A stream is read as the browser decodes it (Stream in site/js/worker/stream.js).
type stream struct {
	from js.Value
	at   int
}

func (s *stream) Read(b []byte) (int, error) {
	for {
		if view := s.from.Call("view", s.at, s.at+len(b)); !view.IsNull() {
			n := js.CopyBytesToGo(b, view)
			if s.at += n; n == 0 {
				return 0, io.EOF
			}
			return n, nil
		}
		if _, err := await(s.from, "wait", s.at); err != nil {
			return 0, err
		}
	}
}

// decoded returns the picture that the browser has decoded, as site/js/worker/files.js has it. It is as
// large as the page lets it be, which is as large as plate reads it.
func decoded(name string, d js.Value) *plate.Picture {
	w, h := d.Get("width").Int(), d.Get("height").Int()
	info := plate.Info{W: w, H: h, Format: d.Get("format").String(), Depth: d.Get("depth").Int(), Color: d.Get("color").Bool()}
	from := &stream{from: d.Get("stream")}
	lines := func(n int) *bufio.Reader { return bufio.NewReaderSize(from, max(1<<18, n)) }
	unfiltered := func(n int, padded bool) *plate.Picture {
		r := lines(n)
		return plate.DecodedLines(name, info, padded, func() ([]byte, error) {
			line, err := r.Peek(n)
			r.Discard(len(line)) // it stays in the buffer
			return line, err
		})
	}
	switch d.Get("planes").String() {
	case "420": // the planes of Y', Cb and Cr, as an 8-bit JPEG of 4:2:0 has them
		return plate.DecodedPicture(name, info, func() (image.Image, error) {
			n, cw, ch := w*h, (w+1)/2, (h+1)/2
			b := make([]byte, n+2*cw*ch)
			if _, err := io.ReadFull(from, b); err != nil {
				return nil, err
			}
			return &image.YCbCr{
				Y: b[:n], Cb: b[n : n+cw*ch], Cr: b[n+cw*ch:],
				YStride: w, CStride: cw, SubsampleRatio: image.YCbCrSubsampleRatio420, Rect: image.Rect(0, 0, w, h),
			}, nil
		})
	case "rgbx": // R', G', B' and a byte that is left out; of a gray picture likewise
		return unfiltered(4*w, true)
	case "rgb16": // R', G', B' of 16 bits, the high byte first
		return unfiltered(6*w, false)
	}
	// The lines of a PNG file with their filters, and their Adler-32.
	step := info.Depth / 8
	if info.Color {
		step *= 3
	}
	r := lines(1 + w*step)
	read := func(b []byte) ([]byte, error) {
		_, err := io.ReadFull(r, b)
		return b, err
	}
	return plate.DecodedLines(name, info, false, pngfile.NewLines(w, h, step, read, func(sum uint32) bool {
		end, err := read(make([]byte, 4))
		return err == nil && binary.BigEndian.Uint32(end) == sum
	}).Next)
}
