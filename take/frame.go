package take

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"time"

	"example.com/twinplate/composite"
	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A plan says what of a frame there must be as planes, and what is done to them before the
// background is held out. All else is made row by row. It depends on the recipe and on who asks for
// the frame.
type plan struct {
	band       bool // the band plate, in the color camera's frame
	foreground bool // with the transmission; without, the composite takes the color plate's place
	tidy       bool
	sigma      bool
	limits     bool
	unspilled  bool // the performer's spill is taken off; row by row where there is no foreground
	shaped     bool // regions, or the screen's extent, act on it
	unmeasured bool // where the matte is not measured is marked
	keep       bool // the plates are held until the next frame
	cut        bool // there is no background
	live       bool // the next frame comes at once: the background stays, and few rows tell the gain
}

func (j *Job) plan() plan {
	r := &j.take.recipe
	p := plan{band: r.Tidy || j.Glare.Strength > 0, tidy: r.Tidy, limits: r.Limits != (matte.Limits{}), unspilled: r.Spill == "core", shaped: j.regions != nil || j.Extent != nil}
	p.foreground = p.tidy || p.limits || p.shaped || r.Operator != composite.AOverB
	return p
}

// unmeasured reports whether there is anything in a frame whose matte is not measured.
func (j *Job) unmeasured(p plan) bool { return p.unspilled || p.shaped || len(j.unseen) > 0 }

// runPlan is that of Job.Run: of the products that the recipe asks for, and with each of a Result.
func (j *Job) runPlan(each bool) plan {
	r, p := &j.take.recipe, j.plan()
	p.sigma = r.needsNoise()
	p.unmeasured = j.unmeasured(p) || slices.Contains(r.Write, "unmeasured")
	p.band = p.band || p.sigma
	p.foreground = p.foreground || p.unspilled || p.sigma || each || j.backdrop == nil || slices.Contains(r.Write, "foreground") || slices.Contains(r.Write, "unmeasured")
	return p
}

// lookPlan is that of every station of a frame.
func (j *Job) lookPlan() plan {
	p := j.plan()
	p.band, p.foreground, p.keep, p.unmeasured = true, true, true, j.unmeasured(p)
	return p
}

// sumPlan is that of a composite's rows.
func (j *Job) sumPlan(keep bool) plan {
	p := j.plan()
	// The band plate is resampled at once: whoever decodes the other files meanwhile
	// (Scrubber.Files) is not ready yet.
	p.band, p.keep = true, keep || p.foreground || p.unspilled
	return p
}

// cutPlan is that of a foreground's rows.
func (j *Job) cutPlan(keep bool) plan {
	p := j.sumPlan(keep)
	p.cut = true
	return p
}

// livePlan is that of the rows of a frame that is seen for a moment.
func (j *Job) livePlan() plan {
	p := j.plan()
	p.live, p.band = true, p.band || p.foreground || p.unspilled
	return p
}

// livePixels are those that tell the gain of such a frame: a quarter of what others have, which
// takes a quarter of the time; over the noise of a pixel its error is a few thousandths.
const livePixels = matte.GainPixels / 4

// A StationRow is one row of a frame's stations. It is the maker's own, and the next one overwrites
// it.
type StationRow struct {
	Color        [3][]float32 // the color plate, as it is solved
	Band         []float32    // the band plate, in the color camera's frame
	Transmission []float32
	Sum          [3][]float32 // the composite
	Foreground   [3][]float32 // of a row that has no composite: the foreground, premultiplied
}

// A Change alters a frame on its way, to show what goes wrong on a set and in a composite. The zero
// value alters nothing.
type Change struct {
	Plates     func(color *plate.RGB, band *plate.Gray) error // before they are solved; the band plate is in the color camera's frame
	Foreground func(*matte.Solution) error                    // what was solved, before it goes over the background
	Whole      bool                                           // the background is not held out: a double exposure
}

// A Result is one finished frame. Its planes are the worker's own: they are overwritten by its next
// frame.
type Result struct {
	Number         int
	Gain           matte.Gain
	Transmission   *plate.Gray
	Foreground     *plate.RGB       // premultiplied, linear light
	Background     *plate.RGB       // fitted to the frame; nil where the recipe has none
	Comp           *plate.RGB       // nil where the recipe has no background
	CompAlpha      *plate.Gray      // nil where Comp is opaque, as it is but for some operators
	Sigma          *plate.Gray      // standard deviation of the transmission; nil where the recipe does not ask for it
	Limited        matte.Limited    // what the recipe's limits did
	Spill          matte.SpillTaken // what was taken off the performer
	Imposed        float64          // the part of the frame, 0 to 1, that regions changed
	Crossed        float64          // the part of the screen's border, 0 to 1, at which the performer is
	Unmeasured     *plate.Gray      // how much of each pixel's matte is not measured, 0 to 1: outside the band plate, beyond the screen, in regions, and where spill was taken off; nil where all is
	UnmeasuredPart float64          // the part of the frame, 0 to 1, that this is
}

// A runner takes one frame after the other from its files to a result, and keeps the planes between
// them. It is not safe for concurrent use.
type runner struct {
	job     *Job
	cores   int                        // for one frame
	shared  func() (*plate.RGB, error) // the background, where all frames and runners have one; or nil
	seconds map[string]float64         // by stage

	held     int         // 1 more than the index of the frame whose plates are held, or 0
	color    *plate.RGB  // as it is solved
	shot     *plate.Gray // the band plate, as it is resampled
	band     *plate.Gray // the same in the color camera's frame
	lamps    *matte.Gain // how bright they were in the frame that is held; nil: that has not been found
	aligned  bool        // band is of the frame that is held
	back     hung
	solution matte.Solution
	sigma    *plate.Gray
	measured *plate.Gray // the transmission before anybody imposes one, in the rows of imposed
	imposed  [2]int      // the rows in which somebody does, from the first up to the second; of the last frame
	marks    *plate.Gray // where the matte is not measured
	comp     *plate.RGB
	row      *plate.RGB  // of the composite, where no plane of it is asked for
	open     *plate.Gray // a transmission of 1
	joined   *plate.RGBA // the composite by another operator than the default
	alpha    *plate.Gray // of the foreground, for it
}

func (j *Job) newRunner(cores int) *runner {
	return &runner{job: j, cores: cores, seconds: map[string]float64{}}
}

// clock adds the time since start to a stage, and returns the time now.
func (w *runner) clock(stage string, start time.Time) time.Time {
	now := time.Now()
	w.seconds[stage] += now.Sub(start).Seconds()
	return now
}

// frame makes the frame at index i of the take, as the plan has it: it is the one way from the
// files to a result, whoever asks. Change may be nil. Where each is not nil it is called with the
// rows of the composite from the top, as they are made where the plan has no foreground.
func (w *runner) frame(i int, p plan, change *Change, each func(y int, row *StationRow)) (r Result, err error) {
	j, pair := w.job, w.job.take.Pairs[i]
	r.Number = pair.Number
	change = cmp.Or(change, &Change{})
	fail := func(err error) error { return fmt.Errorf("frame %d: %w", pair.Number, err) }

	at := time.Now()
	held := w.held == i+1
	p.keep = p.keep || held
	w.held = 0
	if !held {
		w.lamps, w.aligned = nil, false
		if w.shot, err = j.readBand(w.shot, pair); err != nil {
			return r, err
		}
	}
	at = w.clock("read", at)
	s := solving{shot: w.shot, grade: j.foregroundGrade}
	if p.live {
		s.pixels = livePixels
	}
	if p.band {
		if !w.aligned {
			w.band = j.resampler.Gray(w.band, w.shot)
			if j.Glare.Strength > 0 {
				if _, err := j.Glare.Remove(w.band, w.band, j.darkBand); err != nil {
					return r, err
				}
			}
			w.aligned = true
		}
		s.band = w.band
	}
	at = w.clock("resample", at)

	byRow := each != nil && !p.foreground
	_, given := j.givenGain(pair.Number)
	switch {
	case held:
		s.color = whole{w.color}
	case byRow && !p.unspilled: // whose rows go by twice
		if s.color, err = j.openColor(w.color, p.keep || !given, pair); err != nil {
			return r, err
		}
		defer s.color.close()
	default:
		if w.color, err = j.readColor(w.color, pair); err != nil {
			return r, err
		}
		s.color = whole{w.color}
	}
	if j.backdrop != nil && !p.cut {
		// By another operator there must be planes.
		passes := byRow || each != nil && j.take.recipe.Operator == composite.AOverB
		if s.background, err = w.background(i, passes && !p.live, p.keep); err != nil {
			return r, err
		}
		defer s.background.close()
	}
	if change.Plates != nil {
		w.lamps, w.aligned = nil, false
		if err := change.Plates(w.color, w.band); err != nil {
			return r, fail(err)
		}
		s.shot = nil
	}
	at = w.clock("read", at)

	if w.lamps == nil {
		if !given { // it is found in the plate as a whole
			if _, err := s.color.row(j.colorSize.Y - 1); err != nil {
				return r, fail(err)
			}
		}
		found, err := j.gain(pair.Number, &s)
		if err != nil {
			return r, fmt.Errorf("%s: %w", pair.Band, err)
		}
		w.lamps = &found
	}
	r.Gain = *w.lamps
	s.gain = r.Gain.Value
	at = w.clock("gain", at)

	if byRow && p.unspilled {
		if s.spill, err = w.spill(s); err != nil {
			return r, fail(err)
		}
	}
	if !byRow {
		w.solution.Transmission = w.solution.Transmission.Sized(j.colorSize)
		s.transmission = w.solution.Transmission
	}
	cores := w.cores
	switch {
	case p.foreground:
		w.solution.Foreground = w.solution.Foreground.Sized(j.colorSize)
		s.foreground = w.solution.Foreground
	case byRow:
		s.each, cores = each, 1
	default:
		s.comp = w.color
	}
	if err := j.chain.solve(&s, cores); err != nil {
		return r, fail(err)
	}
	if err := w.filter(&r, p, &s); err != nil {
		return r, fail(err)
	}
	if p.foreground && j.foregroundGrade != nil {
		if err := j.foregroundGrade.Foreground(s.foreground, s.transmission); err != nil {
			return r, fail(err)
		}
	}
	at = w.clock("solve", at)

	r.Transmission, r.Foreground, r.Comp = s.transmission, s.foreground, s.comp
	if s.background != nil {
		r.Background = s.background.plane()
	}
	if p.foreground && (each == nil || s.background != nil && j.take.recipe.Operator != composite.AOverB) {
		err = w.over(&r, i, change)
	}
	if err == nil && p.foreground && each != nil {
		err = w.tell(&r, &s, each)
	}
	if err != nil {
		return r, err
	}
	w.clock("composite", at)
	if kept := s.color.plane(); kept != nil {
		w.color = kept
	}
	if p.keep && change.Plates == nil {
		w.held = i + 1
		if s.background != nil {
			w.back.holds(j.backdrop.hanging(i), r.Background)
		}
	}
	return r, nil
}

// spill returns what takes the spill off the rows of a frame, which is seen in its transmission as
// a whole.
func (w *runner) spill(s solving) (*matte.SpillRows, error) {
	w.solution.Transmission = w.solution.Transmission.Sized(w.job.colorSize)
	s.transmission, s.background, s.grade = w.solution.Transmission, nil, nil
	if err := w.job.chain.solve(&s, w.cores); err != nil {
		return nil, err
	}
	return w.job.solver.SpillRows(s.transmission, s.gain)
}

// tell calls each with the rows of a frame whose foreground is there. Where its composite is not, the
// rows go over the background at once, and that need not be a plane either.
func (w *runner) tell(r *Result, s *solving, each func(y int, row *StationRow)) error {
	w.row = w.row.Sized(image.Pt(r.Foreground.W, 1))
	for y := range r.Foreground.H {
		row := StationRow{Color: s.color.plane().Row(y), Transmission: grayRow(r.Transmission, y)}
		if s.band != nil { // a run's is resampled row by row, and gone
			row.Band = grayRow(s.band, y)
		}
		foreground := r.Foreground.Row(y)
		switch {
		case r.Comp != nil:
			row.Sum = r.Comp.Row(y)
		case s.background != nil:
			background, err := s.background.row(y)
			if err != nil {
				return fmt.Errorf("frame %d: %w", r.Number, err)
			}
			row.Sum = w.row.Row(0)
			for c := range row.Sum {
				kernel.Held(row.Sum[c], foreground[c], row.Transmission, background[c])
			}
		default:
			row.Foreground = foreground
		}
		each(y, &row)
	}
	return nil
}

// gain returns the gain of one frame, as the recipe asks for it: given, or found. A frame in which
// no screen is certain keeps 1.
func (j *Job) gain(number int, s *solving) (matte.Gain, error) {
	if v, ok := j.givenGain(number); ok {
		return matte.Gain{Value: v}, nil
	}
	g, err := j.chain.gain(s)
	if errors.Is(err, matte.ErrNoScreen) {
		return matte.Gain{Value: 1}, nil
	}
	return g, err
}

// gain returns the gain that livePlan has for the frame at index i, and makes nothing of it.
func (w *runner) gain(i int) (g matte.Gain, err error) {
	j, pair := w.job, w.job.take.Pairs[i]
	w.held = 0
	if w.shot, err = j.readBand(w.shot, pair); err != nil {
		return g, err
	}
	if w.color, err = j.readColor(w.color, pair); err != nil {
		return g, err
	}
	if g, err = j.gain(pair.Number, &solving{shot: w.shot, color: whole{w.color}, pixels: livePixels}); err != nil {
		return g, fmt.Errorf("%s: %w", pair.Band, err)
	}
	return g, nil
}

// background returns the background of the frame at index i.
func (w *runner) background(i int, byRow, keep bool) (rows, error) {
	switch {
	case w.shared != nil:
		f, err := w.shared()
		return whole{f}, err
	case byRow:
		return w.job.backdrop.open(&w.back, i, keep)
	}
	err := w.job.backdrop.hang(&w.back, i)
	return whole{w.back.shown}, err
}

// filter does to the planes of a solution what the plan asks for.
func (w *runner) filter(r *Result, p plan, s *solving) (err error) {
	j := w.job
	sample := matte.Sample{Color: s.color.plane(), Band: s.band}
	if p.tidy {
		if w.sigma, err = j.solver.Sigma(w.sigma, sample, s.gain, j.ColorNoise.Grain(), j.BandNoise.Grain()); err != nil {
			return err
		}
		if _, err := j.solver.Tidy(&w.solution, w.sigma, s.gain); err != nil {
			return err
		}
	}
	if p.sigma {
		if w.sigma, err = j.solver.Sigma(w.sigma, sample, s.gain, j.ColorNoise, j.BandNoise); err != nil {
			return err
		}
		r.Sigma = w.sigma
	}
	if w.imposed, err = j.imposed(p, r.Number); err != nil {
		return err
	}
	if p.unmeasured {
		w.marks = w.marks.Sized(j.colorSize)
		clear(w.marks.Pix)
		r.Unmeasured = w.marks
	}
	if w.imposed != [2]int{} && (p.sigma || p.unmeasured) {
		w.measured = w.measured.Sized(j.colorSize)
		copy(imposedOf(w.measured, w.imposed), imposedOf(w.solution.Transmission, w.imposed))
	}
	if p.unspilled && s.spill == nil {
		if r.Spill, err = j.solver.TakeSpill(&w.solution, s.gain, nil); err != nil {
			return err
		}
		if p.unmeasured {
			w.markMoved()
		}
	}
	if p.limits {
		if r.Limited, err = j.solver.Limit(&w.solution, s.gain, j.take.recipe.Limits); err != nil {
			return err
		}
	}
	if p.shaped {
		r.Crossed = j.Extent.Crossed(w.solution.Transmission)
		if err = j.Extent.Beyond(&w.solution); err != nil {
			return err
		}
		did, err := j.solver.Impose(&w.solution, sample.Color, s.gain, j.regions, r.Number)
		if err != nil {
			return err
		}
		if r.Imposed = did.Part; did.Spill.Part > 0 {
			r.Spill = did.Spill
		}
	}
	if p.unmeasured {
		if err := w.mark(r.Number); err != nil {
			return err
		}
		marked := w.marks.Pix
		if len(j.unseen) == 0 {
			marked = imposedOf(w.marks, w.imposed)
		}
		r.UnmeasuredPart = sum(marked) / float64(max(len(w.marks.Pix), 1))
	}
	if p.sigma {
		w.raiseSigma()
	}
	return nil
}

// imposed returns the rows of a frame in which the plan imposes a matte, from the first up to the
// second.
func (j *Job) imposed(p plan, number int) (rows [2]int, err error) {
	if p.unspilled || j.Extent != nil {
		return [2]int{0, j.colorSize.Y}, nil
	}
	if j.regions == nil {
		return rows, nil
	}
	covers, err := j.regions.On(number)
	var all image.Rectangle
	for _, c := range covers {
		if c != nil {
			all = all.Union(c.Bounds)
		}
	}
	return [2]int{all.Min.Y, all.Max.Y}, err
}

// imposedOf returns a plane's pixels in such rows.
func imposedOf(f *plate.Gray, rows [2]int) []float32 { return f.Pix[rows[0]*f.W : rows[1]*f.W] }

// shows is by how much a transmission must be another than was measured to count: more than any
// file of 8 bits shows (chosen by hand).
const shows = 1e-3

// moved reports whether the transmission of a pixel is another than was measured.
func (w *runner) moved(i int) bool {
	return oneIf(w.solution.Transmission.Pix[i]-w.measured.Pix[i]) > 0
}

// markMoved marks the pixels whose transmission is another than was measured. For a turn of a loop
// WebAssembly takes as long as for some of them.
func (w *runner) markMoved() {
	is, was, marks := w.solution.Transmission.Pix, w.measured.Pix, w.marks.Pix
	i := 0
	for ; i <= len(marks)-8; i += 8 {
		a, b := (*[8]float32)(is[i:]), (*[8]float32)(was[i:])
		d0, d1, d2, d3, d4, d5, d6, d7 := a[0]-b[0], a[1]-b[1], a[2]-b[2], a[3]-b[3], a[4]-b[4], a[5]-b[5], a[6]-b[6], a[7]-b[7]
		if d0 == 0 && d1 == 0 && d2 == 0 && d3 == 0 && d4 == 0 && d5 == 0 && d6 == 0 && d7 == 0 {
			continue
		}
		m := (*[8]float32)(marks[i:])
		m[0], m[1], m[2], m[3] = oneIf(d0), oneIf(d1), oneIf(d2), oneIf(d3)
		m[4], m[5], m[6], m[7] = oneIf(d4), oneIf(d5), oneIf(d6), oneIf(d7)
	}
	for ; i < len(marks); i++ {
		marks[i] = oneIf(is[i] - was[i])
	}
}

// oneIf returns 1 where a transmission is another by d, and that counts, and otherwise 0.
func oneIf(d float32) float32 {
	if d > shows || d < -shows {
		return 1
	}
	return 0
}

// mark adds to the marks what the band camera does not see, what lies beyond the screen, and
// regions; those that take spill off, where they did.
func (w *runner) mark(number int) error {
	j, marks := w.job, w.marks.Pix
	for _, i := range j.unseen {
		marks[i] = 1
	}
	if j.Extent != nil {
		for i, inside := range j.Extent.Inside.Pix {
			if beyond := 1 - inside; beyond > marks[i] { // for max WebAssembly calls a function
				marks[i] = beyond
			}
		}
	}
	if j.regions == nil {
		return nil
	}
	covers, err := j.regions.On(number)
	if err != nil {
		return err
	}
	for k, cover := range covers {
		if cover == nil {
			continue
		}
		spill := j.take.recipe.Regions[k].Effect == matte.Unspilled
		for y := cover.Bounds.Min.Y; y < cover.Bounds.Max.Y; y++ {
			from, row := y*j.colorSize.X+cover.Bounds.Min.X, cover.Row(y)
			if !spill {
				kernel.Raise(marks[from:from+len(row)], row)
				continue
			}
			for x, v := range row {
				if i := from + x; v > marks[i] && w.moved(i) {
					marks[i] = v
				}
			}
		}
	}
	return nil
}

// raiseSigma raises sigma where the matte is not measured: outside the band plate alpha may be
// anything, and where somebody says what it is it may be off by as much as that is from what was
// measured.
func (w *runner) raiseSigma() {
	for _, i := range w.job.unseen {
		w.sigma.Pix[i] = 1
	}
	if w.imposed == [2]int{} {
		return
	}
	was, sigma := imposedOf(w.measured, w.imposed), imposedOf(w.sigma, w.imposed)
	for i, t := range imposedOf(w.solution.Transmission, w.imposed) {
		if d := t - was[i]; d != 0 {
			sigma[i] = float32(math.Hypot(float64(sigma[i]), float64(d)))
		}
	}
}

// over lays a foreground over its background.
func (w *runner) over(r *Result, i int, change *Change) (err error) {
	if change.Foreground != nil {
		if err := change.Foreground(&w.solution); err != nil {
			return fmt.Errorf("frame %d: %w", r.Number, err)
		}
	}
	if r.Background == nil {
		return nil
	}
	if op := w.job.take.recipe.Operator; op != composite.AOverB && !change.Whole {
		return w.join(r, op, i)
	}
	t := r.Transmission
	if change.Whole {
		if w.open == nil {
			w.open = plate.NewGray(t.W, t.H)
			w.open.Fill(1)
		}
		t = w.open
	}
	w.comp, err = composite.HoldOut(w.comp, r.Foreground, t, r.Background)
	r.Comp = w.comp
	return err
}

// join is over by an operator other than the default, which may leave the composite transparent.
func (w *runner) join(r *Result, op composite.Operator, i int) (err error) {
	reach, err := w.job.backdrop.reach(i)
	if err != nil {
		return err
	}
	w.alpha = matte.Alpha(w.alpha, r.Transmission)
	performer := &plate.RGBA{RGB: *r.Foreground, A: w.alpha.Pix}
	background := &plate.RGBA{RGB: *r.Background, A: reach.Pix}
	if w.joined, err = composite.Compose(w.joined, op, performer, background); err != nil {
		return err
	}
	r.Comp = &w.joined.RGB
	r.CompAlpha = &plate.Gray{W: w.joined.W, H: w.joined.H, Pix: w.joined.A}
	return nil
}
