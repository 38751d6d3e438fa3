//go:build !js

package plate

import (
	"bufio"

	"github.com/klauspost/compress/flate"
)

// This package takes three quarters of the standard library's time for what is coded, where it
// knows the kind of reader.
func newInSteps(r *bufio.Reader) inSteps { return inSteps{flate.NewReader(r), r} }
