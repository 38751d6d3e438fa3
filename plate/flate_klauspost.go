//go:build !js

package plate

import (
	"bufio"

	"github.com/klauspost/compress/flate"
)

// This package's Huffman coder takes half the time of the standard library's, and its quickest
// level up to Go 1.26 too.
func newDeflateWriter(level int) (deflateWriter, error) { return flate.NewWriter(nil, level) }

// It takes three quarters of the standard library's time for what is coded, where it knows the kind
// of reader.
func newInSteps(r *bufio.Reader) inSteps { return inSteps{flate.NewReader(r), r} }
