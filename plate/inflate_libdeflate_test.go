//go:build cgo && libdeflate && !js

package plate

import "testing"

// What is too large to be inflated at once is read in steps.
func TestInflateInSteps(t *testing.T) {
	defer func(most int) { mostAtOnce = most }(mostAtOnce)
	mostAtOnce = 100
	TestQuickPNG(t)
	TestQuickPNGLeaves(t)
}
