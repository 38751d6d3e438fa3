//go:build js || !(cgo && libdeflate)

package plate

import (
	"bufio"
	"runtime"
)

// severally says that chunks are inflated at the same time: a page has one processor.
const severally = runtime.GOOS != "js"

type inflater = inSteps

func newInflater(r *bufio.Reader, _ int) *inflater {
	z := newInSteps(r)
	return &z
}

// ReadMemory returns how many bytes it may take to read a picture of so many pixels, beside the
// picture itself.
func ReadMemory(int64) int64 {
	n := int64(runtime.GOMAXPROCS(0))
	if n == 1 {
		return 0
	}
	return 3 * usualPart * n // chunks, what they inflate to, and lines
}
