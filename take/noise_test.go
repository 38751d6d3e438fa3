package take_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// flats writes pairs of flat frames of a camera with this read noise and full-well capacity, by EMVA 1288's linear
// model.
func flats(t *testing.T, dir string, w, h, frames int, read, fullWell float64) string {
	t.Helper()
	r := rand.New(rand.NewPCG(1, 2))
	for n := range frames {
		light := 0.1 + 0.2*float64(n/2)
		f := plate.NewGray(w, h)
		for i := range f.Pix {
			f.Pix[i] = float32(light + r.NormFloat64()*math.Sqrt(read*read+light/fullWell) + 0.01) // the dark plate's 0.01
		}
		write(t, filepath.Join(dir, fmt.Sprintf("%02d.tif", n+1)), f, &plate.WriteOptions{Curve: plate.SRGB})
	}
	return dir
}

func TestNoiseFromFlatFrames(t *testing.T) {
	tier.InTest(t)
	r := testShot(t, simulate.Cutouts{Seed: 2}, simulate.DemoFaults(), 2)
	const read, fullWell = 0.004, 9000
	r.FlatBand = flats(t, t.TempDir(), 400, 225, 8, read, fullWell)
	r.Write = []string{"sigma"}
	job := prepare(t, r)
	if n := job.BandNoise; math.Abs(n.Read/read-1) > 0.1 || math.Abs(n.PerSignal*fullWell-1) > 0.1 {
		t.Errorf("read noise %.5f and %.0f electrons, from flat frames of %g and %g", n.Read, 1/n.PerSignal, read, float64(fullWell))
	}
	notes := strings.Join(job.Notes, "\n")
	if !strings.Contains(notes, "the band camera's noise, from flat frames: 0.") || !strings.Contains(notes, "the color camera's noise, from the take: ") {
		t.Errorf("the notes do not say where the noise is from: %s", notes)
	}
	for _, bad := range []struct {
		name, path, says string
	}{
		{"an odd number", flats(t, t.TempDir(), 400, 225, 3, read, fullWell), "3 flat band frames"},
		{"another size", flats(t, t.TempDir(), 200, 100, 2, read, fullWell), "200x100"},
		{"no such folder", filepath.Join(t.TempDir(), "none"), "flat band frames"},
	} {
		r.FlatBand = bad.path
		opened, err := take.Open(r)
		if err == nil {
			_, err = opened.Prepare(t.Context())
		}
		if err == nil || !strings.Contains(err.Error(), bad.says) {
			t.Errorf("%s: %v; want %q", bad.name, err, bad.says)
		}
	}
}

// The noise that is found later is what Prepare finds, and so is all that is told of the take;
// until then nothing is made of it.
func TestNoiseLater(t *testing.T) {
	r := testShot(t, simulate.Cutouts{Seed: 2}, simulate.DemoFaults(), 2)
	r.Write, r.Geometry, r.CleanBand, r.Beyond = []string{"sigma"}, take.Choice[align.Geometry]{}, "", "outside"
	want := prepare(t, r)
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	opened.NoiseLater = true
	left, err := opened.Prepare(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if found := left.Recipe(nil); found.ColorNoise != nil || found.BandNoise != nil {
		t.Error("the recipe has the noise before it is found")
	}
	if _, err := left.Run(t.Context(), nil); err == nil {
		t.Error("a run that is to write sigma begins without the noise")
	}
	look := func(j *take.Job) error {
		s := j.NewScrubber()
		f, err := s.Frame(opened.Pairs[0].Number, nil)
		if err != nil {
			t.Fatal(err)
		}
		_, sigma := s.Sigma(f)
		_, pixel := s.Pixel(f, 0, 0)
		if (sigma == nil) != (pixel == nil) {
			t.Errorf("of the plane %v, of a pixel %v", sigma, pixel)
		}
		return sigma
	}
	if look(left) == nil {
		t.Error("there is an error bar before the noise is found")
	}
	got, err := left.Noise(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := look(got); err != nil {
		t.Error(err)
	}
	if again, err := got.Noise(t.Context()); again != got || err != nil {
		t.Errorf("where nothing is left: another job, %v", err)
	}
	if !reflect.DeepEqual(got.Recipe(nil), want.Recipe(nil)) {
		t.Errorf("later %+v\nat once %+v", got.Recipe(nil), want.Recipe(nil))
	}
	for what, said := range map[string][2][]string{"notes": {got.Notes, want.Notes}, "warnings": {got.Warnings, want.Warnings}, "estimates": {got.Estimated, want.Estimated}} {
		if !slices.Equal(said[0], said[1]) {
			t.Errorf("%s: later %q\nat once %q", what, said[0], said[1])
		}
	}
}
