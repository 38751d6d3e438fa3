package take_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/exr"
	"example.com/twinplate/take"
)

// cut cuts a file off in the middle.
func cut(t *testing.T, path string) {
	t.Helper()
	stat, err := os.Stat(path)
	if err == nil {
		err = os.Truncate(path, stat.Size()/2)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// notFinite puts a picture with a value that is none in a file's place, whatever its name.
func notFinite(t *testing.T, path string) {
	t.Helper()
	m := &exr.Image{Data: image.Rect(0, 0, takeW, takeH), Channels: []exr.Channel{{Name: "Y", Type: exr.Float, Float: make([]float32, takeW*takeH)}}}
	m.Channels[0].Float[777] = float32(math.NaN())
	var file bytes.Buffer
	err := exr.Encode(&file, m, nil)
	if err == nil {
		err = os.WriteFile(path, file.Bytes(), 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// Frames that cannot be read stop no estimate, whichever they are: it takes others, and the warnings
// name the files. They fail alone; a take of nothing else is refused.
func TestDamagedFramesStopNoEstimate(t *testing.T) {
	tier.InTest(t)
	r := record(t, 1, 2, 3, 4, 5, 6, 7, 8)
	in := func(name string) string { return filepath.Join(r.dir, name) }
	// Of eight frames four samples are at the second, the fourth, the sixth and the last, and those
	// of the sizes and the curves at the first.
	if err := os.Truncate(in("color/c_0001.png"), 0); err != nil {
		t.Fatal(err)
	}
	cut(t, in("color/c_0002.png"))
	notFinite(t, in("band/b4.tif"))
	damaged := []string{in("color/c_0002.png"), in("band/b4.tif")}
	named := func(what string, warnings []string) {
		t.Helper()
		for _, file := range damaged {
			if n := strings.Count(strings.Join(warnings, "\n"), file); n != 1 {
				t.Errorf("%s: %s is named %d times in %q", what, file, n, warnings)
			}
		}
	}
	recipe := r.recipe
	recipe.CleanBand, recipe.CleanColor, recipe.DarkBand, recipe.DarkColor = "", "", "", ""
	recipe.Geometry.Set("auto")
	opened, err := take.Open(recipe)
	if err != nil {
		t.Fatal(err)
	}
	found, err := opened.Register(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	named("the geometry", found.Warnings)

	recipe = r.recipe
	recipe.CleanBand, recipe.CleanColor = "", "" // rebuilt from the frames
	recipe.Write = []string{"matte", "sigma"}    // for the noise
	job := prepare(t, recipe)
	named("the job", job.Warnings)
	report, err := job.Run(t.Context(), &take.RunOptions{Out: in("out")})
	if err != nil {
		t.Fatal(err)
	}
	var failed []int
	for _, f := range report.Failed {
		failed = append(failed, f.Frame)
	}
	if report.Frames != 5 || !slices.Equal(failed, []int{1, 2, 4}) {
		t.Errorf("%d frames, failed %+v", report.Frames, report.Failed)
	}

	if opened, err = take.Open(recipe); err != nil {
		t.Fatal(err)
	}
	checked, err := opened.Check(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	named("the check", checked.Notes)

	for n := 1; n <= 8; n++ {
		notFinite(t, in(fmt.Sprintf("band/b%d.tif", n)))
	}
	if opened, err = take.Open(recipe); err != nil {
		t.Fatal(err)
	}
	if _, err = opened.Prepare(t.Context()); err == nil || !strings.Contains(err.Error(), "no frame of the take can be read") {
		t.Errorf("a take of damaged frames: %v", err)
	}
}

// Damaged frames do not stop the search for the offset, nor the check of a pairing.
func TestDamagedFramesInTime(t *testing.T) {
	r := clockTake(t, 40, 1, 3, byNumber)
	r.Offset.Mode = "auto"
	bad := []string{filepath.Join(r.Band, "b001.png"), filepath.Join(r.Band, "b019.png"), filepath.Join(r.Color, "c120.png"), filepath.Join(r.Color, "c121.png")}
	for _, path := range bad {
		cut(t, path)
	}
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	if timing := opened.Timing(); timing.Offset != -103 {
		t.Errorf("%+v", timing)
	}
	found, err := opened.Register(t.Context())
	for _, path := range bad {
		if err != nil || !strings.Contains(strings.Join(found.Warnings, "\n"), path) {
			t.Errorf("%s is not named in %q, %v", path, found.Warnings, err)
		}
	}
	for n := 110; n < 130; n++ {
		if path := filepath.Join(r.Color, fmt.Sprintf("c%d.png", n)); n != 120 && n != 121 {
			cut(t, path)
		}
	}
	if _, err := take.Open(r); err == nil || !strings.Contains(err.Error(), "of the frames cannot be read") {
		t.Errorf("too many: %v", err)
	}
}

// A first frame of another size is the one that fails, even where others cannot be asked for theirs.
func TestFirstFrameOfAnotherSize(t *testing.T) {
	r := record(t, 1, 2, 3, 4)
	write(t, filepath.Join(r.dir, "color", "c_0001.png"), plate.NewRGB(takeW/2, takeH), nil)
	for _, n := range []int{2, 3} { // those that are asked with it
		if err := os.Truncate(filepath.Join(r.dir, "color", fmt.Sprintf("c_%04d.png", n)), 0); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := take.Open(r.recipe); err == nil {
		t.Fatal("one size of each kind: the first is that of the take, and the reference plates' is not")
	}
	write(t, filepath.Join(r.dir, "color", "c_0003.png"), r.set.Frame(3).Color, &plate.WriteOptions{Curve: plate.SRGB})
	opened, err := take.Open(r.recipe)
	if runtime.GOOS == "js" { // where no file is fetched to be asked that is not needed: there the first decides
		if err == nil || !strings.Contains(err.Error(), "the take's first frame from that camera has 160x180") {
			t.Errorf("in a browser: %v", err)
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	job, err := opened.Prepare(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	report, err := job.Run(t.Context(), nil)
	if err != nil || report.Frames != 2 || len(report.Failed) != 2 || !strings.Contains(report.Failed[0].Error, "this color plate has 160x180 pixels") {
		t.Errorf("%+v, %v", report, err)
	}
}

// A frame comes out the same whichever others are made with it: by a recipe, a range of its frames
// gives the same files as the whole, and goes on with them.
func TestPartOfATake(t *testing.T) {
	tier.InTest(t)
	r := record(t, 1, 2, 3, 4, 5, 6)
	back := filepath.Join(r.dir, "back")
	for i, v := range []float32{0.1, 0.2, 0.3} { // fewer than the take's, and used in order
		f := r.set.CleanColor()
		f.Fill(v, v, v)
		write(t, filepath.Join(back, fmt.Sprintf("%d.png", 101+i)), f, nil)
	}
	recipe := r.recipe
	recipe.CleanBand, recipe.CleanColor, recipe.Background = "", "", back
	recipe.Crosstalk.Set("auto")
	whole := filepath.Join(r.dir, "whole")
	job := prepare(t, recipe)
	if _, err := job.Run(context.Background(), &take.RunOptions{Out: whole}); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(r.dir, "take.json")
	if err := job.Recipe(nil).Save(file); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name   string
		recipe func() (take.Recipe, error)
	}{
		{"without estimates", func() (take.Recipe, error) { return recipe, nil }},
		{"with them", func() (take.Recipe, error) { return take.ReadRecipe(file) }},
	} {
		again, err := test.recipe()
		if err != nil {
			t.Fatal(err)
		}
		opened, err := take.Open(again)
		if err != nil {
			t.Fatal(err)
		}
		if err := opened.Select("2-3"); err != nil {
			t.Fatal(err)
		}
		part, err := opened.Prepare(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(r.dir, test.name)
		if report, err := part.Run(t.Context(), &take.RunOptions{Out: out}); err != nil || report.Frames != 2 {
			t.Fatalf("%s: %+v, %v", test.name, report, err)
		}
		for _, name := range []string{"comp/0002.png", "comp/0003.png", "matte/0003.png"} {
			a, errA := os.ReadFile(filepath.Join(whole, name))
			b, errB := os.ReadFile(filepath.Join(out, name))
			if errA != nil || errB != nil || !bytes.Equal(a, b) {
				t.Errorf("%s: %s is not that of the whole take (%v, %v)", test.name, name, errA, errB)
			}
		}
		if report, err := part.Run(t.Context(), &take.RunOptions{Out: whole}); err != nil || report.Kept != 2 {
			t.Errorf("%s: into the whole take's folder: %+v, %v", test.name, report, err)
		}
	}
	if opened, err := take.Open(recipe); err != nil || opened.Select("90-") == nil {
		t.Errorf("a range that selects nothing: %v", err)
	}
}
