package plate

import (
	"bufio"
	"compress/flate"
)

// In the browser what travels counts more than speed: package png has this one already.

func newDeflateWriter(level int) (deflateWriter, error) { return flate.NewWriter(nil, level) }

func newInSteps(r *bufio.Reader) inSteps { return inSteps{flate.NewReader(r), r} }
