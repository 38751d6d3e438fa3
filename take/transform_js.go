package take

import "fmt"

// readTransform refuses the file: what reads XML would make a page's first load longer.
func readTransform(path string) (transform, error) {
	return nil, fmt.Errorf("%s: a transform cannot be read in a browser: use the command", path)
}
