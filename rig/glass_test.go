package rig_test

import (
	"math"
	"strings"
	"testing"

	"example.com/twinplate/rig"
)

func TestShiftedBy(t *testing.T) {
	for _, row := range []struct {
		name               string
		nm, degrees, index float64
		want, within       float64
	}{
		{"upright, nothing moves", 589, 0, 2, 589, 1e-12},
		// The manual of an astronomical instrument (Isaac Newton Group, TAURUS-2, after Lissberger
		// and Wilcock 1959): index 2.1 and 10 degrees, "about one third of one per cent", "17 A at
		// a wavelength of 5000 A".
		{"the observatory's worked value", 500, 10, 2.1, 500 - 1.7, 0.05},
		// Macleod's formula worked out by hand: sin 20 = 0.342020, over 2 is 0.171010, squared
		// 0.0292445.
		{"20 degrees, index 2", 589.194, 20, 2, 589.194 * 0.9852693, 1e-4},
		{"along the glass", 600, 90, 1.5, 600 * math.Sqrt(1-1/2.25), 1e-9},
	} {
		if got := row.nm * rig.ShiftedBy(row.degrees, row.index); math.Abs(got-row.want) > row.within {
			t.Errorf("%s: %.4f nm, want %.4f", row.name, got, row.want)
		}
	}
}

func TestFilter(t *testing.T) {
	pass := rig.Filter{Kind: "pass", Center: 589, Width: 10, Order: 3, Peak: 0.9, Blocking: 4, Index: 2}
	single := pass
	single.Order = 1
	block := rig.Filter{Kind: "block", Center: 589, Width: 20, Order: 4, Peak: 0.95, Blocking: 3}
	for _, row := range []struct {
		name         string
		got, want, e float64
	}{
		{"the peak", pass.At(589), 0.9, 1e-12},
		{"half of it, half the width away", pass.At(594), 0.45, 1e-4},
		{"the blocking, far away", pass.At(450), 1e-4, 1e-6},
		{"one cavity is Macleod's 1/(1+x2): a tenth at x = 3", single.At(589 + 15), 0.09, 1e-4},
		{"a stopband's middle", block.At(589), 0.95e-3, 1e-9},
		{"half its peak, half the width away", block.At(599), 0.475, 1e-9},
		{"its peak, far away", block.At(500), 0.95, 1e-3},
		{"tilted, the peak is at shorter waves", pass.Tilted(15).At(589 * rig.ShiftedBy(15, 2)), 0.9, 1e-12},
		{"the zero figures are the assumed ones", rig.Filter{Kind: "pass", Center: 589, Width: 10}.At(589), 0.9, 1e-12},
	} {
		if math.Abs(row.got-row.want) > row.e {
			t.Errorf("%s: %v, want %v", row.name, row.got, row.want)
		}
	}
	for _, row := range []struct {
		f    rig.Filter
		want string
	}{
		{rig.Filter{Kind: "long"}, "pass, block or curve"},
		{rig.Filter{Kind: "pass", Width: 10}, "center_nm"},
		{rig.Filter{Kind: "pass", Center: 589}, "width_nm"},
		{rig.Filter{Kind: "pass", Center: 589, Width: 10, Peak: 2}, "peak"},
		{rig.Filter{Kind: "pass", Center: 589, Width: 10, Index: 1}, "index"},
		{rig.Filter{Kind: "pass", Center: 589, Width: 10, Place: "inside"}, "place"},
		{rig.Filter{Kind: "curve"}, "curve"},
		{rig.Filter{Kind: "curve", File: "a.csv"}, "has not been read"},
	} {
		if err := row.f.Check(); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%+v: %v, want %q", row.f, err, row.want)
		}
	}
}
