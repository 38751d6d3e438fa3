package take

import (
	"image"

	"example.com/twinplate/plate"
)

type clips struct{}

func (clips) frame(string) (image.Image, bool, error) { return nil, false, nil }
func (clips) info(string) (plate.Info, bool, error)   { return plate.Info{}, false, nil }
func fileOf(path string) string                       { return path }
