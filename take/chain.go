package take

import (
	"errors"
	"image"
	"runtime"
	"sync"
	"sync/atomic"

	"example.com/twinplate/align"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Chain does the arithmetic of a frame in one pass: the band plate is resampled, solved and
// composited row by row, so that each value is read from memory once and no frame in between is
// stored. It is prepared once for a take, allocates nothing for a frame but what its goroutines
// take, and is safe for concurrent use.
type Chain struct {
	resampler *align.Resampler
	solver    *matte.Solver
	size      image.Point
	rows      sync.Pool // of *[]float32, a row of the band plate in the color camera's frame
}

// NewChain returns the chain of r and s, which must be for color plates of the same size.
func NewChain(r *align.Resampler, s *matte.Solver) (*Chain, error) {
	g := r.Geometry()
	size := image.Pt(g.ColorW, g.ColorH)
	if err := plate.CheckSize("geometry's color frame", size, "solver's frame", s.Size()); err != nil {
		return nil, err
	}
	c := &Chain{resampler: r, solver: s, size: size}
	c.rows.New = func() any {
		// With room behind, the last pixels would be resampled as vectors too, and differ from
		// Resampler.Gray's in the last bit.
		row := make([]float32, size.X)
		return &row
	}
	return c, nil
}

// Comp makes the composite, foreground + transmission * background, and the transmission of one
// frame on as many cores as there are. The color plate, the background and both results have the
// geometry's color size; the band plate is as the band camera has it. An error says which frame has
// another size or a value that is not finite, or that the gain is not a positive number; the
// results are then undefined.
func (c *Chain) Comp(out *plate.RGB, t *plate.Gray, color *plate.RGB, band *plate.Gray, background *plate.RGB, gain float64) error {
	return c.comp(out, t, color, band, background, gain, runtime.GOMAXPROCS(0))
}

func (c *Chain) comp(out *plate.RGB, t *plate.Gray, color *plate.RGB, band *plate.Gray, background *plate.RGB, gain float64, cores int) error {
	g := c.resampler.Geometry()
	if err := plate.CheckSize("band plate", band.Size(), "geometry's band frame", image.Pt(g.BandW, g.BandH)); err != nil {
		return err
	}
	frame, err := c.frame(out, t, color, background, gain)
	if err != nil {
		return err
	}
	w, h := c.size.X, c.size.Y
	do := func(y0, y1 int) bool {
		row := c.rows.Get().(*[]float32)
		defer c.rows.Put(row)
		finite := true
		for y := y0; y < y1; y++ {
			c.resampler.Row(*row, band, y)
			finite = frame.CompRow(t.Pix[y*w:(y+1)*w], out.Row(y), color.Row(y), *row, background.Row(y), y) && finite
		}
		return finite
	}
	finite := true
	if cores <= 1 {
		finite = do(0, h)
	} else {
		finite = inParallel(h, cores, do)
	}
	if !finite {
		return matte.NotFinite(color, band)
	}
	return nil
}

// gain is Solver.Gain for a band plate as the band camera has it, of which it resamples no more
// than that looks at.
func (c *Chain) gain(color *plate.RGB, band *plate.Gray) (matte.Gain, error) {
	g, err := c.solver.GainByRows(color, func(row []float32, y int) { c.resampler.Row(row, band, y) })
	if errors.Is(err, matte.ErrNotFinite) {
		err = matte.NotFinite(color, band)
	}
	return g, err
}

// inParallel calls do for strips of the rows 0 to h on so many goroutines, and reports whether all
// returned true. The strips are short, so that a core that is busy elsewhere does not hold up the
// rest.
func inParallel(h, cores int, do func(y0, y1 int) bool) bool {
	const strip = 64
	var wait sync.WaitGroup
	var next atomic.Int64
	var failed atomic.Bool
	for range cores {
		wait.Go(func() {
			for {
				y := int(next.Add(strip)) - strip
				if y >= h {
					return
				}
				if !do(y, min(y+strip, h)) {
					failed.Store(true)
				}
			}
		})
	}
	wait.Wait()
	return !failed.Load()
}

// resampled is comp for a band plate that is in the color camera's frame already, on the calling
// goroutine.
func (c *Chain) resampled(out *plate.RGB, t *plate.Gray, color *plate.RGB, band *plate.Gray, background *plate.RGB, gain float64) error {
	frame, err := c.frame(out, t, color, background, gain)
	if err != nil {
		return err
	}
	if err := plate.CheckSize("band plate", band.Size(), "color plate", c.size); err != nil {
		return err
	}
	finite := true
	for y := range c.size.Y {
		i, j := y*c.size.X, (y+1)*c.size.X
		finite = frame.CompRow(t.Pix[i:j], out.Row(y), color.Row(y), band.Pix[i:j], background.Row(y), y) && finite
	}
	if !finite {
		return matte.NotFinite(color, band)
	}
	return nil
}

// frame checks the sizes and prepares the frame.
func (c *Chain) frame(out *plate.RGB, t *plate.Gray, color, background *plate.RGB, gain float64) (matte.Frame, error) {
	for _, p := range []struct {
		name string
		size image.Point
	}{{"color plate", color.Size()}, {"background", background.Size()}, {"composite", out.Size()}, {"transmission", t.Size()}} {
		if err := plate.CheckSize(p.name, p.size, "geometry's color frame", c.size); err != nil {
			return matte.Frame{}, err
		}
	}
	return c.solver.Frame(gain)
}
