package take

import (
	"context"
	"fmt"
	"runtime"
	"slices"

	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Scrubber does single frames of a job in any order, each with every station from the plates to
// the sum. It is for looking at a take, as Job.Run is for making all of it. It keeps its planes
// from frame to frame, and is not safe for concurrent use; a job may have several.
type Scrubber struct {
	w     *runner
	frame Scrubbed
	held  *plate.RGB
	fresh bool // the background's files have changed since the job was made
}

// A Scrubbed frame has the planes of every station. They are the Scrubber's own: its next frame
// overwrites them. It has no Sigma: Scrubber.Sigma makes it, since it is most of the arithmetic.
type Scrubbed struct {
	Result
	Color *plate.RGB  // the color plate as it was read
	Band  *plate.Gray // the band plate, in the color camera's frame
	whole bool        // the background is not held out
	held  bool        // Held has been asked for
}

// NewScrubber returns a Scrubber of the job.
func (j *Job) NewScrubber() *Scrubber {
	return &Scrubber{w: j.newRunner(runtime.GOMAXPROCS(0))}
}

// Frame does the frame of this number as Run does it. Change, which may be nil, may alter it on the
// way. Errors are those of Run for one frame, and one that says which frames there are.
func (s *Scrubber) Frame(number int, change *Change) (*Scrubbed, error) {
	i, err := s.index(number)
	if err != nil {
		return nil, err
	}
	r, err := s.w.frame(i, s.w.job.lookPlan(), change, nil)
	if err != nil {
		return nil, err
	}
	s.frame = Scrubbed{Result: r, Color: s.w.color, Band: s.w.band, whole: change != nil && change.Whole}
	return &s.frame, nil
}

// Sum is Frame for the composite alone, and takes half the time: it calls each with one row of the
// composite after the other, from the top, while the files are read. The rows are the Scrubber's
// own, and the next one overwrites them. After an error, which may come when some rows are done,
// the rows are of no use. A take without a background is an error. With keep the Scrubber holds the
// plates, so that a Frame of the same number that comes next reads no files; without, no plate is
// stored where none has to be, which is quicker.
func (s *Scrubber) Sum(number int, keep bool, each func(y int, row [3][]float32)) error {
	i, err := s.index(number)
	if err != nil {
		return err
	}
	j := s.w.job
	if j.backdrop == nil {
		return noSum(number)
	}
	_, err = s.w.frame(i, j.sumPlan(keep), nil, func(y int, row *StationRow) { each(y, row.Sum) })
	return err
}

// Foreground is Sum for the foreground alone, premultiplied, and the transmission. It reads no
// background.
func (s *Scrubber) Foreground(number int, keep bool, each func(y int, foreground [3][]float32, transmission []float32)) error {
	i, err := s.index(number)
	if err != nil {
		return err
	}
	_, err = s.w.frame(i, s.w.job.cutPlan(keep), nil, func(y int, row *StationRow) { each(y, row.Foreground, row.Transmission) })
	return err
}

func noSum(number int) error {
	return fmt.Errorf("frame %d has no sum: the recipe has no background", number)
}

// index returns the place of a frame among the take's pairs.
func (s *Scrubber) index(number int) (int, error) {
	pairs := s.w.job.take.Pairs
	if i := slices.IndexFunc(pairs, func(p FilePair) bool { return p.Number == number }); i >= 0 {
		return i, nil
	}
	return 0, fmt.Errorf("there is no frame %d: the take has %s", number, Ranges(numbers(pairs)))
}

// Background returns where a place of the frame of this number lies in the background's picture, as
// composite.Fit.Picture has it, with the Scrubber's finish. A take without a background is an
// error.
func (s *Scrubber) Background(number int) (m [6]float64, err error) {
	i, err := s.index(number)
	if err != nil {
		return m, err
	}
	b := s.w.job.backdrop
	if b == nil {
		return m, fmt.Errorf("frame %d has no background: the recipe has none", number)
	}
	size := s.w.job.colorSize
	return b.fitAt(i).Picture(b.size.X, b.size.Y, size.X, size.Y), nil
}

// Files returns the files that Frame and Sum would read for the frame of this number, in their
// order, so that a caller can fetch them ahead. Files that the Scrubber holds already are not among
// them. It returns nil where there is no such frame.
func (s *Scrubber) Files(number int) []string {
	i, err := s.index(number)
	if err != nil || s.w.held == i+1 {
		return nil
	}
	j := s.w.job
	files := []string{j.take.Pairs[i].Band, j.take.Pairs[i].Color}
	if j.backdrop != nil && !s.w.back.has(j.backdrop.hanging(i)) {
		files = append(files, j.backdrop.file(i))
	}
	return files
}

// Forget makes the next Frame or Sum read the plates again, for a caller that has changed the
// files; with background, the background too.
func (s *Scrubber) Forget(background bool) {
	s.w.held = 0
	if background {
		s.w.back.forget()
		s.fresh = true
	}
}

// Finish has the Scrubber go on with the finish of another recipe, as Job.Finish has it but for the
// note on how gray the grays are. The plates that it holds stay, so that the next Frame of the same
// number reads none. After an error it goes on as before.
func (s *Scrubber) Finish(ctx context.Context, r Recipe) error {
	next, err := s.w.job.finished(ctx, r, s.fresh)
	if err != nil {
		return err
	}
	s.fresh = false
	s.w.job = next
	return nil
}

// Job returns the job whose frames the Scrubber makes: the one that it is of, with the finish that
// was set.
func (s *Scrubber) Job() *Job { return s.w.job }

// Sigma returns the standard deviation of the transmission of a frame that Frame has returned, from
// the cameras' noise as the recipe gives it, or as it was estimated because the recipe asks for
// sigma. The plane is the Scrubber's own.
func (s *Scrubber) Sigma(f *Scrubbed) (*plate.Gray, error) {
	if f.Sigma != nil {
		return f.Sigma, nil
	}
	j := s.w.job
	if j.left != nil {
		return nil, errNoiseLeft
	}
	var err error
	s.w.sigma, err = j.solver.Sigma(s.w.sigma, matte.Sample{Color: f.Color, Band: f.Band}, f.Gain.Value, j.ColorNoise, j.BandNoise)
	if err != nil {
		return nil, err
	}
	s.w.raiseSigma()
	f.Sigma = s.w.sigma
	return f.Sigma, nil
}

// Held returns transmission * background of a frame that Frame has returned and that has a
// background, which of a double exposure is the background as it is. The planes are the Scrubber's
// own.
func (s *Scrubber) Held(f *Scrubbed) (*plate.RGB, error) {
	if f.whole {
		return f.Background, nil
	}
	if f.held {
		return s.held, nil
	}
	var err error
	s.held, err = composite.Held(s.held, f.Transmission, f.Background)
	f.held = err == nil
	return s.held, err
}

// Pixel returns the arithmetic of one pixel of a frame that Frame has returned, with the cameras'
// noise as the recipe gives it, or none.
func (s *Scrubber) Pixel(f *Scrubbed, x, y int) (matte.Pixel, error) {
	j := s.w.job
	if j.left != nil {
		return matte.Pixel{}, errNoiseLeft
	}
	return j.solver.Pixel(matte.Sample{Color: f.Color, Band: f.Band}, f.Gain.Value, j.ColorNoise, j.BandNoise, x, y)
}
