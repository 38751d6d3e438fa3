//go:build !linux

package clip

// widen does nothing.
func widen(any) {}
