package plate

import (
	"bufio"
	"io"
)

// An inSteps undoes compression as it is read.
type inSteps struct {
	io.Reader
	from *bufio.Reader
}

// line returns buf with the next bytes.
func (z *inSteps) line(buf []byte) ([]byte, error) {
	_, err := io.ReadFull(z, buf)
	return buf, err
}

// rest returns what is behind the compressed data, and reports whether that was at its end.
func (z *inSteps) rest() (*bufio.Reader, bool) {
	var one [1]byte
	n, err := z.Read(one[:])
	return z.from, n == 0 && err == io.EOF
}
