package take

import (
	"context"
	"errors"
	"fmt"
	"image"
	"slices"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Job is a take made ready: everything that does not change from frame to frame is done. It is
// safe for concurrent use.
type Job struct {
	reader
	take *Take
	Registration
	matte.Estimates
	Timing       Timing             // of the frames' pairing
	LateralColor align.LateralColor // that is taken out of the color plates; zero where none is
	Softness     float64            // sigma of the blur of the color plates, in color pixels; below 0 that of the band plates
	ColorNoise   matte.Noise        // of the cameras, where the recipe asks for sigma or for a tidy matte
	BandNoise    matte.Noise
	Extent       *matte.Extent // where the screen is, if not everywhere and the background is to show beyond; else nil
	Estimated    []string      // what was estimated from the take, in words; a recipe from Recipe has it
	Notes        []string      // what the user should know of how the take was read
	Seconds      float64       // that it took

	resampler       *align.Resampler
	unseen          []int32 // the places in the color frame that the band camera does not see
	solver          *matte.Solver
	chain           *Chain            // of both
	backdrop        *backdrop         // nil where the take has no background
	regions         *matte.Regions    // nil: none
	foregroundGrade *composite.Grader // nil: none
	grades          grades
	darkBand        *plate.Gray   // in the color camera's frame
	prepared        []string      // Notes without those of the finish
	screen          *matte.Extent // where the screen is; Extent, where the recipe asks for it
	searched        bool          // for it
	left            *leftNoise    // what Take.NoiseLater left; nil: nothing
}

// A preparation is a job whose estimates are being made.
type preparation struct {
	*Job
	frames  []matte.Sample // that they are made from, read once
	sampled []FilePair     // their pairs
	asked   int            // how many there were to be
}

// sampleMemory is how many bytes the frames that Prepare estimates from may take: where they would
// take more, fewer are read, but four.
const sampleMemory = 768 << 20

// Prepare registers the plates, brings the reference plates into the color camera's frame, models
// the screen where nobody shot a clean band plate, and estimates the crosstalk.
func (t *Take) Prepare(ctx context.Context) (*Job, error) {
	defer t.files.Rest()
	start := time.Now()
	j := &preparation{Job: &Job{reader: t.reader, take: t, Notes: t.Notes(), Timing: t.timing}}
	var placed string
	var err error
	if j.backdrop, placed, err = t.newBackdrop(); err != nil { // first, since it can be refused
		return nil, err
	}
	if t.Known != nil {
		if err := t.Known.check(t.colorSize); err != nil {
			return nil, err
		}
		j.screen, j.searched = t.Known.Extent, t.Known.Searched
	}
	t.kept = map[FilePair]matte.Sample{}
	defer func() { t.kept = nil }()
	if j.Registration, err = t.Register(ctx); err != nil {
		return nil, err
	}
	if err := t.readReferences(ctx); err != nil { // where the geometry was given
		return nil, err
	}
	told := len(t.warnings)
	if e := j.Estimate; e != nil {
		for _, words := range []string{e.Texture.Words(), e.Rolling.Words()} {
			if words != "" {
				j.Notes = append(j.Notes, words)
			}
		}
	}
	t.stage("the lenses")
	if err := j.findLens(ctx); err != nil {
		return nil, err
	}
	t.stage("the screen, the crosstalk and the reference plates")
	j.resampler = t.recipe.Resample.NewResampler(j.Geometry)
	ref := matte.References{DarkColor: j.lens.ofColor(t.darkColor), CleanColor: j.lens.ofColor(t.cleanColor)}
	parallel.Do(func() {
		j.unseen = j.outside()
	}, func() {
		ref.DarkBand = j.seen(t.darkBand)
		j.darkBand = ref.DarkBand
	}, func() {
		ref.CleanBand = j.seen(t.cleanBand)
	})
	const toldUnseen = 0.0005 // of the frame: what is told as 0.1 %
	if part := float64(len(j.unseen)) / float64(j.colorSize.X*j.colorSize.Y); part > toldUnseen {
		j.Notes = append(j.Notes, fmt.Sprintf("%.1f %% of the color frame lies outside the band plate: there the band plate's outermost pixels are repeated, the matte is a guess, and sigma is 1; frame the band camera a little wider", 100*part))
	}
	clean, unsolved := j.solve(ctx, ref)
	if unsolved == nil {
		ref.CleanBand = clean
	}
	if !t.draft && t.Known == nil {
		if err := j.suspect(ctx, ref); err != nil {
			return nil, err
		}
	}
	if unsolved != nil {
		return nil, suspected(unsolved, j.Suspicions)
	}
	solver := j.solver
	if t.recipe.Tidy {
		solver = solver.With(matte.ClampNone) // Tidy clamps
	}
	if j.chain, err = NewChain(j.resampler, solver); err != nil {
		return nil, err
	}
	if t.recipe.needsNoise() {
		if t.NoiseLater && !t.recipe.Tidy && (t.recipe.ColorNoise == nil || t.recipe.BandNoise == nil) {
			j.left = &leftNoise{j.frames, j.sampled, j.asked, t.kept, len(j.Warnings)}
		} else if err := j.noise(ctx); err != nil {
			return nil, err
		}
	}
	j.prepared = j.Notes
	if err := j.finish(ctx, Job{}, placed); err != nil {
		return nil, err
	}
	if err := j.tellGrays(ctx); err != nil {
		return nil, err
	}
	j.Warnings = append(j.Warnings, t.warnings[told:]...)
	j.Estimated = j.estimated()
	j.Seconds = time.Since(start).Seconds()
	return j.Job, nil
}

// estimated names what the job had to estimate because the recipe did not have it.
func (j *preparation) estimated() []string {
	r := &j.take.recipe
	var all []string
	for _, e := range []struct {
		what string
		is   bool
	}{
		{"the frame offset", r.Offset.Mode == "auto"},
		{"the band camera's channel weights", r.BandWeights == nil && j.take.weights != nil},
		{"the geometry", r.Geometry.Mode == "" || r.Geometry.Mode == "auto"},
		{"the lateral color", r.LateralColor.Mode == "auto"},
		{"the difference in softness", r.MatchSoftness.Mode == "auto"},
		{"the screen", r.Screen == nil && j.Screen != nil},
		{"the screen's color", r.ScreenColor == nil && j.ScreenColor != nil},
		{"the glare", r.Glare.Mode == "auto"},
		{"the band plate's level of black", r.Pedestal == 0 && j.Pedestal > 0},
		{"the crosstalk", r.Crosstalk.Mode == "" || r.Crosstalk.Mode == "auto"},
		{"the cameras' noise", r.needsNoise() && j.left == nil && (r.ColorNoise == nil || r.BandNoise == nil)},
	} {
		if e.is {
			all = append(all, e.what)
		}
	}
	return all
}

// seen returns a reference plate of the band camera in the color camera's frame, or nil.
func (j *preparation) seen(shot *plate.Gray) *plate.Gray {
	if shot == nil {
		return nil
	}
	return j.resampler.Gray(nil, j.lens.ofBand(shot))
}

// outside returns the places in the color frame that the band camera does not see.
func (j *preparation) outside() []int32 {
	valid := j.resampler.Valid()
	rows := make([][]int32, valid.H)
	parallel.EachRow(valid.W, valid.H, func(y int) {
		for i := y * valid.W; i < (y+1)*valid.W; i++ {
			if valid.Pix[i] == 0 {
				rows[y] = append(rows[y], int32(i))
			}
		}
	})
	return slices.Concat(rows...)
}

// solve makes the solver, with everything that the recipe does not give estimated, and returns the
// clean band plate that it divides by.
func (j *preparation) solve(ctx context.Context, ref matte.References) (*plate.Gray, error) {
	r := &j.take.recipe
	if r.CleanBand == "" && r.Screen != nil {
		if err := sized("the recipe's screen", "screen", image.Pt(r.Screen.W, r.Screen.H), j.take.colorSize); err != nil {
			return nil, err
		}
	}
	opt := &matte.PrepareOptions{
		Read:   func(n int) ([]matte.Sample, error) { return j.sample(ctx, n) },
		Bands:  func(n int) ([]matte.Sample, error) { return j.bands(ctx, j.take.whole, n) },
		Screen: r.Screen, CleanFrom: cleanSources[r.CleanFrom], ScreenColor: r.ScreenColor, Pedestal: r.Pedestal,
		EstimateGlare: r.Glare.Mode == "auto", Clamp: clamps[r.Clamp],
	}
	if g := j.take.Known; g != nil {
		opt.Clean = g.Clean
	}
	if r.Glare.Mode == "given" {
		opt.Glare = r.Glare.Value
	}
	switch r.Crosstalk.Mode {
	case "given":
		opt.Crosstalk = &r.Crosstalk.Value
	case "none":
		opt.Crosstalk = new([3]float64)
	}
	p, err := matte.Prepare(nil, ref, opt)
	if errors.Is(err, matte.ErrCleanBand) && r.CleanBand != "" {
		err = fmt.Errorf("%s: %w", r.CleanBand, err)
	}
	if err != nil {
		return nil, err
	}
	j.solver, j.Estimates = p.Solver, p.Estimates
	j.Notes, j.Warnings = append(j.Notes, p.Notes...), append(j.Warnings, p.Warnings...)
	return p.References.CleanBand, j.clearGlare(j.frames)
}

// clearGlare takes the lens's glare, where there is one, off the samples' band plates.
func (j *preparation) clearGlare(frames []matte.Sample) error {
	if j.Glare.Strength <= 0 {
		return nil
	}
	for _, f := range frames {
		if _, err := j.Glare.Remove(f.Band, f.Band, j.darkBand); err != nil {
			return err
		}
	}
	return nil
}

// sample reads n frames of the take, spread over it, with the band plate in the color camera's
// frame. It may return more, where they have been read already, and fewer, where the take or the
// memory has no more.
func (j *preparation) sample(ctx context.Context, n int) ([]matte.Sample, error) {
	n = j.affordable(n, 4) // red, green, blue and the band
	if j.frames != nil && j.asked >= min(n, len(j.take.whole)) {
		return j.frames, nil
	}
	pairs, out, err := sampled(ctx, j.take, j.take.whole, n, func(p FilePair) (s matte.Sample, err error) {
		if kept, ok := j.registered(p); ok {
			s = kept
		} else {
			s, err = j.readSample(p)
		}
		if err == nil {
			s.Band = j.resampler.Gray(nil, s.Band)
		}
		return s, err
	})
	if err != nil {
		return nil, err
	}
	j.sampled, j.frames, j.asked = pairs, out, n
	return out, j.clearGlare(out)
}

// bands is sample for band plates alone, of these frames: they come without color plates, and what was
// read of them already is not read again.
func (j *preparation) bands(ctx context.Context, of []FilePair, n int) ([]matte.Sample, error) {
	// Of two planes each, since the samples are there beside them.
	_, out, err := sampled(ctx, j.take, of, j.affordable(n, 2), func(p FilePair) (s matte.Sample, err error) {
		if k := slices.IndexFunc(j.sampled, func(q FilePair) bool { return q == p }); k >= 0 {
			return matte.Sample{Band: j.frames[k].Band}, nil
		}
		shot, ok := j.registered(p)
		if !ok {
			if shot.Band, err = j.finiteBand(p); err != nil {
				return s, err
			}
		}
		s.Band = j.resampler.Gray(nil, shot.Band)
		return s, j.clearGlare([]matte.Sample{s})
	})
	return out, err
}

// registered returns a frame that registration has read, where it read it as it is solved.
func (j *preparation) registered(p FilePair) (matte.Sample, bool) {
	s, ok := j.take.kept[p]
	return s, ok && j.lens == (lens{})
}

// affordable returns how many frames, of n, may be read for estimates, of so many planes each.
func (j *preparation) affordable(n, planes int) int {
	frame := 4 * planes * j.take.colorSize.X * j.take.colorSize.Y
	return min(n, max(sampleMemory/frame, 4))
}

// Recipe returns the recipe with everything that was estimated written into it, so that the next
// run does the same without estimating. gains may be nil.
func (j *Job) Recipe(gains map[int]float64) Recipe {
	r := j.take.recipe
	r.Version = RecipeVersion
	r.Geometry = Given(j.Geometry)
	if r.Offset.Mode == "auto" {
		r.Offset = Given(j.take.timing.Offset)
	}
	r.Crosstalk = Given(j.Crosstalk)
	if r.LateralColor.Mode == "auto" {
		r.LateralColor.Mode = "none"
		if j.lens.fringes != nil {
			r.LateralColor = Given([2]float64{j.LateralColor.Red, j.LateralColor.Blue})
		}
	}
	if r.MatchSoftness.Mode == "auto" {
		r.MatchSoftness.Mode = "none"
		if j.Softness != 0 {
			r.MatchSoftness = Given(j.Softness)
		}
	}
	if r.Gain.Mode != "none" && gains != nil {
		r.Gain = Given(gains)
	}
	r.Screen = j.Screen
	if j.Clean != nil {
		r.CleanFrom = "take"
	}
	r.ScreenColor, r.Pedestal = j.ScreenColor, j.Pedestal
	if r.Glare.Mode != "" {
		r.Glare = Choice[matte.Glare]{Mode: "none"}
		if j.Glare.Strength > 0 {
			r.Glare = Given(j.Glare)
		}
	}
	r.ForegroundGrade, r.BackgroundGrade = j.grades.foreground, j.grades.background
	if r.needsNoise() && j.left == nil {
		r.ColorNoise, r.BandNoise = &j.ColorNoise, &j.BandNoise
	}
	r.BandWeights = j.take.weights
	t := j.take
	for _, p := range []struct {
		to *string
		v  plate.Primaries
	}{{&r.Primaries, t.primaries}, {&r.ColorPrimaries, t.colorPrimaries}, {&r.BackgroundPrimaries, t.backgroundPrimaries}} {
		if *p.to == "" {
			*p.to = p.v.Name()
		}
	}
	for _, c := range []struct {
		to *string
		v  plate.Curve
	}{{&r.ColorCurve, t.colorCurve}, {&r.BandCurve, t.bandCurve}, {&r.BackgroundCurve, t.backgroundCurve}, {&r.OutputCurve, t.outputCurve}} {
		if *c.to == "" && !c.v.Coded() {
			*c.to = c.v.Name()
		}
	}
	return r
}
