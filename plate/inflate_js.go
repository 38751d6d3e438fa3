package plate

import (
	"bufio"
	"compress/flate"
	"io"
)

// In the browser what travels counts more than speed: package png has this one already.
func newInflater(r *bufio.Reader) io.Reader { return flate.NewReader(r) }
