package take

import (
	"context"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// A recipe's finish is what is done to a frame that is solved, and to its background: Limits,
// Regions, Spill, Beyond, both grades, Operator, and how the background lies in the frame and in
// time (Fit, FitEnd, BackgroundStart, BackgroundEnd). No estimate hangs on it.

// finishedBy returns the recipe with the finish of another.
func (r Recipe) finishedBy(f Recipe) Recipe {
	r.Limits, r.Regions, r.Spill, r.Beyond = f.Limits, f.Regions, f.Spill, f.Beyond
	r.ForegroundGrade, r.BackgroundGrade, r.Operator = f.ForegroundGrade, f.BackgroundGrade, f.Operator
	r.Fit, r.FitEnd, r.BackgroundStart, r.BackgroundEnd = f.Fit, f.FitEnd, f.BackgroundStart, f.BackgroundEnd
	return r
}

// Finish returns the job with the finish of another recipe: its Limits, Regions, Spill, Beyond,
// grades, Operator, Fit, FitEnd, BackgroundStart and BackgroundEnd. All else is this job's, and
// what was estimated is not estimated again, so that this takes no longer than reading a frame or
// two. The new job gives what Prepare gives of such a recipe with this job's estimates. The error
// is Recipe.Check's, or says what does not suit the take.
func (j *Job) Finish(ctx context.Context, r Recipe) (*Job, error) {
	next, err := j.finished(ctx, r, false)
	if err != nil {
		return nil, err
	}
	p := &preparation{Job: next}
	return next, p.tellGrays(ctx)
}

// finished is Finish without the note on how gray the grays are, which takes making a frame. With
// fresh the background's files may be others than they were.
func (j *Job) finished(ctx context.Context, r Recipe, fresh bool) (*Job, error) {
	defer j.files.Rest()
	t := *j.take
	if fresh {
		t.backgroundInfo = plate.Info{}
	}
	t.recipe = t.recipe.finishedBy(r)
	if err := t.recipe.Check(); err != nil {
		return nil, err
	}
	next := *j
	next.take = &t
	var placed string
	var err error
	if next.backdrop, placed, err = t.newBackdrop(); err != nil {
		return nil, err
	}
	p := &preparation{Job: &next}
	return &next, p.finish(ctx, *j, placed)
}

// finish makes ready what the recipe asks for as its finish, over the background that is placed,
// which the note of newBackdrop tells. What a job before had ready, and is the same, is taken from
// it.
func (j *preparation) finish(ctx context.Context, before Job, placed string) error {
	j.Notes = slices.Clone(j.prepared)
	if placed != "" {
		j.Notes = append(j.Notes, placed)
	}
	if err := j.shape(ctx, before); err != nil {
		return err
	}
	if u := j.solver.Uncovered(); u > 0 && j.Extent == nil {
		j.Notes = append(j.Notes, fmt.Sprintf("in %.1f %% of the frame the clean band plate shows no screen: there the color plate stays as it is", 100*u))
	}
	return j.grade(before)
}

// extentFrames is how many frames the screen's extent is found in where nobody shot a clean band
// plate. Chosen by hand.
const extentFrames = 4

// shape prepares what acts on the matte by its place: the screen's extent and the regions.
func (j *preparation) shape(ctx context.Context, before Job) error {
	r := &j.take.recipe
	j.regions, j.Extent = nil, nil
	if len(r.Regions) > 0 {
		if j.regions = before.regions; before.take == nil || !reflect.DeepEqual(r.Regions, before.take.recipe.Regions) {
			var err error
			if j.regions, err = matte.NewRegions(j.colorSize.X, j.colorSize.Y, r.Regions); err != nil {
				return err
			}
		}
		words := list.Of(r.Regions, func(region matte.Region) string {
			return strings.TrimSpace(fmt.Sprintf("%s %s", region.Effect, region.Name))
		})
		j.Notes = append(j.Notes, fmt.Sprintf("%d regions: %s; there the matte is what they say, and is not measured", len(words), strings.Join(words, ", ")))
	}
	if r.Beyond == "keep" || r.Beyond == "" && r.Background == "" {
		return nil
	}
	if !j.searched {
		// Always of the same frames, whatever else was read for other estimates: with these given
		// it is the same extent. Without a clean plate the performer should be elsewhere in some.
		// The middle of the last three quarters is one that registration reads, too.
		n, of, find := 1, j.take.whole[len(j.take.whole)/4:], j.solver.Extent
		if j.take.cleanBand == nil {
			n, of, find = extentFrames, j.take.whole, j.solver.ExtentFromFrames
		}
		frames, err := j.bands(ctx, of, n)
		if err != nil {
			return err
		}
		if j.screen, err = find(frames); err != nil {
			return err
		}
		j.searched = true
	}
	if j.Extent = j.screen; j.Extent != nil {
		j.Notes = append(j.Notes, fmt.Sprintf("the screen covers %.0f %% of the frame; beyond it the background shows, whatever is there (--beyond keep leaves the color plate)", 100*j.Extent.Part))
	}
	return nil
}
