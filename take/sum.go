package take

import (
	"errors"
	"fmt"
	"image"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A rising frame is read from its file row by row, from the top, as far as its rows are asked for.
type rising struct {
	whole *plate.RGB       // the rows that were read; nil: they are not kept
	from  *plate.RGBReader // the file; nil: all rows are read
	next  int              // the first row that has not been read
	one   [3][]float32     // the last row, where rows are not kept
}

// rise is readRGB for a rising frame, which the caller closes. With keep its rows are put into dst,
// where that has the right size.
func (t *Take) rise(dst *plate.RGB, keep bool, path string, c plate.Curve, from plate.Primaries) (*rising, error) {
	if _, clip, _ := t.clips.info(path); clip || !from.Near(t.primaries) {
		f, err := t.readRGB(dst, path, c, from)
		return &rising{whole: f}, err
	}
	r, err := plate.NewRGBReader(path, c, nil)
	if err != nil {
		return nil, err
	}
	size := r.Size()
	f := &rising{from: r}
	if !keep {
		f.one = plate.NewRGB(size.X, 1).Row(0)
	} else if f.whole = dst; dst == nil || dst.Size() != size {
		f.whole = plate.NewRGB(size.X, size.Y)
	}
	return f, nil
}

func (r *rising) size() image.Point {
	if r.from == nil {
		return r.whole.Size()
	}
	return r.from.Size()
}

// row returns row y. Where rows are not kept, each is asked for once, from the top.
func (r *rising) row(y int) ([3][]float32, error) {
	for r.from != nil && y >= r.next {
		to := r.one
		if r.whole != nil {
			to = r.whole.Row(r.next)
		}
		if err := r.from.Next(to); err != nil {
			return to, err
		}
		r.next++
	}
	if r.whole == nil {
		return r.one, nil
	}
	return r.whole.Row(y), nil
}

func (r *rising) close() {
	if r.from != nil {
		r.from.Close() // it was read to its end, or there is an error already
	}
}

// sum calls each with the rows of a frame's composite. With keep, the worker holds the plates
// afterward, as after read.
func (w *worker) sum(i int, keep bool, each func(y int, row [3][]float32)) (err error) {
	j, t, p := w.job, w.job.take, w.job.take.Pairs[i]
	there := w.there == i+1
	keep = keep || there
	w.there = 0
	if !there {
		if w.shot, err = t.readBandInto(w.shot, p); err != nil {
			return err
		}
	}
	// As a whole and at once: whoever decodes the other files meanwhile (Scrubber.Files) is not
	// ready yet.
	w.band = j.resampler.Gray(w.band, w.shot)
	color := &rising{whole: w.color}
	if !there {
		_, given := j.givenGain(p.Number) // else it is found in the color plate as a whole
		if color, err = t.rise(w.color, keep || !given, p.Color, t.colorCurve, t.colorPrimaries); err != nil {
			return err
		}
		defer color.close()
		if err = sized(p.Color, "color plate", color.size(), t.colorSize); err != nil {
			return err
		}
	}
	back, err := w.risingBackground(i, keep)
	if err != nil {
		return err
	}
	defer back.close()
	gain, err := j.gain(p.Number, func() (matte.Gain, error) {
		if _, err := color.row(color.whole.H - 1); err != nil {
			return matte.Gain{}, err
		}
		return j.solver.Gain(matte.Sample{Color: color.whole, Band: w.band})
	})
	if err == nil {
		err = byRow(j.solver, color, w.band, back, gain.Value, each)
	}
	if errors.Is(err, matte.ErrNotFinite) && color.whole != nil {
		err = matte.NotFinite(color.whole, w.shot)
	}
	if err != nil {
		return fmt.Errorf("frame %d: %w", p.Number, err)
	}
	if keep {
		w.color, w.there = color.whole, i+1
		w.result.Background, w.back = back.whole, j.backgroundFile(i)
	}
	return nil
}

// risingBackground opens the frame's background for reading row by row, unless the worker holds it
// already.
func (w *worker) risingBackground(i int, keep bool) (*rising, error) {
	j := w.job
	if path := j.backgroundFile(i); path != w.back && j.fitter.Same() {
		w.back = ""
		back, err := j.take.rise(w.result.Background, keep, path, j.take.backgroundCurve, j.take.backgroundPrimaries)
		if err != nil || back.size() == j.take.colorSize {
			return back, err
		}
		back.close() // background fits it, and says what is wrong
	}
	err := w.background(i)
	return &rising{whole: w.result.Background}, err
}

// byRow solves and composites row after row, and calls each with the result, which the next row
// overwrites.
func byRow(solver *matte.Solver, color *rising, band *plate.Gray, background *rising, gain float64, each func(y int, row [3][]float32)) error {
	frame, err := solver.Frame(gain)
	if err != nil {
		return err
	}
	t, out := make([]float32, band.W), plate.NewRGB(band.W, 1).Row(0)
	for y := range band.H {
		from, err := color.row(y)
		if err != nil {
			return err
		}
		behind, err := background.row(y)
		if err != nil {
			return err
		}
		if !frame.CompRow(t, out, from, band.Pix[y*band.W:(y+1)*band.W], behind, y) {
			return fmt.Errorf("row %d: %w", y, matte.ErrNotFinite)
		}
		each(y, out)
	}
	return nil
}
