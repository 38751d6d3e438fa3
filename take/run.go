package take

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Result is one finished frame. Its planes are the worker's own: they are overwritten by its next
// frame.
type Result struct {
	Number       int
	Gain         matte.Gain
	Transmission *plate.Gray
	Foreground   *plate.RGB    // premultiplied, linear light
	Background   *plate.RGB    // fitted to the frame; nil where the recipe has none
	Comp         *plate.RGB    // nil where the recipe has no background
	Sigma        *plate.Gray   // standard deviation of the transmission; nil where the recipe does not ask for it
	Limited      matte.Limited // what the recipe's limits did
}

// RunOptions are the options of a run. The zero value writes nothing and uses all cores.
type RunOptions struct {
	Shard    Shard                 // the part of the take that is done; the zero value is all of it
	Out      string                // the folder that the products and the log go into; "": nothing is written
	Replace  bool                  // overwrite files in Out that were not made with these settings; without it that is an *OccupiedError
	Program  string                // the name and version of the program, for the log: frames of another one are done again
	Jobs     int                   // frames worked on at once; 0: as many as there are cores, within Memory
	Memory   int64                 // bytes, about, that those frames may take together, but one is worked on in any case; 0: DefaultMemory, or no bound where Jobs says how many
	Progress func(done, total int) // called after each frame, one call at a time
	Each     func(*Result) error   // called with each result, from several goroutines at once; with it, finished frames are done again

	StopAtError bool // begin no more frames after one that failed
}

// A Failure is a frame that could not be done.
type Failure struct {
	Frame int    `json:"frame"`
	Error string `json:"error"`
}

// A Report says what a run did.
type Report struct {
	Frames  int                // done
	Kept    int                // of these, the ones that an earlier run had finished: verified, and not done again
	Left    int                // not begun, with StopAtError
	Aside   []string           // paths of files that somebody had changed, moved out of the way
	Failed  []Failure          // in the order of their numbers
	Gains   map[int]float64    // by frame number
	Limited matte.Limited      // what the recipe's limits did, in the mean over the frames that were done now; Most is the largest
	Seconds map[string]float64 // by stage, summed over the workers; "total" by the clock
}

// Run does every frame of the take, or of a shard of it. A frame that fails does not stop the
// others; the report has them. An error means that the run could not begin, that ctx was canceled,
// or that every frame failed.
//
// A run that was stopped goes on where it was. Out has a log (log.jsonl; a shard has its own), JSON
// by lines, with the settings, estimates included, and for each frame the names, sizes and times of
// its inputs, its gain, and the hashes (SHA-256) of its outputs. A frame is not done again where
// the log has its settings and inputs as they are now, and its files have those hashes. A file gets
// its name when it is whole and logged; one that somebody has changed since is moved to the folder
// set-aside. Several shards may run into one folder at once, but not two runs of the same frames.
func (j *Job) Run(ctx context.Context, opt *RunOptions) (*Report, error) {
	if opt == nil {
		opt = &RunOptions{}
	}
	start := time.Now()
	defer j.take.clips.rest()
	if err := opt.Shard.Check(); err != nil {
		return nil, err
	}
	first, end := opt.Shard.Range(len(j.take.Pairs))
	pairs := j.take.Pairs[first:end]
	out, err := j.newOutput(opt, pairs)
	if err != nil {
		return nil, err
	}
	if out != nil {
		defer out.log.close()
	}
	chain, err := NewChain(j.resampler, j.solver)
	if err != nil {
		return nil, err
	}
	report := &Report{Gains: map[int]float64{}, Seconds: map[string]float64{"prepare": j.Seconds}}
	still := j.still()
	var mu sync.Mutex
	group, ctx := errgroup.WithContext(ctx)
	next, stop := make(chan int), make(chan struct{})
	group.Go(func() error {
		defer close(next)
		for i := range pairs {
			select { // by itself, since the next one may choose a worker that waits
			case <-stop:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			default:
			}
			select {
			case next <- i:
			case <-stop:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	for range min(j.jobs(opt), len(pairs)) {
		group.Go(func() error {
			w := worker{job: j, chain: chain, still: still, each: opt.Each, seconds: map[string]float64{}}
			var aside []string // files that the frame's outputs have displaced
			if out != nil {
				var p planes
				w.write = func() (err error) {
					aside, err = out.write(w.index, &w.result, &p)
					return err
				}
			}
			for i := range next {
				gain, kept := 0.0, false
				if out != nil && opt.Each == nil {
					gain, kept = out.finished(first + i)
				}
				var err error
				aside = nil
				if !kept {
					err = w.frame(first + i)
				}
				mu.Lock()
				report.Aside = append(report.Aside, aside...)
				switch {
				case err != nil:
					report.Failed = append(report.Failed, Failure{pairs[i].Number, err.Error()})
					if out != nil {
						out.log.failed(first+i, err) // where the log cannot be written, that is the error
					}
					if opt.StopAtError && len(report.Failed) == 1 {
						close(stop)
					}
				case kept:
					report.Frames++
					report.Kept++
					report.Gains[pairs[i].Number] = gain
				default:
					report.Frames++
					report.Gains[pairs[i].Number] = w.result.Gain.Value
					report.limited(w.result.Limited)
				}
				if opt.Progress != nil {
					opt.Progress(report.Frames+len(report.Failed), len(pairs))
				}
				mu.Unlock()
			}
			mu.Lock()
			defer mu.Unlock()
			for stage, s := range w.seconds {
				report.Seconds[stage] += s
			}
			return nil
		})
	}
	err = group.Wait()
	slices.SortFunc(report.Failed, func(a, b Failure) int { return a.Frame - b.Frame })
	slices.Sort(report.Aside)
	report.Seconds["total"] = j.Seconds + time.Since(start).Seconds()
	if err == nil {
		report.Left = len(pairs) - report.Frames - len(report.Failed)
	}
	if err == nil && report.Left == 0 && report.Frames == 0 && len(report.Failed) > 0 {
		err = fmt.Errorf("every frame failed, the first with: %s", report.Failed[0].Error)
	}
	return report, err
}

// limited adds what the limits did to one more frame to the mean.
func (r *Report) limited(l matte.Limited) {
	part := 1 / float64(r.Frames-r.Kept)
	r.Limited.Floored += (l.Floored - r.Limited.Floored) * part
	r.Limited.Opened += (l.Opened - r.Limited.Opened) * part
	r.Limited.MeanMoved += (l.MeanMoved - r.Limited.MeanMoved) * part
	r.Limited.Most = max(r.Limited.Most, l.Most)
}

// A worker does one frame after the other and keeps the planes between them.
type worker struct {
	job     *Job
	write   func() error // writes the result; nil: nobody does
	each    func(*Result) error
	seconds map[string]float64

	color    *plate.RGB                          // as it was read
	shot     *plate.Gray                         // the band plate, likewise
	band     *plate.Gray                         // the same in the color camera's frame
	change   func(*plate.RGB, *plate.Gray) error // alters the plates before they are solved; nil: nothing does
	scrubs   bool                                // Sigma is made when it is asked for
	solution matte.Solution
	index    int // of the frame in the take
	there    int // in a Scrubber: 1 more than that of the frame whose plates are there, or 0
	chain    *Chain
	still    func() (*plate.RGB, error) // the background of all frames, fitted; nil: each has its own, or the worker must see to it
	back     string                     // the file that the background was read from
	behind   *plate.RGB                 // and what it holds
	result   Result
}

// clock adds the time since start to a stage, and returns the time now.
func (w *worker) clock(stage string, start time.Time) time.Time {
	now := time.Now()
	w.seconds[stage] += now.Sub(start).Seconds()
	return now
}

func (w *worker) frame(i int) error {
	j, t := w.job, w.job.take
	p := t.Pairs[i]
	w.result.Number, w.index = p.Number, i

	at := time.Now()
	if err := w.read(i); err != nil {
		return err
	}
	color := w.color
	at = w.clock("read", at)

	var err error
	if j.onlyComp(w.each != nil) && j.Glare.Strength <= 0 && w.change == nil {
		if w.result.Gain, err = j.gain(p.Number, func() (matte.Gain, error) { return w.chain.gain(color, w.shot) }); err != nil {
			return fmt.Errorf("%s: %w", p.Band, err)
		}
		w.clock("gain", at)
		return w.onePass(p, true)
	}
	w.band = j.resampler.Gray(w.band, w.shot)
	if j.Glare.Strength > 0 {
		if _, err := j.Glare.Remove(w.band, w.band, j.darkBand); err != nil {
			return err
		}
	}
	if w.change != nil {
		w.there = 0
		if err := w.change(color, w.band); err != nil {
			return fmt.Errorf("frame %d: %w", p.Number, err)
		}
	}
	at = w.clock("resample", at)

	frame := matte.Sample{Color: color, Band: w.band}
	if w.result.Gain, err = j.gain(p.Number, func() (matte.Gain, error) { return j.solver.Gain(frame) }); err != nil {
		return fmt.Errorf("%s: %w", p.Band, err)
	}
	at = w.clock("gain", at)

	if j.onlyComp(w.each != nil) {
		return w.onePass(p, false)
	}
	solver := j.solver
	if t.recipe.Tidy {
		solver = solver.With(matte.ClampNone) // Tidy clamps
	}
	if _, err := solver.Solve(&w.solution, color, w.band, w.result.Gain.Value); err != nil {
		return fmt.Errorf("frame %d: %w", p.Number, err)
	}
	if t.recipe.Tidy || t.recipe.needsNoise() && !w.scrubs {
		if t.recipe.Tidy {
			if w.result.Sigma, err = j.solver.Sigma(w.result.Sigma, frame, w.result.Gain.Value, j.ColorNoise.Grain(), j.BandNoise.Grain()); err != nil {
				return fmt.Errorf("frame %d: %w", p.Number, err)
			}
			if _, err := j.solver.Tidy(&w.solution, w.result.Sigma, w.result.Gain.Value); err != nil {
				return err
			}
		}
		if w.result.Sigma, err = j.solver.Sigma(w.result.Sigma, frame, w.result.Gain.Value, j.ColorNoise, j.BandNoise); err != nil {
			return fmt.Errorf("frame %d: %w", p.Number, err)
		}
	}
	if w.result.Limited, err = j.solver.Limit(&w.solution, w.result.Gain.Value, t.recipe.Limits); err != nil {
		return err
	}
	w.result.Transmission, w.result.Foreground = w.solution.Transmission, w.solution.Foreground
	at = w.clock("solve", at)

	if w.result.Background != nil {
		if w.result.Comp, err = composite.HoldOut(w.result.Comp, w.result.Foreground, w.result.Transmission, w.result.Background); err != nil {
			return err
		}
	}
	at = w.clock("composite", at)

	if w.write != nil {
		if err := w.write(); err != nil {
			return err
		}
	}
	at = w.clock("write", at)
	if w.each != nil {
		err = w.each(&w.result)
		w.clock("each", at)
	}
	return err
}

// read reads the frame's plates and its background, unless a Scrubber has them already.
func (w *worker) read(i int) (err error) {
	p := w.job.take.Pairs[i]
	if w.there == i+1 {
		return nil
	}
	w.there = 0
	if w.shot, err = w.job.readBand(w.shot, p); err != nil {
		return err
	}
	if w.color, err = w.job.readColor(w.color, p); err != nil {
		return err
	}
	if err := w.background(i); err != nil {
		return err
	}
	if w.scrubs {
		w.there = i + 1
	}
	return nil
}

// onePass solves and composites a frame in one pass, with no plane of the foreground, and writes
// it. The composite takes the place of the color plate. With resample the band plate is resampled
// in the same pass.
func (w *worker) onePass(p Pair, resample bool) (err error) {
	at := time.Now()
	r := &w.result
	r.Comp = w.color
	if r.Transmission == nil {
		r.Transmission = plate.NewGray(w.color.W, w.color.H)
	}
	if resample {
		err = w.chain.comp(r.Comp, r.Transmission, w.color, w.shot, r.Background, r.Gain.Value, 1)
	} else {
		err = w.chain.resampled(r.Comp, r.Transmission, w.color, w.band, r.Background, r.Gain.Value)
	}
	if err != nil {
		return fmt.Errorf("frame %d: %w", p.Number, err)
	}
	at = w.clock("solve", at)
	if w.write == nil {
		return nil
	}
	err = w.write()
	w.clock("write", at)
	return err
}

// gain returns the gain of one frame, as the recipe asks for it: given, or found. A frame in which
// no screen is certain keeps 1.
func (j *Job) gain(number int, find func() (matte.Gain, error)) (matte.Gain, error) {
	if v, ok := j.givenGain(number); ok {
		return matte.Gain{Value: v}, nil
	}
	g, err := find()
	if errors.Is(err, matte.ErrNoScreen) {
		return matte.Gain{Value: 1}, nil
	}
	return g, err
}

// background reads and fits the frame's background, unless it is the one that is there already.
func (w *worker) background(i int) (err error) {
	j := w.job
	if j.fitter == nil {
		return nil
	}
	if w.still != nil {
		w.result.Background, err = w.still()
		return err
	}
	path := j.backgroundFile(i)
	if path == w.back {
		return nil
	}
	w.back = ""
	if w.behind, w.result.Background, err = j.fitted(w.behind, w.result.Background, path); err != nil {
		return err
	}
	w.back = path
	return nil
}

// still returns a function that reads and fits the background that all frames share, the first time
// that it is called. It is nil where each frame has a background of its own, or none.
func (j *Job) still() func() (*plate.RGB, error) {
	if j.fitter == nil || len(j.take.background) != 1 {
		return nil
	}
	return sync.OnceValues(func() (*plate.RGB, error) {
		_, fitted, err := j.fitted(nil, nil, j.backgroundFile(0))
		return fitted, err
	})
}

// fitted reads the background at path, into picture where that has its size, and fits it, into
// frame where that is not nil.
func (j *Job) fitted(picture, frame *plate.RGB, path string) (*plate.RGB, *plate.RGB, error) {
	into := picture
	if j.fitter.Same() {
		into = frame
	}
	picture, err := j.take.readRGB(into, path, j.take.backgroundCurve, j.take.backgroundPrimaries)
	if err != nil {
		return nil, frame, err
	}
	if j.fitter.Same() && picture.Size() == j.take.colorSize {
		return nil, picture, nil
	}
	if frame, err = j.fitter.RGB(frame, picture); err != nil {
		return picture, nil, fmt.Errorf("%s: %w", path, err)
	}
	return picture, frame, nil
}
