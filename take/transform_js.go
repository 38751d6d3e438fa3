package take

import (
	"fmt"

	"example.com/twinplate/plate"
)

// readTransform refuses the file: what reads XML would make a page's first load longer.
func readTransform(path string) (transform, error) {
	return nil, fmt.Errorf("%s: a transform cannot be read in a browser: use the command", path)
}

// setRange does nothing: the browser's decoder has settled it.
func setRange(plate.Files, string, string) {}

// checkRange refuses a range.
func checkRange(_ plate.Files, path, span string) error {
	if span != "" {
		return fmt.Errorf("%s: a range cannot be chosen in a browser: use the command", path)
	}
	return nil
}
