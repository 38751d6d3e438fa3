//go:build !js

package take

import "example.com/twinplate/plate/clf"

// readTransform reads a file in the Common LUT Format.
func readTransform(path string) (transform, error) { return clf.Read(path) }
