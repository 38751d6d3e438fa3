package plate

import (
	"fmt"
	"image"
	"os"
)

// An RGBReader reads a picture file row by row, from the top, so that whoever uses a row does so
// while it is in the processor's cache and need not have the frame as a whole. The rows are those
// of ReadRGB.
type RGBReader struct {
	path  string
	file  *os.File
	from  *picture
	curve Curve
	lim   *ReadLimits
	next  int
	lines *pngRows // the file line by line, or else
	row   rowLight // of a picture that is decoded as a whole
	light []float32
}

// NewRGBReader opens a picture file, for the caller to close. A nil lim means the default limits.
// Errors are those of ReadRGB.
func NewRGBReader(path string, c Curve, lim *ReadLimits) (*RGBReader, error) {
	p, file, err := openPicture(path)
	if err != nil {
		return nil, err
	}
	r := &RGBReader{path: path, file: file, from: p, curve: c, lim: lim}
	if err = p.fits(lim); err == nil {
		err = p.run(func() error { r.lines = p.rows(); return nil })
	}
	if err == nil && r.lines != nil {
		r.light = r.lines.light(c)
	} else if err == nil {
		err = r.decode()
	}
	if err != nil {
		file.Close()
		return nil, fileError(path, err)
	}
	return r, nil
}

// Size returns the picture's width and height in pixels.
func (r *RGBReader) Size() image.Point { return image.Pt(r.from.info.W, r.from.info.H) }

// decode decodes the file as a whole.
func (r *RGBReader) decode() error {
	m, err := r.from.decode(r.lim)
	if err != nil {
		return err
	}
	r.lines = nil
	if rows := rowsOf(m, r.curve); rows != nil {
		r.row = rows()
		return nil
	}
	f := rgbOf(nil, m, r.curve)
	r.row = func(y int, red, green, blue []float32) {
		from := f.Row(y)
		copy(red, from[0])
		copy(green, from[1])
		copy(blue, from[2])
	}
	return nil
}

// Next puts the next row, in linear light, into red, green and blue, which have its width at least.
// Where the file is damaged there is an error at the last row at the latest, and what came before
// may be of no use. It is an error as well to ask for more rows than there are.
func (r *RGBReader) Next(row [3][]float32) error {
	w, h := r.from.info.W, r.from.info.H
	if r.next >= h {
		return fileError(r.path, fmt.Errorf("it has no row %d, but rows 0 to %d", r.next, h-1))
	}
	red, green, blue := row[0][:w], row[1][:w], row[2][:w]
	return fileError(r.path, r.from.run(func() error {
		if r.lines != nil {
			if line := r.lines.next(); line != nil {
				r.lines.lights(red, green, blue, line, r.light)
				r.next++
				return nil
			}
			if err := r.decode(); err != nil { // it says what is wrong
				return err
			}
		}
		r.row(r.next, red, green, blue)
		r.next++
		return nil
	}))
}

// Close closes the file.
func (r *RGBReader) Close() error { return fileError(r.path, r.file.Close()) }
