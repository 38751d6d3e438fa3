package main

import (
	"testing"

	"example.com/twinplate/plate"
)

func TestOnePair(t *testing.T) {
	t.Chdir(t.TempDir())
	main()
	f, err := plate.ReadRGB("onepair.png", plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	if f.W != 960 || f.H != 540 {
		t.Fatalf("the picture has %dx%d pixels", f.W, f.H)
	}
	// The lantern at the right is warm, and the sea above the performer is teal.
	if i := 130*f.W + 480; !(f.Pix[2][i] > f.Pix[0][i]) {
		t.Errorf("the sea is (%.2f, %.2f, %.2f)", f.Pix[0][i], f.Pix[1][i], f.Pix[2][i])
	}
}
