package take

import (
	"errors"
	"fmt"
	"slices"
	"syscall"
)

// A FullDiskError says that there is no room for more of a run's files. What is written is whole,
// and the same run goes on from there when room is made.
type FullDiskError struct {
	Dir           string
	Frames, Total int // done, and to be done
	Err           error
}

func (e *FullDiskError) Error() string {
	return fmt.Sprintf("%s: the disk is full after %d of %d frames, which are whole and kept: make room and run the same again, which goes on from there (%v)", e.Dir, e.Frames, e.Total, e.Err)
}

// Unwrap returns Err.
func (e *FullDiskError) Unwrap() error { return e.Err }

// full reports whether an error is that of a disk without room, or of a quota that is used up.
func full(err error) bool {
	return slices.ContainsFunc(noRoom, func(e syscall.Errno) bool { return errors.Is(err, e) })
}
