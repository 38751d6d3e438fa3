package take

import (
	"context"
	"errors"
	"fmt"
	"math"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
)

const (
	// leastTold is the difference in softness that is warned of, in color pixels.
	leastTold = 0.5

	// leastMatched is the one from which plates are matched, in color pixels.
	leastMatched = 0.3
)

// A lens is what is done to the plates of both cameras before they are solved, for their lenses'
// sake. The zero value does nothing.
type lens struct {
	fringes     *align.Corrector // takes lateral color out of the color plates
	color, band float64          // variances by which the plates are blurred, in their own pixels, squared
}

// ofFrame reports whether it does anything to color plates.
func (l *lens) ofFrame() bool { return l.fringes != nil || l.color != 0 }

// rgb does to a color plate what is to be done.
func (l *lens) rgb(f *plate.RGB) {
	if l.fringes != nil {
		l.fringes.RGB(f)
	}
	for _, pix := range f.Pix {
		align.Blur(&plate.Gray{W: f.W, H: f.H, Pix: pix}, l.color)
	}
}

// ofColor returns a color camera's reference plate as rgb leaves it; it may be nil.
func (l *lens) ofColor(f *plate.RGB) *plate.RGB {
	if f == nil || !l.ofFrame() {
		return f
	}
	f = f.Clone()
	l.rgb(f)
	return f
}

// ofBand returns a band camera's reference plate, blurred as its frames are; it may be nil.
func (l *lens) ofBand(f *plate.Gray) *plate.Gray {
	if f == nil || l.band == 0 {
		return f
	}
	f = f.Clone()
	align.Blur(f, l.band)
	return f
}

// measured returns what a registration's estimate has, or for a geometry that was given what
// measure finds in the take; ok is false where there are no edges to measure at.
func measured[T any](ctx context.Context, j *Job, estimate func(*align.Estimate) T, measure func(context.Context, []align.Pair, align.Geometry) (T, error)) (v T, ok bool, err error) {
	if j.Estimate != nil {
		return estimate(j.Estimate), true, nil
	}
	_, pairs, _, err := j.take.registrationPairs(ctx, j.take.whole, false)
	if err != nil {
		return v, false, err
	}
	v, err = measure(ctx, pairs, j.Geometry)
	if errors.Is(err, align.ErrNoSilhouettes) || errors.Is(err, align.ErrNoMatch) {
		return v, false, nil
	}
	return v, err == nil, err
}

func (j *preparation) softness(ctx context.Context) (align.Softness, bool, error) {
	return measured(ctx, j.Job, func(e *align.Estimate) align.Softness { return e.Softness }, align.SoftnessDifference)
}

func (j *preparation) lateralColor(ctx context.Context) (align.LateralColor, bool, error) {
	return measured(ctx, j.Job, func(e *align.Estimate) align.LateralColor { return e.LateralColor }, align.FindLateralColor)
}

// findLens measures what the recipe asks to have corrected of the lenses, and warns of faults that
// the take has and the recipe does not ask to correct.
func (j *preparation) findLens(ctx context.Context) error {
	if err := j.findLateralColor(ctx); err != nil {
		return err
	}
	return j.findSoftness(ctx)
}

func (j *preparation) findLateralColor(ctx context.Context) error {
	size := j.take.colorSize
	switch r := j.take.recipe.LateralColor; r.Mode {
	case "given":
		j.LateralColor = align.LateralColor{Red: r.Value[0], Blue: r.Value[1]}
	case "auto":
		l, _, err := j.lateralColor(ctx)
		if err != nil {
			return err
		}
		if !l.Told(size.X, size.Y) {
			j.Notes = append(j.Notes, "no lateral color could be told from noise: none is taken out")
			return nil
		}
		j.LateralColor = l
		j.Notes = append(j.Notes, "lateral color is taken out of the color plates: "+inCorners(l, size.X, size.Y))
	default:
		if e := j.Estimate; e != nil && e.LateralColor.Told(size.X, size.Y) {
			j.Warnings = append(j.Warnings, "the color camera's lens has lateral color: "+inCorners(e.LateralColor, size.X, size.Y)+"; --lateral-color auto takes it out")
		}
		return nil
	}
	if j.LateralColor.Red != 0 || j.LateralColor.Blue != 0 {
		j.lens.fringes = j.LateralColor.Corrector(size.X, size.Y)
	}
	return nil
}

// inCorners says lateral color in words.
func inCorners(l align.LateralColor, w, h int) string {
	red, blue := l.Corner(w, h)
	say := func(name string, v float64) string {
		where := "farther out"
		if v < 0 {
			where = "farther in"
		}
		return fmt.Sprintf("%s %.2f pixels %s", name, math.Abs(v), where)
	}
	return fmt.Sprintf("in the corners %s and %s than green", say("red", red), say("blue", blue))
}

func (j *preparation) findSoftness(ctx context.Context) error {
	switch r := j.take.recipe.MatchSoftness; r.Mode {
	case "given":
		j.Softness = r.Value
	case "auto":
		s, ok, err := j.softness(ctx)
		if err != nil {
			return err
		}
		switch {
		case !ok || s.Edges == 0:
			j.Notes = append(j.Notes, "no edges tell how sharp the plates are: neither is blurred")
		case !s.Told(leastMatched):
			j.Notes = append(j.Notes, fmt.Sprintf("the plates are equally sharp (the difference is %.2f pixels, standard error %.2f): neither is blurred", s.Difference, s.Sigma))
		default:
			j.Softness = s.Difference
			which := "color"
			if s.Difference < 0 {
				which = "band"
			}
			j.Notes = append(j.Notes, fmt.Sprintf("the %s plates are blurred by %.2f pixels (standard error %.2f), to be as soft as the others", which, math.Abs(s.Difference), s.Sigma))
		}
	default:
		if e := j.Estimate; e != nil && e.Softness.Told(leastTold) {
			j.Warnings = append(j.Warnings, softer(e.Softness)+"; where its focus or the size of its pixels cannot be helped, --match-softness blurs the other's plates as much")
		}
		return nil
	}
	v := j.Softness * j.Softness
	if j.Softness > 0 {
		j.lens.color = v
	} else {
		across, down := j.Geometry.Density()
		j.lens.band = v * across * down
	}
	return nil
}

// softer says in words which plate is the softer one.
func softer(s align.Softness) string {
	which := "band"
	if s.Difference < 0 {
		which = "color"
	}
	return fmt.Sprintf("the %s camera is softer than the other, by %.2f pixels (standard error %.2f): the matte's edge and the picture's do not fit", which, math.Abs(s.Difference), s.Sigma)
}
