package plate

import (
	"fmt"
	"image"
)

// A SizeError says that two frames that must be the same size are not.
type SizeError struct {
	Name, WantName string      // what the frames are: "transmission", "foreground"
	Size, Want     image.Point // their widths and heights in pixels
}

func (e *SizeError) Error() string {
	return fmt.Sprintf("the %s is %dx%d pixels and the %s %dx%d, and they must be the same size",
		e.Name, e.Size.X, e.Size.Y, e.WantName, e.Want.X, e.Want.Y)
}

// CheckSize returns a *SizeError unless size is want.
func CheckSize(name string, size image.Point, wantName string, want image.Point) error {
	if size != want {
		return &SizeError{name, wantName, size, want}
	}
	return nil
}
