package matte

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"sync"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// Estimates are what a take is solved with beside its plates: given to Prepare, or found by it.
type Estimates struct {
	// Screen is the smooth model of the screen; nil where a clean band plate was shot.
	Screen *Screen

	// Clean is the clean band plate rebuilt from the samples; nil where one was shot, or Screen
	// stands in for it.
	Clean *Clean

	// ScreenColor is K; nil where a clean color plate was shot, or no open screen is seen.
	ScreenColor *ScreenColor

	// Crosstalk is m, the part of red, green and blue set light that the band camera sees.
	Crosstalk        [3]float64
	CrosstalkSigma   [3]float64 // its standard errors; 0 where m was not estimated
	CrosstalkUnknown bool       // m was to be estimated, could not be, and is taken as none

	// CrosstalkCovariance is for Noise.Crosstalk: see Crosstalk.Covariance. It is what is usual where
	// m is unknown, and 0 where it was given.
	CrosstalkCovariance [4][4]float64

	// Pedestal is the band plate's level of black, of full scale, where nobody shot a dark plate; 0
	// where none is known.
	Pedestal      float64
	PedestalSigma float64 // its standard error; 0 where it was not estimated

	Glare Glare // of the band camera's lens; zero: none is taken off
}

// A Prepared is a take made ready: its solver, and what was found on the way.
type Prepared struct {
	Estimates
	Solver *Solver

	// References are the plates that the solver was made from: those given, and what stands in for
	// those that were not. The glare is taken off the clean band plate.
	References References

	Notes    []string // in plain words, how each plate that was not given was come by
	Warnings []string // in plain words, what may be wrong and what to do about it
}

// A CleanSource says what stands in for a clean band plate that nobody shot.
type CleanSource int

const (
	// CleanAuto is PrepareOptions.Screen where there is one. Else it is CleanRebuilt, but
	// CleanSmooth where a veil, as of smoke, would make that worse: see Clean.Veiled.
	CleanAuto    CleanSource = iota
	CleanRebuilt             // rebuilt from the samples by CleanFromTake; CleanSmooth if that fails
	CleanSmooth              // the smooth screen of FitScreen
)

// PrepareOptions are what is known of a take already, so that Prepare need not estimate it. The
// zero value, and nil, mean: nothing is known, no glare is taken off, and the transmission is
// clamped.
type PrepareOptions struct {
	// Read, where not nil, reads the samples: n frames spread over the take, or fewer where it has
	// no more. It is called only when something must be estimated from them, and once; Prepare's
	// samples are not used then.
	Read func(n int) ([]Sample, error)

	// Bands, where not nil, reads samples as Read does, for the clean plate that is rebuilt from them:
	// they need no color plates. Where it is nil that is rebuilt from the samples.
	Bands func(n int) ([]Sample, error)

	Screen      *Screen      // stands in for a clean band plate; nil: it is fitted to the samples
	Clean       *Clean       // what CleanFromTake made of such samples before; nil: it is made where it is needed
	CleanFrom   CleanSource  // what is made of it
	ScreenColor *ScreenColor // K where there is no clean color plate; nil: it is estimated
	Crosstalk   *[3]float64  // m; nil: it is estimated

	// Pedestal is the level of black of a band plate without a dark plate, of full scale, 0 to 1.
	// 0: it is estimated with the crosstalk, and is not where that is given.
	Pedestal float64

	Glare         Glare // to be taken off; a strength of 0: none
	EstimateGlare bool  // it is estimated instead

	Clamp Clamp // of the Solver
}

// How many frames Prepare estimates from. Of 28 takes of testdata/footage (`proof --footage`, seeds
// 51000 and 52000) the crosstalk was within two and within three standard errors in as many with
// four frames as with six (24 and 27; 23 and 27). A plate is rebuilt from three times as many,
// since each of its pixels must be seen without the performer in one.
const (
	prepareSamples = 4
	rebuildSamples = 12
)

const (
	// maxPedestal is the highest level of black, of full scale, that is believed without a dark
	// plate: cameras have 0.2 to 2 % in linear light (common practice), and more is a veil or
	// spill.
	maxPedestal = 0.05
	// pedestalSure is how many standard errors it must be above none.
	pedestalSure = 5
	// glareSure is how many standard errors a glare must be above none to be taken off.
	glareSure = 3
)

// Prepare makes the solver for a take from frames of it and the reference plates that were shot,
// each of which may be nil. What has neither a plate nor an option is estimated, each thing with
// what was found before it: the clean band plate, the glare where opt asks for it, the clean color
// plate, and the crosstalk together with the band plate's level of black.
//
// Three to twelve samples serve well, with the performer in different places, all of one size; they
// stay as they are. Gains are against the clean band plate, or the first sample's lamps where none
// was shot. Where a glare is taken off (Glare.Strength above 0), take it off each band plate too,
// by Glare.Remove, before it is solved.
//
// The error wraps ErrNoScreen where no clean band plate was given and too little of the screen is
// seen to model it, and ErrCleanBand where the one given is black or far too bright. Other errors
// name the plate that has another size or a value that is not finite, or the option that is out of
// its range; those of opt.Read come as they are. Where the frames show too little to tell the
// crosstalk, the glare or the screen's color, there is no error: Warnings and Notes say so.
func Prepare(samples []Sample, ref References, opt *PrepareOptions) (*Prepared, error) {
	p := &preparation{samples: samples, ref: ref, opt: *cmp.Or(opt, &PrepareOptions{})}
	if !(p.opt.Pedestal >= 0 && p.opt.Pedestal < 1) {
		return nil, fmt.Errorf("matte: pedestal %v: it must be the level of black as a part of full scale, 0 to 1", p.opt.Pedestal)
	}
	if p.opt.Crosstalk != nil {
		p.out.Crosstalk = *p.opt.Crosstalk
	}
	if p.opt.Read == nil {
		if err := checkSamples(samples); err != nil {
			return nil, err
		}
	}
	for _, step := range []func() error{p.findCleanBand, p.findGlare, p.findScreenColor, p.findCrosstalk} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	var err error
	if p.out.Solver, err = p.solve(); err != nil {
		return nil, err
	}
	p.out.References = p.ref
	return &p.out, nil
}

// A preparation is Prepare under way.
type preparation struct {
	opt     PrepareOptions
	samples []Sample // with the glare taken off
	read    bool     // the samples are opt.Read's
	ref     References
	solver  *Solver // of ref and of the crosstalk as they are now; nil where they have changed
	out     Prepared
}

func (p *preparation) note(format string, args ...any) {
	p.out.Notes = append(p.out.Notes, fmt.Sprintf(format, args...))
}

func (p *preparation) warn(format string, args ...any) {
	p.out.Warnings = append(p.out.Warnings, fmt.Sprintf(format, args...))
}

// solve returns the solver of what is known by now.
func (p *preparation) solve() (_ *Solver, err error) {
	if p.solver == nil {
		size := p.ref.CleanBand.Size()
		p.solver, err = NewSolver(size.X, size.Y, p.ref, &SolverOptions{Crosstalk: p.out.Crosstalk, Clamp: p.opt.Clamp})
	}
	return p.solver, err
}

// sample returns the frames to estimate from. They are read once: findCleanBand, which asks for the
// most, is first.
func (p *preparation) sample(n int) ([]Sample, error) {
	if p.opt.Read != nil && !p.read {
		var err error
		if p.samples, err = p.opt.Read(n); err != nil {
			return nil, err
		}
		if err := checkSamples(p.samples); err != nil {
			return nil, err
		}
		p.read = true
		if err := p.clearSamples(); err != nil {
			return nil, err
		}
	}
	if len(p.samples) == 0 {
		return nil, fmt.Errorf("matte: no samples to estimate from")
	}
	return p.samples, nil
}

// bands returns the samples that a clean plate is rebuilt from.
func (p *preparation) bands() ([]Sample, error) {
	if p.opt.Bands != nil {
		return p.opt.Bands(rebuildSamples)
	}
	return p.sample(rebuildSamples)
}

// begin returns what the next estimate is made from: the solver of what is known by now, and
// samples, of which there may be more than are wanted, for a plate.
func (p *preparation) begin() (*Solver, []Sample, error) {
	solver, err := p.solve()
	if err != nil {
		return nil, nil, err
	}
	samples, err := p.sample(prepareSamples)
	return solver, list.Spread(samples, prepareSamples), err
}

// checkSamples returns an error where a sample has no plates, or has them of another size than the
// first one's color plate.
func checkSamples(samples []Sample) error {
	for k, s := range samples {
		if s.Color == nil || s.Band == nil {
			return fmt.Errorf("matte: sample %d: it must have a color plate and a band plate", k)
		}
		for name, size := range map[string]image.Point{"color plate": s.Color.Size(), "band plate": s.Band.Size()} {
			if err := plate.CheckSize(name, size, "first sample's color plate", samples[0].Color.Size()); err != nil {
				return fmt.Errorf("matte: sample %d: %w", k, err)
			}
		}
	}
	return nil
}

// clearSamples takes the glare, where there is one, off the samples' band plates, and leaves the
// caller's as they were.
func (p *preparation) clearSamples() error {
	if p.out.Glare.Strength == 0 {
		return nil
	}
	cleared := make([]Sample, len(p.samples))
	for k, s := range p.samples {
		band, err := p.out.Glare.Remove(nil, s.Band, p.ref.DarkBand)
		if err != nil {
			return err
		}
		cleared[k] = Sample{Color: s.Color, Band: band}
	}
	p.samples = cleared
	return nil
}

// findCleanBand sees to the clean band plate, and checks all plates.
func (p *preparation) findCleanBand() error {
	if p.ref.CleanBand == nil {
		if err := p.standIn(); err != nil {
			return err
		}
	}
	size := p.ref.CleanBand.Size()
	if len(p.samples) > 0 {
		size = p.samples[0].Color.Size()
	}
	return p.ref.check(size)
}

// standIn makes the clean band plate that nobody shot.
func (p *preparation) standIn() error {
	rebuild := p.opt.CleanFrom == CleanRebuilt || p.opt.CleanFrom == CleanAuto && p.opt.Screen == nil
	screen, fitted := p.opt.Screen, p.opt.Screen == nil
	bands := sync.OnceValues(p.bands)
	if fitted {
		n := rebuildSamples
		if p.opt.Bands != nil {
			n = prepareSamples
		}
		samples, err := p.sample(n)
		if err != nil {
			return err
		}
		parallel.Do(func() {
			screen, err = FitScreen(samples, p.ref.DarkColor, p.ref.DarkBand, 0)
		}, func() {
			if rebuild && p.opt.Clean == nil {
				bands()
			}
		})
		if err != nil {
			return err
		}
	} else if err := screen.check(); err != nil {
		return err
	} else if dark := p.ref.DarkBand; dark != nil {
		if err := plate.CheckSize("dark band plate", dark.Size(), "screen", image.Pt(screen.W, screen.H)); err != nil {
			return err
		}
	}
	p.out.Screen = screen
	// Where a plate was rebuilt before nobody asks for it.
	smooth := sync.OnceValue(func() *plate.Gray { return screen.CleanBand(p.ref.DarkBand) })
	why := ""
	if rebuild {
		clean, err := p.rebuilt(screen, smooth, bands)
		switch {
		case errors.Is(err, ErrNoScreen):
			why = "; none can be rebuilt from the take, since no frame has a part that is certainly screen"
		case err != nil:
			return err
		case p.opt.CleanFrom == CleanAuto && clean.Veiled():
			why = fmt.Sprintf("; one rebuilt from the take is expected to be worse, since smoke or the like darkens what is seen of the screen by %.1f %%, and the smooth screen is off by %.1f %% (it is rebuilt all the same where that is asked for)", 100*clean.Veil, 100*clean.Off)
		default:
			p.note("no clean band plate: it was rebuilt from %d frames, in which %.0f %% of the frame is certainly screen; the rest is filled by a smooth screen (scatter %.1f %%)", clean.Frames, 100*clean.Seen, 100*screen.Scatter)
			if clean.Frames == 1 {
				p.note("one frame does not tell thin smoke from a dim part of the screen: where smoke hangs, the matte is thinner than it is, and the error larger than stated")
			}
			p.out.Clean, p.ref.CleanBand = clean, clean.Band
			return nil
		}
	}
	if fitted || why != "" {
		p.note("no clean band plate: a smooth screen was fitted to the %.0f %% of the frame that is certainly screen (scatter %.1f %%)%s", 100*screen.Coverage, 100*screen.Scatter, why)
	}
	p.ref.CleanBand = smooth()
	return nil
}

// rebuilt returns the clean band plate as it is rebuilt from the samples that bands reads, now or
// before. Smooth returns the one that the screen makes.
func (p *preparation) rebuilt(screen *Screen, smooth func() *plate.Gray, bands func() ([]Sample, error)) (*Clean, error) {
	if clean := p.opt.Clean; clean != nil {
		return clean, plate.CheckSize("rebuilt clean band plate", clean.Band.Size(), "screen", image.Pt(screen.W, screen.H))
	}
	samples, err := bands()
	if err != nil {
		return nil, err
	}
	return cleanFromTake(samples, screen, smooth(), p.ref.DarkBand)
}

// findGlare finds the lens's glare where it is asked for, and takes it off the clean band plate and
// the samples.
func (p *preparation) findGlare() error {
	found := p.opt.Glare
	if p.opt.EstimateGlare {
		solver, samples, err := p.begin()
		if err != nil {
			return err
		}
		found, err = solver.EstimateGlare(samples, p.opt.Glare.Width)
		if errors.Is(err, ErrNoCore) || err == nil && found.Strength < glareSure*found.Sigma {
			p.note("no veiling glare could be told from the rest: none is removed")
			return nil
		} else if err != nil {
			return err
		}
		p.note("veiling glare of %.2f %% (standard error %.2f %%) is removed from the band plate", 100*found.Strength, 100*found.Sigma)
	}
	if found.Strength == 0 {
		return nil
	}
	cleared, err := found.Remove(nil, p.ref.CleanBand, p.ref.DarkBand)
	if err != nil {
		return err
	}
	p.out.Glare, p.ref.CleanBand, p.solver = found, cleared, nil
	return p.clearSamples()
}

// findScreenColor finds K where nobody shot a clean color plate.
func (p *preparation) findScreenColor() error {
	if p.ref.CleanColor != nil {
		return nil
	}
	k := p.opt.ScreenColor
	if k == nil {
		solver, samples, err := p.begin()
		if err != nil {
			return err
		}
		if k, err = solver.ScreenColor(samples); errors.Is(err, ErrNoScreen) {
			return nil
		} else if err != nil {
			return err
		}
		how := "alike all over the frame"
		if k.Order > 0 {
			how = "with a field that varies over the frame"
		}
		p.note("no clean color plate: from the open screen, the color camera sees %.2f, %.2f, %.2f %% of it in red, green and blue, %s", 100*k.Ratio[0], 100*k.Ratio[1], 100*k.Ratio[2], how)
	}
	if err := k.check(); err != nil {
		return err
	}
	p.out.ScreenColor = k
	p.ref.CleanColor = k.CleanColor(SubtractGray(nil, p.ref.CleanBand, p.ref.DarkBand), p.ref.DarkColor)
	p.solver = nil
	return nil
}

// findCrosstalk finds m, and with it the level of black of a band plate without a dark plate.
func (p *preparation) findCrosstalk() error {
	if p.opt.Pedestal > 0 {
		p.setPedestal(p.opt.Pedestal, 0)
	}
	if p.opt.Crosstalk != nil {
		return nil
	}
	solver, samples, err := p.begin()
	if err != nil {
		return err
	}
	m, err := solver.Crosstalk(samples)
	if errors.Is(err, ErrNoCore) {
		p.out.CrosstalkUnknown, p.out.CrosstalkCovariance = true, unknownCrosstalk()
		p.warn("the crosstalk could not be told (%v): taken as none, so a bright performer lets some of their own light through; a frame with more of the performer in it would tell, or give the crosstalk", err)
		return nil
	} else if err != nil {
		return err
	}
	p.out.Crosstalk, p.out.CrosstalkSigma, p.out.CrosstalkCovariance = m.M, m.Sigma, m.Covariance
	switch level := m.Pedestal; {
	case p.ref.DarkBand != nil:
	case level > maxPedestal:
		p.warn("no dark band plate, and the band plate has %.1f %% of full scale where the performer should be solid: that is too much for a level of black, and is left; look for spill, or shoot a dark plate", 100*level)
	case level > pedestalSure*m.PedestalSigma:
		p.setPedestal(level, m.PedestalSigma)
		p.note("no dark band plate: the performer's core has a level of black of %.2f %% of full scale (standard error %.3f %%) in the band plate that no set light explains, and that is taken off; spill that is the same everywhere would look like it", 100*level, 100*m.PedestalSigma)
	}
	if p.solver != nil { // the plates have not changed
		return p.solver.cross(p.ref, p.out.Crosstalk)
	}
	return nil
}

// setPedestal makes a dark band plate of one level, where none was shot.
func (p *preparation) setPedestal(level, sigma float64) {
	p.out.Pedestal, p.out.PedestalSigma = level, sigma
	if p.ref.DarkBand != nil {
		return
	}
	size := p.ref.CleanBand.Size()
	p.ref.DarkBand, p.solver = plate.NewGray(size.X, size.Y), nil
	p.ref.DarkBand.Fill(float32(level))
}
