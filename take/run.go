package take

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

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

	// InOrder is called with each result in the frames' order, one call at a time. With it finished
	// frames are done again too, and no more frames are begun after one that failed: it is given none
	// that come later.
	InOrder    func(*Result) error
	Foreground bool // results have a foreground, though the recipe does not write it

	taker func() taker // for a worker, in place of InOrder

	StopAtError bool // begin no more frames after one that failed
}

// A taker takes a worker's frames: row is told of each composite's rows, of which there then need
// be no planes, and inOrder is called as InOrder is. Row may be nil.
type taker struct {
	row     func(y int, row *StationRow)
	inOrder func(*Result) error
}

// ordered reports whether all results are wanted, in their order.
func (o *RunOptions) ordered() bool { return o.InOrder != nil || o.taker != nil }

// A Failure is a frame that could not be done.
type Failure struct {
	Frame int    `json:"frame"`
	Error string `json:"error"`
}

// A Report says what a run did.
type Report struct {
	Frames         int                // done
	Kept           int                // of these, the ones that an earlier run had finished: verified, and not done again
	Left           int                // not begun, with StopAtError
	Aside          []string           // paths of files that somebody had changed, moved out of the way
	Failed         []Failure          // in the order of their numbers
	Gains          map[int]float64    // by frame number
	Limited        matte.Limited      // what the recipe's limits did, in the mean over the frames that were done now; Most is the largest
	Spill          matte.SpillTaken   // what was taken off the performer, in the mean likewise
	Imposed        float64            // the part of the frame that regions changed, in the mean likewise
	UnmeasuredPart float64            // the part of the frame in which the matte is not measured, in the mean likewise
	Crossed        []int              // frames, of those that were done now, in which the performer is at the screen's border
	Seconds        map[string]float64 // by stage, summed over the workers; "total" by the clock
}

// Run does every frame of the take, or of a shard of it. A frame that fails does not stop the
// others; the report has them. An error means that the run could not begin, that ctx was canceled,
// that the disk is full (*FullDiskError; the run ends at once), or that every frame failed.
//
// A run that was stopped goes on where it was. Out has a log (log.jsonl; a shard has its own), JSON
// by lines, with the settings, estimates included, and for each frame the names, sizes, times
// and hashes of its inputs (of a large file, the hash of parts of it), its gain, and the hashes
// (SHA-256) of its outputs. A frame is not done again where the log has its settings and inputs as
// they are now, wherever these lie, and its files have those hashes. A file gets
// its name when it is whole and logged; one that somebody has changed since is moved to the folder
// set-aside. Several shards may run into one folder at once; where a run makes frames that another
// is making, the error says who that is.
func (j *Job) Run(ctx context.Context, opt *RunOptions) (*Report, error) {
	opt = cmp.Or(opt, &RunOptions{})
	start := time.Now()
	defer j.files.Rest()
	if err := opt.Shard.Check(); err != nil {
		return nil, err
	}
	if j.left != nil {
		return nil, errNoiseLeft
	}
	first, end := opt.Shard.Range(len(j.take.Pairs))
	r := &run{
		job: j, opt: opt, first: first, pairs: j.take.Pairs[first:end], stop: make(chan struct{}),
		report: Report{Gains: map[int]float64{}, Seconds: map[string]float64{"prepare": j.Seconds}},
	}
	r.turn.L = &r.mu
	if j.backdrop != nil {
		r.shared = j.backdrop.shared()
	}
	var err error
	if r.out, err = j.newOutput(opt, r.pairs); err != nil {
		return nil, err
	}
	if r.out != nil {
		defer r.out.close()
	}
	group, ctx := errgroup.WithContext(ctx)
	next := make(chan int)
	group.Go(func() error { return r.hand(ctx, next) })
	for range min(j.jobs(opt), len(r.pairs)) {
		group.Go(func() error {
			r.work(next)
			return nil
		})
	}
	err = group.Wait()
	report := &r.report
	slices.SortFunc(report.Failed, func(a, b Failure) int { return a.Frame - b.Frame })
	slices.Sort(report.Aside)
	slices.Sort(report.Crossed)
	report.Seconds["total"] = j.Seconds + time.Since(start).Seconds()
	if err == nil && r.full != nil {
		err = &FullDiskError{opt.Out, report.Frames, len(r.pairs), r.full}
	}
	if err == nil {
		report.Left = len(r.pairs) - report.Frames - len(report.Failed)
	}
	if err == nil && report.Left == 0 && report.Frames == 0 && len(report.Failed) > 0 {
		err = fmt.Errorf("every frame failed, the first with: %s", report.Failed[0].Error)
	}
	return report, err
}

// A run is what the workers of one Run share.
type run struct {
	job    *Job
	opt    *RunOptions
	out    *output // nil: nothing is written
	first  int     // index of the first of pairs in the take
	pairs  []FilePair
	shared func() (*plate.RGB, error) // as a runner has it
	stop   chan struct{}              // closed when no more frames are to be begun

	mu      sync.Mutex
	report  Report
	stopped bool
	full    error // of the first frame for which there was no room

	turn   sync.Cond // with mu: whose turn it is for InOrder has changed
	next   int       // whose turn it is, by its place among pairs
	broken bool      // there are no more turns: a frame failed
}

// hand hands out the frames, by their places among pairs.
func (r *run) hand(ctx context.Context, next chan<- int) error {
	defer close(next)
	for i := range r.pairs {
		select { // by itself, since the next one may choose a worker that waits
		case <-r.stop:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		default:
		}
		select {
		case next <- i:
		case <-r.stop:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// work does frames until there are no more.
func (r *run) work(next <-chan int) {
	w := r.job.newRunner(1)
	w.shared = r.shared
	plan := r.job.runPlan(r.opt.Each != nil || r.opt.Foreground)
	to := taker{inOrder: r.opt.InOrder}
	if r.opt.taker != nil {
		to = r.opt.taker()
	}
	var p planes
	for i := range next {
		var d done
		if r.out != nil && r.opt.Each == nil && !r.opt.ordered() {
			d.Gain.Value, d.kept = r.out.finished(r.first + i)
		}
		if !d.kept {
			r.frame(w, plan, &p, &to, i, &d)
		}
		r.note(i, &d)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for stage, s := range w.seconds {
		r.report.Seconds[stage] += s
	}
}

// crossedFrom is the part of the screen's border from which a performer who is there is told.
// Chosen by hand: a hand at a screen's side is twice that.
const crossedFrom = 0.01

// A done frame is what a run's report has of it.
type done struct {
	Result
	kept  bool     // from an earlier run, of which the gain alone is known
	aside []string // files that the frame's outputs have displaced
	err   error
}

// frame makes a frame and hands it to whoever wants it.
func (r *run) frame(w *runner, plan plan, p *planes, to *taker, i int, d *done) {
	if d.Result, d.err = w.frame(r.first+i, plan, nil, to.row); d.err != nil {
		return
	}
	at := time.Now()
	if r.out != nil {
		if d.aside, d.err = r.out.write(r.first+i, &d.Result, p); d.err != nil {
			return
		}
		at = w.clock("write", at)
	}
	if r.opt.Each != nil {
		if d.err = r.opt.Each(&d.Result); d.err != nil {
			return
		}
		at = w.clock("each", at)
	}
	if to.inOrder != nil && r.waits(i) {
		d.err = to.inOrder(&d.Result)
		w.clock("in order", at)
	}
}

// waits waits until it is the frame's turn for InOrder, and reports whether it comes. The frames
// before it are all being made, for they are handed out in order.
func (r *run) waits(i int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for r.next != i && !r.broken {
		r.turn.Wait()
	}
	return !r.broken
}

// note puts a frame that is done, or has failed, into the report.
func (r *run) note(i int, d *done) {
	r.mu.Lock()
	defer r.mu.Unlock()
	report, number := &r.report, r.pairs[i].Number
	report.Aside = append(report.Aside, d.aside...)
	switch {
	case d.err != nil:
		report.Failed = append(report.Failed, Failure{number, d.err.Error()})
		if r.out != nil {
			r.out.log.failed(r.first+i, d.err) // where the log cannot be written, that is the error
		}
		if r.full == nil && full(d.err) {
			r.full = d.err
		}
		if (r.opt.StopAtError || r.opt.ordered() || r.full != nil) && !r.stopped {
			r.stopped = true
			close(r.stop)
		}
		r.broken = true
	case d.kept:
		report.Frames++
		report.Kept++
		report.Gains[number] = d.Gain.Value
	default:
		report.Frames++
		report.Gains[number] = d.Gain.Value
		report.limited(d.Limited)
		report.spill(d.Spill)
		report.Imposed += (d.Imposed - report.Imposed) / float64(report.Frames-report.Kept)
		report.UnmeasuredPart += (d.UnmeasuredPart - report.UnmeasuredPart) / float64(report.Frames-report.Kept)
		if d.Crossed > crossedFrom {
			report.Crossed = append(report.Crossed, number)
		}
	}
	r.next = max(r.next, i+1)
	r.turn.Broadcast()
	if r.opt.Progress != nil {
		r.opt.Progress(report.Frames+len(report.Failed), len(r.pairs))
	}
}

// spill adds what was taken off one more frame to the mean.
func (r *Report) spill(s matte.SpillTaken) {
	part := 1 / float64(r.Frames-r.Kept)
	r.Spill.Part += (s.Part - r.Spill.Part) * part
	r.Spill.Mean += (s.Mean - r.Spill.Mean) * part
	r.Spill.Scatter += (s.Scatter - r.Spill.Scatter) * part
}

// limited adds what the limits did to one more frame to the mean.
func (r *Report) limited(l matte.Limited) {
	part := 1 / float64(r.Frames-r.Kept)
	r.Limited.Floored += (l.Floored - r.Limited.Floored) * part
	r.Limited.Opened += (l.Opened - r.Limited.Opened) * part
	r.Limited.MeanMoved += (l.MeanMoved - r.Limited.MeanMoved) * part
	r.Limited.Most = max(r.Limited.Most, l.Most)
}
