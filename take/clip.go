//go:build !js

package take

import (
	"context"
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// clips are the video files that a take's frames are in. The frame of such a file has the path
// FILE#INDEX, counted from 0.
type clips struct{ *openClips }

type openClips struct {
	mu      sync.Mutex
	readers map[string]*clip.Reader
}

func newClips() clips { return clips{&openClips{readers: map[string]*clip.Reader{}}} }

// isClip reports whether a file may be a video file and not a picture, by its extension.
func isClip(path string) bool {
	extension := strings.ToLower(filepath.Ext(path))
	return extension != "" && !slices.Contains(plate.Extensions(), extension)
}

// splitClip returns the file and the index of a frame in a video file.
func splitClip(path string) (file string, index int, ok bool) {
	at := strings.LastIndexByte(path, '#')
	if at < 0 || !isClip(path[:at]) {
		return path, 0, false
	}
	index, err := strconv.Atoi(path[at+1:])
	if err != nil || index < 0 {
		return path, 0, false
	}
	return path[:at], index, true
}

// fileOf returns the file that a frame's path is of.
func fileOf(path string) string {
	file, _, _ := splitClip(path)
	return file
}

// open returns the reader of a video file.
func (c clips) open(file string) (*clip.Reader, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if r := c.readers[file]; r != nil {
		return r, nil
	}
	r, err := clip.Open(context.Background(), file)
	if err != nil {
		return nil, err
	}
	c.readers[file] = r
	return r, nil
}

// find returns the frames of a video file; ok reports whether path is one, and no picture, folder
// or pattern.
func (c clips) find(path string) (seq Sequence, about *video, ok bool, err error) {
	if stat, err := os.Stat(path); err != nil || !stat.Mode().IsRegular() || !isClip(path) {
		return nil, nil, false, nil
	}
	_, noPicture := plate.Probe(path)
	if noPicture == nil {
		return nil, nil, false, nil
	}
	r, err := c.open(path)
	if err != nil {
		var f *plate.FileError
		if errors.As(noPicture, &f) && !errors.Is(err, clip.ErrNoFFmpeg) {
			err = fmt.Errorf("%w; and %w", err, f.Err)
		}
		return nil, nil, true, err
	}
	info := r.Info()
	seq = make(Sequence, info.Frames)
	for i := range seq {
		seq[i] = FrameFile{i + 1, path + "#" + strconv.Itoa(i)}
	}
	return seq, &video{info.FPS(), info.TimeCode}, true, nil
}

// frame reads a frame, if it is one of a video file.
func (c clips) frame(path string) (m image.Image, ok bool, err error) {
	file, index, ok := splitClip(path)
	if !ok {
		return nil, false, nil
	}
	r, err := c.open(file)
	if err != nil {
		return nil, true, err
	}
	m, err = r.Frame(index)
	return m, true, err
}

// info returns what a frame's file says of itself, if it is a video file.
func (c clips) info(path string) (plate.Info, bool, error) {
	file, _, ok := splitClip(path)
	if !ok {
		return plate.Info{}, false, nil
	}
	r, err := c.open(file)
	if err != nil {
		return plate.Info{}, true, err
	}
	return r.Info().Info, true, nil
}

// rest ends the programs that read video files, until a frame is asked for.
func (c clips) rest() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, r := range c.readers {
		r.Rest()
	}
}
