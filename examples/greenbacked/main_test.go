package main

import (
	"path/filepath"
	"testing"

	"example.com/twinplate/plate"
)

func TestRun(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out.png")
	rows, err := run(out, 320, 180)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		// The sodium matte is within its noise everywhere; the difference matte is not, wherever
		// there is color.
		if r.errors[0] > 0.015 {
			t.Errorf("%s: the sodium matte is off by %.4f", r.part, r.errors[0])
		}
		if r.errors[1] < 2*r.errors[0] {
			t.Errorf("%s: green difference %.4f, sodium %.4f", r.part, r.errors[1], r.errors[0])
		}
		if r.errors[2] > 0.03 {
			t.Errorf("%s: two backings %.4f", r.part, r.errors[2])
		}
	}
	if info, err := plate.Probe(out); err != nil || info.W != 3*320+8 || info.H != 2*180+4 {
		t.Errorf("the picture is %+v, %v", info, err)
	}
}
