// Package composite puts the finished shot together: it holds the background out where the
// performer stands and adds the performer, joins layers by the operators of Porter and Duff, and
// fits a background of another size to the frame.
//
// All arithmetic is on linear light, scene-referred: colors below 0 and above 1 are kept. Every
// function checks that its frames are the same size and returns a *plate.SizeError where they are
// not. None starts a goroutine: a pipeline runs whole frames side by side, which is faster than
// dividing each of them. All functions are safe to use concurrently as long as no two calls write
// the same frame.
//
// The foreground that is added is premultiplied: the color plate, shot against a screen that is
// black in it, already is. Multiplying it by alpha once more is the classic mistake, and leaves a
// dark edge around the performer.
//
// # Sources
//
// Thomas Porter and Tom Duff, "Compositing Digital Images", Computer Graphics (SIGGRAPH '84) 18
// (3), 1984: the operators. W3C, "Compositing and Blending Level 1": plus. Robert G. Keys, "Cubic
// Convolution Interpolation for Digital Image Processing", IEEE Transactions on Acoustics, Speech,
// and Signal Processing 29 (6), 1981: resampling.
package composite

import (
	"image"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/plate"
)

// HoldOut returns foreground + transmission * background at every pixel and channel: the background
// held out where the performer stands, and the performer added.
//
// The foreground is premultiplied, linear light, black where the performer is absent; the
// transmission is nominally 0 (performer) to 1 (background). Nothing is clamped, so noise about 0
// averages out as it should. NaN in any frame stays NaN in that pixel of the result and nowhere
// else.
//
// The result is written to dst, which may be the foreground or the background, and is returned; a
// nil dst means a new frame. With a dst the call allocates nothing. The error is a
// *plate.SizeError; dst is then untouched.
func HoldOut(dst *plate.RGB, foreground *plate.RGB, transmission *plate.Gray, background *plate.RGB) (*plate.RGB, error) {
	if err := checkSizes(foreground, transmission, background); err != nil {
		return nil, err
	}
	dst, err := target(dst, foreground.Size())
	if err != nil {
		return nil, err
	}
	// Row by row, so that the transmission is read from memory once and not once a channel.
	for y := range dst.H {
		i, j := y*dst.W, (y+1)*dst.W
		t := transmission.Pix[i:j]
		for c := range dst.Pix {
			kernel.Held(dst.Pix[c][i:j], foreground.Pix[c][i:j], t, background.Pix[c][i:j])
		}
	}
	return dst, nil
}

func checkSizes(foreground *plate.RGB, transmission *plate.Gray, background *plate.RGB) error {
	if err := plate.CheckSize("transmission", transmission.Size(), "foreground", foreground.Size()); err != nil {
		return err
	}
	return plate.CheckSize("background", background.Size(), "foreground", foreground.Size())
}

// Held returns transmission * background: the background with the hole that the performer will
// fill, the station before the performer is added. HoldOut's result is Held's plus the foreground.
//
// The result is written to dst, which may be the background, and is returned; a nil dst means a new
// frame. The error is a *plate.SizeError; dst is then untouched.
func Held(dst *plate.RGB, transmission *plate.Gray, background *plate.RGB) (*plate.RGB, error) {
	if err := plate.CheckSize("background", background.Size(), "transmission", transmission.Size()); err != nil {
		return nil, err
	}
	dst, err := target(dst, transmission.Size())
	if err != nil {
		return nil, err
	}
	for c := range dst.Pix {
		out := dst.Pix[c]
		t, b := transmission.Pix[:len(out)], background.Pix[c][:len(out)]
		for i := range out {
			out[i] = t[i] * b[i]
		}
	}
	return dst, nil
}

// target returns dst, or a new frame where dst is nil.
func target(dst *plate.RGB, size image.Point) (*plate.RGB, error) {
	if dst == nil {
		return plate.NewRGB(size.X, size.Y), nil
	}
	return dst, plate.CheckSize("destination", dst.Size(), "source", size)
}
