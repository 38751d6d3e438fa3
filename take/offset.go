package take

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
)

// An Offset says which band frame belongs to a color frame, where that is not the one of the same
// number or time code.
type Offset struct {
	Mode  string // "none" (or empty): by number or time code; "auto": found from the recordings' motion; "given"
	Value int    // with "given": the color frame n goes with the band frame n + Value
}

// ParseOffset reads "auto", "none" or a whole number of frames.
func ParseOffset(s string) (Offset, error) {
	switch s {
	case "", "auto", "none":
		return Offset{Mode: s}, nil
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		return Offset{}, fmt.Errorf("offset %q: it must be auto, none, or a whole number of frames like 12 or -3", s)
	}
	return Offset{Mode: "given", Value: n}, nil
}

// MarshalJSON writes "auto", "none" or a number.
func (o Offset) MarshalJSON() ([]byte, error) {
	if o.Mode == "given" {
		return json.Marshal(o.Value)
	}
	return json.Marshal(o.Mode)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (o *Offset) UnmarshalJSON(data []byte) error {
	var s string
	if json.Unmarshal(data, &s) == nil {
		var err error
		*o, err = ParseOffset(s)
		return err
	}
	var n int
	if err := json.Unmarshal(data, &n); err != nil {
		return fmt.Errorf("offset %s: it must be \"auto\", \"none\" or a whole number of frames", data)
	}
	*o = Offset{Mode: "given", Value: n}
	return nil
}

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
