package pngfile

import (
	"errors"

	"example.com/twinplate/internal/kernel"
)

// ErrDamaged says that lines are not in order.
var ErrDamaged = errors.New("damaged: its lines are not in order")

// Lines undoes the filters of a file's lines, which are inflated already.
type Lines struct {
	read        func(buf []byte) ([]byte, error)
	end         func(sum uint32) bool
	step, left  int
	line, above []byte // each with the byte before it that tells the filter
	sum         uint32 // Adler-32 of what was read
}

// NewLines returns h lines of w pixels of step bytes. Read returns as many bytes as buf has, in buf
// or where they stay until the next but one is read; end is called behind the last line, with the
// Adler-32 of all, and reports whether all is in order there.
func NewLines(w, h, step int, read func(buf []byte) ([]byte, error), end func(sum uint32) bool) *Lines {
	n := 1 + w*step
	return &Lines{read: read, end: end, step: step, left: h, line: make([]byte, n), above: make([]byte, n), sum: kernel.Adler32(nil)}
}

// Next returns the bytes of the next line, which stay until the one after it. At the last line it has
// the error of all that follows, too.
func (l *Lines) Next() ([]byte, error) {
	line, err := l.read(l.line)
	if err != nil {
		return nil, err
	}
	l.sum = kernel.JoinAdler32(l.sum, kernel.Adler32(line), len(line))
	l.left--
	if !unfilter(line[0], line[1:], l.above[1:], l.step) || l.left == 0 && !l.end(l.sum) {
		return nil, ErrDamaged
	}
	l.line, l.above = l.above, line
	return line[1:], nil
}

// unfilter undoes a line's filter (PNG specification, section 9), and reports whether it is one.
func unfilter(filter byte, line, above []byte, size int) bool {
	above = above[:len(line)]
	switch filter {
	case 0:
	case 1: // Sub
		kernel.Running(line, size)
	case 2: // Up
		kernel.Plus(line, line, above)
	case 3: // Average
		for i := range size {
			line[i] += above[i] / 2
		}
		for i := size; i < len(line); i++ {
			line[i] += byte((int(line[i-size]) + int(above[i])) / 2)
		}
	case 4: // Paeth
		for i := range size {
			line[i] += above[i]
		}
		for i := size; i < len(line); i++ {
			a, b, c := int(line[i-size]), int(above[i]), int(above[i-size])
			pa, pb, pc := abs(b-c), abs(a-c), abs(a+b-2*c)
			// Moves on a condition, for which is the nearest no processor can guess.
			if pb < pa {
				pa, a = pb, b
			}
			if pc < pa {
				a = c
			}
			line[i] += byte(a)
		}
	default:
		return false
	}
	return true
}

func abs(n int) int { return max(n, -n) }
