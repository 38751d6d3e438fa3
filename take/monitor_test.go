package take_test

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// What a monitor reads of a frame is what Check reads of a take that has no other, to the bit:
// value, verdict and words. Its pictures are the scrubber's, of the files as they are now.
func TestMonitorIsCheck(t *testing.T) {
	tier.InTest(t)
	r := record(t, 3)
	r.recipe.Write = []string{"comp", "sigma"}
	opened, err := take.Open(r.recipe)
	if err != nil {
		t.Fatal(err)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	m := job.NewMonitor()
	if _, err := m.Read(); err == nil {
		t.Error("there are readings of no frame")
	}
	for _, spilt := range []float32{0, 0.05} {
		shot := r.set.Frame(3)
		top := slices.Max(shot.Band.Pix)
		for i := range shot.Band.Pix {
			x := float32(i%shot.Band.W) / float32(shot.Band.W)
			shot.Band.Pix[i] += spilt * top * x
		}
		write(t, filepath.Join(r.dir, "band", "b3.tif"), shot.Band, nil)
		f, err := m.Next(3)
		if err != nil {
			t.Fatal(err)
		}
		again := job.NewScrubber()
		want, err := again.Frame(3, nil)
		if err != nil || !slices.Equal(f.Comp.Pix[1], want.Comp.Pix[1]) {
			t.Errorf("spill %v: the monitor's composite is not that of the files (%v)", spilt, err)
		}
		c, err := m.Read()
		if err != nil {
			t.Fatal(err)
		}
		given := job.Recipe(nil)
		opened, err := take.Open(given)
		if err != nil {
			t.Fatal(err)
		}
		checked, err := opened.Check(context.Background(), nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, got := range c.Readings {
			if got.Name == "matte_noise" && spilt > 0 || got.Name == "flicker" {
				continue // of frames before this one
			}
			want := checked.Readings.Named(got.Name)
			if got.Verdict != want.Verdict || (got.Value == nil) != (want.Value == nil) || got.Value != nil && math.Abs(*got.Value-*want.Value) > 1e-6*math.Abs(*want.Value) {
				t.Errorf("spill %v: the monitor reads %s as %v, and check %v", spilt, got.Name, words(got), words(want))
			}
		}
		if len(c.Readings) < 8 {
			t.Errorf("there are %d readings alone", len(c.Readings))
		}
		if spilt == 0 {
			continue
		}
		marks := map[take.Trouble]int{}
		for _, v := range m.Troubles(c).At {
			marks[v]++
		}
		if c.Through < 0.01 || marks[take.TroubleSpill] == 0 || marks[take.NoTrouble] == 0 || marks[take.TroubleClips] > 0 {
			t.Errorf("with spill the core lets %.3f through, and the squares' troubles are %v", c.Through, marks)
		}
	}
}

func words(r reading.Reading) string {
	if r.Value == nil {
		return string(r.Verdict)
	}
	return fmt.Sprintf("%v (%s)", *r.Value, r.Verdict)
}

// The squares of a plate that clips, and of a screen that is all but dark, are marked as such.
func TestTroubles(t *testing.T) {
	for name, row := range map[string]struct {
		band float32
		want take.Trouble
	}{"clips": {1, take.TroubleClips}, "dark": {0.05, take.TroubleDark}, "sound": {0.5, take.NoTrouble}} {
		r := record(t, 3)
		r.recipe.CleanBand, r.recipe.DarkBand, r.recipe.CleanColor, r.recipe.DarkColor = filepath.Join(r.dir, "lit.png"), "", "", ""
		r.recipe.Crosstalk, r.recipe.Beyond = take.Choice[[3]float64]{Mode: "none"}, "keep"
		size := r.set.CleanBand().Size()
		lit := plate.NewGray(size.X, size.Y)
		lit.Fill(row.band)
		write(t, r.recipe.CleanBand, lit, nil)
		write(t, filepath.Join(r.dir, "band", "b3.tif"), lit, nil)
		m := prepare(t, r.recipe).NewMonitor()
		if _, err := m.Next(3); err != nil {
			t.Fatal(err)
		}
		c, err := m.Read()
		if err != nil {
			t.Fatal(err)
		}
		for i, got := range m.Troubles(c).At {
			if got != row.want {
				t.Errorf("%s: square %d has %d, not %d", name, i, got, row.want)
				break
			}
		}
	}
}

// A geometry that was moved by a known amount is told with that amount.
func TestShiftFrom(t *testing.T) {
	before := align.Identity(640, 360)
	e := &align.Estimate{Geometry: before}
	for x := 100.; x < 500; x += 50 {
		e.Pieces = append(e.Pieces, align.PointPair{Color: [2]float64{x, 180}})
	}
	for _, row := range []struct {
		dx, dy  float64
		certain bool
	}{{0, 0, false}, {0.3, 0.2, false}, {3, -4, true}} {
		e.Geometry.Homography[2], e.Geometry.Homography[5] = row.dx, row.dy
		got := take.ShiftFrom(before, e)
		if want := math.Hypot(row.dx, row.dy); math.Abs(got.Pixels-want) > 1e-9 || got.Certain() != row.certain {
			t.Errorf("a shift by (%v, %v) is told as %+v, certain: %v", row.dx, row.dy, got, got.Certain())
		}
	}
	if (take.Shift{Pixels: 2, Sigma: 0.6}).Certain() {
		t.Error("a shift within four times its error is certain")
	}
}

// Two cameras that are running: whenever their files are others, the next frame is of those.
func ExampleMonitor() {
	var job *take.Job // of a take of one frame
	if job == nil {
		return
	}
	m := job.NewMonitor()
	for {
		if _, err := m.Next(1); err != nil {
			return
		}
		c, err := m.Read()
		if err != nil {
			return
		}
		fmt.Println(c.Readings.Named("spill").Advice)
	}
}

// Someone has leaned on the rig.
func ExampleShiftFrom() {
	held := align.Identity(1280, 720)
	found := &align.Estimate{Geometry: held, Pieces: []align.PointPair{{Color: [2]float64{640, 360}}}}
	found.Geometry.Homography[2] += 3
	s := take.ShiftFrom(held, found)
	fmt.Printf("%.1f px, certain: %v\n", s.Pixels, s.Certain())
	// Output: 3.0 px, certain: true
}

// The rows of a picture are the planes that the scrubber makes, to the bit where the gain is given;
// where it is found, from a quarter of the pixels, it is the same within four times its own error.
func TestWatch(t *testing.T) {
	r := record(t, 3)
	for name, change := range map[string]func(*take.Recipe){
		"rows":   func(r *take.Recipe) { r.Gain = take.Given(map[int]float64{3: 1.02}) },
		"planes": func(r *take.Recipe) { r.Gain, r.Limits.Floor = take.Given(map[int]float64{3: 1.02}), 0.02 },
		"gain":   func(*take.Recipe) {},
	} {
		recipe := r.recipe
		change(&recipe)
		job := prepare(t, recipe)
		m := job.NewMonitor()
		want, err := job.NewScrubber().Frame(3, nil)
		if err != nil {
			t.Fatal(err)
		}
		next, off := 0, 0.0
		same := func(a, b []float32) {
			for x := range a {
				off = max(off, math.Abs(float64(a[x]-b[x])))
			}
		}
		gain, err := m.Watch(3, func(y int, row *take.StationRow) {
			if y != next {
				t.Errorf("%s: row %d comes in place of row %d", name, y, next)
			}
			next++
			w := want.Color.W
			same(row.Band, want.Band.Pix[y*w:(y+1)*w])
			same(row.Transmission, want.Transmission.Pix[y*w:(y+1)*w])
			for c := range 3 {
				same(row.Color[c], want.Color.Row(y)[c])
				same(row.Sum[c], want.Comp.Row(y)[c])
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		most := 0.0
		if name == "gain" {
			most = 4*gain.Sigma + 1e-6
		}
		if next != want.Color.H || off > most || math.Abs(gain.Value-want.Gain.Value) > most {
			t.Errorf("%s: %d rows, off by up to %v, the gain %v for %v", name, next, off, gain, want.Gain)
		}
		if _, err := m.Read(); err == nil {
			t.Errorf("%s: there are readings of a picture that is not held", name)
		}
	}
	if _, err := prepare(t, r.recipe).NewMonitor().Watch(7, nil); err == nil {
		t.Error("a frame that is not there is watched")
	}
	recipe := r.recipe
	recipe.Background = ""
	if _, err := prepare(t, recipe).NewMonitor().Watch(3, nil); err == nil {
		t.Error("without a background there is a composite")
	}
}

// What a graphics processor is not asked for is refused in words: it would show another picture.
func TestArithmetic(t *testing.T) {
	r := record(t, 3)
	for _, row := range []struct {
		change func(*take.Recipe)
		says   string
	}{
		{func(*take.Recipe) {}, "without color channels"},
		{func(r *take.Recipe) { r.Limits.Floor = 0.02 }, "limits"},
		{func(r *take.Recipe) { r.Resample = align.Lanczos3 }, "resampler"},
		{func(r *take.Recipe) { r.Background = "" }, "no background"},
	} {
		recipe := r.recipe
		row.change(&recipe)
		if _, err := prepare(t, recipe).NewMonitor().Arithmetic(3); err == nil || !strings.Contains(err.Error(), row.says) {
			t.Errorf("the error is %v, and does not say %q", err, row.says)
		}
	}
}

// A picture of a running camera, a row at a time: here how open the screen is in its middle.
func ExampleMonitor_Watch() {
	var m *take.Monitor // of a take of one frame
	if m == nil {
		return
	}
	gain, err := m.Watch(1, func(y int, row *take.StationRow) {
		if y == 360 {
			fmt.Println(row.Transmission[640])
		}
	})
	if err != nil {
		return
	}
	fmt.Println(gain.Value)
}

// What the performer lets through is read within its stated error, of which four are allowed:
// nothing of the screen, and of light that falls on them so much of it, by the screen's level.
func TestSpillSigma(t *testing.T) {
	r := record(t, 3)
	r.recipe.Write = []string{"comp", "sigma"}
	m := prepare(t, r.recipe).NewMonitor()
	for _, spilt := range []float32{0, 0.005, 0.02, 0.05} {
		shot := r.set.Frame(3)
		top := slices.Max(shot.Band.Pix)
		for i, v := range shot.Band.Pix {
			if v < 0.35*top { // on the performer: on the screen it would be the lamps' gain
				shot.Band.Pix[i] += spilt
			}
		}
		write(t, filepath.Join(r.dir, "band", "b3.tif"), shot.Band, nil)
		if _, err := m.Next(3); err != nil {
			t.Fatal(err)
		}
		c, err := m.Read()
		if err != nil {
			t.Fatal(err)
		}
		want, n := 0.0, 0.0
		for i, v := range c.Spill.Pix {
			if v != 0 {
				want += float64(spilt / c.Screen.Pix[i])
				n++
			}
		}
		want /= n
		t.Logf("%.4f ± %.4f goes through the core, by the screen's level %.4f", c.Through, c.ThroughSigma, want)
		if !(c.ThroughSigma > 0) || c.ThroughSigma > 0.01 || math.Abs(c.Through-want) > 4*c.ThroughSigma {
			t.Errorf("the core lets %.4f through, and should let %.4f; the stated error is %.4f", c.Through, want, c.ThroughSigma)
		}
		if s := c.Readings.Named("spill").Sigma; s == nil || *s < 0 || *s > 50 {
			t.Errorf("the reading's error is %v", s)
		}
	}
}
