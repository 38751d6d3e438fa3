//go:build !js

package take

import (
	"fmt"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clf"
	"example.com/twinplate/plate/clip"
)

// readTransform reads a file in the Common LUT Format.
func readTransform(path string) (transform, error) { return clf.Read(path) }

// media returns the files of the machine that the take is read from, or new ones where it is read
// from elsewhere.
func (t *Take) media() *clip.MediaFiles {
	files := t.files
	if through, ok := files.(*transformed); ok {
		files = through.Files
	}
	if media, ok := files.(*clip.MediaFiles); ok {
		return media
	}
	return clip.NewMediaFiles()
}

// setRange has a plate's clip read by a range.
func setRange(files plate.Files, path, span string) {
	if media, ok := files.(*clip.MediaFiles); ok {
		media.SetRange(path, clip.Range(span))
	}
}

// checkRange asks a plate's file what it is, and refuses a range where that is no clip.
func checkRange(files plate.Files, path, span string) error {
	_, ok := files.(*clip.MediaFiles)
	if f, err := files.Footage(path); span != "" && err == nil && (!ok || f == nil) {
		return fmt.Errorf("%s: the range %s is for clips, and this is none: pictures' values are of the full range", path, span)
	}
	return nil
}
