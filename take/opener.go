//go:build !js

package take

import (
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// newFiles returns the machine's pictures and video files.
func newFiles() plate.Files { return clip.NewMediaFiles() }
