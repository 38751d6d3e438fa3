package day

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/twinplate/align"
	"example.com/twinplate/plate/clip"
	"example.com/twinplate/take"
)

// recorded returns a clip of so many seconds at 25 frames a second.
func recorded(name string, at time.Time, code string, seconds float64) *Clip {
	return &Clip{Path: name, Info: clip.Stream{Rate: [2]int{25, 1}, Frames: int(25 * seconds), Recorded: at, TimeCode: code}}
}

func TestMatch(t *testing.T) {
	begin := time.Date(2026, 6, 1, 23, 50, 0, 0, time.UTC)
	after := func(seconds float64) time.Time { return begin.Add(time.Duration(seconds * 1e9)) }
	code := func(second int) string { // at 25 frames a second, past midnight
		second = (23*3600 + 50*60 + second) % 86400
		return fmt.Sprintf("%02d:%02d:%02d:00", second/3600, second/60%60, second%60)
	}
	lengths := []float64{20, 35, 12, 64, 18, 41}
	for _, test := range []struct {
		name  string
		make  func(i int) (a, b *Clip)
		by    string
		apart float64
	}{
		{"clocks three minutes apart, in one rhythm", func(i int) (a, b *Clip) {
			at := 90 * float64(i)
			return recorded(fmt.Sprint("a", i), after(at), "", lengths[i]), recorded(fmt.Sprint("b", i), after(at+180+float64(i%2)), "", lengths[i]-2)
		}, "recording time", 180},
		{"clocks days apart", func(i int) (a, b *Clip) {
			at := 400*float64(i) + lengths[i]
			return recorded(fmt.Sprint("a", i), after(at), "", lengths[i]), recorded(fmt.Sprint("b", i), after(at-20*86400), "", lengths[i]+1)
		}, "recording time", -20 * 86400},
		{"time code past midnight, and clocks that were never set", func(i int) (a, b *Clip) {
			at := 150 * i
			return recorded(fmt.Sprint("a", i), time.Time{}, code(at), lengths[i]), recorded(fmt.Sprint("b", i), after(float64(1e6*i)), code(at+1), lengths[i])
		}, "time code", 1},
	} {
		m := &matching{ctx: context.Background(), opt: &ReadOptions{}}
		for i := range lengths {
			a, b := test.make(i)
			m.color = append(m.color, a)
			if i != 3 { // one that is missing
				m.band = append(m.band, b)
			}
		}
		slices.Reverse(m.band)
		d := &Day{}
		if err := m.match(d); err != nil {
			t.Fatal(err)
		}
		if len(d.Pairs) != 5 || len(d.Left) != 1 || d.Left[0].Clip != "a3" || len(d.Clocks) != 1 || d.Clocks[0].By != test.by || math.Abs(d.Clocks[0].Apart-test.apart) > 1.5 {
			t.Errorf("%s: %d pairs, clocks %+v, left %+v", test.name, len(d.Pairs), d.Clocks, d.Left)
		}
		for _, p := range d.Pairs {
			if p.Color[1:] != p.Band[1:] {
				t.Errorf("%s: %s is paired with %s", test.name, p.Color, p.Band)
			}
		}
	}
}

// What does not move, has the screen's light all over and nothing before it is a clean plate.
func TestStill(t *testing.T) {
	frame := func(at int) []float32 {
		f := make([]float32, 1000)
		for i := range f {
			f[i] = 0.8
		}
		for i := at; i < at+20; i++ {
			f[i] = 0.1
		}
		return f
	}
	if !still([][]float32{frame(100), frame(100), frame(100)}) || still([][]float32{frame(100), frame(130), frame(160)}) {
		t.Error("a frame that is alike, and one in which something moves, are not told apart")
	}
}

func TestApart(t *testing.T) {
	g := align.Identity(320, 180)
	h := g
	h.Homography[2] = 3
	h.Homography[5] = -4
	if v := apart(g, h); math.Abs(v-5) > 1e-9 {
		t.Errorf("%v px apart, want 5", v)
	}
	if v := apart(g, align.Identity(320, 200)); !math.IsInf(v, 1) {
		t.Errorf("of other sizes: %v px apart", v)
	}
}

// The rig of most takes is the first; a take after a bump has its own, and no clean plate from
// before.
func TestRigsAndReferences(t *testing.T) {
	g := align.Identity(320, 180)
	h := g
	h.Homography[2] = 3
	d := &Day{Pairs: []*ClipPair{{Name: "clean01", Kind: Clean}, {Name: "take01", Kind: Take}, {Name: "take02", Kind: Take}, {Name: "dark01", Kind: Dark}, {Name: "take03", Kind: Chart}, {Name: "take04", Kind: Take}}}
	all := []*registered{{d.Pairs[1], g, 0.05, 0.3, -1}, {d.Pairs[4], h, 0.01, 0.3, -1}, {d.Pairs[2], g, 0.2, 0.3, -1}}
	d.files = clip.NewMediaFiles()
	if err := d.rigs(context.Background(), all); err != nil {
		t.Fatal(err)
	}
	d.references()
	if len(d.Rigs) != 2 || d.Rigs[0].From != "take01" || len(d.Rigs[0].Pairs) != 2 || math.Abs(d.Rigs[1].Apart-3) > 1e-9 {
		t.Errorf("rigs %+v", d.Rigs)
	}
	if p := d.named("take02"); p.Clean != "clean01" || p.Dark != "dark01" || p.Found.Rig != "rig1" {
		t.Errorf("%+v", p)
	}
}

func TestOpen(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "day.json")
	d := &Day{Version: Version, ColorCard: filepath.Join(dir, "A"), BandCard: filepath.Join(dir, "B"), Settings: take.Recipe{ColorCurve: "slog3", Background: filepath.Join(dir, "sea.png")},
		Pairs: []*ClipPair{{Name: "take01", Kind: Take, Color: filepath.Join(dir, "A", "1.mov"), Band: filepath.Join(dir, "B", "1.mov")}}}
	if err := d.Save(path); err != nil {
		t.Fatal(err)
	}
	again, err := Open(path)
	if err != nil || again.Pairs[0].Color != d.Pairs[0].Color || again.Settings.ColorCurve != "slog3" || !Is(path) {
		t.Errorf("%+v, %v", again, err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"color_card": "A"`, `"band_card": "B"`, `"color": "A/1.mov"`, `"background": "sea.png"`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the file lacks %s: paths in it are relative to it\n%s", want, text)
		}
	}
	for _, test := range []struct{ old, new, want string }{
		{`"kind": "take"`, `"kind": "tale"`, "must be take, clean, dark, chart or out"},
		{`"name": "take01"`, `"name": "../take"`, "letters, digits"},
		{`"pairs"`, `"pears"`, "pears"},
		{`"kind": "take",`, `"kind": "take" `, "line "},
		{`"day": 1`, `"day": 2`, "version 2"},
		{`"kind": "take"`, `"kind": "take", "clean": "clean07"`, "no such pair"},
	} {
		if err := os.WriteFile(path, []byte(strings.Replace(string(text), test.old, test.new, 1)), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(path); err == nil || !strings.Contains(err.Error(), test.want) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v, want %q", test.new, err, test.want)
		}
	}
}
