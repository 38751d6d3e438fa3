package plate

import (
	"io"

	"compress/flate"
)

const huffmanOnly, bestSpeed = flate.HuffmanOnly, flate.BestSpeed

// In the browser what travels counts more than speed: package png has this one already.
func newDeflateWriter(w io.Writer, level int) deflateWriter {
	z, err := flate.NewWriter(w, level)
	if err != nil {
		panic(err) // the levels are valid
	}
	return z
}
