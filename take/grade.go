package take

import (
	"cmp"
	"context"
	"fmt"
	"reflect"
	"slices"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
)

// grades are what is done to the color of both, with the balances that gray cards have given.
type grades struct{ foreground, background composite.Grade }

// grade makes the grades ready, and finds the balance by a gray card. What a job before had ready,
// and is the same, is taken from it.
func (j *preparation) grade(before Job) (err error) {
	r := &j.take.recipe
	j.grades = grades{r.ForegroundGrade, r.BackgroundGrade}
	g := &j.grades
	j.foregroundGrade = nil
	if g.foreground.None() && (g.background.None() || j.backdrop == nil) {
		return nil
	}
	j.take.stage("the colors")
	var was, asked grades // of the job before: with balances, and as its recipe has them
	if before.take != nil {
		was, asked = before.grades, grades{before.take.recipe.ForegroundGrade, before.take.recipe.BackgroundGrade}
		if b, card := before.backdrop, g.background.GrayCard; b == nil || j.backdrop == nil || card == nil || b.card(card) != j.backdrop.card(card) {
			asked.background.GrayCard = nil // it was another picture's
		}
	}
	if g.foreground.GrayCard != nil {
		if !j.cardOf(&g.foreground, "foreground", asked.foreground, was.foreground) {
			pair, err := j.cardPair("foreground", g.foreground.GrayCard.Frame)
			if err != nil {
				return err
			}
			frame, err := j.readColor(nil, pair)
			if err != nil {
				return err
			}
			if err := j.byCard(&g.foreground, "foreground", frame, j.lens.ofColor(j.take.darkColor)); err != nil {
				return err
			}
		}
	}
	if g.background.GrayCard != nil && j.backdrop != nil {
		if !j.cardOf(&g.background, "background", asked.background, was.background) {
			if _, err := j.cardPair("background", g.background.GrayCard.Frame); err != nil {
				return err
			}
			picture, err := j.readRGB(nil, j.backdrop.card(g.background.GrayCard), j.backgroundCurve, j.backgroundPrimaries)
			if err != nil {
				return err
			}
			if err := j.byCard(&g.background, "background", picture, nil); err != nil {
				return err
			}
		}
	}
	if j.foregroundGrade, err = graderOf(g.foreground, was.foreground, before.foregroundGrade); err != nil {
		return err
	}
	if j.backdrop == nil {
		return nil
	}
	var old *composite.Grader
	if before.backdrop != nil {
		old = before.backdrop.grade
	}
	j.backdrop.grade, err = graderOf(g.background, was.background, old)
	return err
}

// graderOf returns what does a grade, which may be what did it before; nil for one that does
// nothing.
func graderOf(g, was composite.Grade, before *composite.Grader) (*composite.Grader, error) {
	if g.None() {
		return nil, nil
	}
	if before != nil && reflect.DeepEqual(g, was) {
		return before, nil
	}
	return composite.NewGrader(g)
}

// cardPair returns the frame that has a gray card; 0 is the first.
func (j *preparation) cardPair(what string, number int) (FilePair, error) {
	if number == 0 {
		return j.take.whole[0], nil
	}
	i := slices.IndexFunc(j.take.whole, func(p FilePair) bool { return p.Number == number })
	if i < 0 {
		return FilePair{}, fmt.Errorf("%s_grade: the gray card is in frame %d, which the take does not have", what, number)
	}
	return j.take.whole[i], nil
}

// card returns the file that has a gray card.
func (b *backdrop) card(c *composite.Card) string {
	return b.behind(cmp.Or(c.Frame, b.whole[0].Number))
}

// cardOf sets a grade's balance to what the same card, behind the same matrix, gave before, where
// it did.
func (j *preparation) cardOf(g *composite.Grade, what string, asked, was composite.Grade) bool {
	if asked.GrayCard == nil || was.Balance == nil || *asked.GrayCard != *g.GrayCard || !reflect.DeepEqual(asked.Matrix, g.Matrix) {
		return false
	}
	g.Balance, g.GrayCard = was.Balance, nil
	j.noteCard(what, *g.Balance)
	return true
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
	j.noteCard(what, *g.Balance)
	return nil
}

// noteCard says what a gray card has given.
func (j *preparation) noteCard(what string, b [3]float64) {
	note := fmt.Sprintf("the %s's balance by its gray card: red %.3f, green %.3f, blue %.3f", what, b[0], b[1], b[2])
	const far = 4 // two stops apart, which no light on a set is from another (chosen by hand)
	if slices.Max(b[:]) > far*slices.Min(b[:]) {
		note += ": is that a gray card?"
	}
	j.Notes = append(j.Notes, note)
}

// tellGrays notes how gray the grays of both are, with their grades, in one frame. Without grades
// there is nothing to tell.
func (j *preparation) tellGrays(ctx context.Context) error {
	if j.backdrop == nil || j.foregroundGrade == nil && j.backdrop.grade == nil {
		return nil
	}
	defer j.files.Rest()
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
	b, grayB, okB := words(h.shown, nil)
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

// A GradeCDL is one of a recipe's grades as an ASC CDL.
type GradeCDL struct {
	ID          string `json:"id"`          // foreground or background
	Description string `json:"description"` // of the values that it acts on
	plate.CDL   `json:"cdl"`
}

// CDLs returns the recipe's grades, of those of foreground and background that do anything, as ASC
// CDL. The error says which one cannot be one, and why (composite.Grade.ToCDL).
func (r Recipe) CDLs() ([]GradeCDL, error) {
	var all []GradeCDL
	for _, p := range []struct {
		id    string
		grade composite.Grade
	}{{"foreground", r.ForegroundGrade}, {"background", r.BackgroundGrade}} {
		if p.grade.None() {
			continue
		}
		c, err := p.grade.ToCDL()
		if err != nil {
			return nil, fmt.Errorf("the %s's grade: %w", p.id, err)
		}
		all = append(all, GradeCDL{p.id, "acts on values of " + cmp.Or(p.grade.In, "linear light") + ", without clamping", c})
	}
	return all, nil
}
