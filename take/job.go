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
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A Job is a take made ready: everything that does not change from frame to frame is done. It is safe for
// concurrent use.
type Job struct {
	take *Take
	Registration
	Timing         Timing // of the frames' pairing
	Crosstalk      [3]float64
	CrosstalkSigma [3]float64         // standard errors; 0 where m was not estimated
	Pedestal       float64            // the band plate's level of black where nobody shot a dark plate; 0: none is known
	Screen         *matte.Screen      // the model that stands in for a clean band plate; nil where one was shot
	Clean          *matte.Clean       // the plate rebuilt from the take; nil where one was shot, or the model is used
	ScreenColor    *matte.ScreenColor // K where nobody shot a clean color plate; nil where one was, or none is seen
	LateralColor   align.LateralColor // that is taken out of the color plates; zero where none is
	Softness       float64            // sigma of the blur of the color plates, in color pixels; below 0 that of the band plates
	Glare          matte.Glare        // of the band camera's lens; zero where the recipe does not ask for it
	ColorNoise     matte.Noise        // of the cameras, where the recipe asks for sigma or for a tidy matte
	BandNoise      matte.Noise
	Estimated      []string // what was estimated from the take, in words; a recipe from Recipe has it
	Notes          []string // what the user should know of how the take was read
	Seconds        float64  // that it took

	lens             lens
	unknownCrosstalk bool // m was to be estimated, and could not be

	resampler *align.Resampler
	solver    *matte.Solver
	fitter    *composite.Fitter
	byNumber  bool           // backgrounds go by frame number
	frames    []matte.Sample // what Prepare estimates from, read once
	darkBand  *plate.Gray    // in the color camera's frame
}

// How many frames Prepare estimates from: more where the clean plate is rebuilt from them, and fewer where they
// would take more than sampleMemory bytes.
const (
	crosstalkSamples = 6
	cleanSamples     = 12
	sampleMemory     = 768 << 20
)

// Prepare registers the plates, brings the reference plates into the color camera's frame, models the screen
// where nobody shot a clean band plate, and estimates the crosstalk.
func (t *Take) Prepare(ctx context.Context) (*Job, error) {
	defer t.clips.rest()
	start := time.Now()
	j := &Job{take: t, Notes: t.Notes(), Timing: t.timing}
	var err error
	if j.Registration, err = t.Register(ctx); err != nil {
		return nil, err
	}
	if e := j.Estimate; e != nil && e.Texture.Patches > 0 {
		j.Notes = append(j.Notes, e.Texture.Words())
	}
	if err := j.findLens(ctx); err != nil {
		return nil, err
	}
	j.resampler = t.recipe.Resample.NewResampler(j.Geometry)
	if unseen := j.unseen(); unseen > 0.0005 {
		j.Notes = append(j.Notes, fmt.Sprintf("%.1f %% of the color frame lies outside the band plate: there the band plate's outermost pixels are repeated, and the matte is a guess; frame the band camera a little wider", 100*unseen))
	}
	ref := matte.References{DarkColor: j.lens.ofColor(t.darkColor), CleanColor: j.lens.ofColor(t.cleanColor)}
	if t.darkBand != nil {
		ref.DarkBand = j.resampler.Gray(nil, j.lens.ofBand(t.darkBand))
		j.darkBand = ref.DarkBand
	}
	defer func() { j.frames = nil }()
	if ref.CleanBand, err = j.cleanBand(ctx, ref); err != nil {
		return nil, err
	}
	unsolved := j.solve(ctx, ref)
	if err := j.suspect(ctx, ref); err != nil {
		return nil, err
	}
	if unsolved != nil {
		return nil, suspected(unsolved, j.Suspicions)
	}
	if u := j.solver.Uncovered(); u > 0 {
		j.Notes = append(j.Notes, fmt.Sprintf("in %.1f %% of the frame the clean band plate shows no screen: there the color plate stays as it is", 100*u))
	}
	if err := j.prepareBackground(); err != nil {
		return nil, err
	}
	if t.recipe.needsNoise() {
		if err := j.noise(ctx); err != nil {
			return nil, err
		}
	}
	j.Estimated = j.estimated()
	j.Seconds = time.Since(start).Seconds()
	return j, nil
}

// estimated names what the job had to estimate because the recipe did not have it.
func (j *Job) estimated() []string {
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
		{"the cameras' noise", r.needsNoise() && (r.ColorNoise == nil || r.BandNoise == nil)},
	} {
		if e.is {
			all = append(all, e.what)
		}
	}
	return all
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
		return j.resampler.Gray(nil, j.lens.ofBand(t.cleanBand)), nil
	}
	rebuild := t.recipe.CleanFrom == "take" || t.recipe.CleanFrom == "" && t.recipe.Screen == nil
	if j.Screen = t.recipe.Screen; j.Screen == nil {
		frames, err := j.sample(ctx, cleanSamples)
		if err != nil {
			return nil, err
		}
		if j.Screen, err = matte.FitScreen(frames, ref.DarkColor, ref.DarkBand, 0); err != nil {
			return nil, err
		}
		if !rebuild {
			j.Notes = append(j.Notes, fmt.Sprintf("no clean band plate: a smooth screen was fitted to the %.0f %% of the frame that is certainly screen (scatter %.1f %%)", 100*j.Screen.Coverage, 100*j.Screen.Scatter))
		}
	}
	if err := sized("the recipe's screen", "screen", image.Pt(j.Screen.W, j.Screen.H), t.colorSize); err != nil {
		return nil, err
	}
	if rebuild {
		frames, err := j.sample(ctx, cleanSamples)
		if err != nil {
			return nil, err
		}
		j.Clean, err = matte.CleanFromTake(frames, j.Screen, ref.DarkBand)
		if err == nil && t.recipe.CleanFrom == "" && j.Clean.Veiled() {
			j.Notes = append(j.Notes, fmt.Sprintf("no clean band plate: a smooth screen was fitted to the %.0f %% of the frame that is certainly screen (scatter %.1f %%); one rebuilt from the take is expected to be worse, since smoke or the like darkens what is seen of the screen by %.1f %%, and the smooth screen is off by %.1f %% (--clean-from take rebuilds it all the same)", 100*j.Screen.Coverage, 100*j.Screen.Scatter, 100*j.Clean.Veil, 100*j.Clean.Off))
			j.Clean = nil
			return j.Screen.CleanBand(ref.DarkBand), nil
		}
		if err == nil {
			j.Notes = append(j.Notes, fmt.Sprintf("no clean band plate: it was rebuilt from %d frames, in which %.0f %% of the frame is certainly screen; the rest is filled by a smooth screen (scatter %.1f %%)", j.Clean.Frames, 100*j.Clean.Seen, 100*j.Screen.Scatter))
			return j.Clean.Band, nil
		}
		if !errors.Is(err, matte.ErrNoScreen) {
			return nil, err
		}
	}
	return j.Screen.CleanBand(ref.DarkBand), nil
}

// solve makes the solver, with the glare, the screen's color and the crosstalk that the recipe asks for.
func (j *Job) solve(ctx context.Context, ref matte.References) error {
	t := j.take
	build := func() (err error) {
		j.solver, err = matte.NewSolver(t.colorSize.X, t.colorSize.Y, ref, &matte.Options{Crosstalk: j.Crosstalk, Clamp: clamps[t.recipe.Clamp]})
		if err != nil && t.recipe.CleanBand != "" {
			return fmt.Errorf("%s: %w", t.recipe.CleanBand, err)
		}
		return err
	}
	if t.recipe.Crosstalk.Mode == "given" {
		j.Crosstalk = t.recipe.Crosstalk.Value
	}
	if err := build(); err != nil {
		return err
	}
	changed, err := j.glare(ctx, &ref)
	if err != nil {
		return err
	}
	if changed {
		if err := build(); err != nil {
			return err
		}
	}
	if changed, err = j.screenColor(ctx, &ref); err != nil {
		return err
	}
	if changed {
		if err := build(); err != nil {
			return err
		}
	}
	if j.Pedestal = t.recipe.Pedestal; j.Pedestal > 0 && ref.DarkBand == nil {
		ref.DarkBand = j.black()
		if err := build(); err != nil {
			return err
		}
	}
	if m := t.recipe.Crosstalk.Mode; m == "given" || m == "none" {
		return nil
	}
	frames, err := j.sample(ctx, crosstalkSamples)
	if err != nil {
		return err
	}
	m, err := j.solver.Crosstalk(frames)
	if errors.Is(err, matte.ErrNoCore) {
		j.unknownCrosstalk = true
		j.Warnings = append(j.Warnings, "the crosstalk could not be told ("+err.Error()+"): taken as none, so a bright performer lets some of their own light through; a frame with more of the performer in it would tell, or give --crosstalk")
		return nil
	}
	if err != nil {
		return err
	}
	j.Crosstalk, j.CrosstalkSigma = m.M, m.Sigma
	if ref.DarkBand == nil {
		if p := m.Pedestal; p > pedestalSure*m.PedestalSigma && p <= maxPedestal {
			j.Pedestal = p
			ref.DarkBand = j.black()
			j.Notes = append(j.Notes, fmt.Sprintf("no dark band plate: the performer's core has a level of black of %.2f %% of full scale (standard error %.3f %%) in the band plate that no set light explains, and that is taken off; spill that is the same everywhere would look like it", 100*p, 100*m.PedestalSigma))
		} else if p > maxPedestal {
			j.Warnings = append(j.Warnings, fmt.Sprintf("no dark band plate, and the band plate has %.1f %% of full scale where the performer should be solid: that is too much for a level of black, and is left; look for spill, or shoot a dark plate", 100*p))
		}
	}
	return build()
}

const (
	// maxPedestal is the highest level of black, of full scale, that is believed without a dark plate: cameras have
	// 0.2 to 2 % in linear light (common practice), and more is a veil or spill.
	maxPedestal = 0.05
	// pedestalSure is how many standard errors it must be above none.
	pedestalSure = 5
)

// black returns a dark band plate of the pedestal's level.
func (j *Job) black() *plate.Gray {
	f := plate.NewGray(j.take.colorSize.X, j.take.colorSize.Y)
	f.Fill(float32(j.Pedestal))
	return f
}

// glare finds the lens's glare where the recipe asks for it, and takes it off the clean band plate.
func (j *Job) glare(ctx context.Context, ref *matte.References) (changed bool, err error) {
	switch g := j.take.recipe.Glare; g.Mode {
	case "given":
		j.Glare = g.Value
	case "auto":
		frames, err := j.sample(ctx, crosstalkSamples)
		if err != nil {
			return false, err
		}
		found, err := j.solver.EstimateGlare(frames, 0)
		if errors.Is(err, matte.ErrNoCore) || err == nil && found.Strength < 3*found.Sigma {
			j.Notes = append(j.Notes, "no veiling glare could be told from the rest: none is removed")
			return false, nil
		}
		if err != nil {
			return false, err
		}
		j.Glare = found
		j.Notes = append(j.Notes, fmt.Sprintf("veiling glare of %.2f %% (standard error %.2f %%) is removed from the band plate", 100*found.Strength, 100*found.Sigma))
	}
	if j.Glare.Strength == 0 {
		return false, nil
	}
	if ref.CleanBand, err = j.Glare.Remove(nil, ref.CleanBand, j.darkBand); err != nil {
		return false, err
	}
	for _, f := range j.frames {
		if _, err := j.Glare.Remove(f.Band, f.Band, j.darkBand); err != nil {
			return false, err
		}
	}
	return true, nil
}

// screenColor estimates K where nobody shot a clean color plate.
func (j *Job) screenColor(ctx context.Context, ref *matte.References) (changed bool, err error) {
	t := j.take
	if ref.CleanColor != nil {
		return false, nil
	}
	if j.ScreenColor = t.recipe.ScreenColor; j.ScreenColor == nil {
		frames, err := j.sample(ctx, crosstalkSamples)
		if err != nil {
			return false, err
		}
		k, err := j.solver.ScreenColor(frames)
		if errors.Is(err, matte.ErrNoScreen) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		j.ScreenColor = k
		how := "alike all over the frame"
		if k.Order > 0 {
			how = "with a field that varies over the frame"
		}
		j.Notes = append(j.Notes, fmt.Sprintf("no clean color plate: from the open screen, the color camera sees %.2f, %.2f, %.2f %% of it in red, green and blue, %s", 100*k.Ratio[0], 100*k.Ratio[1], 100*k.Ratio[2], how))
	}
	ref.CleanColor = j.ScreenColor.CleanColor(matte.LessGray(nil, ref.CleanBand, ref.DarkBand), ref.DarkColor)
	return true, nil
}

// sample reads n frames of the take, spread over it, with the band plate in the color camera's frame. It may
// return more, where they have been read already, and fewer, where the take or the memory has no more.
func (j *Job) sample(ctx context.Context, n int) ([]matte.Sample, error) {
	perFrame := 4 * 4 * j.take.colorSize.X * j.take.colorSize.Y
	n = min(n, max(sampleMemory/perFrame, 4))
	if len(j.frames) >= min(n, len(j.take.Pairs)) {
		return j.frames, nil
	}
	var out []matte.Sample
	for _, p := range j.take.samples(n) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		color, err := j.readColor(nil, p)
		if err != nil {
			return nil, err
		}
		band, err := j.readBand(nil, p)
		if err != nil {
			return nil, err
		}
		s := matte.Sample{Color: color, Band: j.resampler.Gray(nil, band)}
		if j.Glare.Strength > 0 {
			if _, err := j.Glare.Remove(s.Band, s.Band, j.darkBand); err != nil {
				return nil, err
			}
		}
		out = append(out, s)
	}
	j.frames = out
	return out, nil
}

func (j *Job) prepareBackground() error {
	t := j.take
	if len(t.background) == 0 {
		return nil
	}
	info, err := t.probe(t.background[0].Path)
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
	if r.Offset.Mode == "auto" {
		r.Offset = Offset{Mode: "given", Value: j.take.timing.Offset}
	}
	r.Crosstalk = Crosstalk{Mode: "given", Value: j.Crosstalk}
	if r.LateralColor.Mode == "auto" {
		r.LateralColor = LateralColor{Mode: "none"}
		if j.lens.fringes != nil {
			r.LateralColor = LateralColor{"given", j.LateralColor.Red, j.LateralColor.Blue}
		}
	}
	if r.MatchSoftness.Mode == "auto" {
		r.MatchSoftness = MatchSoftness{Mode: "none"}
		if j.Softness != 0 {
			r.MatchSoftness = MatchSoftness{"given", j.Softness}
		}
	}
	if r.Gain.Mode != "none" && gains != nil {
		r.Gain = Gain{Mode: "given", Value: gains}
	}
	r.Screen = j.Screen
	if j.Clean != nil {
		r.CleanFrom = "take"
	}
	r.ScreenColor, r.Pedestal = j.ScreenColor, j.Pedestal
	if r.Glare.Mode != "" {
		r.Glare = Glare{Mode: "none"}
		if j.Glare.Strength > 0 {
			r.Glare = Glare{Mode: "given", Value: j.Glare}
		}
	}
	if r.needsNoise() {
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
		if *c.to == "" {
			*c.to = c.v.Name()
		}
	}
	return r
}
