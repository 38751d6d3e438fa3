package take

import (
	"context"
	"fmt"
	"slices"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
)

// grades are what is done to the color of both, with the balances that gray cards have given.
type grades struct{ foreground, background composite.Grade }

// grade makes the grades ready: it finds the balance by a gray card, and tells how gray both are.
func (j *preparation) grade(ctx context.Context) (err error) {
	r := &j.take.recipe
	j.grades = grades{r.ForegroundGrade, r.BackgroundGrade}
	g := &j.grades
	if g.foreground.None() && (g.background.None() || j.backdrop == nil) {
		return nil
	}
	j.take.stage("the colors")
	if c := g.foreground.GrayCard; c != nil {
		pair := j.take.whole[0]
		if c.Frame != 0 {
			i := slices.IndexFunc(j.take.whole, func(p FilePair) bool { return p.Number == c.Frame })
			if i < 0 {
				return fmt.Errorf("foreground_grade: the gray card is in frame %d, which the take does not have", c.Frame)
			}
			pair = j.take.whole[i]
		}
		frame, err := j.readColor(nil, pair)
		if err != nil {
			return err
		}
		if err := j.byCard(&g.foreground, "foreground", frame, j.lens.ofColor(j.take.darkColor)); err != nil {
			return err
		}
	}
	if g.background.GrayCard != nil && j.backdrop != nil {
		picture, err := j.readRGB(nil, j.backdrop.file(0), j.backgroundCurve, j.backgroundPrimaries)
		if err != nil {
			return err
		}
		if err := j.byCard(&g.background, "background", picture, nil); err != nil {
			return err
		}
	}
	if !g.foreground.None() {
		if j.foregroundGrade, err = composite.NewGrader(g.foreground); err != nil {
			return err
		}
	}
	if j.backdrop == nil {
		return nil
	}
	if !g.background.None() {
		if j.backdrop.grade, err = composite.NewGrader(g.background); err != nil {
			return err
		}
	}
	return j.tellGrays(ctx)
}

// byCard sets a grade's balance by its gray card in a picture, whose dark plate may be nil.
func (j *preparation) byCard(g *composite.Grade, what string, f, dark *plate.RGB) error {
	card := *g.GrayCard
	mean, err := card.Mean(f)
	if err == nil && dark != nil {
		var black [3]float64
		black, err = card.Mean(dark)
		for c := range mean {
			mean[c] -= black[c]
		}
	}
	if err == nil {
		err = g.Neutralize(mean, j.primaries)
	}
	if err != nil {
		return fmt.Errorf("%s_grade: %w", what, err)
	}
	b := *g.Balance
	note := fmt.Sprintf("the %s's balance by its gray card: red %.3f, green %.3f, blue %.3f", what, b[0], b[1], b[2])
	const far = 4 // two stops apart, which no light on a set is from another (chosen by hand)
	if slices.Max(b[:]) > far*slices.Min(b[:]) {
		note += ": is that a gray card?"
	}
	j.Notes = append(j.Notes, note)
	return nil
}

// tellGrays notes how gray the grays of both are, with their grades, in one frame.
func (j *preparation) tellGrays(ctx context.Context) error {
	frames, err := j.sample(ctx, 1)
	if err != nil {
		return err
	}
	gain, given := j.givenGain(j.sampled[0].Number)
	if !given {
		gain = 1 // the core is solid whatever the lamps do
	}
	solution, err := j.solver.Solve(nil, frames[0].Color, frames[0].Band, gain)
	if err != nil {
		return err
	}
	if j.foregroundGrade != nil {
		if err := j.foregroundGrade.Foreground(solution.Foreground, solution.Transmission); err != nil {
			return err
		}
	}
	var h hung
	if err := j.backdrop.hang(&h, 0); err != nil {
		return err
	}
	words := func(f *plate.RGB, t *plate.Gray) (string, [3]float64, bool) {
		gray, ok := composite.Neutral(f, t)
		return fmt.Sprintf("red %.2f, green %.2f, blue %.2f", gray[0], gray[1], gray[2]), gray, ok
	}
	a, grayA, okA := words(solution.Foreground, solution.Transmission)
	b, grayB, okB := words(h.fitted, nil)
	if !okA || !okB {
		return nil
	}
	const middle = 0.18 // the light of an 18 % gray card
	for c := range 3 {
		grayA[c] *= middle
		grayB[c] *= middle
	}
	j.Notes = append(j.Notes, fmt.Sprintf("what is palest in the performer is %s; in the background %s (CIEDE2000 %.1f apart): if both are to be gray in one light, balance one of them", a, b, plate.DeltaE(j.primaries.Lab(grayA), j.primaries.Lab(grayB))))
	return nil
}
