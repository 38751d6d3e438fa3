package take_test

import (
	"context"
	"encoding/json"
	"math"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

func TestSigmaIsWritten(t *testing.T) {
	r := record(t, 1, 5, 9)
	r.recipe.Write = []string{"sigma"}
	job := prepare(t, r.recipe)
	f := simulate.DemoFaults()
	for _, n := range []struct {
		name string
		got  matte.Noise
	}{{"band", job.BandNoise}, {"color", job.ColorNoise}} {
		if n.got.Read > 2*f.ReadNoise || n.got.Read < f.ReadNoise/2 {
			t.Errorf("the %s camera's read noise is %.4f, truth %.4f", n.name, n.got.Read, f.ReadNoise)
		}
	}
	out := filepath.Join(r.dir, "out")
	if _, err := job.Run(context.Background(), &take.RunOptions{Out: out}); err != nil {
		t.Fatal(err)
	}
	got, err := plate.ReadGray(filepath.Join(out, "sigma", "0005.png"), plate.Linear, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	var sum float64
	for _, v := range got.Pix {
		sum += float64(v) * float64(v)
	}
	// The demo's noise alone is 0.009 over the frame.
	if rms := math.Sqrt(sum / float64(len(got.Pix))); rms < 0.006 || rms > 0.013 {
		t.Errorf("sigma is %.4f over the frame", rms)
	}
}

// What the band camera does not see may be anything.
func TestSigmaOutsideTheBandPlate(t *testing.T) {
	r := record(t, 1)
	g := bandGeometry
	g.Homography[2] -= 20 // so that the color frame's left edge falls beside the band plate
	r.recipe.Geometry, r.recipe.Write, r.recipe.Gain = take.Given(g), []string{"sigma"}, take.Choice[map[int]float64]{Mode: "none"}
	valid := align.NewResampler(g).Valid()
	unseen := 0
	if _, err := prepare(t, r.recipe).Run(t.Context(), &take.RunOptions{Each: func(q *take.Result) error {
		for i, v := range q.Sigma.Pix {
			if seen := valid.Pix[i] > 0; !seen && v != 1 || seen && v > 0.5 {
				t.Fatalf("pixel %d, seen %v, has a sigma of %v", i, seen, v)
			} else if !seen {
				unseen++
			}
		}
		return nil
	}}); err != nil {
		t.Fatal(err)
	}
	if unseen == 0 {
		t.Error("the band plate reaches everywhere: nothing was tried")
	}
}

func TestOneFrameAtATimeWithinLittleMemory(t *testing.T) {
	r := record(t, 1, 2, 3)
	var inside, done atomic.Int32
	if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Jobs: 3, Memory: 1, Each: func(*take.Result) error {
		if n := inside.Add(1); n != 1 {
			t.Errorf("%d frames at once", n)
		}
		runtime.Gosched()
		inside.Add(-1)
		done.Add(1)
		return nil
	}}); err != nil || done.Load() != 3 {
		t.Errorf("%d frames, error %v", done.Load(), err)
	}
}

func TestLimitsAreAppliedAndReported(t *testing.T) {
	r := record(t, 1, 2)
	r.recipe.Write = []string{"matte"}
	r.recipe.Limits = matte.Limits{Floor: 0.05, Ceiling: 0.95}
	open, all := 0, 0
	report, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Jobs: 1, Each: func(x *take.Result) error {
		for i, v := range x.Transmission.Pix {
			if a := r.truth[x.Number].Alpha.Pix[i]; a == 0 {
				all++
				if v == 1 {
					open++
				}
			}
		}
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	if float64(open) < 0.95*float64(all) {
		t.Errorf("%d of %d open pixels are fully open", open, all)
	}
	if l := report.Limited; l.Floored <= 0 || l.Opened <= 0.1 || l.Most <= 0 {
		t.Errorf("the report says %+v", l)
	}
}

func TestTidyLowersTheNoise(t *testing.T) {
	r := record(t, 1, 2)
	r.recipe.Write = []string{"matte"}
	var sum [2]float64
	for k, tidy := range []bool{false, true} {
		r.recipe.Tidy = tidy
		if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Jobs: 1, Each: func(x *take.Result) error {
			sum[k] += rmse(t, r.truth[x.Number].Alpha, matte.Alpha(nil, x.Transmission))
			return nil
		}}); err != nil {
			t.Fatal(err)
		}
	}
	if sum[1] > 0.9*sum[0] {
		t.Errorf("the error is %.4f as it comes and %.4f tidied", sum[0]/2, sum[1]/2)
	}
}

func TestGlareIsFoundAndRemoved(t *testing.T) {
	tier.InTest(t)
	f := simulate.DemoFaults()
	f.Glare = 0.04
	r := testShot(t, simulate.Cutouts{Seed: 2}, f, 2)
	r.Glare = take.Choice[matte.Glare]{Mode: "auto"}
	job := prepare(t, r)
	if d := math.Abs(job.Glare.Strength - f.Glare); d > 0.004 {
		t.Errorf("glare %.4f, standard error %.4f, truth %.4f", job.Glare.Strength, job.Glare.Sigma, f.Glare)
	}
	saved := job.Recipe(nil)
	if saved.Glare.Mode != "given" || saved.Glare.Value != job.Glare {
		t.Errorf("the recipe keeps %+v", saved.Glare)
	}
}

func TestWithoutCleanPlates(t *testing.T) {
	tier.InTest(t)
	for _, from := range []string{"", "take", "screen"} {
		r := testShot(t, simulate.Cutouts{Seed: 2}, simulate.DemoFaults(), 2)
		r.CleanBand, r.CleanColor, r.CleanFrom = "", "", from
		job := prepare(t, r)
		if rebuilt := job.Clean != nil; rebuilt != (from != "screen") {
			t.Errorf("clean_from %q: rebuilt %v", from, rebuilt)
		}
		if job.ScreenColor == nil || math.Abs(job.ScreenColor.Ratio[1]-0.02/0.8) > 0.0005 {
			t.Errorf("K over S is %+v, and green's truth is 0.025", job.ScreenColor)
		}
		if !strings.Contains(strings.Join(job.Notes, "\n"), "no clean band plate") || !strings.Contains(strings.Join(job.Notes, "\n"), "no clean color plate") {
			t.Errorf("the notes do not say it: %q", job.Notes)
		}
	}
}

func TestNewFieldsComeBack(t *testing.T) {
	r := take.Recipe{
		Version: take.RecipeVersion, CleanFrom: "take",
		ScreenColor: &matte.ScreenColor{Ratio: [3]float64{1, 2, 3}, Coefficients: [3][]float64{{1}, {2}, {3}}},
		Glare:       take.Given(matte.Glare{Strength: 0.03}),
		Limits:      matte.Limits{Floor: 0.1}, ColorNoise: &matte.Noise{Read: 0.01}, BandNoise: &matte.Noise{PerSignal: 0.001},
		LateralColor: take.Given([2]float64{0.0005, -0.0003}), MatchSoftness: take.Given(-1.25),
	}
	data, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back take.Recipe
	if err := json.Unmarshal(data, &back); err != nil || !reflect.DeepEqual(r, back) {
		t.Errorf("%s came back as %+v, %v", data, back, err)
	}
	if data, _ = json.Marshal(take.Recipe{}); string(data) != `{"version":0}` {
		t.Errorf("the zero recipe is %s", data)
	}
	for _, bad := range []string{`{"glare":"some"}`, `{"glare":{"strength":7}}`, `{"screen_color":{"order":9}}`} {
		back = take.Recipe{}
		if err := json.Unmarshal([]byte(bad), &back); err == nil && back.Check() == nil {
			t.Errorf("%s was taken", bad)
		}
	}
	for _, bad := range []take.Recipe{{CleanFrom: "air"}, {Limits: matte.Limits{Floor: 2}}} {
		if bad.Check() == nil {
			t.Errorf("%+v passes the check", bad)
		}
	}
}

// Prepared without reference plates at all, the readings still stand, and say what they cannot
// know.
func TestCheckWithoutReferencePlates(t *testing.T) {
	tier.InTest(t)
	r := testShot(t, simulate.Cutouts{Seed: 1}, simulate.DemoFaults(), 1)
	r.CleanBand, r.CleanColor, r.DarkBand, r.DarkColor = "", "", "", ""
	c := check(t, r)
	if w := c.Readings.Worst(); w == reading.Bad || w == reading.Watch {
		t.Errorf("a false alarm:%s", show(c))
	}
	if s := c.Readings.Named("spill"); !strings.Contains(s.Advice, "dark plate") {
		t.Errorf("spill without a dark plate: %+v", s)
	}
}

// An empty set has no performer to read, and says so.
func TestCheckOfAnEmptySet(t *testing.T) {
	tier.InTest(t)
	r := testShot(t, emptySet{}, simulate.DemoFaults(), 1)
	r.Geometry = take.Choice[align.Geometry]{}
	c := check(t, r)
	if v := c.Readings.Named("spill").Verdict; v != reading.Unknown {
		t.Errorf("spill with nobody there is %s", v)
	}
	if v := c.Readings.Named("band_level"); v.Verdict != reading.Good || v.Value == nil {
		t.Errorf("the band level needs nobody: %+v", v)
	}
	for _, r := range c.Readings {
		if r.Verdict == reading.Unknown && r.Advice == "" {
			t.Errorf("%s is unknown, and nothing is said of how to read it", r.Name)
		}
	}
}

type emptySet struct{}

func (emptySet) Draw(_, w, h int) (*plate.RGB, *plate.Gray) {
	t := plate.NewGray(w, h)
	t.Fill(1)
	return plate.NewRGB(w, h), t
}
