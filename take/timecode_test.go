package take

import (
	"fmt"
	"strings"
	"testing"
)

func TestTimecodeNumber(t *testing.T) {
	for _, row := range []struct {
		name string
		code string
		rate int
		want int
	}{
		{"midnight", "00:00:00:00", 25, 0},
		{"a second at 24", "00:00:01:00", 24, 24},
		{"an hour at 25", "01:00:00:00", 25, 90000},
		{"an hour at 30", "01:00:00:00", 30, 108000},
		// SMPTE ST 12-1, drop frame: 108 addresses an hour are left out.
		{"an hour at 29.97, drop frame", "01:00:00;00", 30, 107892},
		{"the last frame of the first minute", "00:00:59;29", 30, 1799},
		{"the first minute begins with frame 2", "00:01:00;02", 30, 1800},
		{"ten minutes are 17,982 frames", "00:10:00;00", 30, 17982},
		{"the frame before", "00:09:59;29", 30, 17981},
		{"a day is 2,589,408 frames, less one", "23:59:59;29", 30, 2589407},
		{"an hour at 59.94", "01:00:00;00", 60, 215784},
	} {
		c, err := ParseTimecode(row.code, row.rate)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		if got := c.Number(); got != row.want {
			t.Errorf("%s: %s is frame %d, want %d", row.name, row.code, got, row.want)
		}
		if back := (Timecode{Rate: row.rate, Drop: c.Drop}).Add(row.want); back != c || back.String() != row.code {
			t.Errorf("%s: frame %d is %s, want %s", row.name, row.want, back, row.code)
		}
	}
}

// Each frame of a day has an address, the next one's number is one more, and no address is one left out.
func TestTimecodeDay(t *testing.T) {
	for _, start := range []Timecode{{Rate: 30, Drop: true}, {Rate: 60, Drop: true}, {Rate: 25}} {
		c := start
		for n := range 3 * 18 * 1000 * start.Rate / 30 {
			if err := c.Check(); err != nil || c.Number() != n {
				t.Fatalf("frame %d of a day at %d: %s, number %d, %v", n, start.Rate, c, c.Number(), err)
			}
			c = c.Add(1)
		}
		if last := start.Add(-1); last.Add(1) != start || last.Hours != 23 {
			t.Errorf("the frame before midnight is %s", last)
		}
	}
}

func TestParseTimecodeFails(t *testing.T) {
	for _, row := range []struct {
		code string
		rate int
		says string
	}{
		{"1:00:00:00", 25, "must be like"},
		{"01:00:00", 25, "must be like"},
		{"24:00:00:00", 25, "24 hours"},
		{"01:60:00:00", 25, "60 minutes"},
		{"01:00:60:00", 25, "60 seconds"},
		{"01:00:00:25", 25, "25 frames"},
		{"00:01:00;00", 30, "begins with frame 2"},
		{"00:01:00;03", 60, "begins with frame 4"},
		{"00:00:00;00", 25, "cannot drop"},
		{"00:00:00:00", 29, "29 frames a second"},
	} {
		if _, err := ParseTimecode(row.code, row.rate); err == nil || !strings.Contains(err.Error(), row.says) {
			t.Errorf("%s at %d: %v, want %q", row.code, row.rate, err, row.says)
		}
	}
}

func TestNameTimecode(t *testing.T) {
	for _, row := range []struct {
		path string
		rate int
		drop bool
		want string // "" for none
	}{
		{"take/01_02_03_04.png", 24, false, "01:02:03:04"},
		{"A001_01_02_03_04.tif", 24, false, "01:02:03:04"},
		{"A001C02-10-20-30-12.png", 25, false, "10:20:30:12"},
		{"10:20:30;12.png", 30, false, "10:20:30;12"},
		{"10_20_30_12.png", 30, true, "10:20:30;12"},
		{"10_01_02_03_04.png", 24, false, "01:02:03:04"},
		{"99_10_20_30_12_x.png", 25, false, "10:20:30:12"},
		{"take_0001.png", 25, false, ""},
		{"01_02_03_25.png", 25, false, ""},
		{"01_02_03_04/frame.png", 25, false, ""},
		{"", 25, false, ""},
	} {
		got, ok := NameTimecode(row.path, row.rate, row.drop)
		if ok != (row.want != "") || ok && got.String() != row.want {
			t.Errorf("%s: %s, %v; want %q", row.path, got, ok, row.want)
		}
	}
}

func ExampleTimecode() {
	t, err := ParseTimecode("00:59:59;29", 30)
	if err != nil {
		panic(err)
	}
	next := t.Add(1)
	fmt.Println(next, "is frame", next.Number())
	// Output: 01:00:00;00 is frame 107892
}

func ExampleNameTimecode() {
	color, _ := NameTimecode("color/A_10_20_30_12.png", 24, false)
	band, _ := NameTimecode("band/B_10_20_31_00.png", 24, false)
	fmt.Println("the band camera was started", band.Number()-color.Number(), "frames later")
	// Output: the band camera was started 12 frames later
}
