package proof

import (
	"context"
	"os"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/reading"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// A Fault is something that goes wrong on the set, and how check must name it.
type Fault struct {
	Name    string // in a few words
	Reading string // the reading that must warn; empty: none may
	Says    string // what its meaning must have in it
	Set     func(*simulate.Faults)
	// Estimated says that the geometry is found from the footage, as by a crew that has none: where
	// it is not, the fault alone is what check has to deal with.
	Estimated bool
}

// Faults are what check is tried on: nothing wrong, and each fault alone on a set that is otherwise
// in order.
var Faults = []Fault{
	{"nothing wrong", "", "", func(*simulate.Faults) {}, true},
	{"the screen clips", "band_clipped", "clips", func(f *simulate.Faults) { f.ScreenLevel = 1.15 }, false},
	{"a dark screen", "band_level", "dark", func(f *simulate.Faults) { f.ScreenLevel = 0.04 }, false},
	{"spill from the left", "spill", "left", func(f *simulate.Faults) { f.Spill, f.SpillSide = 0.1, -1 }, false},
	{"spill from the right", "spill", "right", func(f *simulate.Faults) { f.Spill, f.SpillSide = 0.1, 1 }, false},
	{"spill from all around", "spill", "all around", func(f *simulate.Faults) { f.Spill = 0.06 }, false},
	{"the band camera out of focus", "focus", "band camera is softer", func(f *simulate.Faults) { f.BandBlur = 2.5 }, false},
	{"the band camera a frame late", "frame_offset", "apart", func(f *simulate.Faults) { f.FrameOffset = 1 }, true},
	{"a screen uneven by four stops", "evenness", "falls off", func(f *simulate.Faults) { f.Unevenness = 4 }, false},
	{"much set light in the band", "crosstalk_band", "set light", func(f *simulate.Faults) { f.Crosstalk = [3]float64{0.1, 0.08, 0.02} }, false},
}

// Check shoots a test shot of a seed with the fault, clean and dark plates beside it, in a folder
// of its own that is removed again, and reports whether check names the fault, or raises no alarm
// where nothing is wrong.
func Check(ctx context.Context, f Fault, seed uint64, opt *TakeOptions) (named bool, read *take.Checkup, err error) {
	dir, err := os.MkdirTemp("", "twinplate-proof-*")
	if err != nil {
		return false, nil, err
	}
	defer os.RemoveAll(dir)
	faults := simulate.DemoFaults()
	f.Set(&faults)
	s := newShoot(dir, seed, opt.filled(640, 360, 16), faults)
	if err := s.write(ctx); err != nil {
		return false, nil, err
	}
	r := s.recipe()
	if f.Estimated {
		r = estimated(r)
	}
	opened, err := take.Open(r)
	if err != nil {
		return false, nil, err
	}
	if read, err = opened.Check(ctx, &take.CheckOptions{FPS: 24}); err != nil {
		return false, nil, err
	}
	if f.Reading == "" {
		return len(Alarms(read)) == 0, read, nil
	}
	got := read.Readings.Named(f.Reading)
	return got.Verdict.Wrong() && strings.Contains(got.Meaning, f.Says) && got.Advice != "", read, nil
}

// Alarms returns the names of the readings that warn.
func Alarms(c *take.Checkup) (names []string) {
	wrong := list.Where(c.Readings, func(r reading.Reading) bool { return r.Verdict.Wrong() })
	return list.Of(wrong, func(r reading.Reading) string { return r.Name })
}
