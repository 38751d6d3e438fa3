//go:build js || !(cgo && libdeflate)

package plate

import "bufio"

type inflater = inSteps

func newInflater(r *bufio.Reader, _ int) *inflater {
	z := newInSteps(r)
	return &z
}

// ReadMemory returns how many bytes it may take to read a picture of so many pixels, beside the
// picture itself.
func ReadMemory(int64) int64 { return 0 }
