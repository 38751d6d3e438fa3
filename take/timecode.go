package take

import (
	"fmt"
	"path/filepath"
	"strings"
)

// A Timecode is a time address of SMPTE ST 12-1: the name of a frame by the hour, minute, second
// and frame.
//
// Rate is the whole number of frames that a second of the address counts: 24, 25, 30, 48, 50 or 60;
// it is 30 too for 30000/1001 (29.97) frames a second, and 24 for 23.976. With Drop, at 29.97, the
// addresses of frames 0 and 1 are left out at the start of every minute but each tenth, so that the
// address follows the clock: an hour is 107,892 frames (ST 12-1, drop frame). At 59.94, for which
// Rate is 60, four addresses are left out. No frame is lost.
type Timecode struct {
	Hours, Minutes, Seconds, Frames int
	Rate                            int
	Drop                            bool
}

// dropped is how many addresses are left out in a minute.
func (t Timecode) dropped() int {
	if !t.Drop {
		return 0
	}
	return t.Rate / 15
}

// Check returns an error when there is no such address: it says which part and why.
func (t Timecode) Check() error {
	switch t.Rate {
	case 24, 25, 30, 48, 50, 60:
	default:
		return fmt.Errorf("time code at %d frames a second: it is defined for 24, 25, 30, 48, 50 and 60 (30 for 29.97, 24 for 23.976)", t.Rate)
	}
	if t.Drop && t.Rate != 30 && t.Rate != 60 {
		return fmt.Errorf("time code at %d frames a second cannot drop frames: only 30 (29.97) and 60 (59.94) can", t.Rate)
	}
	for _, f := range []struct {
		name     string
		v, limit int
	}{{"hours", t.Hours, 24}, {"minutes", t.Minutes, 60}, {"seconds", t.Seconds, 60}, {"frames", t.Frames, t.Rate}} {
		if f.v < 0 || f.v >= f.limit {
			return fmt.Errorf("time code %s: %d %s, and it must be 0 to %d", t, f.v, f.name, f.limit-1)
		}
	}
	if t.Drop && t.Seconds == 0 && t.Minutes%10 != 0 && t.Frames < t.dropped() {
		return fmt.Errorf("time code %s: drop-frame time code leaves this address out; the minute begins with frame %d", t, t.dropped())
	}
	return nil
}

// String returns the address as 01:02:03:04, or 01:02:03;04 where frames are dropped.
func (t Timecode) String() string {
	sep := ":"
	if t.Drop {
		sep = ";"
	}
	return fmt.Sprintf("%02d:%02d:%02d%s%02d", t.Hours, t.Minutes, t.Seconds, sep, t.Frames)
}

// Number returns how many frames after 00:00:00:00 the frame is, for an address that Check passes.
func (t Timecode) Number() int {
	minutes := t.Hours*60 + t.Minutes
	return (minutes*60+t.Seconds)*t.Rate + t.Frames - t.dropped()*(minutes-minutes/10)
}

// Add returns the address n frames later, or earlier where n is negative; midnight is passed over
// as on a clock.
func (t Timecode) Add(n int) Timecode {
	drop := t.dropped()
	minute := 60*t.Rate - drop   // frames in a minute that leaves addresses out
	ten := 10*60*t.Rate - 9*drop // in ten minutes
	day := 24 * 6 * ten
	n = ((t.Number()+n)%day + day) % day
	// Put the addresses left out back in, to count as if there were none.
	tens, rest := n/ten, n%ten
	n += 9 * drop * tens
	if rest >= minute+drop {
		n += drop * (1 + (rest-minute-drop)/minute)
	}
	r := Timecode{Rate: t.Rate, Drop: t.Drop}
	r.Frames, n = n%t.Rate, n/t.Rate
	r.Seconds, n = n%60, n/60
	r.Minutes, r.Hours = n%60, n/60
	return r
}

// timecodeLength is that of an address written out, four pairs of digits with a sign between each.
const timecodeLength = len("01:02:03:04")

// timecodeAt reads four pairs of digits at the start of s, with one of signs between the first
// three and one of last before the frames; mark is that one.
func timecodeAt(s, signs, last string) (fields [4]int, mark byte, ok bool) {
	if len(s) < timecodeLength {
		return fields, 0, false
	}
	for i := range fields {
		pair := s[3*i : 3*i+2]
		if !digit(pair[0]) || !digit(pair[1]) {
			return fields, 0, false
		}
		fields[i] = int(pair[0]-'0')*10 + int(pair[1]-'0')
	}
	mark = s[8]
	ok = strings.IndexByte(signs, s[2]) >= 0 && strings.IndexByte(signs, s[5]) >= 0 && strings.IndexByte(last, mark) >= 0
	return fields, mark, ok
}

func digit(c byte) bool { return '0' <= c && c <= '9' }

// ParseTimecode reads an address like 01:02:03:04 at rate frames a second. A semicolon, a comma or
// a point before the frames says that frames are dropped, as is the custom.
func ParseTimecode(s string, rate int) (Timecode, error) {
	f, mark, ok := timecodeAt(s, ":", ":;.,")
	if !ok || len(s) != timecodeLength {
		return Timecode{}, fmt.Errorf("%q is not a time code: it must be like 01:02:03:04, or 01:02:03;04 where frames are dropped", s)
	}
	t := Timecode{f[0], f[1], f[2], f[3], rate, mark != ':'}
	return t, t.Check()
}

// NameTimecode reads the time code in a file's name, without regard to its folder: four pairs of
// digits with colons, underscores, points or hyphens between them, as in A001_01_02_03_04.png; the
// last of several. A file system may forbid the semicolon that marks drop-frame time code: where
// there is none, drop says it. ok is false where the name has no time code that Check passes.
func NameTimecode(path string, rate int, drop bool) (t Timecode, ok bool) {
	base := filepath.Base(path)
	base = base[:len(base)-len(filepath.Ext(base))]
	for i := range base {
		end := i + timecodeLength
		if i > 0 && digit(base[i-1]) || end < len(base) && digit(base[end]) {
			continue
		}
		if f, mark, there := timecodeAt(base[i:], ":_.-", ":;,_.-"); there {
			if c := (Timecode{f[0], f[1], f[2], f[3], rate, drop || mark == ';' || mark == ','}); c.Check() == nil {
				t, ok = c, true
			}
		}
	}
	return t, ok
}
