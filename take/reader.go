package take

import (
	"fmt"
	"image"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
)

// A reader reads a take's files in linear light: by each plate's curve, in the primaries that are worked
// in, and as the lenses' faults leave them.
type reader struct {
	files plate.Files

	colorCurve, bandCurve, backgroundCurve         plate.Curve
	primaries, colorPrimaries, backgroundPrimaries plate.Primaries // those that are worked in, and the plates' own
	colorVia, bandVia                              transform       // through which files goes what is read; nil: none

	colorSize, bandSize image.Point
	weights             *[3]float32 // of the band camera's channels; nil where it has one

	lens lens // in a Job
}

// readColor reads the color plate of a pair as it is solved, into dst where that has the right size.
func (r *reader) readColor(dst *plate.RGB, p FilePair) (*plate.RGB, error) {
	f, err := r.readRGB(dst, p.Color, r.colorCurve, r.colorPrimaries)
	if err == nil {
		err = sized(p.Color, "color plate", f.Size(), r.colorSize)
	}
	if err != nil {
		return nil, err
	}
	r.lens.rgb(f)
	return f, nil
}

// readBand reads the band plate of a pair as it is resampled and solved, into dst where that has the
// right size.
func (r *reader) readBand(dst *plate.Gray, p FilePair) (*plate.Gray, error) {
	f, err := r.readGray(dst, p.Band, r.weights)
	if err == nil {
		err = sized(p.Band, "band plate", f.Size(), r.bandSize)
	}
	if err != nil {
		return nil, err
	}
	align.Blur(f, r.lens.band)
	return f, nil
}

func sized(path, what string, got, want image.Point) error {
	if got != want {
		return fmt.Errorf("%s: this %s has %dx%d pixels, and the take's first frame from that camera has %dx%d", path, what, got.X, got.Y, want.X, want.Y)
	}
	return nil
}

// readRGB reads a file of color in linear light of the working primaries, into dst where that has the
// right size.
func (r *reader) readRGB(dst *plate.RGB, path string, c plate.Curve, from plate.Primaries) (*plate.RGB, error) {
	p, err := r.files.Open(path)
	if err != nil {
		return nil, err
	}
	defer p.Close()
	f, err := p.RGB(dst, c)
	if err != nil {
		return nil, err
	}
	if !from.Near(r.primaries) {
		f.Multiply(from.To(r.primaries))
	}
	return f, nil
}

// readGray reads a file of the band camera in linear light, into dst where that has the right size.
func (r *reader) readGray(dst *plate.Gray, path string, weights *[3]float32) (*plate.Gray, error) {
	p, err := r.files.Open(path)
	if err != nil {
		return nil, err
	}
	defer p.Close()
	return p.Gray(dst, r.bandCurve, weights)
}

// probe reads what a plate's file says of itself.
func (r *reader) probe(path string) (plate.Info, error) {
	p, err := r.files.Open(path)
	if err != nil {
		return plate.Info{}, err
	}
	return p.Info(), p.Close()
}

// rows are a picture's rows, in linear light.
type rows interface {
	size() image.Point
	row(y int) ([3][]float32, error) // of what is not kept as a plane, each once, from the top
	plane() *plate.RGB               // of the rows so far; nil where they are not kept
	close()
}

// A whole picture is rows that are all there.
type whole struct{ *plate.RGB }

func (w whole) size() image.Point               { return w.Size() }
func (w whole) row(y int) ([3][]float32, error) { return w.Row(y), nil }
func (w whole) plane() *plate.RGB               { return w.RGB }
func (w whole) close()                          {}

// fileRows are rows that are read from a file as they are asked for, from the top.
type fileRows struct {
	picture *plate.Picture
	from    *plate.Rows
	kept    *plate.RGB   // nil: rows are not kept
	one     [3][]float32 // the last row, where they are not
	next    int          // the first row that has not been read
	convert *[9]float32  // the row's primaries to those that are worked in; nil: they are
	grade   *composite.Grader
}

// openRGB is readRGB for whoever needs a row at a time. With keep the rows are put into dst, where
// that has the right size.
func (r *reader) openRGB(dst *plate.RGB, keep bool, path string, c plate.Curve, from plate.Primaries) (*fileRows, error) {
	p, err := r.files.Open(path)
	if err != nil {
		return nil, err
	}
	lines, err := p.Rows(c)
	if err != nil {
		p.Close()
		return nil, err
	}
	size := p.Size()
	f := &fileRows{picture: p, from: lines}
	if !from.Near(r.primaries) {
		m := from.To(r.primaries)
		f.convert = &m
	}
	if !keep {
		f.one = plate.NewRGB(size.X, 1).Row(0)
	} else {
		f.kept = dst.Sized(size)
	}
	return f, nil
}

// openColor is readColor for whoever needs a row at a time.
func (r *reader) openColor(dst *plate.RGB, keep bool, p FilePair) (rows, error) {
	if r.lens.ofFrame() {
		f, err := r.readColor(dst, p)
		return whole{f}, err
	}
	f, err := r.openRGB(dst, keep, p.Color, r.colorCurve, r.colorPrimaries)
	if err != nil {
		return nil, err
	}
	if err := sized(p.Color, "color plate", f.size(), r.colorSize); err != nil {
		f.close()
		return nil, err
	}
	return f, nil
}

func (r *fileRows) size() image.Point { return r.picture.Size() }

func (r *fileRows) row(y int) ([3][]float32, error) {
	for ; y >= r.next; r.next++ {
		to := r.one
		if r.kept != nil {
			to = r.kept.Row(r.next)
		}
		if err := r.from.Next(to); err != nil {
			return to, err
		}
		if r.convert != nil {
			(&plate.RGB{W: len(to[0]), H: 1, Pix: to}).Multiply(*r.convert)
		}
		if r.grade != nil {
			r.grade.Row(to)
		}
	}
	if r.kept == nil {
		return r.one, nil
	}
	return r.kept.Row(y), nil
}

func (r *fileRows) plane() *plate.RGB { return r.kept }

func (r *fileRows) close() { r.picture.Close() } // it was read to its end, or there is an error already
