package take

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
)

// A GainPoint is the lamps' gain in one frame.
type GainPoint struct {
	Frame int     `json:"frame"`
	Gain  float64 `json:"gain"`
	Sigma float64 `json:"sigma"`
}

// A Checkup is what Check read from a take.
type Checkup struct {
	Readings reading.List
	Gains    []GainPoint
	FPS      float64
	Flicker  matte.Flicker
	Side     float64 // where spill comes from: -1 the left of the frame, 1 its right
	Through  float64 // mean transmission of the performer's core, 0 to 1; 0 where there is no core
	// ThroughSigma is its standard error: by the crosstalk's own, the gain's, and the noise of a
	// square of matte.FindSpill. What no dark plate tells is not in it.
	ThroughSigma float64
	Notes        []string
	Job          *Job // that the readings are of; nil where the plates cannot be brought together

	Frame  int         // the number of the frame that the pictures show
	Color  *plate.RGB  // the color plate
	Band   *plate.Gray // the band plate in the color plate's frame
	Alpha  *plate.Gray // the matte
	Spill  *plate.Gray // the transmission where the performer should be solid, and 0 elsewhere
	Leaky  *plate.Gray // the same with the set light still in the band plate: before the crosstalk is taken off
	Sigma  *plate.Gray // the noise of alpha
	Screen *plate.Gray // the clean band plate without its dark plate: shot, rebuilt or fitted
	Levels []float64   // how much of the band plates lies at each level of light, 0 to full scale, in equal steps

	// Agreement is how much the recordings' motion agrees, 0 to 1, by the band frames that are held
	// against the color frames: 0 for those that are paired, 1 for the ones after them. Nil where
	// it was not looked at.
	Agreement [][2]float64
}

// CheckOptions are the options of Check. The zero value means the defaults.
type CheckOptions struct {
	FPS      float64               // frames a second, for the lamps' beat in hertz; 0: in cycles a frame
	Progress func(done, total int) // called while the gains are read, one call at a time
}

const (
	checkSamples = 6   // frames that the plates are read from
	checkGains   = 120 // frames that the lamps are watched over, from the take's first
	checkLevels  = 64
)

// What readings are judged by, beside those limits that a plan has too (package reading). They are
// chosen by hand; not measured by themselves.
var (
	bandClips  = reading.Thresholds{Good: 0.02, Watch: 0.1} // % of the frame that clips in the band plates
	colorClips = reading.Thresholds{Good: 1, Watch: 100}    // the same of the color plates: never worse than to watch
	spills     = reading.Thresholds{Good: 10, Watch: 30}    // % of the performer's core
	offsets    = reading.Thresholds{Good: 0.6, Watch: 1.2}  // pixels that edges are apart
	swings     = reading.Thresholds{Good: 25, Watch: 60}    // % of flicker, peak to peak
)

const (
	clippedBad   = 0.001 // of the frame, from which the screen counts as clipped: bandClips.Watch
	headroomGood = 0.1   // stops above the screen
	noiseHides   = 5     // % of alpha from which spill cannot be told from noise
	leastCore    = 0.001 // of the frame, that tells spill
	oneSide      = 0.2   // of Spill.Side, from which light comes from one side
	focusWatch   = 1.6   // pixels
)

func (t *Take) Check(ctx context.Context, opt *CheckOptions) (*Checkup, error) {
	defer t.files.Rest()
	opt = cmp.Or(opt, &CheckOptions{})
	c := &checker{t: t, out: &Checkup{FPS: opt.FPS}}
	if err := c.clocks(ctx); err != nil {
		return nil, err
	}
	if err := c.levels(ctx); err != nil {
		return nil, err
	}
	job, err := c.prepare(ctx)
	if err != nil {
		return nil, err
	}
	if job != nil {
		c.files()
		for _, step := range []func(context.Context) error{c.matte, func(ctx context.Context) error { return c.lamps(ctx, opt.Progress) }} {
			if err := step(ctx); err != nil {
				return nil, err
			}
		}
	}
	notes := c.t.Notes()
	c.out.Notes = append(c.out.Notes, notes...)
	if job != nil {
		c.out.Notes = append(c.out.Notes, job.Notes[min(len(notes), len(job.Notes)):]...)
		c.out.Notes = append(c.out.Notes, job.Warnings...)
	}
	for _, w := range c.t.warnings { // that came after the job
		if !slices.Contains(c.out.Notes, w) {
			c.out.Notes = append(c.out.Notes, w)
		}
	}
	c.complete()
	return c.out, nil
}

// A checker gathers readings.
type checker struct {
	t       *Take
	out     *Checkup
	job     *Job
	why     string  // why there is no job
	clipped bool    // the band plates are
	leak    float64 // mean transmission of the core from set light
	share   float64 // standard error of how much of the core lets light through
}

func (c *checker) add(name, title string, value float64, unit string, v reading.Verdict, meaning, advice string) {
	c.out.Readings = append(c.out.Readings, reading.New(name, title, value, unit, v, meaning, advice))
}

// levels reads the band plates as the camera made them: their level and what is clipped.
func (c *checker) levels(ctx context.Context) error {
	_, some, err := sampled(ctx, c.t, c.t.whole, checkSamples, c.t.readSample)
	if err != nil {
		return err
	}
	c.level(some...)
	return nil
}

// level is levels of these frames, whose band plates are as the camera made them.
func (c *checker) level(some ...matte.Sample) {
	t := c.t
	full := t.fullBand()
	counts := make([]float64, checkLevels)
	var level, clipped, colorClipped, pixels float64
	for _, s := range some {
		color, band := s.Color, s.Band
		// A camera may clip below the file's top code: then many pixels have the very same highest
		// value.
		const (
			topLeast  = 0.3   // of full scale, below which nothing clips
			topFile   = 0.998 // of full scale, from which the file itself clips
			topCamera = 500   // one pixel in so many of one value: noise makes no two alike
		)
		top := slices.Max(band.Pix)
		atTop := 0
		for _, v := range band.Pix {
			counts[min(max(int(float64(v)/full*checkLevels), 0), checkLevels-1)]++
			if v >= top {
				atTop++
			}
		}
		if float64(top) > topLeast*full && (float64(top) > topFile*full || atTop > len(band.Pix)/topCamera) {
			clipped += float64(atTop)
		}
		const rounding = 0.9999 // of the top
		colorTop := t.colorCurve.ToLinear(1) * white(t.colorVia) * rounding
		for i := range color.Pix[0] {
			if float64(max(color.Pix[0][i], color.Pix[1][i], color.Pix[2][i])) >= colorTop {
				colorClipped++
			}
		}
		pixels += float64(len(band.Pix))
		level = max(level, float64(percentile(band.Pix, brightest))/full)
	}
	for i := range counts {
		counts[i] /= pixels
	}
	c.out.Levels = counts
	clipped /= pixels
	c.clipped = clipped > clippedBad

	v := reading.Good
	meaning, advice := "The screen sits well within the band camera's range.", ""
	switch {
	case clipped > clippedBad:
		v, meaning, advice = reading.Bad, "The screen is brighter than the band camera can hold: where it clips, the matte is wrong.", "Close the band camera's iris, or dim the screen, until nothing clips."
	case reading.Level.Judge(level) == reading.Bad:
		v, meaning, advice = reading.Bad, "The screen is so dark in the band camera that noise eats the matte.", "Open the band camera's iris, raise its gain last, or light the screen more."
	case reading.Level.Judge(level) == reading.Watch:
		v, meaning, advice = reading.Watch, "The screen is darker in the band camera than it need be.", "Open the band camera's iris by a stop or more."
	}
	c.add("band_level", "Band level", 100*level, "% of full scale", v, meaning, advice)
	v, meaning, advice = reading.Good, "There is room for the lamps to rise.", ""
	headroom := -math.Log2(level)
	if clipped > clippedBad {
		v, meaning, advice = reading.Bad, "There is no room: the screen clips.", "Close the band camera's iris by half a stop at least."
	} else if headroom < headroomGood {
		v, meaning, advice = reading.Watch, "The lamps' drift may carry the screen into clipping.", "Close the band camera's iris by a third of a stop."
	}
	c.add("headroom", "Headroom", headroom, "stops", v, meaning, advice)
	v, meaning, advice = bandClips.Judge(100*clipped), "Nothing of the band plate clips.", ""
	if v != reading.Good {
		meaning, advice = "Part of the band plate clips: its true level is lost there.", "Close the band camera's iris, and look for lamps reflected in shiny things."
	}
	c.add("band_clipped", "Band clipped", 100*clipped, "% of the frame", v, meaning, advice)
	v, meaning, advice = colorClips.Judge(100*colorClipped/pixels), "The color plate holds its highlights.", ""
	if v != reading.Good {
		meaning, advice = "The color plate's highlights clip: they come out flat, and so does what crosstalk is taken from.", "Close the color camera's iris, or flag what shines."
	}
	c.add("color_clipped", "Color clipped", 100*colorClipped/pixels, "% of the frame", v, meaning, advice)
}

// fullBand returns the most light that a band plate can hold.
func (t *Take) fullBand() float64 {
	full := t.bandCurve.ToLinear(1) * white(t.bandVia)
	if w := t.weights; w != nil {
		full *= float64(w[0] + w[1] + w[2])
	}
	return full
}

// percentile returns the value that the part q of pix does not exceed, from fewer than 100000 of
// them.
func percentile(pix []float32, q float64) float32 {
	const enough = 50000 // for a percentile that is itself known to a twentieth or better
	return robust.Quantile(robust.Sampled(pix, enough), q)
}

// prepare makes the job. Where the plates cannot be brought together there is none, and the
// readings that need one are unknown.
func (c *checker) prepare(ctx context.Context) (*Job, error) {
	job, err := c.t.Prepare(ctx)
	if err == nil {
		c.job, c.out.Job = job, job
		return job, nil
	}
	if ctx.Err() != nil {
		return nil, err
	}
	for _, e := range []error{align.ErrNoSilhouettes, align.ErrNoMatch, matte.ErrNoScreen} {
		if errors.Is(err, e) {
			c.why = err.Error()
			return nil, nil
		}
	}
	return nil, err
}

// matte reads what the solution of a few frames shows: evenness, spill, crosstalk, noise, focus,
// registration.
func (c *checker) matte(ctx context.Context) error {
	j := &preparation{Job: c.job}
	if err := j.noise(ctx); err != nil {
		return err
	}
	c.out.Screen = j.solver.Screen()
	c.evenness()

	free := j.solver.With(matte.ClampNone)
	frames, err := j.sample(ctx, checkSamples)
	if err != nil {
		return err
	}
	some := j.sampled
	var spill matte.Spill
	var core, sigmas, n float64
	for k, f := range frames {
		if err := ctx.Err(); err != nil {
			return err
		}
		g, err := j.gain(some[k].Number, &solving{color: whole{f.Color}, band: f.Band})
		if err != nil {
			return err
		}
		s, p, err := c.solid(free, f, g.Value)
		if err != nil {
			return err
		}
		sigma, err := j.solver.Sigma(nil, f, g.Value, j.ColorNoise.Grain(), j.BandNoise.Grain())
		if err != nil {
			return err
		}
		sum, seen := variance(sigma)
		sigmas, n = sigmas+sum, n+seen
		shared, err := c.shared(f, g.Value, p.Map, sigma)
		if err != nil {
			return err
		}
		through, share := spillErrors(p, g, shared, math.Sqrt(sum/max(seen, 1)))
		c.out.ThroughSigma += through * p.Core
		c.share += share * p.Core
		leaky, leak := c.leaky(f.Color, p.Map, g.Value)
		c.leak += leak * p.Core
		spill.Mean += p.Mean * p.Core
		spill.High = max(spill.High, p.High)
		spill.Share += p.Share * p.Core
		spill.Side += p.Side * p.Core
		core += p.Core
		if k == len(frames)/2 {
			c.out.Frame, c.out.Color, c.out.Band = some[k].Number, f.Color, f.Band
			c.out.Alpha, c.out.Spill, c.out.Leaky, c.out.Sigma = matte.Alpha(nil, s.Transmission), p.Map, leaky, sigma
		}
	}
	if core > 0 {
		spill.Mean, spill.Share, spill.Side = spill.Mean/core, spill.Share/core, spill.Side/core
		c.leak /= core
		c.out.ThroughSigma, c.share = c.out.ThroughSigma/core, c.share/core // the frames share it: more of them do not lower it
	}
	c.out.Through = spill.Mean
	noise := 100 * math.Sqrt(sigmas/max(n, 1))
	if noise > noiseHides {
		core = 0
	}
	c.spill(spill, core/float64(len(frames)))
	c.crosstalk(spill.Mean)
	c.noise(noise)
	if err := c.focus(ctx); err != nil {
		return err
	}
	return c.registration(ctx)
}

// solid solves a frame, by a solver that clamps nothing, and finds the spill on the performer.
func (c *checker) solid(free *matte.Solver, f matte.Sample, gain float64) (*matte.Solution, matte.Spill, error) {
	s, err := free.Solve(nil, f.Color, f.Band, gain)
	if err != nil {
		return nil, matte.Spill{}, err
	}
	p := matte.FindSpill(s.Transmission)
	if c.t.darkBand == nil {
		// Without a dark plate the camera's own pedestal looks like spill that is the same
		// everywhere.
		level := s.Transmission.Clone()
		for i := range level.Pix {
			level.Pix[i] -= float32(p.Low)
		}
		p = matte.FindSpill(level)
	}
	return s, p, nil
}

// shared returns the part of the error of a core's transmission that its pixels share, in the mean:
// that of the crosstalk. grain is the error without it, and core is 0 where there is none.
func (c *checker) shared(f matte.Sample, gain float64, core, grain *plate.Gray) (float64, error) {
	all, err := c.job.solver.Sigma(nil, f, gain, c.job.ColorNoise, c.job.BandNoise)
	if err != nil {
		return 0, err
	}
	sum, n := 0.0, 0
	for i, v := range core.Pix {
		if v != 0 {
			a, b := float64(all.Pix[i]), float64(grain.Pix[i])
			sum += math.Sqrt(max(a*a-b*b, 0))
			n++
		}
	}
	return sum / float64(max(n, 1)), nil
}

// spillErrors returns the standard errors of the mean transmission of a core, and of how much of it
// lets light through. noise is the matte's, of one pixel.
func spillErrors(p matte.Spill, g matte.Gain, shared, noise float64) (through, share float64) {
	// A square's value is the median over a hundred pixels or more, whose error is 1.25 times a
	// mean's (Kendall and Stuart, The Advanced Theory of Statistics, 10.11; not checked against the
	// source).
	const square = 1.25 / 10
	through = math.Hypot(math.Hypot(shared, p.Mean*g.Sigma/g.Value), square*noise)
	return through, (p.Above(matte.SpillLevel-through) - p.Above(matte.SpillLevel+through)) / 2
}

// variance returns the sum of the squares of a matte's noise, and over how many pixels it is.
func variance(sigma *plate.Gray) (sum, n float64) {
	for _, v := range sigma.Pix {
		if v > 0 {
			sum += float64(v) * float64(v)
			n++
		}
	}
	return sum, n
}

// noise judges the noise of the matte, in % of alpha.
func (c *checker) noise(noise float64) {
	v, meaning, advice := reading.Noise.Judge(noise), "The matte's noise will not be seen.", ""
	if c.clipped {
		noise, meaning, advice = math.NaN(), "A screen that clips has no noise to measure.", "Mend the clipping, and shoot the test again."
	} else if v != reading.Good {
		meaning, advice = "The cameras' noise makes the matte grainy.", "Light the screen more, open the band camera's iris, or lower its gain."
	}
	c.add("matte_noise", "Noise of the matte", noise, "% of alpha", v, meaning, advice)
}

// files reads whether the plates are what they are called.
func (c *checker) files() {
	n := len(c.job.Suspicions)
	v, meaning, advice := reading.Good, "The plates are what they are called, as far as they tell.", ""
	if n > 0 {
		v, meaning = reading.Bad, "A plate is not what it is called: "+strings.Join(c.job.Suspicions, "; ")+"."
		advice = "Look at that file, and shoot it again before the set is struck."
	}
	c.add("files", "Wrong plates", float64(n), "suspicions", v, meaning, advice)
}

func (c *checker) evenness() {
	const unseen = 1024 // one part in so many of the screen's light, ten stops down, is no screen
	smooth := c.out.Screen
	bright := percentile(smooth.Pix, brightest)
	lit := list.Where(smooth.Pix, func(v float32) bool { return v > bright/unseen })
	if len(lit) == 0 || bright <= 0 {
		c.add("evenness", "Evenness of the screen", math.NaN(), "stops", reading.Unknown, "No screen is seen.", "")
		return
	}
	stops := math.Log2(float64(bright / percentile(lit, darkestPart)))
	v, meaning, advice := reading.Evenness.Judge(stops), "The screen is even enough: what is left is divided out.", ""
	if v != reading.Good {
		meaning, advice = "The screen falls off so far that its dark parts are noisy in the matte.", "Light the dark parts of the screen, or move the lamps back from it."
	}
	c.add("evenness", "Evenness of the screen", stops, "stops, brightest to darkest", v, meaning, advice)
}

func (c *checker) spill(s matte.Spill, core float64) {
	if core < leastCore {
		c.add("spill", "Spill on the performer", math.NaN(), "% of the performer's core", reading.Unknown, "Nothing is certainly performer: nobody stands before the screen, or noise hides them.", "Let the performer stand in for the test shot, before a brighter screen.")
		return
	}
	v := spills.Judge(100 * s.Share)
	meaning, advice := "The performer is solid.", ""
	if v != reading.Good {
		side, flag := "from all around", "Move the performer away from the screen, and flag the screen's edges."
		if s.Side < -oneSide {
			side, flag = "from the left of the frame", "Flag the left side of the screen, or move the performer away from it."
		} else if s.Side > oneSide {
			side, flag = "from the right of the frame", "Flag the right side of the screen, or move the performer away from it."
		}
		meaning = fmt.Sprintf("Sodium light falls on the performer %s: %.0f %% of the core lets %.1f %% and more of the background through, up to %.1f %%.", side, 100*s.Share, 1.0, 100*s.High)
		advice = flag
	}
	if c.t.darkBand == nil {
		meaning += " Without a dark band plate, spill that is the same everywhere cannot be told."
		advice = cmp.Or(advice, "Shoot a dark plate: cap the band camera's lens for a second.")
	}
	c.out.Side = s.Side
	c.add("spill", "Spill on the performer", 100*s.Share, "% of the performer's core", v, meaning, advice)
	sigma := 100 * c.share
	c.out.Readings[len(c.out.Readings)-1].Sigma = &sigma
}

// leaky returns the transmission that the performer's core would have were the set light not taken
// off, and by how much that is more in the mean. The core is where the map of spill is not 0.
func (c *checker) leaky(color *plate.RGB, core *plate.Gray, gain float64) (*plate.Gray, float64) {
	out := core.Clone()
	sum, n := 0.0, 0
	for i, v := range core.Pix {
		screen := float64(c.out.Screen.Pix[i])
		if v == 0 || screen == 0 {
			continue
		}
		leak := 0.0
		for ch, m := range c.job.Crosstalk {
			p := float64(color.Pix[ch][i])
			if d := c.t.darkColor; d != nil {
				p -= float64(d.Pix[ch][i])
			}
			leak += m * p / (gain * screen)
		}
		out.Pix[i] += float32(leak)
		sum += leak
		n++
	}
	return out, sum / max(float64(n), 1)
}

// crosstalk reads m and K; after is the core's mean transmission once m is taken off.
func (c *checker) crosstalk(after float64) {
	j := c.job
	m := 100 * slices.Max(j.Crosstalk[:])
	v, meaning, advice := reading.Leak.Judge(m), "Little set light reaches the band camera, and it is taken off.", ""
	switch {
	case j.take.recipe.Crosstalk.Mode == "none" || j.take.recipe.Crosstalk.Mode != "given" && j.CrosstalkSigma == [3]float64{}:
		m, meaning, advice = math.NaN(), "No part of the performer is plain and lit enough to tell.", "Light the performer for the test shot."
	case v != reading.Good:
		meaning, advice = "Much set light reaches the band camera: it is taken off, and its noise stays.", "Check that the band camera's filter is in place and square to the lens; take yellow out of the set light."
	}
	if !math.IsNaN(m) {
		meaning += fmt.Sprintf(" The performer's core lets %.2f %% through before, and %.2f %% after.", 100*(after+c.leak), 100*after)
	}
	c.add("crosstalk_band", "Set light in the band", m, "% (the strongest of red, green, blue)", v, meaning, advice)

	k := math.NaN()
	if j.ScreenColor != nil {
		k = 100 * slices.Max(j.ScreenColor.Ratio[:]) * float64(percentile(c.out.Screen.Pix, brightest))
	} else if clean := j.take.cleanColor; clean != nil {
		dark := matte.Subtract(nil, clean, j.take.darkColor)
		k = 0
		for ch := range 3 {
			k = max(k, 100*float64(percentile(dark.Pix[ch], brightest)))
		}
	}
	v, meaning, advice = reading.Leak.Judge(k), "Little of the screen reaches the color camera, and it is taken off.", ""
	if math.IsNaN(k) {
		meaning, advice = "No open screen is seen.", "Leave part of the screen open in the test shot."
	} else if v != reading.Good {
		meaning, advice = "Much of the screen reaches the color camera: it is taken off, and its noise stays.", "Check the color camera's blocking filter, and that the lens is not wider than it allows."
	}
	c.add("crosstalk_color", "Screen light in color", k, "% of full scale (the strongest of red, green, blue)", v, meaning, advice)
}

func (c *checker) focus(ctx context.Context) error {
	f, ok, err := (&preparation{Job: c.job}).softness(ctx)
	if err != nil {
		return err
	}
	if !ok || f.Edges == 0 {
		c.add("focus", "Focus difference", math.NaN(), "px", reading.Unknown, "No outline is seen in both plates.", "Let the performer hold a sheet of white card before the screen.")
		return nil
	}
	v, meaning, advice := reading.Good, "Both cameras are equally sharp.", ""
	if f.Told(leastTold) {
		which := "band"
		if f.Difference < 0 {
			which = "color"
		}
		if v = reading.Watch; math.Abs(f.Difference) > focusWatch {
			v = reading.Bad
		}
		meaning = fmt.Sprintf("The %s camera is softer than the other: the matte's edge and the picture's do not fit.", which)
		advice = fmt.Sprintf("Focus the %s camera anew, and give both the same iris.", which)
	}
	c.add("focus", "Focus difference", f.Difference, "px (positive: the band plate is softer)", v, meaning, advice)
	return nil
}

func (c *checker) registration(ctx context.Context) error {
	j := c.job
	residual := j.Residual
	if residual == 0 {
		var err error
		if residual, err = c.t.Residual(ctx, j.Geometry); err != nil {
			return err
		}
	}
	v, meaning, advice := offsets.Judge(residual), "The two plates fit.", ""
	if math.IsNaN(residual) {
		meaning, advice = "No outline is seen in both plates.", "Let the performer stand before the screen for the test shot."
	} else if v != reading.Good {
		meaning, advice = "The two plates do not fit everywhere.", "Lock the cameras to each other and to the splitter; make sure that both see the same moment and are in focus; shoot a chart."
	}
	c.add("registration", "Registration residual", residual, "px", v, meaning, advice)
	return nil
}

// clocks reports whether the paired frames are of the same instants. Where they are not, all other
// readings are taken from those that are.
func (c *checker) clocks(ctx context.Context) error {
	const title, unit = "Frame offset", "frames"
	timing, err := c.t.CheckTiming(ctx)
	if err != nil {
		return err
	}
	e := timing.Motion
	if e == nil {
		c.add("frame_offset", title, math.NaN(), unit, reading.Unknown, "The test shot does not tell: "+timing.Unsure+".", "Shoot two seconds in which the performer waves an arm, and not in a steady rhythm.")
		return nil
	}
	for _, a := range slices.Backward(e.Agreement) {
		c.out.Agreement = append(c.out.Agreement, [2]float64{-a[0], a[1]})
	}
	offset := -e.Frames
	if offset != 0 {
		c.add("frame_offset", title, float64(offset), unit, reading.Bad,
			fmt.Sprintf("The cameras are %s apart: color frame n belongs with band frame %s, and by %s it is paired with %s.", frames(e.Frames), theirs(timing.Fits()), timing.From, theirs(timing.Offset)),
			fmt.Sprintf("Start both cameras by one trigger, or jam their time codes. For this shot, give the offset %d.", timing.Fits()))
		paired, err := c.t.paired(timing.Fits())
		if err != nil {
			return err
		}
		paired.note("the other readings are of color frames n with band frames %s", theirs(timing.Fits()))
		c.t = paired
		return nil
	}
	if !e.InStep {
		c.add("frame_offset", title, -e.Fraction, unit, reading.Bad, "The cameras are not in step: "+e.Step()+".", "Lock both cameras to one clock, so that their shutters open together.")
		return nil
	}
	c.add("frame_offset", title, 0, unit, reading.Good, "The cameras run in step.", "")
	return nil
}

// lamps reads the gains over the take.
func (c *checker) lamps(ctx context.Context, progress func(done, total int)) error {
	t, j := c.t, c.job
	pairs := t.Pairs[:min(len(t.Pairs), checkGains)]
	gains := make([]matte.Gain, len(pairs))
	failed := make([]error, len(pairs))
	var mu sync.Mutex
	done := 0
	if err := parallel.Try(ctx, len(pairs), 0, func(i int) error {
		color, raw, err := j.readPair(pairs[i])
		if err == nil {
			gains[i], failed[i] = j.chain.gain(&solving{color: whole{color}, shot: raw})
		}
		mu.Lock()
		defer mu.Unlock()
		if err != nil {
			failed[i] = err
			t.damage(pairs[i].Number, err)
		}
		done++
		if progress != nil {
			progress(done, len(pairs))
		}
		return nil
	}); err != nil {
		return err
	}
	var numbers []int
	var known []matte.Gain
	for i, g := range gains {
		if failed[i] != nil {
			continue
		}
		numbers, known = append(numbers, pairs[i].Number), append(known, g)
		c.out.Gains = append(c.out.Gains, GainPoint{pairs[i].Number, g.Value, g.Sigma})
	}
	c.flicker(numbers, known)
	return nil
}

// flicker judges the gains of these frames.
func (c *checker) flicker(numbers []int, known []matte.Gain) {
	f := matte.FindFlicker(numbers, known)
	c.out.Flicker = f
	if len(known) == 0 {
		c.add("flicker", "Lamp flicker", math.NaN(), "% peak to peak", reading.Unknown, "No open screen is seen.", "Leave part of the screen open.")
		return
	}
	v := swings.Judge(100 * f.PeakToPeak)
	meaning, advice := "The lamps are steady enough: one gain a frame takes out what they do.", ""
	if v != reading.Good {
		meaning, advice = "The lamps swing widely.", "Let them burn in for fifteen minutes; look for a loose lead or a failing ballast."
	}
	switch {
	case f.Frequency == 0:
		meaning += " No beat with the shutter is seen."
	case c.out.FPS > 0:
		meaning += fmt.Sprintf(" They beat with the shutter at %.2f Hz, by %.1f %%.%s", f.Frequency*c.out.FPS, 100*f.Amplitude, mains(f.Frequency, c.out.FPS, len(known)))
		advice = cmp.Or(advice, "If the beat is to go, run the lamps on electronic ballasts, or use a shutter time that is a whole number of the lamps' pulses.")
	default:
		meaning += fmt.Sprintf(" They beat with the shutter every %.1f frames, by %.1f %%.", 1/f.Frequency, 100*f.Amplitude)
	}
	c.add("flicker", "Lamp flicker", 100*f.PeakToPeak, "% peak to peak", v, meaning, advice)
}

// mains says which mains would give a beat of this frequency, in cycles a frame.
func mains(frequency, fps float64, frames int) string {
	const resolved = 0.5                   // of a cycle over the take: what a spectrum tells apart is one
	for _, hz := range []float64{50, 60} { // IEC 60038 has no others (not checked against the source)
		if math.Abs(matte.Alias(2*hz, fps)/fps-frequency) < resolved/float64(frames) {
			return fmt.Sprintf(" Lamps on a magnetic ballast at %.0f Hz mains pulse at %.0f Hz, which gives this beat.", hz, 2*hz)
		}
	}
	return ""
}

// complete adds what could not be read, and puts all in one order.
func (c *checker) complete() {
	order := []struct{ name, title, unit string }{
		{"files", "Wrong plates", "suspicions"}, {"band_level", "Band level", "% of full scale"}, {"band_clipped", "Band clipped", "% of the frame"}, {"headroom", "Headroom", "stops"},
		{"evenness", "Evenness of the screen", "stops, brightest to darkest"}, {"spill", "Spill on the performer", "% of the performer's core"},
		{"crosstalk_band", "Set light in the band", "%"}, {"crosstalk_color", "Screen light in color", "% of full scale"},
		{"matte_noise", "Noise of the matte", "% of alpha"}, {"focus", "Focus difference", "px"}, {"registration", "Registration residual", "px"},
		{"frame_offset", "Frame offset", "frames"}, {"flicker", "Lamp flicker", "% peak to peak"}, {"color_clipped", "Color clipped", "% of the frame"},
	}
	have := c.out.Readings
	c.out.Readings = nil
	for _, o := range order {
		if r := have.Named(o.name); r.Name != "" {
			c.out.Readings = append(c.out.Readings, r)
			continue
		}
		c.add(o.name, o.title, math.NaN(), o.unit, reading.Unknown, "The two plates could not be brought together: "+c.why, "Let the performer stand before the lit screen, in view of both cameras.")
	}
}
