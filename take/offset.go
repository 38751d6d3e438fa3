package take

import (
	"fmt"
	"math"
)

const (
	// Parts by which 23.976 and the like may be off a whole rate, of which they are 0.1 %.
	ntsc     = 0.0015
	sameRate = 0.0005 // parts by which two rates may differ and be the same: half of that
	mostFPS  = 1000   // frames a second; chosen by hand
)

// timecodeRate returns the frames that a second of time code counts at fps frames a second.
func timecodeRate(fps float64) (rate int, ok bool) {
	for _, rate := range []int{24, 25, 30, 48, 50, 60} {
		if math.Abs(fps-float64(rate)) < ntsc*float64(rate) {
			return rate, true
		}
	}
	return 0, false
}

// checkTime is Check for the fields that say how the frames lie in time.
func (r Recipe) checkTime() error {
	if r.FPS != 0 && !(r.FPS >= 1 && r.FPS <= mostFPS) {
		return fmt.Errorf("fps %v: it must be 1 to %d", r.FPS, mostFPS)
	}
	rate, ok := timecodeRate(r.FPS)
	if r.Drop && rate != 30 && rate != 60 {
		return fmt.Errorf("fps %v with dropped frames: time code drops frames at 29.97 and 59.94 frames a second alone", r.FPS)
	}
	var codes []Timecode
	for _, c := range []struct{ name, text string }{{"timecode_color", r.TimecodeColor}, {"timecode_band", r.TimecodeBand}} {
		if c.text == "" || c.text == "none" {
			continue
		}
		if !ok {
			return fmt.Errorf("%s %q with fps %v: time code counts 24, 25, 30, 48, 50 or 60 frames a second (30 for 29.97, 24 for 23.976): say which", c.name, c.text, r.FPS)
		}
		code, err := ParseTimecode(c.text, rate)
		if err != nil {
			return fmt.Errorf("%s: %w", c.name, err)
		}
		codes = append(codes, code)
	}
	if len(codes) == 2 && !r.Drop && codes[0].Drop != codes[1].Drop {
		return fmt.Errorf("timecode_color %v and timecode_band %v: the one drops frames and the other does not", codes[0], codes[1])
	}
	return nil
}
