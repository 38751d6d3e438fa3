package take_test

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// recordThrough is record with color plates that a lens has changed.
func recordThrough(t *testing.T, lens func(*plate.RGB), numbers ...int) recorded {
	t.Helper()
	r := record(t, numbers...)
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	for _, n := range numbers {
		color := r.set.Frame(n).Color
		lens(color)
		write(t, filepath.Join(r.dir, "color", fmt.Sprintf("c_%04d.png", n)), color, srgb)
	}
	return r
}

// atEdges runs a recipe and returns the root of the mean square of what off says of each pixel at
// the true alpha's edges.
func atEdges(t *testing.T, r recorded, job *take.Job, off func(x *take.Result, truth *plate.Gray, i int) float64) float64 {
	t.Helper()
	var mu sync.Mutex
	sum, n := 0.0, 0.0
	_, err := job.Run(context.Background(), &take.RunOptions{Each: func(x *take.Result) error {
		mu.Lock()
		defer mu.Unlock()
		truth := r.truth[x.Number].Alpha
		for i, a := range truth.Pix {
			if a > 0.02 && a < 0.98 {
				v := off(x, truth, i)
				sum, n = sum+v*v, n+1
			}
		}
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	return math.Sqrt(sum / n)
}

// The color camera is out of focus by 1.2 pixels: comp warns of it. With the band plates blurred as
// much the matte has the softness of the picture, and the recipe that is saved does the same.
func TestMatchSoftness(t *testing.T) {
	tier.InTest(t)
	const blur = 1.2
	soft := func(f *plate.Gray) { align.Blur(f, blur*blur) }
	r := recordThrough(t, func(f *plate.RGB) {
		for _, pix := range f.Pix {
			soft(&plate.Gray{W: f.W, H: f.H, Pix: pix})
		}
	}, 1, 4, 7)
	for _, truth := range r.truth {
		soft(truth.Alpha)
	}
	matte := func(x *take.Result, truth *plate.Gray, i int) float64 {
		return float64(1 - x.Transmission.Pix[i] - truth.Pix[i])
	}
	before := atEdges(t, r, prepare(t, r.recipe), matte)
	recipe := r.recipe
	recipe.MatchSoftness.Mode = "auto"
	job := prepare(t, recipe)
	after := atEdges(t, r, job, matte)
	t.Logf("blurred by %.2f pixels, the matte at the edges is off by %.4f instead of %.4f", job.Softness, after, before)
	if math.Abs(job.Softness+blur) > 0.25 || after > before/2 {
		t.Errorf("the plates are blurred by %.2f pixels, want %.1f of the band's; the matte is off by %.4f at the edges, and without by %.4f", job.Softness, -blur, after, before)
	}
	saved := job.Recipe(nil)
	if m := saved.MatchSoftness; m.Mode != "given" || m.Value != job.Softness {
		t.Errorf("the recipe saved has %+v", m)
	}
	if again := atEdges(t, r, prepare(t, saved), matte); math.Abs(again-after) > 1e-9 { // in whatever order the frames were added
		t.Errorf("the recipe saved gives %v, not %v", again, after)
	}
	recipe.MatchSoftness.Mode, recipe.Geometry = "", take.Choice[align.Geometry]{}
	if w := strings.Join(prepare(t, recipe).Warnings, "\n"); !strings.Contains(w, "the color camera is softer") {
		t.Errorf("warnings %q", w)
	}
	opened, err := take.Open(r.recipe)
	if err != nil {
		t.Fatal(err)
	}
	c, err := opened.Check(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if f := c.Readings.Named("focus"); f.Verdict == reading.Good || f.Value == nil || math.Abs(*f.Value+blur) > 0.25 {
		t.Errorf("check reads %+v", f)
	}
}

// The color camera's lens shows red and blue at scales of their own: comp warns of it, and takes it
// out where it is asked to.
func TestLateralColorIsTakenOut(t *testing.T) {
	tier.InTest(t)
	want := align.LateralColor{Red: 0.003, Blue: -0.003}
	aberration := align.LateralColor{Red: 1/(1+want.Red) - 1, Blue: 1/(1+want.Blue) - 1}.Corrector(takeW, takeH)
	r := recordThrough(t, aberration.RGB, 1, 4, 7)
	red := func(x *take.Result, _ *plate.Gray, i int) float64 {
		return float64(x.Foreground.Pix[0][i] - r.truth[x.Number].Foreground.Pix[0][i])
	}
	before := atEdges(t, r, prepare(t, r.recipe), red)
	recipe := r.recipe
	recipe.LateralColor.Mode = "auto"
	job := prepare(t, recipe)
	after := atEdges(t, r, job, red)
	l := job.LateralColor
	if math.Abs(l.Red-want.Red) > min(4*l.RedSigma, 3e-4) || math.Abs(l.Blue-want.Blue) > min(4*l.BlueSigma, 3e-4) || after > 0.8*before {
		t.Errorf("%+v is taken out, want %v and %v; red is off by %.4f at the edges, and without by %.4f", l, want.Red, want.Blue, after, before)
	}
	saved := job.Recipe(nil)
	if v := saved.LateralColor; v.Mode != "given" || v.Value != [2]float64{l.Red, l.Blue} {
		t.Errorf("the recipe saved has %+v", v)
	}
	if again := atEdges(t, r, prepare(t, saved), red); math.Abs(again-after) > 1e-9 { // in whatever order the frames were added
		t.Errorf("the recipe saved gives %v, not %v", again, after)
	}
	recipe.LateralColor.Mode, recipe.Geometry = "none", take.Choice[align.Geometry]{}
	if w := strings.Join(prepare(t, recipe).Warnings, "\n"); !strings.Contains(w, "lateral color") {
		t.Errorf("warnings %q", w)
	}
}
