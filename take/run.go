package take

import (
	"context"
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Result is one finished frame. Its planes are the worker's own: they are overwritten by its next frame.
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

// RunOptions hold what a run may be told. The zero value writes nothing and uses all cores.
type RunOptions struct {
	Shard    Shard                 // the part of the take that is done; the zero value is all of it
	Out      string                // the folder that the products go into; "": none is written
	Jobs     int                   // frames worked on at once, which bounds the memory; 0: as many as there are cores
	Progress func(done, total int) // called after each frame, one call at a time
	Each     func(*Result) error   // called with each result, from several goroutines at once
}

// A Failure is a frame that could not be done.
type Failure struct {
	Frame int    `json:"frame"`
	Error string `json:"error"`
}

// A Report says what a run did.
type Report struct {
	Frames  int                // done
	Failed  []Failure          // in the order of their numbers
	Gains   map[int]float64    // by frame number
	Limited matte.Limited      // what the recipe's limits did, in the mean over the frames; Most is the largest
	Seconds map[string]float64 // by stage, summed over the workers; "total" by the clock
}

// Run does every frame of the take, or of a shard of it. A frame that fails does not stop the others; the report has them. An error
// means that the run could not begin, that ctx was canceled, or that every frame failed.
func (j *Job) Run(ctx context.Context, opt *RunOptions) (*Report, error) {
	if opt == nil {
		opt = &RunOptions{}
	}
	start := time.Now()
	if err := opt.Shard.Check(); err != nil {
		return nil, err
	}
	first, end := opt.Shard.Range(len(j.take.Pairs))
	pairs := j.take.Pairs[first:end]
	out, err := j.newOutput(opt.Out)
	if err != nil {
		return nil, err
	}
	chain, err := NewChain(j.resampler, j.solver)
	if err != nil {
		return nil, err
	}
	jobs := opt.Jobs
	if jobs <= 0 {
		jobs = runtime.GOMAXPROCS(0)
	}
	report := &Report{Gains: map[int]float64{}, Seconds: map[string]float64{"prepare": j.Seconds}}
	var mu sync.Mutex
	group, ctx := errgroup.WithContext(ctx)
	next := make(chan int)
	group.Go(func() error {
		defer close(next)
		for i := range pairs {
			select {
			case next <- i:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	for range min(jobs, len(pairs)) {
		group.Go(func() error {
			w := worker{job: j, out: out, chain: chain, each: opt.Each, seconds: map[string]float64{}}
			for i := range next {
				err := w.frame(first + i)
				mu.Lock()
				if err != nil {
					report.Failed = append(report.Failed, Failure{pairs[i].Number, err.Error()})
				} else {
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
	report.Seconds["total"] = j.Seconds + time.Since(start).Seconds()
	if err == nil && report.Frames == 0 && len(report.Failed) > 0 {
		err = fmt.Errorf("every frame failed, the first with: %s", report.Failed[0].Error)
	}
	return report, err
}

// limited adds what the limits did to one more frame to the mean.
func (r *Report) limited(l matte.Limited) {
	part := 1 / float64(r.Frames)
	r.Limited.Floored += (l.Floored - r.Limited.Floored) * part
	r.Limited.Opened += (l.Opened - r.Limited.Opened) * part
	r.Limited.MeanMoved += (l.MeanMoved - r.Limited.MeanMoved) * part
	r.Limited.Most = max(r.Limited.Most, l.Most)
}

// A worker does one frame after the other and keeps the planes between them.
type worker struct {
	job     *Job
	out     *output
	each    func(*Result) error
	seconds map[string]float64

	color    *plate.RGB                          // as it was read
	band     *plate.Gray                         // in the color camera's frame
	change   func(*plate.RGB, *plate.Gray) error // alters the plates before they are solved; nil: nothing does
	solution matte.Solution
	alpha    *plate.Gray
	chain    *Chain
	back     string // the file that background was read from
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
	w.result.Number = p.Number

	at := time.Now()
	color, err := t.readColor(p)
	if err != nil {
		return err
	}
	band, err := t.readBand(p)
	if err != nil {
		return err
	}
	if err := w.background(i); err != nil {
		return err
	}
	at = w.clock("read", at)

	w.band = j.resampler.Gray(w.band, band)
	if j.Glare.Strength > 0 {
		if _, err := j.Glare.Remove(w.band, w.band, j.darkBand); err != nil {
			return err
		}
	}
	if w.color = color; w.change != nil {
		if err := w.change(color, w.band); err != nil {
			return fmt.Errorf("frame %d: %w", p.Number, err)
		}
	}
	at = w.clock("resample", at)

	frame := matte.Sample{Color: color, Band: w.band}
	if w.result.Gain, err = j.gain(p.Number, frame); err != nil {
		return fmt.Errorf("%s: %w", p.Band, err)
	}
	at = w.clock("gain", at)

	if w.onlyComp() {
		return w.onePass(color)
	}
	solver := j.solver
	if t.recipe.Tidy {
		solver = solver.With(matte.ClampNone) // Tidy clamps
	}
	if _, err := solver.Solve(&w.solution, color, w.band, w.result.Gain.Value); err != nil {
		return fmt.Errorf("frame %d: %w", p.Number, err)
	}
	if t.recipe.needsNoise() {
		if w.result.Sigma, err = j.solver.Sigma(w.result.Sigma, frame, w.result.Gain.Value, j.ColorNoise, j.BandNoise); err != nil {
			return fmt.Errorf("frame %d: %w", p.Number, err)
		}
	}
	if t.recipe.Tidy {
		if _, err := j.solver.Tidy(&w.solution, w.result.Sigma, w.result.Gain.Value); err != nil {
			return err
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

	if err := w.out.write(&w.result, &w.alpha); err != nil {
		return err
	}
	at = w.clock("write", at)
	if w.each != nil {
		err = w.each(&w.result)
		w.clock("each", at)
	}
	return err
}

// onlyComp tells that nobody wants more of a frame than its composite, transmission and alpha.
func (w *worker) onlyComp() bool {
	r := &w.job.take.recipe
	return w.result.Background != nil && w.each == nil && r.Limits == (matte.Limits{}) &&
		!slices.Contains(r.Write, "foreground") && !r.needsNoise()
}

// onePass solves and composites a frame in one pass, with no plane of the foreground, and writes it.
func (w *worker) onePass(color *plate.RGB) error {
	at := time.Now()
	r := &w.result
	if r.Comp == nil {
		r.Comp = plate.NewRGB(color.W, color.H)
		r.Transmission = plate.NewGray(color.W, color.H)
	}
	if err := w.chain.resampled(r.Comp, r.Transmission, color, w.band, r.Background, r.Gain.Value); err != nil {
		return fmt.Errorf("frame %d: %w", r.Number, err)
	}
	at = w.clock("solve", at)
	err := w.out.write(r, &w.alpha)
	w.clock("write", at)
	return err
}

// gain returns the gain of one frame, as the recipe asks for it. A frame in which no screen is certain keeps 1.
func (j *Job) gain(number int, frame matte.Sample) (matte.Gain, error) {
	switch g := j.take.recipe.Gain; g.Mode {
	case "none":
		return matte.Gain{Value: 1}, nil
	case "given":
		if v, ok := g.Value[number]; ok {
			return matte.Gain{Value: v}, nil
		}
	}
	g, err := j.solver.Gain(frame)
	if errors.Is(err, matte.ErrNoScreen) {
		return matte.Gain{Value: 1}, nil
	}
	return g, err
}

// background reads and fits the frame's background, unless it is the one that is there already.
func (w *worker) background(i int) error {
	j := w.job
	if j.fitter == nil {
		return nil
	}
	path := j.backgroundFile(i)
	if path == w.back {
		return nil
	}
	f, err := plate.ReadRGB(path, j.take.backgroundCurve, nil)
	if err != nil {
		return err
	}
	w.back = ""
	if w.result.Background, err = j.fitter.RGB(w.result.Background, f); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	w.back = path
	return nil
}

// An output writes the products of each frame.
type output struct {
	dir       string
	products  []string
	extension string
	options   map[string]*plate.WriteOptions
}

func (j *Job) newOutput(dir string) (*output, error) {
	if dir == "" {
		return nil, nil
	}
	r := j.take.recipe
	o := &output{dir: dir, products: r.Write, extension: ".png", options: map[string]*plate.WriteOptions{}}
	if r.Format == "tiff" {
		o.extension = ".tif"
	}
	if len(o.products) == 0 {
		o.products = []string{"matte"}
		if j.fitter != nil {
			o.products = []string{"comp", "matte"}
		}
	}
	inputs := map[string]bool{}
	for _, p := range j.take.Pairs {
		for _, path := range []string{p.Color, p.Band} {
			if abs, err := filepath.Abs(path); err == nil {
				inputs[abs] = true
			}
		}
	}
	for _, f := range j.take.background {
		if abs, err := filepath.Abs(f.Path); err == nil {
			inputs[abs] = true
		}
	}
	for _, product := range o.products {
		curve := j.take.outputCurve
		switch product {
		case "comp":
			if j.fitter == nil {
				return nil, errors.New("a comp is asked for and no background is given: give one, or write only matte, foreground or transmission")
			}
		case "matte", "transmission", "sigma":
			curve = plate.Linear
		}
		o.options[product] = &plate.WriteOptions{Curve: curve, Depth: r.Depth}
		for _, p := range j.take.Pairs {
			if abs, err := filepath.Abs(o.path(product, p.Number)); err == nil && inputs[abs] {
				return nil, fmt.Errorf("%s: the output would overwrite this input: choose another output folder", abs)
			}
		}
		if err := os.MkdirAll(filepath.Join(dir, product), 0o777); err != nil {
			return nil, fmt.Errorf("the output folder cannot be made: %w", err)
		}
		probe, err := os.CreateTemp(filepath.Join(dir, product), ".writable-*")
		if err != nil {
			return nil, fmt.Errorf("the output folder cannot be written to: %w", err)
		}
		probe.Close()
		os.Remove(probe.Name())
	}
	return o, nil
}

func (o *output) path(product string, number int) string {
	return filepath.Join(o.dir, product, fmt.Sprintf("%04d%s", number, o.extension))
}

// write writes the products of one frame; the plane of alpha is the caller's, and is made when it is needed.
func (o *output) write(r *Result, alpha **plate.Gray) error {
	if o == nil {
		return nil
	}
	for _, product := range o.products {
		var frame image.Image
		switch product {
		case "comp":
			frame = r.Comp
		case "matte":
			*alpha = matte.Alpha(*alpha, r.Transmission)
			frame = *alpha
		case "foreground":
			frame = r.Foreground
		case "transmission":
			frame = r.Transmission
		case "sigma":
			frame = r.Sigma
		}
		if err := plate.Write(o.path(product, r.Number), frame, o.options[product]); err != nil {
			return err
		}
	}
	return nil
}
