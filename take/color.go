package take

import (
	"fmt"
	"path/filepath"

	"example.com/twinplate/plate"
)

// curves settles how the plates' values stand for light, and which colors they are, by the recipe, by the tags of each plate's
// first file, or by default, and notes where these differ.
func (t *opening) curves() error {
	var err error
	if t.primaries, err = findPrimaries(t.recipe.Primaries, plate.PrimariesBT709); err != nil {
		return fmt.Errorf("primaries: %w", err)
	}
	fallback := plate.SRGB // of what is written
	for _, p := range []struct {
		what      string
		frames    Sequence
		name      string
		curve     *plate.Curve
		primaries string
		from      *plate.Primaries // nil: the plate has no color
		transform string
	}{
		{"color", t.color, t.recipe.ColorCurve, &t.colorCurve, t.recipe.ColorPrimaries, &t.colorPrimaries, t.recipe.ColorTransform},
		{"band", t.band, t.recipe.BandCurve, &t.bandCurve, "", nil, t.recipe.BandTransform},
		{"background", t.background, t.recipe.BackgroundCurve, &t.backgroundCurve, t.recipe.BackgroundPrimaries, &t.backgroundPrimaries, t.recipe.BackgroundTransform},
	} {
		var info plate.Info
		var from FrameFile
		if len(p.frames) > 0 {
			if info, from, err = t.firstProbed(p.frames); err != nil {
				return err
			}
		}
		name := p.name
		if tagged, err := plate.CurveByName(info.Curve); name == "" && p.transform == "" && err == nil && info.Curve != "" {
			name = tagged.Name()
			t.note("the %s plate is taken as %s, as its first file says", p.what, name)
		}
		if p.transform != "" {
			name = plate.Linear.Name() // as the transform gives it
		}
		if name == "" {
			name = plate.SRGB.Name()
			if len(p.frames) > 0 {
				t.note("the %s plate is taken as %s, since no curve was given", p.what, name)
			}
		}
		if *p.curve, err = plate.FindCurve(name); err != nil {
			return fmt.Errorf("%s curve: %w", p.what, err)
		}
		if p.what == "background" && (p.name != "" || *p.curve != plate.Linear) {
			fallback = *p.curve // a picture of code values is not linear only because the background's light is
		}
		if p.from != nil {
			if *p.from, err = findPrimaries(p.primaries, t.primaries); err != nil {
				return fmt.Errorf("%s primaries: %w", p.what, err)
			}
			if tagged := info.Primaries; p.primaries == "" && tagged != (plate.Primaries{}) && !tagged.Near(t.primaries) {
				*p.from = tagged
				t.note("the %s plate's primaries are taken as %v, as its first file says", p.what, tagged)
			}
		}
		if len(p.frames) > 0 {
			t.conflict(from.Path, info, *p.curve, p.from)
		}
	}
	t.outputCurve = fallback
	if t.outputVia != nil {
		t.outputCurve = plate.CodedBy(filepath.Base(t.recipe.OutputTransform))
	}
	if t.recipe.OutputCurve != "" {
		if t.outputCurve, err = plate.FindCurve(t.recipe.OutputCurve); err != nil {
			return fmt.Errorf("output curve: %w", err)
		}
	}
	return nil
}

// conflict notes where a file's tags say something else than how it is read. from is nil where its primaries do not matter.
func (t *opening) conflict(path string, info plate.Info, c plate.Curve, from *plate.Primaries) {
	var p plate.Primaries
	if from != nil {
		p = *from
	}
	if text := info.Conflict(c, p); text != "" {
		t.note("%s: %s", path, text)
	}
}

func findPrimaries(name string, otherwise plate.Primaries) (plate.Primaries, error) {
	if name == "" {
		return otherwise, nil
	}
	return plate.PrimariesByName(name)
}
