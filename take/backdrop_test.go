package take_test

import (
	"context"
	"fmt"
	"path/filepath"
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
	const w, h = 64, 36
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
				f.Pix[1][y*w+x] = float32(x) / w
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
