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

	// Of takes beyond align.SoundMost so many stretches are listened to of what comes after, up to
	// the end, each so long: the drift's error is that of the ends, and memory does not grow.
	stretches      = 4
	stretchSeconds = 20
)

// listen finds the offset from the sound of two video files, and reports whether it did: they may have
// none, or none in common.
func (t *opening) listen(ctx context.Context) (bool, error) {
	fps := t.recipe.FPS
	media := t.media()
	var sound [2][]float32
	var files [2]string
	for i, path := range []string{t.color[0].Path, t.band[0].Path} {
		file, _, ok := clip.Split(path)
		if !ok || fps == 0 {
			return false, nil
		}
		files[i] = file
		var err error
		switch sound[i], err = media.Sound(ctx, file, align.SoundRate, 0, align.SoundMost*time.Second); {
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
	if err := t.later(ctx, e, files); err != nil {
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

// later listens to what comes after what was compared, where the take is longer.
func (t *opening) later(ctx context.Context, e *align.SoundEstimate, files [2]string) error {
	fps := t.recipe.FPS
	// In the band camera's seconds.
	end := min(float64(len(t.band))/fps, float64(len(t.color))/fps-e.Seconds) - stretchSeconds
	begin := align.SoundMost - math.Max(e.Seconds, 0)
	if end <= begin {
		return nil
	}
	for i := range stretches {
		band := begin + (end-begin)*float64(i+1)/stretches
		from := [2]float64{band + e.Seconds, band}
		var sound [2][]float32
		for k, file := range files {
			var err error
			if sound[k], err = t.media().Sound(ctx, file, align.SoundRate, time.Duration(from[k]*float64(time.Second)), stretchSeconds*time.Second); err != nil {
				return err
			}
		}
		if err := e.Later(ctx, from[0], sound[0], from[1], sound[1]); err != nil {
			return err
		}
	}
	return nil
}
