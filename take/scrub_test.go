package take_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// A Scrubber gives every station of any frame, and says what it would read for one.
func TestScrubber(t *testing.T) {
	r := record(t, 3, 4, 7)
	job := prepare(t, r.recipe)
	s := job.NewScrubber()
	for _, n := range []int{7, 3, 4, 3} {
		for _, keep := range []bool{false, true} {
			if err := s.Sum(n, keep, func(int, [3][]float32) {}); err != nil {
				t.Fatal(err)
			}
			if left := len(s.Files(n)); (left == 0) != keep {
				t.Errorf("frame %d: with keep %v there are %d files to read after its sum", n, keep, left)
			}
		}
		f, err := s.Frame(n, nil)
		if err != nil {
			t.Fatal(err)
		}
		if f.Number != n {
			t.Errorf("frame %d is called %d", n, f.Number)
		}
		i := takeW*90 + 120
		p, err := s.Pixel(f, 120, 90)
		if err != nil {
			t.Fatal(err)
		}
		held, err := s.Held(f)
		if err != nil {
			t.Fatal(err)
		}
		if p.Transmission != float64(f.Transmission.Pix[i]) || held.Pix[1][i] != f.Transmission.Pix[i]*f.Background.Pix[1][i] {
			t.Errorf("frame %d: the stations do not agree with the pixel %+v", n, p)
		}
	}
	if got := s.Files(3); got != nil {
		t.Errorf("the files of the frame that is there: %q", got)
	}
	if got := s.Files(4); len(got) != 2 || !strings.HasSuffix(got[1], "0004.png") {
		t.Errorf("the files of a frame whose background is there: %q", got)
	}
	s.Forget(true)
	if got := s.Files(3); len(got) != 3 || got[2] != r.recipe.Background {
		t.Errorf("the files of a frame whose background was forgotten: %q", got)
	}
	if got := s.Files(5); got != nil {
		t.Errorf("the files of a frame that is not there: %q", got)
	}
	if _, err := s.Frame(5, nil); err == nil || !strings.Contains(err.Error(), "3-4, 7") {
		t.Errorf("a frame that is not there: %v", err)
	}
	opaque, err := s.Frame(4, &take.Change{Plates: func(_ *plate.RGB, band *plate.Gray) error { band.Fill(0); return nil }})
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range opaque.Transmission.Pix {
		if v > 0.05 {
			t.Fatalf("with a black band plate the transmission at %d is %v", i, v)
		}
	}
	spoilt := errors.New("no")
	if _, err := s.Frame(4, &take.Change{Plates: func(*plate.RGB, *plate.Gray) error { return spoilt }}); !errors.Is(err, spoilt) {
		t.Errorf("an error of the change: %v", err)
	}
	if _, err := s.Frame(4, &take.Change{Foreground: func(*matte.Solution) error { return spoilt }}); !errors.Is(err, spoilt) {
		t.Errorf("an error of the foreground's change: %v", err)
	}
	twice, err := s.Frame(4, &take.Change{Whole: true, Foreground: func(s *matte.Solution) error { s.Foreground.Fill(0, 0, 0); return nil }})
	if err != nil {
		t.Fatal(err)
	}
	if held, err := s.Held(twice); err != nil || !slices.Equal(held.Pix[1], twice.Background.Pix[1]) || !slices.Equal(twice.Comp.Pix[1], twice.Background.Pix[1]) {
		t.Errorf("a double exposure of nothing is not its background (%v)", err)
	}
}

// Row by row as the files are read, and by planes, the foreground is the run's to the bit, whether
// there is a background or not, and whatever is done to it.
func TestForegroundIsRun(t *testing.T) {
	for name, change := range map[string]func(r *take.Recipe){
		"with a background": func(*take.Recipe) {},
		"without one":       func(r *take.Recipe) { r.Background = "" },
		"graded":            func(r *take.Recipe) { r.Background, r.ForegroundGrade.Exposure = "", 0.5 },
		"tidy":              func(r *take.Recipe) { r.Background, r.Tidy = "", true },
		"spill, graded":     func(r *take.Recipe) { r.Spill, r.ForegroundGrade.Exposure = "core", 0.5 },
	} {
		r := record(t, 3, 4)
		change(&r.recipe)
		r.recipe.Write = []string{"foreground"}
		job := prepare(t, r.recipe)
		type planes struct {
			foreground   *plate.RGB
			transmission *plate.Gray
		}
		want := map[int]planes{}
		var mu sync.Mutex
		if _, err := job.Run(context.Background(), &take.RunOptions{Each: func(r *take.Result) error {
			mu.Lock()
			defer mu.Unlock()
			want[r.Number] = planes{r.Foreground.Clone(), r.Transmission.Clone()}
			if taken := r.Spill.Part > 0; taken != strings.Contains(name, "spill") {
				t.Errorf("%s: spill is taken off: %v", name, taken)
			}
			return nil
		}}); err != nil {
			t.Fatal(err)
		}
		s := job.NewScrubber()
		for _, keep := range []bool{false, true, false} {
			for _, n := range []int{4, 3} {
				rows := 0
				if err := s.Foreground(n, keep, func(y int, foreground [3][]float32, transmission []float32) {
					rows++
					for c := range 3 {
						if !slices.Equal(foreground[c], want[n].foreground.Row(y)[c]) {
							t.Fatalf("%s, frame %d, keep %v: row %d is not the run's", name, n, keep, y)
						}
					}
					if !slices.Equal(transmission, want[n].transmission.Pix[y*takeW:(y+1)*takeW]) {
						t.Fatalf("%s, frame %d, keep %v: the transmission of row %d is not the run's", name, n, keep, y)
					}
				}); err != nil || rows != takeH {
					t.Fatalf("%s: %d rows, %v", name, rows, err)
				}
			}
		}
	}
}

// Row by row as the files are read, and by planes, the sum is the run's to the bit, whatever there
// is to read, to fit and to convert.
func TestSumIsRun(t *testing.T) {
	for name, change := range map[string]func(r *take.Recipe){
		"all rows as they are read": func(*take.Recipe) {},
		"gain found":                func(r *take.Recipe) { r.Gain = take.Choice[map[int]float64]{} },
		"background fitted":         func(r *take.Recipe) { r.Background = filepath.Join(filepath.Dir(r.Background), "sea.png") },
		"other primaries":           func(r *take.Recipe) { r.Primaries = "bt2020" },
		"tidy":                      func(r *take.Recipe) { r.Tidy = true },
		"spill":                     func(r *take.Recipe) { r.Spill = "core" },
		"spill, gain found, graded": func(r *take.Recipe) {
			r.Spill, r.Gain = "core", take.Choice[map[int]float64]{}
			r.ForegroundGrade.Exposure = 0.5
		},
		"glare and softness": func(r *take.Recipe) {
			r.Glare, r.MatchSoftness = take.Given(matte.Glare{Strength: 0.02}), take.Given(0.7)
		},
	} {
		r := record(t, 3, 4)
		r.recipe.Background = filepath.Join(r.dir, "back")
		r.recipe.Gain = take.Given(map[int]float64{3: 0.98, 4: 1.01})
		for k := range 2 {
			back := plate.NewRGB(takeW, takeH)
			for i := range back.Pix[0] {
				back.Pix[0][i], back.Pix[1][i], back.Pix[2][i] = float32(i%takeW)/takeW, float32(k)/2, 0.3
			}
			write(t, filepath.Join(r.recipe.Background, fmt.Sprintf("%d.png", k)), back, &plate.WriteOptions{Curve: plate.SRGB})
		}
		change(&r.recipe)
		job := prepare(t, r.recipe)
		want := map[int]*plate.RGB{}
		var mu sync.Mutex
		if _, err := job.Run(context.Background(), &take.RunOptions{Each: func(r *take.Result) error {
			mu.Lock()
			defer mu.Unlock()
			want[r.Number] = r.Comp.Clone()
			if taken := r.Spill.Part > 0; taken != strings.HasPrefix(name, "spill") {
				t.Errorf("%s: spill is taken off: %v", name, taken)
			}
			return nil
		}}); err != nil {
			t.Fatal(err)
		}
		s := job.NewScrubber()
		for _, keep := range []bool{false, true, false} {
			for _, n := range []int{4, 3} {
				rows := 0
				if err := s.Sum(n, keep, func(y int, row [3][]float32) {
					rows++
					for c := range 3 {
						if !slices.Equal(row[c], want[n].Row(y)[c]) {
							t.Fatalf("%s, frame %d, keep %v: row %d is not the run's", name, n, keep, y)
						}
					}
				}); err != nil || rows != takeH {
					t.Errorf("%s, frame %d, keep %v: %d rows, %v", name, n, keep, rows, err)
				}
			}
			f, err := s.Frame(3, nil)
			if err != nil || !slices.Equal(f.Comp.Pix[1], want[3].Pix[1]) {
				t.Errorf("%s: after sums with keep %v frame 3 is not the run's (%v)", name, keep, err)
			}
		}
	}
}

func TestSumErrors(t *testing.T) {
	r := record(t, 3, 4, 5)
	r.recipe.Background = filepath.Join(r.dir, "back")
	r.recipe.Gain = take.Choice[map[int]float64]{Mode: "none"}
	size := map[int]int{3: takeW, 4: takeW, 5: takeW}
	backs := func() {
		for n, w := range size {
			write(t, filepath.Join(r.recipe.Background, fmt.Sprintf("%d.png", n)), plate.NewRGB(w, takeH), nil)
		}
	}
	backs()
	job := prepare(t, r.recipe)
	s := job.NewScrubber()
	sum := func(n int) error { return s.Sum(n, true, func(int, [3][]float32) {}) }
	if err := sum(3); err != nil {
		t.Fatal(err)
	}
	size[4] = takeW + 1
	backs()
	color := filepath.Join(r.dir, "color", "c_0005.png")
	file, err := os.ReadFile(color)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(color, file[:len(file)-100], 0o666); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(r.dir, "color", "c_0003.png"), plate.NewRGB(takeW+2, takeH), nil)
	for n, want := range map[int][]string{
		3: {"c_0003.png", "322x180"},
		4: {"4.png", "321x180"},
		5: {"frame 5", "c_0005.png", "truncated"},
		6: {"there is no frame 6"},
	} {
		s.Forget(true)
		err := sum(n)
		for _, text := range want {
			if err == nil || !strings.Contains(err.Error(), text) {
				t.Errorf("frame %d: %v; it must speak of %q", n, err, text)
			}
		}
		if left := s.Files(n); n < 6 && len(left) != 3 {
			t.Errorf("frame %d: after the error %q are left to read", n, left)
		}
	}
	r = record(t, 3, 4)
	light := r.set.Frame(3).Color
	light.Fill(3e38, 3e38, 3e38)
	r.recipe.Color, r.recipe.Gain = filepath.Join(r.dir, "light"), take.Choice[map[int]float64]{Mode: "none"}
	r.recipe.Crosstalk = take.Choice[[3]float64]{Mode: "none"}
	write(t, filepath.Join(r.recipe.Color, "0003.exr"), r.set.Frame(3).Color, nil)
	write(t, filepath.Join(r.recipe.Color, "0004.exr"), r.set.Frame(4).Color, nil)
	s = prepare(t, r.recipe).NewScrubber()
	write(t, filepath.Join(r.recipe.Color, "0003.exr"), light, &plate.WriteOptions{Depth: 32})
	if err := sum(3); err == nil || !strings.Contains(err.Error(), "frame 3: matte: the arithmetic left the range of float32") {
		t.Errorf("plates that are far too bright: %v", err)
	}
	r.recipe.Background, r.recipe.Color = "", filepath.Join(r.dir, "color")
	s = prepare(t, r.recipe).NewScrubber()
	if err := sum(3); err == nil || !strings.Contains(err.Error(), "frame 3 has no sum: the recipe has no background") {
		t.Errorf("without a background: %v", err)
	}
}
