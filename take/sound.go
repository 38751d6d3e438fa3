//go:build !js

package take

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/plate/clip"
)

// Sound's decisions; chosen by hand.
const (
	soundStep  = 0.25 // of a frame, from which cameras that are out of step are told
	soundDrift = 0.25 // of a frame, from which what two clocks drift over the take is told
	soundSure  = 3    // standard errors
)

// listen finds the offset from the sound of two video files, and reports whether it did: they may have
// none, or none in common.
func (t *opening) listen(ctx context.Context) (bool, error) {
	fps := t.recipe.FPS
	var sound [2][]float32
	for i, path := range []string{t.color[0].Path, t.band[0].Path} {
		file, _, ok := clip.Split(path)
		if !ok || fps == 0 {
			return false, nil
		}
		var err error
		switch sound[i], err = clip.Sound(ctx, file, align.SoundRate, align.SoundMost*time.Second); {
		case errors.Is(err, clip.ErrNoSound):
			return false, nil
		case err != nil:
			return false, err
		}
	}
	e, err := align.SoundOffset(ctx, sound[0], sound[1])
	if errors.Is(err, align.ErrNoSound) {
		t.note("the cameras' sound does not tell the offset: %v", err)
		return false, nil
	} else if err != nil {
		return false, err
	}
	late := e.Seconds * fps
	frames := int(math.Round(late))
	t.timing.Offset, t.timing.From = t.band[0].Number-t.color[0].Number-frames, "sound"
	t.timing.Sound = &SoundTiming{Late: late - float64(frames), Sigma: e.Sigma * fps, Drift: e.Drift, DriftSigma: e.DriftSigma}
	if part := math.Abs(late - float64(frames)); part > soundStep && part > soundSure*e.Sigma*fps {
		t.timing.Warnings = append(t.timing.Warnings, fmt.Sprintf("by their sound the band camera's frames are %.2f of a frame late: the matte's edge will be off where the performer moves: lock both cameras to one clock", late-float64(frames)))
	}
	apart := e.Drift * float64(min(len(t.color), len(t.band)))
	if math.Abs(apart) > soundDrift && math.Abs(e.Drift) > soundSure*e.DriftSigma {
		t.timing.Warnings = append(t.timing.Warnings, fmt.Sprintf("by their sound the cameras' clocks drift by %.2f frames over the take (%.0f parts in a million): cut it into shorter takes, each with an offset of its own", math.Abs(apart), 1e6*math.Abs(e.Drift)))
	}
	return true, nil
}
