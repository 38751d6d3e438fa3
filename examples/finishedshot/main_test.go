package main

import (
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// Beyond the screen the wall is gone, and the background is there.
func TestRun(t *testing.T) {
	out := filepath.Join(t.TempDir(), "shot.png")
	words, err := run(out)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(words, "the screen covers 60 %") || !strings.Contains(words, "spill of 2.") && !strings.Contains(words, "spill of 1.") {
		t.Error(words)
	}
	f, err := plate.ReadRGB(out, plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	lamp := 90*f.W + 576
	if before, after := f.Pix[0][lamp], f.Pix[0][lamp+w+4]; before < 0.9 || after > 0.3 {
		t.Errorf("the lamp's head is %v, and then %v", before, after)
	}
}
