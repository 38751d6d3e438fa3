//go:build !js

package take_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// Through a codec no noise is left that tells a wrong curve, and the performer's edges tell it: of
// the color camera's files alone and of both cameras'. The take is testdata/footage/film.py's, the
// codec FFmpeg's.
func TestEdgesTellTheCurve(t *testing.T) {
	tier.InTest(t)
	dir, _ := outside.Film(t, "--seed", "23", "--size", "640x360", "--frames", "2", "--codec", "hevc", "--height", "0.8")
	for _, row := range []struct {
		name, color, band string // the curves that the files are read by; they are srgb's
		want              []string
		late              bool // make test-all's
	}{
		{"read right", "srgb", "srgb", nil, false},
		{"the color camera's read wrong", "linear", "srgb", []string{"--color-curve srgb"}, true},
		{"both read wrong", "linear", "linear", []string{"--color-curve srgb", "--band-curve srgb"}, false},
		{"both read as a camera's log", "slog3", "slog3", []string{"--color-curve srgb", "--band-curve srgb"}, true},
	} {
		if row.late && !tier.All() {
			continue
		}
		r, err := take.ReadRecipe(filepath.Join(dir, "recipe.json"))
		if err != nil {
			t.Fatal(err)
		}
		r.ColorCurve, r.BandCurve = row.color, row.band
		opened, err := take.Open(r)
		if err != nil {
			t.Fatal(err)
		}
		found, err := opened.Register(t.Context())
		if err != nil {
			t.Fatalf("%s: %v", row.name, err)
		}
		t.Logf("%s: edges %.3f pixels apart, %q", row.name, found.Residual, found.Suspicions)
		if len(found.Suspicions) != len(row.want) {
			t.Errorf("%s: %q", row.name, found.Suspicions)
		}
		for _, flag := range row.want {
			if !slices.ContainsFunc(found.Suspicions, func(s string) bool { return strings.Contains(s, flag) }) {
				t.Errorf("%s: none of %q says to give %s", row.name, found.Suspicions, flag)
			}
		}
		opened.CurvesLater = true
		job, err := opened.Prepare(t.Context())
		if err != nil {
			t.Fatalf("%s: %v", row.name, err)
		}
		if len(job.Suspicions) > 0 {
			t.Errorf("%s: the test that is to come later was made: %q", row.name, job.Suspicions)
		}
		if later, err := job.Curves(t.Context()); err != nil || !slices.Equal(later, found.Suspicions) {
			t.Errorf("%s: later %q, %v, and at once %q", row.name, later, err, found.Suspicions)
		}
	}
}

// A camera's log footage that is read as coded for a display is told, with the flag, and none is
// told where it is read right: as frames with the cameras' noise, and in make test-all through a
// codec. The take is testdata/footage/film.py's, the codec FFmpeg's.
func TestLogReadAsCoded(t *testing.T) {
	tier.InTest(t)
	dir, _ := outside.Film(t, "--seed", "7", "--size", "640x360", "--frames", "2", "--height", "0.8")
	curves := []string{"slog3"}
	if tier.All() {
		for _, c := range plate.Cameras() {
			if !slices.Contains(curves, c.Curve.Name()) {
				curves = append(curves, c.Curve.Name())
			}
		}
	}
	said := func(r take.Recipe, read string) string {
		r.ColorCurve, r.BandCurve = read, read
		opened, err := take.Open(r)
		if err != nil {
			t.Fatal(err)
		}
		defer opened.Close()
		found, err := opened.Register(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return strings.Join(found.Suspicions, "; ")
	}
	for i, name := range curves {
		r := inLog(t, dir, name)
		read := []string{"srgb", "bt709"}[i%2]
		if text := said(r, read); !strings.Contains(text, "log footage") || !strings.Contains(text, "by the camera's name, such as slog3") && !strings.Contains(text, "by the name of the camera's") {
			t.Errorf("%s read as %s: %q", name, read, text)
		}
		if text := said(r, name); text != "" {
			t.Errorf("%s read right: %q", name, text)
		}
		if i > 0 || !tier.All() {
			continue
		}
		for _, plates := range []*string{&r.Color, &r.Band} {
			out := *plates + ".mov"
			ffmpeg(t, "-framerate", "24", "-i", filepath.Join(*plates, "%04d.png"), "-vf", "scale=out_color_matrix=bt709:out_range=tv,format=yuv420p10le", "-colorspace", "bt709", "-color_range", "tv",
				"-c:v", "libx265", "-crf", "18", "-preset", "fast", "-x265-params", "log-level=error", out)
			*plates = out
		}
		if text := said(r, "srgb"); !strings.Contains(text, "--color-camera") || !strings.Contains(text, "--band-curve by the name of the camera's") {
			t.Errorf("a clip of %s read as srgb: %q", name, text)
		}
		if text := said(r, name); text != "" {
			t.Errorf("a clip of %s read right: %q", name, text)
		}
	}
}

// inLog copies a take of linear light to files of another curve, without its background.
func inLog(t *testing.T, dir, curve string) take.Recipe {
	t.Helper()
	r, err := take.ReadRecipe(filepath.Join(dir, "recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	c, err := plate.CurveByName(curve)
	if err != nil {
		t.Fatal(err)
	}
	r.Background, r.BackgroundCurve = "", ""
	to := t.TempDir()
	for _, p := range []*string{&r.Color, &r.Band, &r.CleanColor, &r.CleanBand, &r.DarkColor, &r.DarkBand} {
		files := []string{filepath.Base(*p)}
		if i, err := os.Stat(*p); err != nil {
			t.Fatal(err)
		} else if i.IsDir() {
			if err := os.Mkdir(filepath.Join(to, files[0]), 0o777); err != nil {
				t.Fatal(err)
			}
			files = []string{fmt.Sprintf("%s/0001.png", files[0]), fmt.Sprintf("%s/0002.png", files[0])}
		}
		for _, file := range files {
			f, err := plate.ReadRGB(filepath.Join(dir, file), plate.Linear, nil)
			if err == nil {
				err = plate.Write(filepath.Join(to, file), f, &plate.WriteOptions{Curve: c, Compression: plate.NoCompression})
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		*p = filepath.Join(to, filepath.Base(*p))
	}
	return r
}
