package take_test

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// behind writes a take of five frames of open screen, numbered from 10, and a background of n
// frames, numbered from 1, each of a red of its number's hundredths. It returns the recipe and what
// a run shows behind each frame, in the middle and at a place left of it.
func behind(t *testing.T, n int) (take.Recipe, func(take.Recipe) (middle, left []float32)) {
	t.Helper()
	return behindOf(t, n, 64, 36)
}

// behindOf is behind for frames of w by h, of which that is shown.
func behindOf(t *testing.T, n, w, h int) (take.Recipe, func(take.Recipe) (middle, left []float32)) {
	t.Helper()
	dir := t.TempDir()
	band, color, clean := plate.NewGray(w, h), plate.NewRGB(w, h), plate.NewGray(w, h)
	band.Fill(0.5)
	clean.Fill(0.5)
	write := func(name string, f *plate.RGB, g *plate.Gray) {
		var err error
		if g != nil {
			err = plate.Write(filepath.Join(dir, name), g, &plate.WriteOptions{Curve: plate.Linear})
		} else {
			err = plate.Write(filepath.Join(dir, name), f, &plate.WriteOptions{Curve: plate.Linear})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for i := 10; i < 15; i++ {
		write(fmt.Sprintf("color.%04d.png", i), color, nil)
		write(fmt.Sprintf("band.%04d.png", i), nil, band)
	}
	write("clean.png", nil, clean)
	write("black.png", color, nil)
	for i := 1; i <= n; i++ {
		f := plate.NewRGB(w, h)
		for y := range h {
			for x := range w {
				f.Pix[0][y*w+x] = float32(i) / 100
				f.Pix[1][y*w+x] = float32(x) / float32(w)
			}
		}
		write(fmt.Sprintf("back.%04d.png", i), f, nil)
	}
	at := func(name string) string { return filepath.Join(dir, name) }
	r := take.Recipe{Color: at("color.*.png"), Band: at("band.*.png"), CleanBand: at("clean.png"), CleanColor: at("black.png"), Background: at("back.*.png"), ColorCurve: "linear", BandCurve: "linear", BackgroundCurve: "linear"}
	r.Geometry.Mode, r.Crosstalk.Mode, r.Gain.Mode = "none", "none", "none"
	return r, func(r take.Recipe) (middle, left []float32) {
		t.Helper()
		opened, err := take.Open(r)
		if err != nil {
			t.Fatal(err)
		}
		job, err := opened.Prepare(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := job.Run(context.Background(), &take.RunOptions{InOrder: func(r *take.Result) error {
			middle = append(middle, r.Comp.Pix[0][18*w+32])
			left = append(left, r.Comp.Pix[1][18*w+16])
			return nil
		}}); err != nil {
			t.Fatal(err)
		}
		// A scrubber, backwards and by rows, shows the same.
		s := job.NewScrubber()
		for i := len(middle) - 1; i >= 0; i-- {
			var got, gotLeft float32
			if err := s.Sum(10+i, false, func(y int, row [3][]float32) {
				if y == 18 {
					got, gotLeft = row[0][32], row[1][16]
				}
			}); err != nil {
				t.Fatal(err)
			}
			if got != middle[i] || gotLeft != left[i] {
				t.Errorf("frame %d: scrubbed %v, %v; run %v, %v", 10+i, got, gotLeft, middle[i], left[i])
			}
		}
		return middle, left
	}
}

func inHundredths(reds []float32) string {
	var all []string
	for _, v := range reds {
		all = append(all, fmt.Sprintf("%.0f", 100*v))
	}
	return strings.Join(all, " ")
}

// Which of the background's frames goes behind which of the take's.
func TestBackgroundInTime(t *testing.T) {
	r, run := behind(t, 3)
	for _, row := range []struct {
		name  string
		start int
		end   string
		want  string
	}{
		{"in order, the last held", 0, "", "1 2 3 3 3"},
		{"looped", 0, "loop", "1 2 3 1 2"},
		{"from its second on", 2, "hold", "2 3 3 3 3"},
		{"from its second on, looped", 2, "loop", "2 3 1 2 3"},
	} {
		r := r
		r.BackgroundEnd = row.end
		if row.start > 0 {
			r.BackgroundStart = &row.start
		}
		if middle, _ := run(r); inHundredths(middle) != row.want {
			t.Errorf("%s: %s, want %s", row.name, inHundredths(middle), row.want)
		}
	}
	r.BackgroundStart = new(7)
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := opened.Prepare(context.Background()); err == nil || !strings.Contains(err.Error(), "background_start 7: the background has no such frame: it has 1 to 3") {
		t.Errorf("a start of 7: %v", err)
	}
}

// A still drifts evenly from where it begins to where it ends, whatever frames are made of it, and
// as a single fit has it.
func TestBackgroundDrifts(t *testing.T) {
	r, run := behind(t, 1)
	r.FitEnd = &composite.Fit{OffsetX: 0.25}
	_, left := run(r)
	for i, v := range left { // a ramp that moves to the right by a quarter of its width in four steps
		if want := float32(16-4*i) / 64; v < want-0.001 || v > want+0.001 {
			t.Errorf("frame %d shows %v, want %v", i, v, want)
		}
	}
	r.FitEnd = &composite.Fit{Scale: 1.2, Turn: 8, Softness: 1.5}
	_, all := run(r)
	r.Fit, r.FitEnd = *r.FitEnd, nil
	if _, end := run(r); end[0] != all[4] {
		t.Errorf("at its end it shows %v, want %v", all[4], end[0])
	}
}

// A soft still that moves and does nothing else is what a Fitter makes of it for each frame, within
// the blur's 1/65535 of a step; and the same to the bit whatever was asked for before.
func TestBackgroundPans(t *testing.T) {
	const w, h, srcW, srcH = 144, 136, 160, 140 // borders of 8, up to 1/16 of a frame
	r, _ := behindOf(t, 1, w, h)
	src := plate.NewRGB(srcW, srcH)
	for c := range src.Pix {
		for i := range src.Pix[c] {
			src.Pix[c][i] = float32((i*7+i/src.W*(c+2))%11) / 11
		}
	}
	r.Background = filepath.Join(filepath.Dir(r.Background), "still.exr")
	if err := plate.Write(r.Background, src, nil); err != nil {
		t.Fatal(err)
	}
	src, err := plate.ReadRGB(r.Background, plate.Linear, nil)
	if err != nil {
		t.Fatal(err)
	}
	scale := 1 / max(w/float64(srcW), h/float64(srcH))
	r.Fit = composite.Fit{Scale: scale, Softness: 1, OffsetX: -5.3 / w, OffsetY: 0.4 / h}
	r.FitEnd = &composite.Fit{Scale: scale, Softness: 1, OffsetX: 6.1 / w, OffsetY: -1.7 / h}
	if composite.NewPan(srcW, srcH, w, h, r.Fit, *r.FitEnd) == nil {
		t.Fatal("there is no pan")
	}
	further := r
	further.FitEnd = &composite.Fit{Scale: scale, Softness: 1, OffsetX: 7.9 / w}
	still := r
	still.FitEnd = nil
	jobs, made := map[*take.Recipe]*take.Job{}, map[*take.Recipe]map[int]*plate.RGB{}
	for _, r := range []*take.Recipe{&r, &further, &still} {
		opened, err := take.Open(*r)
		if err != nil {
			t.Fatal(err)
		}
		if jobs[r], err = opened.Prepare(t.Context()); err != nil {
			t.Fatal(err)
		}
		frames := map[int]*plate.RGB{}
		if _, err := jobs[r].Run(t.Context(), &take.RunOptions{InOrder: func(f *take.Result) error {
			frames[f.Number] = f.Comp.Clone()
			return nil
		}}); err != nil {
			t.Fatal(err)
		}
		made[r] = frames
	}
	for number, got := range made[&r] {
		f, err := composite.NewFitter(srcW, srcH, w, h, r.Fit.Toward(*r.FitEnd, float64(number-10)/4))
		if err != nil {
			t.Fatal(err)
		}
		want, err := f.RGB(nil, src)
		if err != nil {
			t.Fatal(err)
		}
		for c := range want.Pix {
			for i, v := range want.Pix[c] {
				if d := math.Abs(float64(got.Pix[c][i] - max(v, 0))); !(d <= 1./65535) {
					t.Fatalf("frame %d: pixel %d, %d is off by %v", number, i%w, i/w, d)
				}
			}
		}
	}
	s := jobs[&r].NewScrubber()
	for _, step := range []struct {
		r      *take.Recipe
		number int
		whole  bool
	}{
		{&r, 12, true}, {&r, 14, false}, {&r, 10, false}, {&r, 10, true}, {&further, 10, true}, {&further, 13, false}, {&still, 10, true},
		{&r, 10, false}, {&r, 10, false}, {&r, 11, false}, {&further, 11, true},
	} {
		if err := s.Finish(t.Context(), *step.r); err != nil {
			t.Fatal(err)
		}
		got := plate.NewRGB(w, h)
		if step.whole {
			f, err := s.Frame(step.number, nil)
			if err != nil {
				t.Fatal(err)
			}
			got = f.Comp
		} else if err := s.Sum(step.number, false, func(y int, row [3][]float32) {
			for c := range row {
				copy(got.Pix[c][y*w:], row[c])
			}
		}); err != nil {
			t.Fatal(err)
		}
		for c := range got.Pix {
			if !slices.Equal(got.Pix[c], made[step.r][step.number].Pix[c]) {
				t.Errorf("%+v: a run shows another frame", step)
			}
		}
	}
}
