package take

import "example.com/twinplate/plate"

// In a browser there is no program to read video files by.
func newFiles() plate.Files { return plate.Disk{} }
