package take

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/composite"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Job is a take made ready: everything that does not change from frame to frame is done. It is safe for
// concurrent use.
type Job struct {
	take *Take
	Registration
	Crosstalk      [3]float64
	CrosstalkSigma [3]float64    // standard errors; 0 where m was not estimated
	Screen         *matte.Screen // the model that stands in for a clean band plate; nil where one was shot
	Notes          []string      // what the user should know of how the take was read
	Seconds        float64       // that it took

	resampler *align.Resampler
	solver    *matte.Solver
	fitter    *composite.Fitter
	byNumber  bool // backgrounds go by frame number
}

const (
	crosstalkSamples = 6
	screenSamples    = 8
)

// Prepare registers the plates, brings the reference plates into the color camera's frame, models the screen
// where nobody shot a clean band plate, and estimates the crosstalk.
func (t *Take) Prepare(ctx context.Context) (*Job, error) {
	start := time.Now()
	j := &Job{take: t, Notes: t.notes}
	var err error
	if j.Registration, err = t.Register(ctx); err != nil {
		return nil, err
	}
	j.resampler = align.NewResampler(j.Geometry)
	if unseen := j.unseen(); unseen > 0.0005 {
		j.Notes = append(j.Notes, fmt.Sprintf("%.1f %% of the color frame lies outside the band plate: there the band plate's outermost pixels are repeated, and the matte is a guess; frame the band camera a little wider", 100*unseen))
	}
	ref := matte.References{DarkColor: t.darkColor, CleanColor: t.cleanColor}
	if t.darkBand != nil {
		ref.DarkBand = j.resampler.Gray(nil, t.darkBand)
	}
	if ref.CleanBand, err = j.cleanBand(ctx, ref); err != nil {
		return nil, err
	}
	if err := j.solve(ctx, ref); err != nil {
		return nil, err
	}
	if u := j.solver.Uncovered(); u > 0 {
		j.Notes = append(j.Notes, fmt.Sprintf("in %.1f %% of the frame the clean band plate shows no screen: there the color plate stays as it is", 100*u))
	}
	if err := j.prepareBackground(); err != nil {
		return nil, err
	}
	j.Seconds = time.Since(start).Seconds()
	return j, nil
}

// unseen returns the part of the color frame, 0 to 1, that the band camera does not see.
func (j *Job) unseen() float64 {
	seen := 0.0
	valid := j.resampler.Valid().Pix
	for _, v := range valid {
		seen += float64(v)
	}
	return 1 - seen/float64(len(valid))
}

func (j *Job) cleanBand(ctx context.Context, ref matte.References) (*plate.Gray, error) {
	t := j.take
	if t.cleanBand != nil {
		return j.resampler.Gray(nil, t.cleanBand), nil
	}
	if j.Screen = t.recipe.Screen; j.Screen == nil {
		frames, err := j.sample(ctx, screenSamples)
		if err != nil {
			return nil, err
		}
		if j.Screen, err = matte.FitScreen(frames, ref.DarkColor, ref.DarkBand, 0); err != nil {
			return nil, err
		}
		j.Notes = append(j.Notes, fmt.Sprintf("no clean band plate: a smooth screen was fitted to the %.0f %% of the frame that is certainly screen (scatter %.1f %%)", 100*j.Screen.Coverage, 100*j.Screen.Scatter))
	}
	if err := sized("the recipe's screen", "screen", j.Screen.Gray().Size(), t.colorSize); err != nil {
		return nil, err
	}
	return j.Screen.CleanBand(ref.DarkBand), nil
}

// solve makes the solver, with the crosstalk that the recipe asks for.
func (j *Job) solve(ctx context.Context, ref matte.References) error {
	t := j.take
	build := func() (err error) {
		j.solver, err = matte.NewSolver(t.colorSize.X, t.colorSize.Y, ref, &matte.Options{Crosstalk: j.Crosstalk, Clamp: clamps[t.recipe.Clamp]})
		if err != nil && t.recipe.CleanBand != "" {
			return fmt.Errorf("%s: %w", t.recipe.CleanBand, err)
		}
		return err
	}
	switch t.recipe.Crosstalk.Mode {
	case "given":
		j.Crosstalk = t.recipe.Crosstalk.Value
		return build()
	case "none":
		return build()
	}
	if err := build(); err != nil {
		return err
	}
	frames, err := j.sample(ctx, crosstalkSamples)
	if err != nil {
		return err
	}
	m, err := j.solver.Crosstalk(frames)
	if errors.Is(err, matte.ErrNoCore) {
		j.Notes = append(j.Notes, "the crosstalk could not be told ("+err.Error()+"): taken as none")
		return nil
	}
	if err != nil {
		return err
	}
	j.Crosstalk, j.CrosstalkSigma = m.M, m.Sigma
	return build()
}

// sample reads up to n frames of the take, with the band plate in the color camera's frame.
func (j *Job) sample(ctx context.Context, n int) ([]matte.Sample, error) {
	var out []matte.Sample
	for _, p := range j.take.samples(n) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		color, err := j.take.readColor(p)
		if err != nil {
			return nil, err
		}
		band, err := j.take.readBand(p)
		if err != nil {
			return nil, err
		}
		out = append(out, matte.Sample{Color: color, Band: j.resampler.Gray(nil, band)})
	}
	return out, nil
}

func (j *Job) prepareBackground() error {
	t := j.take
	if len(t.background) == 0 {
		return nil
	}
	info, err := plate.Probe(t.background[0].Path)
	if err != nil {
		return err
	}
	if j.fitter, err = composite.NewFitter(info.W, info.H, t.colorSize.X, t.colorSize.Y, t.recipe.Fit); err != nil {
		return fmt.Errorf("%s: %w", t.background[0].Path, err)
	}
	j.byNumber = true
	for _, p := range t.Pairs {
		if _, ok := t.background.at(p.Number); !ok {
			j.byNumber = false
		}
	}
	if n := len(t.background); n > 1 && !j.byNumber {
		text := "the background's frame numbers are not the take's: its frames are used in order"
		if n < len(t.Pairs) {
			text += fmt.Sprintf(", and the last of its %d is held", n)
		}
		j.Notes = append(j.Notes, text)
	}
	return nil
}

func (s Sequence) at(number int) (Frame, bool) {
	i, ok := slices.BinarySearchFunc(s, number, func(f Frame, n int) int { return f.Number - n })
	if !ok {
		return Frame{}, false
	}
	return s[i], true
}

// backgroundFile returns the background for the take's frame at index i: the still; the frame of the same
// number where the background has all the take's numbers; otherwise the one of the same place in the order, or
// the last.
func (j *Job) backgroundFile(i int) string {
	t := j.take
	if j.byNumber {
		f, _ := t.background.at(t.Pairs[i].Number)
		return f.Path
	}
	return t.background[min(i, len(t.background)-1)].Path
}

// Recipe returns the recipe with everything that was estimated written into it, so that the next run does the
// same without estimating. gains may be nil.
func (j *Job) Recipe(gains map[int]float64) Recipe {
	r := j.take.recipe
	r.Version = RecipeVersion
	r.Geometry = Geometry{Mode: "given", Value: &j.Geometry}
	r.Crosstalk = Crosstalk{Mode: "given", Value: j.Crosstalk}
	if r.Gain.Mode != "none" && gains != nil {
		r.Gain = Gain{Mode: "given", Value: gains}
	}
	r.Screen = j.Screen
	r.BandWeights = j.take.weights
	t := j.take
	for _, c := range []struct {
		to *string
		v  plate.Curve
	}{{&r.ColorCurve, t.colorCurve}, {&r.BandCurve, t.bandCurve}, {&r.BackgroundCurve, t.backgroundCurve}, {&r.OutputCurve, t.outputCurve}} {
		if *c.to == "" {
			*c.to = c.v.Name()
		}
	}
	return r
}
