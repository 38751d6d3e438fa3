//go:build !js

package plate

import (
	"io"

	"github.com/klauspost/compress/flate"
)

const huffmanOnly, bestSpeed = flate.HuffmanOnly, flate.BestSpeed

// This package's Huffman coder takes half the time of the standard library's, and its quickest level up to Go 1.26 too.
func newDeflateWriter(w io.Writer, level int) deflateWriter {
	z, err := flate.NewWriter(w, level)
	if err != nil {
		panic(err) // the levels are valid
	}
	return z
}
