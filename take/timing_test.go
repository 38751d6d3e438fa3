package take_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// blank writes small pictures with these names, and returns the folder.
func blank(t *testing.T, names ...string) string {
	t.Helper()
	dir := t.TempDir()
	for _, n := range names {
		write(t, filepath.Join(dir, n), plate.NewGray(4, 4), nil)
	}
	return dir
}

// codes returns names of n frames with time code from first on.
func codes(prefix, first string, rate, n int) (names []string) {
	c, err := take.ParseTimecode(first, rate)
	if err != nil {
		panic(err)
	}
	for i := range n {
		names = append(names, prefix+strings.NewReplacer(":", "_", ";", ";").Replace(c.Add(i).String())+".png")
	}
	return names
}

func counted(format string, from, to int) (names []string) {
	for n := from; n <= to; n++ {
		names = append(names, fmt.Sprintf(format, n))
	}
	return names
}

// Which frames are paired, by the names of the first and the last pair.
func TestPairingInTime(t *testing.T) {
	for _, row := range []struct {
		name        string
		color, band []string
		recipe      take.Recipe
		first, last string // "color band"
		from        string
		offset      int
		says        string // in the notes or warnings
	}{
		{"by number", counted("c_%03d.png", 1, 9), counted("b%d.png", 3, 12), take.Recipe{}, "c_003 b3", "c_009 b9", "number", 0, ""},
		{"a given offset", counted("c%d.png", 101, 109), counted("b%d.png", 1, 9), take.Recipe{Offset: take.Given(-98)}, "c101 b3", "c107 b9", "the given offset", -98, "band frames without a color frame: 1-2"},
		{"time code in the names, over a full second", codes("A_", "01:00:00:20", 24, 9), codes("B7_", "01:00:00:22", 24, 9), take.Recipe{FPS: 24},
			"A_01_00_00_22 B7_01_00_00_22", "A_01_00_01_04 B7_01_00_01_04", "time code", 0, "paired by time code: color frame 86420 is 01:00:00:20"},
		// SMPTE ST 12-1: after 01:00:59;29 comes 01:01:00;02. By numbers alone two frames would be
		// missing.
		{"time code that drops frames", codes("", "01:00:59;28", 30, 6), codes("", "01:01:00;02", 30, 6), take.Recipe{FPS: 29.97, TimecodeColor: ""},
			"01_01_00;02 01_01_00;02", "01_01_00;05 01_01_00;05", "time code", 0, "01:00:59;28"},
		{"over midnight", codes("", "23:59:59:20", 25, 10), codes("", "00:00:00:02", 25, 10), take.Recipe{FPS: 25}, "00_00_00_02 00_00_00_02", "00_00_00_04 00_00_00_04", "time code", -24 * 3600 * 25, ""},
		{"time codes given", counted("c%d.png", 1, 9), counted("b%d.png", 501, 509), take.Recipe{FPS: 24, TimecodeColor: "10:00:00:00", TimecodeBand: "09:59:59:22"},
			"c1 b503", "c7 b509", "time code", 502, "color frame 1 is 10:00:00:00, and band frame 501 is 09:59:59:22"},
		{"time code against a given offset", counted("c%d.png", 1, 9), counted("b%d.png", 1, 9), take.Recipe{FPS: 24, TimecodeColor: "10:00:00:00", TimecodeBand: "10:00:00:02", Offset: take.Given(1)},
			"c1 b2", "c8 b9", "the given offset", 1, "band frame n+1, and by time code with n-2"},
		{"time code in one camera's names", counted("c%d.png", 2, 4), []string{"b_01_00_00_02.png", "b_01_00_00_03.png"}, take.Recipe{FPS: 24}, "c2 b_01_00_00_02", "c3 b_01_00_00_03", "number", 0, "the band frames have time code and the color frames have none"},
		{"time code that is not to be used", []string{"01_00_00_02.png", "01_00_00_03.png"}, []string{"01_00_09_02.png", "01_00_09_03.png"}, take.Recipe{FPS: 24, TimecodeColor: "none", TimecodeBand: "none"},
			"01_00_00_02 01_00_09_02", "01_00_00_03 01_00_09_03", "number", 0, ""},
		{"time code without a rate", codes("", "01:00:00:20", 24, 9), codes("", "01:00:00:20", 24, 9), take.Recipe{}, "01_00_01_00 01_00_01_00", "01_00_00_23 01_00_00_23", "number", 0, "the names look like time code"},
		{"a rate that no time code has", []string{"01_00_00_02.png", "01_00_00_03.png"}, []string{"01_00_09_02.png", "01_00_09_03.png"}, take.Recipe{FPS: 18}, "01_00_00_02 01_00_09_02", "01_00_00_03 01_00_09_03", "number", 0, ""},
	} {
		row.recipe.Color, row.recipe.Band = blank(t, row.color...), blank(t, row.band...)
		opened, err := take.Open(row.recipe)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		text := func(p take.FilePair) string {
			base := func(path string) string { return strings.TrimSuffix(filepath.Base(path), ".png") }
			return base(p.Color) + " " + base(p.Band)
		}
		timing := opened.Timing()
		if first, last := text(opened.Pairs[0]), text(opened.Pairs[len(opened.Pairs)-1]); first != row.first || last != row.last || timing.From != row.from || timing.Offset != row.offset {
			t.Errorf("%s: from %s to %s by %s (%d); want %s to %s by %s (%d)", row.name, first, last, timing.From, timing.Offset, row.first, row.last, row.from, row.offset)
		}
		if all := strings.Join(append(opened.Notes(), timing.Warnings...), "\n"); !strings.Contains(all, row.says) {
			t.Errorf("%s: it says %q, want %q in it", row.name, all, row.says)
		}
	}
}

func TestPairingInTimeErrors(t *testing.T) {
	given := take.Given[int]
	for _, row := range []struct {
		name        string
		color, band []string
		recipe      take.Recipe
		want        string
	}{
		{"no numbers in common", counted("%d.png", 1, 4), counted("%d.png", 11, 14), take.Recipe{}, "the offset between them must be given, or found from motion (auto)"},
		{"an offset too large", counted("%d.png", 1, 4), counted("%d.png", 1, 4), take.Recipe{Offset: given(50)}, "whose number is +50 from its own"},
		{"too few frames for the motion", counted("%d.png", 1, 4), counted("%d.png", 1, 4), take.Recipe{Offset: take.Choice[int]{Mode: "auto"}}, "give it as a number of frames"},
		{"time code in names and no rate", codes("", "01:00:00:20", 24, 30), codes("", "01:00:00:20", 24, 30), take.Recipe{}, "say how many frames a second it counts (fps)"},
		{"time code and no rate", nil, nil, take.Recipe{TimecodeColor: "01:00:00:00"}, "24, 25, 30, 48, 50 or 60"},
		{"time code that is none", nil, nil, take.Recipe{FPS: 24, TimecodeBand: "noon"}, "timecode_band: \"noon\" is not a time code"},
		{"a 25th frame of 24", nil, nil, take.Recipe{FPS: 24, TimecodeBand: "01:00:00:24"}, "0 to 23"},
		{"an address that is dropped", counted("%d.png", 1, 2), counted("%d.png", 1, 2), take.Recipe{FPS: 29.97, Drop: true, TimecodeColor: "01:01:00:00", TimecodeBand: "01:00:00:00"}, "leaves this address out"},
		{"dropped frames at 24", nil, nil, take.Recipe{FPS: 24, Drop: true}, "29.97"},
		{"the one drops frames", nil, nil, take.Recipe{FPS: 30, TimecodeColor: "01:00:00;10", TimecodeBand: "01:00:00:10"}, "drops frames and the other does not"},
		{"no frames a second at all", nil, nil, take.Recipe{FPS: -1}, "1 to 1000"},
		{"no such kernel", nil, nil, take.Recipe{Resample: 9}, "0 (bicubic)"},
	} {
		row.recipe.Color, row.recipe.Band = blank(t, row.color...), blank(t, row.band...)
		if _, err := take.Open(row.recipe); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v, want %q in it", row.name, err, row.want)
		}
	}
	for _, bad := range []string{`{"version": 1, "offset": 1.5}`, `{"version": 1, "offset": "soon"}`, `{"version": 1, "resample": "nearest"}`} {
		path := filepath.Join(t.TempDir(), "r.json")
		if err := os.WriteFile(path, []byte(bad), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := take.ReadRecipe(path); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

// clockTake writes n frames of a take whose band camera is late by late of parts of a frame,
// numbered from 101 in color and from 1 in the band, or by the names given.
func clockTake(t *testing.T, n, parts, late int, name func(band bool, i int) string) take.Recipe {
	t.Helper()
	const w, h = 160, 90
	f := simulate.DemoFaults()
	f.FrameOffset = late
	set := simulate.New(simulate.Cutouts{Seed: 2}, w, h, w, h, nil, f, 2)
	dir := t.TempDir()
	for i := range n {
		shot := set.Frame(i * parts)
		write(t, filepath.Join(dir, "color", name(false, i)), shot.Color, nil)
		write(t, filepath.Join(dir, "band", name(true, i)), shot.Band, nil)
	}
	return take.Recipe{Color: filepath.Join(dir, "color"), Band: filepath.Join(dir, "band"), ColorCurve: "linear", BandCurve: "linear", Geometry: take.Choice[align.Geometry]{Mode: "none"}}
}

func byNumber(band bool, i int) string {
	if band {
		return fmt.Sprintf("b%03d.png", i+1)
	}
	return fmt.Sprintf("c%03d.png", i+101)
}

// Two recordings whose numbers do not correspond and whose band camera was started three frames
// late: the offset is found, saved, and found right when it is looked at again.
func TestOffsetFromMotion(t *testing.T) {
	tier.InTest(t)
	r := clockTake(t, 40, 1, 3, byNumber)
	r.Offset.Mode = "auto"
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	// Color frame 104 is of the instant of the band's first.
	timing := opened.Timing()
	if timing.Offset != -103 || timing.From != "motion" || opened.Pairs[0].Number != 104 || filepath.Base(opened.Pairs[0].Band) != "b001.png" || len(timing.Warnings) > 0 || !timing.Motion.InStep {
		t.Errorf("%+v, first pair %v", timing, opened.Pairs[0])
	}
	job := prepare(t, r)
	path := filepath.Join(t.TempDir(), "take.json")
	if err := job.Recipe(nil).Save(path); err != nil {
		t.Fatal(err)
	}
	saved, err := take.ReadRecipe(path)
	if err != nil || saved.Offset != (take.Given(-103)) || job.Timing.Offset != -103 {
		t.Fatalf("saved as %+v, %v", saved.Offset, err)
	}
	again, err := take.Open(saved)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range again.Pairs {
		if p != opened.Pairs[i] {
			t.Fatalf("by the recipe the pair %d is %v, and was %v", i, p, opened.Pairs[i])
		}
	}
	if timing, err = again.CheckTiming(t.Context()); err != nil || timing.Fits() != -103 || len(timing.Warnings) > 0 {
		t.Errorf("looked at again: %+v, %v", timing, err)
	}

	// Given wrong by one, or with a part that is too short.
	saved.Offset.Value++
	if again, err = take.Open(saved); err != nil {
		t.Fatal(err)
	}
	if timing, err = again.CheckTiming(t.Context()); err != nil || timing.Fits() != -103 || len(timing.Warnings) != 1 || !strings.Contains(timing.Warnings[0], "band frame n-103, and by the given offset it is paired with n-102: give the offset -103") {
		t.Errorf("given wrong: %+v, %v", timing, err)
	}
	saved.Frames = "110-115"
	if again, err = take.Open(saved); err != nil {
		t.Fatal(err)
	}
	if timing, err = again.CheckTiming(t.Context()); err != nil || timing.Motion != nil || !strings.Contains(timing.Unsure, "6 frames in a row") || timing.Fits() != -102 {
		t.Errorf("six frames: %+v, %v", timing, err)
	}
	stopped, stop := context.WithCancel(t.Context())
	stop()
	if _, err := take.OpenContext(stopped, r); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

// Half a frame between the shutters, and a time code that was set two frames wrong.
func TestTimingWarns(t *testing.T) {
	tier.InTest(t)
	r := clockTake(t, 40, 2, 1, func(_ bool, i int) string { return fmt.Sprintf("%03d.png", i) })
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	timing, err := opened.CheckTiming(t.Context())
	if err != nil || timing.Motion == nil {
		t.Fatalf("%+v, %v", timing, err)
	}
	if late := float64(timing.Motion.Frames) + timing.Motion.Fraction; math.Abs(late-0.5) > 0.2 || timing.Motion.InStep || !strings.Contains(strings.Join(timing.Warnings, "\n"), "not in step: the band camera is 0.") {
		t.Errorf("half a frame late: %+v", timing)
	}

	code := take.Timecode{Hours: 1, Rate: 24}
	r = clockTake(t, 40, 1, 0, func(band bool, i int) string {
		if band {
			i += 2
		}
		return strings.ReplaceAll(code.Add(i).String(), ":", "_") + ".png"
	})
	r.FPS = 24
	r.Offset.Mode = "auto"
	if opened, err = take.Open(r); err != nil {
		t.Fatal(err)
	}
	if timing = opened.Timing(); timing.Offset != 2 || *timing.Timecode != 0 || len(timing.Warnings) != 1 || !strings.Contains(timing.Warnings[0], "by motion color frame n belongs with band frame n+2, and by time code with n") {
		t.Errorf("time code two frames wrong: %+v", timing)
	}
}

// The color camera counts from 101, and the band camera, started two frames late, from 1.
func ExampleMatchOffset() {
	color := take.Sequence{{Number: 101, Path: "c101.png"}, {Number: 102, Path: "c102.png"}, {Number: 103, Path: "c103.png"}}
	band := take.Sequence{{Number: 1, Path: "b1.png"}, {Number: 2, Path: "b2.png"}}
	p, err := take.MatchOffset(color, band, -102)
	fmt.Println(p.Pairs, err)
	fmt.Println("no band frame:", take.Ranges(p.NoBand), "- no color frame:", take.Ranges(p.NoColor))
	// Output:
	// [{103 c103.png b1.png}] <nil>
	// no band frame: 101-102 - no color frame: 2
}
