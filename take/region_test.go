package take_test

import (
	"context"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// partial writes a take of one frame whose screen covers the middle of the frame: two thirds of it,
// with a performer on it and a light wall to both sides.
func partial(t *testing.T) take.Recipe {
	t.Helper()
	const w, h = 96, 54
	dir := t.TempDir()
	band, clean, color, dark := plate.NewGray(w, h), plate.NewGray(w, h), plate.NewRGB(w, h), plate.NewRGB(w, h)
	for y := range h {
		for x := range w {
			i := y*w + x
			if x < 16 || x >= 80 {
				band.Pix[i], clean.Pix[i] = 0.004, 0.004
				for c := range 3 {
					color.Pix[c][i] = 0.3
				}
				continue
			}
			band.Pix[i], clean.Pix[i] = 0.8, 0.8
			if x >= 40 && x < 56 {
				band.Pix[i] = 0.0005
				for c := range 3 {
					color.Pix[c][i] = 0.5
				}
			}
		}
	}
	sea := plate.NewRGB(w, h)
	sea.Fill(0.1, 0.2, 0.4)
	for name, f := range map[string]image.Image{"band": band, "clean": clean, "color": color, "dark": dark, "sea": sea} {
		if err := plate.Write(filepath.Join(dir, name+".png"), f, &plate.WriteOptions{Curve: plate.Linear}); err != nil {
			t.Fatal(err)
		}
	}
	at := func(name string) string { return filepath.Join(dir, name+".png") }
	r := take.Recipe{Color: at("color"), Band: at("band"), CleanBand: at("clean"), CleanColor: at("dark"), Background: at("sea"), ColorCurve: "linear", BandCurve: "linear", BackgroundCurve: "linear"}
	r.Geometry.Mode, r.Crosstalk.Mode, r.Gain.Mode = "none", "none", "none"
	return r
}

// result runs a recipe, and returns its first frame and the report.
func result(t *testing.T, r take.Recipe) (got take.Result, report *take.Report, job *take.Job) {
	t.Helper()
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	if job, err = opened.Prepare(context.Background()); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	report, err = job.Run(context.Background(), &take.RunOptions{Each: func(r *take.Result) error {
		mu.Lock()
		defer mu.Unlock()
		if got.Comp != nil && got.Number < r.Number {
			return nil
		}
		got = *r
		got.Comp, got.Transmission = r.Comp.Clone(), r.Transmission.Clone()
		if r.Sigma != nil {
			got.Sigma = r.Sigma.Clone()
		}
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	return got, report, job
}

// Beyond the screen the background shows by default, and the color plate where that is asked for; a
// recipe from before there was a choice keeps it.
func TestBeyond(t *testing.T) {
	r := partial(t)
	got, report, job := result(t, r)
	row := func(f *plate.RGB, x int) float32 { return f.Pix[2][27*96+x] }
	if row(got.Comp, 5) != row(got.Background, 5) || row(got.Comp, 90) != row(got.Background, 90) {
		t.Errorf("beyond the screen the composite is %v and %v, want the background's %v", row(got.Comp, 5), row(got.Comp, 90), row(got.Background, 5))
	}
	if d := row(got.Comp, 48) - 0.5; d < -0.01 || d > 0.01 {
		t.Errorf("the performer is %v, want 0.5", row(got.Comp, 48))
	}
	if job.Extent == nil || len(report.Crossed) != 0 || !strings.Contains(strings.Join(job.Notes, "\n"), "--beyond keep") {
		t.Errorf("extent %v, crossed %v, notes %q", job.Extent, report.Crossed, job.Notes)
	}
	path := filepath.Join(t.TempDir(), "old.json")
	if err := r.Save(path); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(strings.Replace(string(text), `"version": 2`, `"version": 1`, 1)), 0o666); err != nil {
		t.Fatal(err)
	}
	old, err := take.ReadRecipe(path)
	if err != nil {
		t.Fatal(err)
	}
	r.Beyond = "keep"
	for name, r := range map[string]take.Recipe{"keep": r, "an old recipe": old} {
		if got, _, _ := result(t, r); row(got.Comp, 5) < 0.29 {
			t.Errorf("%s: beyond the screen the composite is %v, want the color plate's 0.3", name, row(got.Comp, 5))
		}
	}
	r.Beyond = "gone"
	if _, err := take.Open(r); err == nil || !strings.Contains(err.Error(), "must be outside or keep") {
		t.Errorf("gone: %v", err)
	}
}

// Regions of a recipe act in a run, and are told.
func TestRegionsInARun(t *testing.T) {
	r := partial(t)
	square := func(x0, x1 float64) []matte.Outline {
		return []matte.Outline{{Corners: []matte.Corner{{X: x0, Y: 0}, {X: x1, Y: 0}, {X: x1, Y: 1}, {X: x0, Y: 1}}}}
	}
	r.Regions = []matte.Region{{Name: "wall", Effect: matte.Solid, Keys: square(0, 0.1)}, {Effect: matte.Outside, Keys: square(0.45, 0.5)}}
	got, report, job := result(t, r)
	row := func(x int) float32 { return got.Comp.Pix[2][27*96+x] }
	if d := row(5) - 0.3; d < -0.001 || d > 0.001 {
		t.Errorf("the wall that is solid is %v, want the color plate's 0.3", row(5))
	}
	if row(45) != got.Background.Pix[2][0] {
		t.Errorf("what is outside is %v, want the background's %v", row(45), got.Background.Pix[2][0])
	}
	if report.Imposed < 0.14 || report.Imposed > 0.16 {
		t.Errorf("%v of the frame was imposed, want 0.15", report.Imposed)
	}
	if notes := strings.Join(job.Notes, "\n"); !strings.Contains(notes, "2 regions: solid wall, outside") {
		t.Errorf("notes: %s", notes)
	}
}

func TestReadRegions(t *testing.T) {
	dir := t.TempDir()
	const list = `[{"effect": "solid", "keys": [{"frame": 0, "corners": [{"x": 0, "y": 0}, {"x": 1, "y": 0}, {"x": 1, "y": 1}]}]}]`
	for _, row := range []struct{ text, want string }{
		{list, ""}, {`{"version": 2, "regions": ` + list + `}`, ""},
		{`[]`, "there is no region in it"}, {`{}`, "there is no region in it"}, {`[{"effect": "solid"`, "no list of regions"},
		{strings.Replace(list, "solid", "hard", 1), `must be outside, solid, open or unspilled`},
	} {
		path := filepath.Join(dir, "r.json")
		if err := os.WriteFile(path, []byte(row.text), 0o666); err != nil {
			t.Fatal(err)
		}
		got, err := take.ReadRegions(path)
		if row.want == "" && (err != nil || len(got) != 1) || row.want != "" && (err == nil || !strings.Contains(err.Error(), row.want) || !strings.Contains(err.Error(), path)) {
			t.Errorf("%s: %v, %v; want %q", row.text, got, err, row.want)
		}
	}
}

// The done case: a screen over the middle 60 % of the frame, a stand and a lamp beside it and spill
// on the performer becomes a clean shot without a region; with three regions the core is solid too,
// and sigma says where the matte is not measured.
func TestPartialScreenBecomesAShot(t *testing.T) {
	const w, h = 320, 180
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(2, 2))
	band, clean, color, dark, sea := plate.NewGray(w, h), plate.NewGray(w, h), plate.NewRGB(w, h), plate.NewRGB(w, h), plate.NewRGB(w, h)
	sea.Fill(0.05, 0.15, 0.3)
	truth := plate.NewGray(w, h) // of the transmission
	for y := range h {
		for x := range w {
			i := y*w + x
			light, leak := 0.8, 0. // of the screen, and what the color camera sees of the set
			if x < w/5 || x >= w*4/5 {
				light, leak = 0.002, 0.25 // a wall with some of the lamps' light on it
				if x >= 30 && x < 34 {
					light, leak = 0, 0.02 // a stand
				}
				if x >= 280 && x < 300 && y < 30 {
					light, leak = 0.02, 3 // a lamp's head
				}
			}
			open := min(max((math.Hypot(float64(x-160), float64(y-100)/1.5)-35)/3, 0), 1)
			truth.Pix[i] = float32(open)
			if light < 0.8 {
				truth.Pix[i] = 1 // what is to show there
			}
			clean.Pix[i] = float32(light)
			band.Pix[i] = float32(light*open + 0.8*0.02*(1-open) + 0.0015*rng.NormFloat64() + 0.004)
			clean.Pix[i] += 0.004
			for c := range 3 {
				color.Pix[c][i] = float32(leak*open + 0.4*(1-open))
			}
		}
	}
	black := plate.NewGray(w, h)
	black.Fill(0.004)
	for name, f := range map[string]image.Image{"band": band, "clean": clean, "color": color, "dark": dark, "black": black, "sea": sea} {
		if err := plate.Write(filepath.Join(dir, name+".png"), f, &plate.WriteOptions{Curve: plate.Linear}); err != nil {
			t.Fatal(err)
		}
	}
	at := func(name string) string { return filepath.Join(dir, name+".png") }
	r := take.Recipe{Color: at("color"), Band: at("band"), CleanBand: at("clean"), DarkBand: at("black"), CleanColor: at("dark"), Background: at("sea"), ColorCurve: "linear", BandCurve: "linear", BackgroundCurve: "linear", Write: []string{"comp", "sigma"}}
	r.Geometry.Mode, r.Crosstalk.Mode, r.Gain.Mode = "none", "none", "none"
	off := func(got take.Result) (rms, core float64) {
		n, m := 0., 0.
		for i, v := range truth.Pix {
			want := float64(v)*0.3 + (1-float64(v))*0.4
			// Within a few pixels of the screen's border the soft border is part of the shot.
			if x := i % w; x > 54 && x < 74 || x > 246 && x < 266 {
				continue
			}
			d := float64(got.Comp.Pix[2][i]) - want
			rms += d * d
			n++
			if v == 0 {
				core += float64(got.Transmission.Pix[i])
				m++
			}
		}
		return math.Sqrt(rms / n), core / m
	}
	got, report, _ := result(t, r)
	rms, core := off(got)
	t.Logf("no region: off by %.4f, the core lets %.4f through", rms, core)
	if rms > 0.008 || math.Abs(core-0.02) > 0.002 || len(report.Crossed) != 0 {
		t.Errorf("no region: off by %.4f, the core lets %.4f through, crossed %v", rms, core, report.Crossed)
	}
	box := func(x0, y0, x1, y1 float64) []matte.Outline {
		return []matte.Outline{{Corners: []matte.Corner{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}}}
	}
	r.Regions = []matte.Region{
		{Name: "performer", Effect: matte.Unspilled, Keys: box(0.3, 0.1, 0.7, 1)},
		{Name: "chest", Effect: matte.Solid, Feather: 4, Keys: box(0.47, 0.5, 0.53, 0.7)},
		{Name: "corner", Effect: matte.Outside, Keys: box(0, 0, 0.2, 0.3)},
	}
	got, report, _ = result(t, r)
	rms, core = off(got)
	t.Logf("three regions: off by %.4f, the core lets %.5f through; %+v", rms, core, report.Spill)
	if rms > 0.003 || core > 0.001 || math.Abs(report.Spill.Mean-0.02) > 0.002 || report.Spill.Sigmas() < 5 {
		t.Errorf("three regions: off by %.4f, the core lets %.5f through; %+v", rms, core, report.Spill)
	}
	for _, row := range []struct {
		what string
		x, y int
		want float32
	}{{"open screen", 230, 100, 0}, {"the core", 160, 60, 1}, {"the solid chest", 160, 105, 1}, {"beyond the screen", 20, 150, 1}, {"the corner", 20, 20, 1}} {
		if v := got.Unmeasured.Pix[row.y*w+row.x]; v != row.want {
			t.Errorf("%s is marked as %v of it not measured, want %v", row.what, v, row.want)
		}
	}
	sum := 0.
	for _, v := range got.Unmeasured.Pix {
		sum += float64(v) / w / h
	}
	if math.Abs(sum-report.UnmeasuredPart) > 1e-6 || sum < 0.4 || sum > 0.8 {
		t.Errorf("%.3f of the frame is marked, and the report says %.3f", sum, report.UnmeasuredPart)
	}
	if s := got.Sigma.Pix[100*w+160]; s < 0.018 {
		t.Errorf("sigma in the core is %.4f, though the matte is not measured there: want 0.02 at least", s)
	}
}
