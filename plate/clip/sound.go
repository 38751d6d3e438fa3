package clip

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os/exec"
	"strings"
	"time"

	"example.com/twinplate/internal/list"
)

// ErrNoSound says that a video file has no sound.
var ErrNoSound = errors.New("there is no sound in it")

// maxSound bounds what Sound reads: an hour.
const maxSound = time.Hour

// Sound returns the sound of a video file's first track, its channels mixed into one, at so many
// samples a second, from so long after the instant of its first frame and for most at the longest.
// It is about -1 to 1, and empty behind the file's end. Errors are of type *plate.FileError;
// ErrNoSound is one that errors.Is finds.
func Sound(ctx context.Context, path string, rate int, from, most time.Duration) ([]float32, error) {
	return NewMediaFiles().Sound(ctx, path, rate, from, most)
}

// HasSound returns an error that wraps ErrNoSound where a file has no sound, and another where it
// cannot be read. The file need have no picture.
func HasSound(ctx context.Context, path string) error {
	found := false
	err := probeStream(ctx, path, "a:0", func(out io.Reader) error {
		text, err := io.ReadAll(io.LimitReader(out, 1<<10))
		found = len(bytes.TrimSpace(text)) > 0
		return err
	}, "-show_entries", "stream=codec_name", "-of", "csv=p=0")
	if err == nil && !found {
		err = ErrNoSound
	}
	return ofFile(path, err)
}

func sound(ctx context.Context, path string, info Stream, rate int, from, most time.Duration) ([]float32, error) {
	if rate < 1000 || rate > 192000 || from < 0 || most <= 0 || most > maxSound {
		return nil, fmt.Errorf("%d samples a second from %v for %v: it must be 1000 to 192000, from 0 on, and up to %v", rate, from, most, maxSound)
	}
	program, _, err := find()
	if err != nil {
		return nil, err
	}
	// The file's first instant is its sound's or its picture's, whichever is earlier: silence is put
	// before sound that begins later.
	args := []string{"-nostdin", "-v", "error"}
	first := info.first
	if from > 0 {
		args = append(args, "-ss", seconds(from.Seconds()+first))
		first = 0
	}
	args = append(args, source(path)...)
	length := most.Seconds() + first
	args = append(args, "-map", "0:a:0", "-af", fmt.Sprintf("aresample=%d:async=1:first_pts=0", rate), "-ac", "1",
		"-t", seconds(length), "-f", "f32le", "pipe:1")
	var data []byte
	errs, err := run(exec.CommandContext(ctx, program, args...), func(out io.Reader) (err error) {
		data, err = io.ReadAll(io.LimitReader(out, int64(4*(length+1)*float64(rate))))
		return err
	})
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errs != nil && strings.Contains(errs.String(), "matches no streams"):
		return nil, ErrNoSound
	case errs != nil:
		return nil, errors.New("FFmpeg cannot read its sound: " + said(errs, path, err))
	case err != nil:
		return nil, err
	}
	samples := list.By(len(data)/4, func(i int) float32 { return math.Float32frombits(binary.LittleEndian.Uint32(data[4*i:])) })
	skip := min(int(math.Round(first*float64(rate))), len(samples))
	return samples[skip:], nil
}
