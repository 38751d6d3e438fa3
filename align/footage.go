package align

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// A Pair is one frame of a take: the color plate and the band plate of the same moment, in linear
// light.
type Pair struct {
	Color *plate.RGB
	Band  *plate.Gray
}

// The models that a geometry can be limited to, each holding the ones before it.
const (
	Shift      = "shift"      // the band plate is moved
	Similarity = "similarity" // and turned, and scaled alike along both axes
	Affine     = "affine"     // and scaled and sheared along each axis
	Homography = "homography" // and in perspective
	Radial     = "radial"     // and distorted radially by its lens, to the fourth power
)

// Mirror says whether the band plate is flipped left to right.
type Mirror int

const (
	MirrorAuto Mirror = iota // it is tried both ways
	MirrorYes
	MirrorNo
)

// FootageOptions are choices for FromFootage. The zero value, and nil, mean the defaults.
type FootageOptions struct {
	// Model is the richest model that may be used: the plates decide whether they support it, and a
	// simpler one is used where they do not. Empty means Radial.
	Model string

	// Mirror fixes the parity where it is known.
	Mirror Mirror

	// MaxShift is how far the plates may be moved from being centered on each other, in parts of
	// the color frame's width; 0 means 0.1.
	MaxShift float64

	// MaxRotation is in degrees; 0 means 5.
	MaxRotation float64

	// MaxScale is how far the scale may be from that of frames which cover each other edge to edge;
	// 0 means 0.08, for 8 % either way.
	MaxScale float64

	// More, where it is not nil, is asked for further pairs of the take, of the same sizes, where the
	// costume's texture in them would make the geometry's error at the edges less: three times at
	// most, and for as many as there were at first. It may return fewer, and none where there are no
	// more. Its error ends the estimate.
	More func(context.Context) ([]Pair, error)

	// Rough is for a picture that is there soon: fewer candidates are looked at, and the best is
	// fitted once, to about a pixel of the plates, with a homography at most. The estimate has a
	// geometry, its model and its residual, and says nothing of its own error, the lenses or the
	// costume's texture.
	Rough bool
}

// An Estimate is a geometry found from plates, and how far it is to be believed.
type Estimate struct {
	Geometry Geometry

	// Residual is how far the silhouettes' edges in the two plates are still apart once the
	// geometry has brought them together, in band pixels: the root of the mean square, across the
	// edge, over the pieces of edge that were used, each weighted as it was in the fit. It has in
	// it what is not the geometry's fault (noise, costume texture against the edge), so that the
	// geometry itself is usually better than this; but away from the edges it can be worse: see
	// Coverage.
	Residual float64

	Model  string     // the model that the plates supported
	Models []ModelFit // how well each that was allowed fits
	Frames int        // how many of the pairs had silhouettes in them
	Edges  int        // how many pieces of edge were used, over all pairs

	// Match is how much of the color plate's change across the silhouettes' edges the band plate
	// explains, 0 to 1.
	Match float64

	// ParityMargin is Match less what the other parity reached, or 0 where the parity was given:
	// above 0.1 the parity is certain, and below 0.05 there is a warning.
	ParityMargin float64

	// Coverage is the part of the color frame, 0 to 1, that is no further than a tenth of its width
	// from an edge that was used. Elsewhere the geometry is extrapolated.
	Coverage float64

	// Pieces are the pieces of edge that were used: where each is in the color plate, and where the
	// band plate shows it. Along the edge, where nothing is known, the two agree.
	Pieces []PointPair

	// Covariance is that of the geometry's numbers, in this order: the homography's first eight
	// elements, k1, k2, and the center's x and y, as Geometry has them. It allows for what Model
	// leaves out of FootageOptions.Model, by as much of it as the plates do not rule out and rigs and
	// lenses may have. The center is not estimated: its rows are zero.
	Covariance [12][12]float64

	Texture      Texture      // what the costume's own texture said
	Softness     Softness     // of the two cameras' pictures against each other
	LateralColor LateralColor // of the color camera's lens; the geometry is that of green
	Rolling      Rolling      // how far the rows of the two cameras are from being of the same instants

	Warnings []string // in plain words, each naming what to do about it

	rivals [12][12]float64 // the part of Covariance that is for other places
}

// Sigma returns the expected error of the geometry at the color pixel (x, y): the standard
// deviation of the distance between where it puts that pixel in the band plate and the true place,
// in band pixels. It grows away from the performer's edges.
func (e *Estimate) Sigma(x, y float64) float64 { return e.Geometry.expected(&e.Covariance, x, y) }

// SigmaHere is Sigma should the place that was found be the right one: without the others that an
// AMBIGUOUS warning names.
func (e *Estimate) SigmaHere(x, y float64) float64 {
	return math.Sqrt(math.Max(math.Pow(e.Sigma(x, y), 2)-math.Pow(e.Geometry.expected(&e.rivals, x, y), 2), 0))
}

// edgeSigma returns the expected error at the pieces of edge, root mean square.
func (e *Estimate) edgeSigma() float64 {
	squares := make([]float64, len(e.Pieces))
	parallel.Parts(len(squares), func(from, to int) {
		for i, p := range e.Pieces[from:to] {
			s := e.Sigma(p.Color[0], p.Color[1])
			squares[from+i] = s * s
		}
	})
	sum := 0.0
	for _, v := range squares {
		sum += v / float64(len(squares))
	}
	return math.Sqrt(sum)
}

// Errors of FromFootage and Residual, wrapped with what was found: test for them with errors.Is.
var (
	// ErrNoSilhouettes: no pair has a performer against the bright screen.
	ErrNoSilhouettes = errors.New("no silhouettes")

	// ErrNoMatch: the silhouettes of the band plates are not found in the color plates.
	ErrNoMatch = errors.New("the plates have nothing in common")
)

// minSide is the smallest width or height of a plate, in pixels, and maxPairs the largest number of
// pairs, which bounds the work and the memory. Both are chosen by hand.
const (
	minSide  = 32
	maxPairs = 64
)

// The bounds of the search where Options leaves them open, and the most that Options may ask for:
// chosen by hand; not measured by itself. The search's work grows with each of them.
const (
	usualShift, mostShift       = 0.1, 0.4  // parts of the color frame's width
	usualRotation, mostRotation = 5, 30     // degrees
	usualScale, mostScale       = 0.08, 0.4 // parts of the scale
)

// FromFootage finds the geometry between the cameras from pairs of plates with a performer in them:
// one geometry for all pairs, since the cameras are fixed to each other. Three to eight pairs with
// the performer in different places serve well; all color plates must have one size, and all band
// plates one size (at least 32 pixels a side). Neither clean plates nor dark levels are needed: it
// makes no difference to the result when a plate is multiplied by a factor or has a constant added.
//
// The two plates have little in common but silhouettes. A coarse search (normalized
// cross-correlation of the performer's presence over parity, rotation, scale and shift) is refined
// up a pyramid. There, in each small window with an edge in it, the color plate is modeled as the
// band plate's alpha times a color that slopes over the window and, in the last fits, bends, with
// what the lens's blur makes of both; the shift that fits best, across the edge, is that piece of
// edge's measurement; and a robust least-squares fit of the geometry to all measurements follows,
// until it stands still. Before the last fits red and blue are brought to green's scale, where they
// have others, and the plates to one softness; where each frame's band plate is displaced by an
// amount that grows with the row, these displacements are fitted with the geometry. In the last
// fits the costume's texture, which set light leaves in the band plate where the performer is
// solid, is measured beside the edges: see Texture. The models are taken from simple to rich, each
// only where it improves the fit significantly (Schwarz's criterion). The result is deterministic.
//
// The error wraps ErrNoSilhouettes or ErrNoMatch where the pictures are the cause, and ctx.Err()
// when ctx ends first.
func FromFootage(ctx context.Context, pairs []Pair, opt *FootageOptions) (*Estimate, error) {
	o := *cmp.Or(opt, &FootageOptions{})
	if err := cmp.Or(o.fill(), checkPairs(pairs)); err != nil {
		return nil, err
	}
	s, err := newStack(ctx, pairs, maxWidth, allLevels)
	if err != nil {
		return nil, err
	}
	return s.estimate(ctx, o)
}

// Residual measures how well g brings the silhouettes of pairs together, in band pixels, as
// Estimate.Residual states it, without changing g. Edges that are over three pixels apart count as
// three, and those in which little of the color is explained count little: a larger value than
// about 0.7 means that g is wrong, and not by how much.
func Residual(ctx context.Context, pairs []Pair, g Geometry) (float64, error) {
	return ResidualReduced(ctx, pairs, g, maxWidth)
}

// ResidualReduced is Residual of pairs that are reduced, by a power of two, to color plates of at
// most width pixels' width: it takes as much less time. It tells readings of the same plates from
// each other as well, and is still in pixels of the band plates as they are.
func ResidualReduced(ctx context.Context, pairs []Pair, g Geometry, width int) (float64, error) {
	_, f, err := matched(ctx, pairs, g, width)
	if err != nil {
		return 0, err
	}
	return f.stats.rms, nil
}

// prepared measures the edges of pairs where g puts them, in plates of at most width pixels' width.
func prepared(ctx context.Context, pairs []Pair, g Geometry, width int) (*stack, *fit, error) {
	if err := cmp.Or(g.Check(), checkPairs(pairs)); err != nil {
		return nil, nil, err
	}
	if c, b := pairs[0].Color, pairs[0].Band; c.W != g.ColorW || c.H != g.ColorH || b.W != g.BandW || b.H != g.BandH {
		return nil, nil, fmt.Errorf("align: the plates have %dx%d (color) and %dx%d (band) pixels, and the geometry is for %dx%d and %dx%d", c.W, c.H, b.W, b.H, g.ColorW, g.ColorH, g.BandW, g.BandH)
	}
	s, err := newStack(ctx, pairs, min(width, maxWidth), 2) // matchSoftness looks at two
	if err != nil {
		return nil, nil, err
	}
	l := s.levels[0]
	tiles := l.edges(g, sloping.size)
	if len(tiles) < minEdges {
		return nil, nil, fmt.Errorf("align: %w: %d pieces of edge in %d pairs", ErrNoSilhouettes, len(tiles), len(pairs))
	}
	f := newFit(g, l, Radial)
	f.model = fixedModel
	_, err = f.run(ctx, 0)
	return s, f, err
}

// matched is prepared, with plates that are brought to one softness.
func matched(ctx context.Context, pairs []Pair, g Geometry, width int) (*stack, *fit, error) {
	s, f, err := prepared(ctx, pairs, g, width)
	if err != nil {
		return nil, nil, err
	}
	return s, f, s.matchSoftness(ctx, f)
}

// fill sets the defaults, and returns an error for values that make no sense.
func (o *FootageOptions) fill() error {
	o.Model = cmp.Or(o.Model, Radial)
	if modelIndex(o.Model) < 0 {
		return fmt.Errorf("align: the model %q is not one of shift, similarity, affine, homography and radial", o.Model)
	}
	if o.Mirror < MirrorAuto || o.Mirror > MirrorNo {
		return fmt.Errorf("align: Options.Mirror is %d, and must be MirrorAuto, MirrorYes or MirrorNo", o.Mirror)
	}
	for _, v := range []struct {
		name            string
		p               *float64
		preset, largest float64
	}{{"MaxShift", &o.MaxShift, usualShift, mostShift}, {"MaxRotation", &o.MaxRotation, usualRotation, mostRotation}, {"MaxScale", &o.MaxScale, usualScale, mostScale}} {
		if *v.p == 0 {
			*v.p = v.preset
		}
		if !(*v.p > 0 && *v.p <= v.largest) {
			return fmt.Errorf("align: Options.%s is %v, and must be over 0 and at most %v", v.name, *v.p, v.largest)
		}
	}
	return nil
}

func checkPairs(pairs []Pair) error {
	if len(pairs) == 0 {
		return errors.New("align: no pairs of plates were given")
	}
	if len(pairs) > maxPairs {
		return fmt.Errorf("align: %d pairs of plates, and at most %d are taken: choose some with the performer in different places", len(pairs), maxPairs)
	}
	for i, p := range pairs {
		if p.Color == nil || p.Band == nil {
			return fmt.Errorf("align: pair %d lacks a plate", i)
		}
		first := pairs[0]
		if p.Color.Size() != first.Color.Size() || p.Band.Size() != first.Band.Size() {
			return fmt.Errorf("align: pair %d has %v (color) and %v (band) pixels, and pair 0 has %v and %v: one size for each camera", i, p.Color.Size(), p.Band.Size(), first.Color.Size(), first.Band.Size())
		}
		if min(p.Color.W, p.Color.H, p.Band.W, p.Band.H) < minSide {
			return fmt.Errorf("align: pair %d has %dx%d (color) and %dx%d (band) pixels, and each side must have at least %d", i, p.Color.W, p.Color.H, p.Band.W, p.Band.H, minSide)
		}
		if err := p.Color.CheckFinite(); err != nil {
			return fmt.Errorf("align: the color plate of pair %d: %w", i, err)
		}
		if err := p.Band.CheckFinite(); err != nil {
			return fmt.Errorf("align: the band plate of pair %d: %w", i, err)
		}
	}
	return nil
}

// estimate is FromFootage on a prepared stack.
func (s *stack) estimate(ctx context.Context, o FootageOptions) (*Estimate, error) {
	// The rounds that a fit gets at most; it ends where it stands still. Chosen by hand.
	const (
		reducedRounds = 5 // on a reduced level
		finestRounds  = 2 // on the finest, from which choose goes on
		richerRounds  = 4 // there with a richer model than on any level before
	)
	starts, err := s.search(ctx, o)
	if err != nil {
		return nil, err
	}
	c, err := s.contend(ctx, starts, o)
	if err != nil {
		return nil, err
	}
	winner, rivals := c.decide()
	if winner.score < minScore {
		return nil, fmt.Errorf("align: %w: in the best fit of %d starts, with the band plate %s, edges that explain %.0f %% of the change in color are where they should be, and over %.0f %% are in plates of one moment (%s); plates of one moment that are in step, and frames with more of the performer's edge before the screen, would help", ErrNoMatch, len(starts), parityWords[parity(winner.g.Mirror)], 100*winner.score, 100*minScore, s.seen())
	}
	f, level := winner.fit, c.level
	e := &Estimate{}
	if o.Rough {
		f = newFit(f.g, s.levels[0], least(Homography, o.Model))
		if ok, err := f.run(ctx, reducedRounds); err != nil {
			return nil, err
		} else if !ok {
			return nil, fmt.Errorf("align: %w: too few edges agree", ErrNoMatch)
		}
		e.Geometry, e.Model, e.Residual, e.Match = f.g, f.model, f.stats.rms, f.match
		return e, e.Geometry.Check()
	}
	switch p := parity(f.g.Mirror); {
	case o.Mirror != MirrorAuto:
	case c.alone:
		e.ParityMargin = f.match
	default:
		e.ParityMargin = c.met[p] - c.met[1-p]
	}
	for level > 0 {
		level--
		model, rounds := o.Model, reducedRounds
		switch {
		case level > 1:
			model = least(Homography, model)
		case level == 0: // choose goes on from here
			rounds = finestRounds
		}
		f = newFit(f.g, s.levels[level], model)
		ok, err := f.run(ctx, rounds)
		if err != nil {
			return nil, err
		}
		if !ok {
			return nil, fmt.Errorf("align: %w: the edges that agreed on the reduced plates do not on larger ones", ErrNoMatch)
		}
	}
	if f.most != o.Model { // fitted with less yet
		f = newFit(f.g, s.levels[0], o.Model)
		if ok, err := f.run(ctx, richerRounds); err != nil {
			return nil, err
		} else if !ok {
			return nil, fmt.Errorf("align: %w: too few edges agree", ErrNoMatch)
		}
	}
	if err := s.matchSoftness(ctx, f); err != nil {
		return nil, err
	}
	e.Softness = s.softness(f)
	// choose fits as closely as can be. What it finds of the lens and the shutter is taken out, and
	// it fits once more.
	choose := func(shutter *shutter) error {
		f = f.again(o.Model)
		f.shutter = shutter
		ok, err := f.choose(ctx)
		if err == nil && !ok {
			err = fmt.Errorf("align: %w: too few edges agree", ErrNoMatch)
		}
		return err
	}
	if err := choose(nil); err != nil {
		return nil, err
	}
	// Only now: where the geometry is off, channels of unequal noise follow it unequally, which
	// looks like lateral color.
	if e.LateralColor, err = f.lateral(ctx); err != nil {
		return nil, err
	}
	if e.LateralColor.Told(s.colorW, s.colorH) {
		if err := choose(nil); err != nil {
			return nil, err
		}
	}
	if err := f.ask(ctx, o.More, e.LateralColor); err != nil {
		return nil, err
	}
	// What the estimate says of itself, side by side: the parts of it have little for many
	// processors.
	say := func() (err error) {
		e.Pieces = f.pieces()
		for i := range f.l.frames {
			f.l.frames[i].late = [lateTerms]float64{} // the geometry alone is what all frames have
		}
		edges := 0.0
		parallel.Do(
			func() { e.Rolling = f.rolling() },
			func() { e.Covariance, edges = f.drift() },
			func() { e.Residual, e.Match, err = f.residual(ctx) },
		)
		e.Rolling.Edges = edges
		return err
	}
	if err := say(); err != nil {
		return nil, err
	}
	if e.Rolling.Told() { // once more, with the frames' displacements left free
		if err := choose(f.newShutter(1)); err != nil {
			return nil, err
		}
		if err := say(); err != nil {
			return nil, err
		}
	}
	e.Geometry, e.Model, e.Models = f.g, f.model, f.models
	e.Edges = list.Count(f.eqs, func(q equation) bool { return !q.texture })
	e.grow(e.Residual / f.l.fb)
	f.witness(e)
	if err := e.Geometry.Check(); err != nil {
		return nil, fmt.Errorf("align: %w: %w", ErrNoMatch, err)
	}
	if e.Match < minMatch {
		return nil, fmt.Errorf("align: %w: the band plates explain %.0f %% of the change at the edges, and plates of one moment reach over %.0f %%", ErrNoMatch, 100*e.Match, 100*minMatch)
	}
	f.describe(e)
	e.doubt(rivals)
	if o.Mirror == MirrorAuto && e.ParityMargin < leastMargin && len(rivals) == 0 {
		e.Warnings = append(e.Warnings, fmt.Sprintf("the plates match nearly as well flipped left to right as not (by %.2f): check the parity by eye, or give it, or add a frame in which the performer's two sides differ", e.ParityMargin))
	}
	return e, nil
}

// residual returns Estimate's Residual and Match: over all edges, not only those that the last fit
// looked at.
func (f *fit) residual(ctx context.Context) (rms, match float64, err error) {
	whole := f.again(Radial)
	whole.model = fixedModel
	_, err = whole.run(ctx, 0)
	return whole.stats.rms, whole.match, err
}

// leastMargin is the ParityMargin below which there is a warning: chosen by hand; not measured by
// itself.
const leastMargin = 0.05

// minMatch is the least Match of plates that show the same thing, and minScore the least part of it
// that stands up on edges which were not fitted: takes that were found right had over 0.55, and
// plates of different moments up to 0.27.
const (
	minMatch = 0.3
	minScore = 0.35
)

var parityWords = [2]string{"as it is", "flipped left to right"}

func parity(mirror bool) int {
	if mirror {
		return 1
	}
	return 0
}

// Residuals in pixels of the finest level: up to which a geometry describes its edges, and from
// which there is a warning. Takes that were found right had at most 0.3, and most of those that
// were not had 0.4 and more.
const (
	soundResidual = 0.3
	badResidual   = 0.4
)

// grow raises the stated error where the edges are further apart, in pixels of the finest level,
// than in takes that were found right: by their ratio, the root of chi-squared by the degree of
// freedom (Birge 1932; not checked against the source). What scatters more than it should says less
// than its weights do.
func (e *Estimate) grow(apart float64) {
	by := math.Max(1, apart/soundResidual)
	for i := range e.Covariance {
		for j := range e.Covariance[i] {
			e.Covariance[i][j] *= by * by
		}
	}
}

// Expected errors, in band pixels, from which there is a warning: anywhere in the frame, and at the
// performer's edges.
const (
	farError  = 1    // chosen by hand: where nobody was, less is normal
	edgeError = 0.15 // for a band plate of the color plate's size: above what sideLight alone gives
)

// coverageReach is how far the geometry counts as covered around an edge or a corner, in parts of
// the color frame's width, as Estimate.Coverage states it.
const coverageReach = 0.1

// cellsAbout returns from which and up to which of n cells, from 0 to 1, those are whose middles
// may be within reach of x.
func cellsAbout(x, reach float64, n int) (from, to int) {
	return max(int((x-reach)*float64(n)), 0), min(int((x+reach)*float64(n))+1, n)
}

// describe fills in what concerns where in the frame the edges were, and the warnings.
func (f *fit) describe(e *Estimate) {
	l := f.l
	const (
		n = 24 // cells a side, in which the coverage is counted: to a fraction of a percent

		// What makes a warning, in parts of the frame: edges that keep to one side of a middle
		// strip, and a coverage of less. Chosen by hand.
		middleFrom, middleTo = 0.45, 0.55
		leastCoverage        = 0.35
		fewEdges             = 60 // pieces of edge; chosen by hand
	)
	var near [n * n]bool
	frames := map[int]bool{}
	w, h := float64(l.w), float64(l.h)
	x0, x1, y0, y1 := 1.0, 0.0, 1.0, 0.0
	for _, m := range f.last {
		if !m.used {
			continue
		}
		if !m.texture {
			frames[m.frame] = true
		}
		x, y := m.x/w, m.y/h
		x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
		i0, i1 := cellsAbout(x, coverageReach, n)
		j0, j1 := cellsAbout(y, coverageReach*w/h, n)
		for j := j0; j < j1; j++ {
			for i := i0; i < i1; i++ {
				dx, dy := (float64(i)+0.5)/n-x, ((float64(j)+0.5)/n-y)*h/w
				near[j*n+i] = near[j*n+i] || dx*dx+dy*dy < coverageReach*coverageReach
			}
		}
	}
	for _, v := range near {
		if v {
			e.Coverage += 1. / (n * n)
		}
	}
	e.Frames = len(frames)
	where := ""
	switch {
	case x1 < middleFrom:
		where = "left part"
	case x0 > middleTo:
		where = "right part"
	case y1 < middleFrom:
		where = "upper part"
	case y0 > middleTo:
		where = "lower part"
	case e.Coverage < leastCoverage:
		where = "middle"
	}
	if where != "" {
		e.Warnings = append(e.Warnings, fmt.Sprintf("the performer's edges are only in the %s of the frame (x from %.0f to %.0f %%, y from %.0f to %.0f %%): the geometry is extrapolated elsewhere; add frames with the performer there, or use a chart", where, 100*x0, 100*x1, 100*y0, 100*y1))
	}
	if pixels := e.Residual / l.fb; pixels > badResidual {
		e.Warnings = append(e.Warnings, fmt.Sprintf("the edges are still %.2f pixels apart: the geometry may be wrong, or the plates not of the same moments", e.Residual))
	}
	if most, at, _ := e.Geometry.worst(&e.Covariance); most > farError {
		e.Warnings = append(e.Warnings, farWarning(most, at, "add frames with the performer near there, or use a chart"))
	}
	if s := e.edgeSigma(); s > edgeError*(f.s[0]+f.s[1])/2 {
		e.Warnings = append(e.Warnings, fmt.Sprintf("the expected error at the performer's edges is %.2f pixels, and a matte may show it: add frames with the performer elsewhere, or use a chart", s))
	}
	if e.Rolling.Told() {
		e.Warnings = append(e.Warnings, e.Rolling.warning())
	}
	if e.Edges < fewEdges {
		e.Warnings = append(e.Warnings, fmt.Sprintf("only %d pieces of edge were found: add frames", e.Edges))
	}
}
