package align

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"example.com/twinplate/internal/parallel"
)

// A take's edges are displaced by its light alike in every frame, so that more frames of them tell
// little. The costume's texture, which is free of that, is faint: what it says is noise, and falls
// with the root of how many frames it is seen in. So of further pairs the texture alone is
// measured, and only where that brings the geometry nearer.

const (
	// askMost is how often further pairs are asked for. With as many pairs each time as at first,
	// four times as many halve the error by noise.
	askMost = 3

	// fineError is the expected error at the performer's edges, in color pixels, from which further
	// pairs are asked for: what is less does not show in a matte; chosen by hand.
	fineError = 0.05

	// worthwhile is the part of it that is to be left at most, should all further pairs be as the
	// first; chosen by hand.
	worthwhile = 0.85
)

// ask asks for further pairs as often as their texture would tell more. Lateral is the lateral
// color that has been taken out.
func (f *fit) ask(ctx context.Context, more func(context.Context) ([]Pair, error), lateral LateralColor) error {
	if more == nil || f.texture == nil {
		return nil
	}
	var now, then float64
	parallel.Do(func() { now = f.expectedWith(1) }, func() { then = f.expectedWith(1 + askMost) })
	if then > worthwhile*now {
		return nil
	}
	for k := range askMost {
		if k > 0 {
			now = f.expectedWith(1)
		}
		if now < fineError*(f.s[0]+f.s[1])/2 {
			return nil
		}
		pairs, err := more(ctx)
		if err != nil || len(pairs) == 0 {
			return err
		}
		if err := f.further(ctx, pairs, lateral); err != nil {
			return err
		}
	}
	return nil
}

// expectedWith returns the expected error at the pieces of edge, root mean square in band pixels,
// should there be so many times as much texture.
func (f *fit) expectedWith(times float64) float64 {
	with := *f
	with.eqs = slices.Clone(f.eqs)
	for i := range with.eqs {
		if with.eqs[i].texture {
			with.eqs[i].weight *= times
		}
	}
	e := Estimate{Geometry: f.g, Pieces: f.pieces(), Covariance: with.covariance()}
	return e.edgeSigma()
}

// further measures the texture of further pairs where the fit stands, and solves once more with it.
// In the level's frames these have no planes, which are not kept.
func (f *fit) further(ctx context.Context, pairs []Pair, lateral LateralColor) error {
	if err := checkPairs(pairs); err != nil {
		return err
	}
	if c, b, g := pairs[0].Color, pairs[0].Band, &f.g; c.W != g.ColorW || c.H != g.ColorH || b.W != g.BandW || b.H != g.BandH {
		return fmt.Errorf("align: further pairs have %v (color) and %v (band) pixels, and the first have %dx%d and %dx%d", c.Size(), b.Size(), g.ColorW, g.ColorH, g.BandW, g.BandH)
	}
	s, err := newStack(ctx, pairs, maxWidth, 1)
	if errors.Is(err, ErrNoSilhouettes) {
		return nil
	}
	if err != nil {
		return err
	}
	l := s.levels[0]
	if f.l.softened != 0 {
		l.soften(f.g, f.l.softened)
	}
	if lateral.Told(f.g.ColorW, f.g.ColorH) {
		l.correct(lateral)
	}
	patterns, size, err := newFit(f.g, l, f.model).patterns(ctx)
	if err != nil {
		return err
	}
	texture, err := l.findTexture(ctx, f.g, patterns, size)
	if err != nil || texture == nil {
		return err
	}
	ms, err := texture.measure(ctx, l, f.g)
	if err != nil {
		return err
	}
	for i := range ms {
		ms[i].frame += len(f.l.frames)
	}
	f.last = append(f.last, ms...)
	for range pairs {
		f.l.frames = append(f.l.frames, frame{alphaNoise: useless})
	}
	f.solved = false
	next, _ := f.solve(f.last, f.model, f.theta)
	f.move(next)
	_, f.stats = f.solve(f.last, f.model, f.theta)
	return nil
}

// useless is the noise of a frame that is not looked at.
const useless = 2 * uselessNoise
