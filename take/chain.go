package take

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"runtime"
	"sync"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Chain does the arithmetic of a frame row by row: a row of the band plate is resampled, solved
// and composited, so that each value is read from memory once and no frame in between is stored. It
// is what every frame of a Job goes through, and takes planes that are in memory as well. It is
// prepared once for a take, allocates nothing for a frame but what its goroutines take, and is safe
// for concurrent use.
type Chain struct {
	resampler *align.Resampler
	solver    *matte.Solver
	size      image.Point
	buffers   sync.Pool // of *rowBuffers
}

// NewChain returns the chain of r and s, which must be for color plates of the same size.
func NewChain(r *align.Resampler, s *matte.Solver) (*Chain, error) {
	g := r.Geometry()
	size := image.Pt(g.ColorW, g.ColorH)
	if err := plate.CheckSize("geometry's color frame", size, "solver's frame", s.Size()); err != nil {
		return nil, err
	}
	c := &Chain{resampler: r, solver: s, size: size}
	c.buffers.New = func() any {
		// With room behind the band plate's, the last pixels would be resampled as vectors too, and
		// differ from Resampler.Gray's in the last bit.
		return &rowBuffers{make([]float32, size.X), make([]float32, size.X), plate.NewRGB(size.X, 1).Row(0), plate.NewRGB(size.X, 1).Row(0)}
	}
	return c, nil
}

// Comp makes the composite, foreground + transmission * background, and the transmission of one
// frame on as many cores as there are. The color plate, the background and both results have the
// geometry's color size; the band plate is as the band camera has it. An error says which frame has
// another size or a value that is not finite, or that the gain is not a positive number; the
// results are then undefined.
func (c *Chain) Comp(out *plate.RGB, t *plate.Gray, color *plate.RGB, band *plate.Gray, background *plate.RGB, gain float64) error {
	g := c.resampler.Geometry()
	if err := plate.CheckSize("band plate", band.Size(), "geometry's band frame", image.Pt(g.BandW, g.BandH)); err != nil {
		return err
	}
	for _, p := range []struct {
		name string
		size image.Point
	}{{"color plate", color.Size()}, {"background", background.Size()}, {"composite", out.Size()}, {"transmission", t.Size()}} {
		if err := plate.CheckSize(p.name, p.size, "geometry's color frame", c.size); err != nil {
			return err
		}
	}
	return c.solve(&solving{color: whole{color}, shot: band, background: whole{background}, gain: gain, transmission: t, comp: out}, runtime.GOMAXPROCS(0))
}

// A solving is a frame on its way through the chain: where its rows come from and where they go.
// Sizes are the geometry's.
type solving struct {
	color      rows
	shot       *plate.Gray // the band plate, as the band camera has it
	band       *plate.Gray // the same in the color camera's frame, where there must be a plane of it; else each row is resampled
	background rows        // nil where there are no planes of the foreground: each, where there is one, is told of its rows
	gain       float64
	spill      *matte.SpillRows  // taken off, where there is no plane of the foreground; on one core; nil: none
	grade      *composite.Grader // of the foreground, where there is no plane of it; nil: none

	// Planes that the rows go to; where one is nil, each row overwrites the one before. With a
	// foreground there is no composite yet.
	transmission     *plate.Gray
	foreground, comp *plate.RGB
	each             func(y int, row *StationRow) // what is told of each row of the composite; on one core from the top
	pixels           int                          // that the gain is found from; 0: matte.GainPixels
}

type rowBuffers struct {
	band, transmission []float32
	comp, foreground   [3][]float32
}

// solve does the rows of a frame on so many goroutines, or on this one. The error for a value that
// is not finite says where, if the plates are there as planes.
func (c *Chain) solve(s *solving, cores int) error {
	frame, err := c.solver.Frame(s.gain)
	if err != nil {
		return err
	}
	err = inStrips(c.size.Y, cores, func(y0, y1 int) error { return c.strip(s, &frame, y0, y1) })
	if errors.Is(err, matte.ErrNotFinite) {
		return s.notFinite(err)
	}
	return err
}

// strip does the rows y0 to y1.
func (c *Chain) strip(s *solving, frame *matte.Frame, y0, y1 int) error {
	buffers := c.buffers.Get().(*rowBuffers)
	defer c.buffers.Put(buffers)
	t, out := buffers.transmission, buffers.comp
	for y := y0; y < y1; y++ {
		color, err := s.color.row(y)
		if err != nil {
			return err
		}
		band := c.band(buffers.band, s, y)
		if s.transmission != nil {
			t = grayRow(s.transmission, y)
		}
		if s.foreground != nil {
			if !frame.Row(t, s.foreground.Row(y), color, band, y) {
				return fmt.Errorf("row %d: %w", y, matte.ErrNotFinite)
			}
			continue
		}
		if s.background == nil {
			foreground := buffers.foreground
			if !s.solveRow(frame, t, foreground, color, band, y) {
				return fmt.Errorf("row %d: %w", y, matte.ErrNotFinite)
			}
			if s.each != nil {
				s.each(y, &StationRow{Color: color, Band: band, Transmission: t, Foreground: foreground})
			}
			continue
		}
		background, err := s.background.row(y)
		if err != nil {
			return err
		}
		if s.comp != nil {
			out = s.comp.Row(y)
		}
		if !c.compRow(s, frame, buffers, t, out, color, band, background, y) {
			return fmt.Errorf("row %d: %w", y, matte.ErrNotFinite)
		}
		if s.each != nil {
			s.each(y, &StationRow{Color: color, Band: band, Transmission: t, Sum: out})
		}
	}
	return nil
}

// compRow makes a row of the composite and of the transmission, and reports whether all is finite.
func (c *Chain) compRow(s *solving, frame *matte.Frame, buffers *rowBuffers, t []float32, out, color [3][]float32, band []float32, background [3][]float32, y int) bool {
	switch {
	case s.grade != nil:
	case s.spill != nil:
		return s.spill.CompRow(frame, t, out, color, band, background, y)
	default:
		return frame.CompRow(t, out, color, band, background, y)
	}
	foreground := buffers.foreground
	if !s.solveRow(frame, t, foreground, color, band, y) {
		return false
	}
	for k := range out {
		kernel.Held(out[k], foreground[k], t, background[k])
	}
	return true
}

// solveRow makes a row of the transmission and of the foreground that no plane is asked for of, and
// reports whether all is finite.
func (s *solving) solveRow(frame *matte.Frame, t []float32, foreground, color [3][]float32, band []float32, y int) bool {
	if !frame.Row(t, foreground, color, band, y) {
		return false
	}
	if s.spill != nil {
		s.spill.Row(t, foreground, y)
	}
	if s.grade != nil {
		s.grade.Premultiplied(foreground, t)
	}
	return true
}

// band returns row y of the band plate in the color camera's frame, in buffer where it is
// resampled.
func (c *Chain) band(buffer []float32, s *solving, y int) []float32 {
	if s.band != nil {
		return grayRow(s.band, y)
	}
	c.resampler.Row(buffer, s.shot, y)
	return buffer
}

// gain estimates the lamps' gain; of a band plate that is not resampled yet it resamples no more
// than that looks at. The color plate must be there as a plane.
func (c *Chain) gain(s *solving) (matte.Gain, error) {
	pixels := cmp.Or(s.pixels, matte.GainPixels)
	g, err := c.solver.GainByRows(s.color.plane(), pixels, func(row []float32, y int) {
		copy(row, c.band(row, s, y))
	})
	if errors.Is(err, matte.ErrNotFinite) {
		err = s.notFinite(err)
	}
	return g, err
}

// notFinite says where a value is not finite.
func (s *solving) notFinite(err error) error {
	if color := s.color.plane(); color != nil {
		return matte.NotFinite(color, cmp.Or(s.shot, s.band))
	}
	return err
}

func grayRow(f *plate.Gray, y int) []float32 {
	i, j := y*f.W, (y+1)*f.W
	return f.Pix[i:j:j]
}

// inStrips calls do for strips of the rows 0 to h on so many goroutines, and returns an error of
// one. The strips are short, so that a core that is busy elsewhere does not hold up the rest. On
// one core the frame is one strip.
func inStrips(h, cores int, do func(y0, y1 int) error) error {
	if cores <= 1 {
		return do(0, h)
	}
	const strip = 64
	return parallel.Try(context.Background(), (h+strip-1)/strip, cores, func(i int) error { return do(i*strip, min((i+1)*strip, h)) })
}
