package take_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// Frames in any order must be those of a run, every station of them.
func TestScrubberIsRun(t *testing.T) {
	r := record(t, 3, 4, 7)
	r.recipe.Write = []string{"comp", "sigma"}
	job := prepare(t, r.recipe)
	want, sigmas := map[int][]float32{}, map[int][]float32{}
	var mu sync.Mutex
	if _, err := job.Run(context.Background(), &take.RunOptions{Each: func(r *take.Result) error {
		mu.Lock()
		defer mu.Unlock()
		want[r.Number], sigmas[r.Number] = slices.Clone(r.Comp.Pix[1]), slices.Clone(r.Sigma.Pix)
		return nil
	}}); err != nil {
		t.Fatal(err)
	}
	s := job.NewScrubber()
	for _, n := range []int{7, 3, 4, 3} {
		if sum, err := s.Sum(n); err != nil || !slices.Equal(sum.Pix[1], want[n]) {
			t.Errorf("frame %d: the sum is not the run's (%v)", n, err)
		}
		f, err := s.Frame(n, nil)
		if err != nil {
			t.Fatal(err)
		}
		if f.Number != n || !slices.Equal(f.Comp.Pix[1], want[n]) {
			t.Errorf("frame %d is not the run's", n)
		}
		if sigma, err := s.Sigma(f); err != nil || !slices.Equal(sigma.Pix, sigmas[n]) {
			t.Errorf("frame %d: sigma is not the run's (%v)", n, err)
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
	if got := s.Files(4); len(got) != 2 || !strings.HasSuffix(got[0], "0004.png") {
		t.Errorf("the files of a frame whose background is there: %q", got)
	}
	s.Forget(true)
	if got := s.Files(3); len(got) != 3 || got[1] != r.recipe.Background {
		t.Errorf("the files of a frame whose background was forgotten: %q", got)
	}
	if got := s.Files(5); got != nil {
		t.Errorf("the files of a frame that is not there: %q", got)
	}
	if _, err := s.Frame(5, nil); err == nil || !strings.Contains(err.Error(), "3-4, 7") {
		t.Errorf("a frame that is not there: %v", err)
	}
	opaque, err := s.Frame(4, func(_ *plate.RGB, band *plate.Gray) error { band.Fill(0); return nil })
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range opaque.Transmission.Pix {
		if v > 0.05 {
			t.Fatalf("with a black band plate the transmission at %d is %v", i, v)
		}
	}
	spoilt := errors.New("no")
	if _, err := s.Frame(4, func(*plate.RGB, *plate.Gray) error { return spoilt }); !errors.Is(err, spoilt) {
		t.Errorf("an error of the change: %v", err)
	}
}
