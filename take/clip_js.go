package take

import (
	"image"

	"example.com/twinplate/plate"
)

// In a browser there is no program to read video files by.
type clips struct{}

func newClips() clips { return clips{} }

func fileOf(path string) string { return path }

func (clips) find(string) (Sequence, *video, bool, error) { return nil, nil, false, nil }

func (clips) frame(string) (image.Image, bool, error) { return nil, false, nil }

func (clips) info(string) (plate.Info, bool, error) { return plate.Info{}, false, nil }

func (clips) rest() {}
