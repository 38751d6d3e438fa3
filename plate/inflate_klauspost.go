//go:build !js

package plate

import (
	"bufio"
	"io"

	"github.com/klauspost/compress/flate"
)

// This package takes three quarters of the standard library's time for what is coded, where it knows the kind of reader.
func newInflater(r *bufio.Reader) io.Reader { return flate.NewReader(r) }
