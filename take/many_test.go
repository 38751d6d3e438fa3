package take

import (
	"strings"
	"testing"
)

// A recording of more frames than there can be is refused.
func TestTooManyFrames(t *testing.T) {
	paths := make([]string, maxFrames+1)
	for i := range paths {
		paths[i] = "1.png"
	}
	if _, err := number(paths); err == nil || !strings.Contains(err.Error(), "1048576 frames at the most") {
		t.Error(err)
	}
}
