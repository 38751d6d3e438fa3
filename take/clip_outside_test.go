//go:build !js

package take_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/composite"
	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
	"example.com/twinplate/take"
)

// ffmpeg runs FFmpeg, which must succeed.
func ffmpeg(t *testing.T, args ...string) {
	t.Helper()
	if out, err := exec.Command(outside.Program(t, "ffmpeg"), append([]string{"-nostdin", "-v", "error", "-y"}, args...)...).CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg %v: %v, %s", args, err, out)
	}
}

// A take whose plates are clips without loss gives the files that its frames give, byte for byte; and a clip of the composites has
// every bit of them.
func TestClipsAreTheirFrames(t *testing.T) {
	tier.InTest(t)
	r := record(t, 1, 2, 3, 4, 5)
	file := func(name string) string { return filepath.Join(r.dir, name) }
	// Frames of one pattern for ffmpeg, in its lossless codecs of 16 bits.
	ffmpeg(t, "-framerate", "24", "-start_number", "1", "-i", file("color/c_%04d.png"), "-c:v", "ffv1", "-pix_fmt", "gbrp16le", "-metadata", "timecode=10:00:00:00", file("color clip.mkv"))
	ffmpeg(t, "-framerate", "24", "-start_number", "1", "-i", file("band/b%d.tif"), "-c:v", "ffv1", "-pix_fmt", "gray16le", "-metadata", "timecode=10:00:00:00", file("band.mkv"))
	ffmpeg(t, "-framerate", "24", "-loop", "1", "-i", file("sea.png"), "-frames:v", "3", "-c:v", "ffv1", "-pix_fmt", "gbrp16le", file("sea.mkv"))
	ffmpeg(t, "-framerate", "24", "-loop", "1", "-i", file("clean_band.png"), "-frames:v", "2", "-c:v", "ffv1", "-pix_fmt", "gray16le", file("clean.mkv"))

	stills := r.recipe
	stills.ColorCurve, stills.BackgroundCurve = "srgb", "srgb"
	if _, err := prepare(t, stills).Run(context.Background(), &take.RunOptions{Out: file("stills")}); err != nil {
		t.Fatal(err)
	}
	clips := stills
	clips.Color, clips.Band, clips.Background, clips.CleanBand = file("color clip.mkv"), file("band.mkv"), file("sea.mkv"), file("clean.mkv")
	opened, err := take.Open(clips)
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	if opened.FPS() != 24 || !strings.Contains(strings.Join(opened.Notes(), "\n"), "color frame 1 is 10:00:00:00") {
		t.Errorf("%v frames a second, %v", opened.FPS(), opened.Notes())
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	report, err := job.Run(context.Background(), &take.RunOptions{Out: file("clips")})
	if err != nil || report.Frames != 5 {
		t.Fatalf("%+v, %v", report, err)
	}
	sameFiles(t, file("stills"), file("clips"))
	if again, err := job.Run(context.Background(), &take.RunOptions{Out: file("clips")}); err != nil || again.Kept != 5 {
		t.Errorf("once more: %+v, %v", again, err)
	}

	calls := 0
	archive, preview := file("archive.mkv"), file("preview.mp4")
	if err := job.WriteClips(context.Background(), file("clips"), take.ClipOptions{Orders: []take.ClipOrder{{Path: archive, Of: "comp"}, {Path: preview, Of: "comp", Format: clip.H264, Look: true}}, Progress: func(done, total int) {
		if calls++; done != calls || total != 5 {
			t.Errorf("progress %d of %d at call %d", done, total, calls)
		}
	}}); err != nil {
		t.Fatal(err)
	}
	c, err := clip.Open(context.Background(), archive)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if i := c.Info(); i.Frames != 5 || i.Codec != "ffv1" || i.Depth != 16 || i.Curve != "srgb" || i.TimeCode != "10:00:00:00" || i.Rate != [2]int{24, 1} {
		t.Errorf("the archive: %+v", i)
	}
	ffmpeg(t, "-i", archive, "-start_number", "1", "-pix_fmt", "rgb48be", file("back_%04d.png"))
	for i := range 5 {
		m, err := c.Frame(i)
		if err != nil {
			t.Fatal(err)
		}
		want := readLinear(t, filepath.Join(file("clips"), "comp", fmt.Sprintf("%04d.png", i+1)))
		near(t, "the archive", plate.RGBFromImage(m, plate.Linear), want, 0)
		near(t, "the archive by ffmpeg", readLinear(t, file(fmt.Sprintf("back_%04d.png", i+1))), want, 0)
	}
	p, err := clip.Open(context.Background(), preview)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	m, err := p.Frame(4)
	if err != nil {
		t.Fatal(err)
	}
	if i := p.Info(); i.Frames != 5 || i.Curve != "srgb" || i.TimeCode != "10:00:00:00" {
		t.Errorf("the preview: %+v", i)
	}
	// A lossy codec at 8 bits: the means agree.
	got, want := plate.RGBFromImage(m, plate.Linear), readLinear(t, file("clips/comp/0005.png"))
	for c := range 3 {
		sum := 0.0
		for i, v := range want.Pix[c] {
			sum += float64(got.Pix[c][i] - v)
		}
		if d := sum / takeW / takeH; d > 0.005 || d < -0.005 {
			t.Errorf("the preview's channel %d is off by %.4f in the mean", c, d)
		}
	}

	// What is not done is no clip.
	if err := os.Remove(file("clips/comp/0003.png")); err != nil {
		t.Fatal(err)
	}
	if err := job.WriteClips(context.Background(), file("clips"), take.ClipOptions{Orders: []take.ClipOrder{{Path: file("part.mkv"), Of: "comp"}}}); err == nil || !strings.Contains(err.Error(), "the comp of frame 3 is not there") {
		t.Errorf("without a frame: %v", err)
	}
	if err := job.WriteClips(context.Background(), file("clips"), take.ClipOptions{Orders: []take.ClipOrder{{Path: clips.Band, Of: "comp", Format: clip.H264, Look: true}}}); err == nil || !strings.Contains(err.Error(), "would overwrite the input") {
		t.Errorf("over an input: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := job.WriteClips(ctx, file("clips"), take.ClipOptions{Orders: []take.ClipOrder{{Path: file("part.mkv"), Of: "comp"}}}); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: %v", err)
	}
	if left, _ := filepath.Glob(file("*.unfinished")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
	if _, err := os.Stat(file("part.mkv")); err == nil {
		t.Error("a clip that is not whole has its name")
	}

	// A clip that is cut off fails the frames that it lacks, and no others.
	data, err := os.ReadFile(clips.Band)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(clips.Band, data[:len(data)*4/5], 0o666); err != nil {
		t.Fatal(err)
	}
	short := prepare(t, clips)
	if n := len(short.Timing.Warnings); n != 0 {
		t.Errorf("warnings: %v", short.Timing.Warnings)
	}
	report, err = short.Run(context.Background(), &take.RunOptions{Out: file("short")})
	if err != nil || report.Frames == 0 || report.Frames+len(report.Failed) > 5 || report.Frames == 5 {
		t.Errorf("cut off: %+v, %v", report, err)
	}
}

// Clips whose rows are made into code values while they are at hand are those of planes, whatever
// the recipe does.
func TestClipsByRow(t *testing.T) {
	tier.InTest(t)
	r := record(t, 1, 2, 3)
	for name, change := range map[string]func(*take.Recipe){
		"as it is":      func(*take.Recipe) {},
		"a wide gamut":  func(r *take.Recipe) { r.Primaries = "ap1" },
		"graded":        func(r *take.Recipe) { r.ForegroundGrade.Exposure, r.BackgroundGrade.Exposure = 0.5, -1 },
		"spill":         func(r *take.Recipe) { r.Spill = "core" },
		"operator":      func(r *take.Recipe) { r.Operator, r.Fit.Mode = composite.AXorB, composite.Inside },
		"no background": func(r *take.Recipe) { r.Background = "" },
	} {
		recipe := r.recipe
		change(&recipe)
		job := prepare(t, recipe)
		decoded := func(to string, opt take.RunOptions) string {
			orders := []take.ClipOrder{{Path: filepath.Join(r.dir, to+" matte.mkv"), Of: "matte"}}
			if recipe.Background != "" {
				orders = append(orders, take.ClipOrder{Path: filepath.Join(r.dir, to+".mkv"), Of: "comp"})
			}
			if recipe.Primaries != "" {
				orders = append(orders, take.ClipOrder{Path: filepath.Join(r.dir, to+".mp4"), Of: "comp", Format: clip.H264, Look: true})
			}
			if _, err := job.RunClips(context.Background(), &opt, take.ClipOptions{Orders: orders}); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			var inputs, streams []string
			for i, o := range orders {
				inputs, streams = append(inputs, "-i", o.Path), append(streams, "-map", fmt.Sprint(i))
			}
			sums := filepath.Join(r.dir, "sums")
			ffmpeg(t, slices.Concat(inputs, streams, []string{"-f", "streamhash", "-hash", "md5", sums})...)
			data, err := os.ReadFile(sums)
			if err != nil {
				t.Fatal(err)
			}
			return string(data)
		}
		rows := decoded("rows", take.RunOptions{})
		planes := decoded("planes", take.RunOptions{Each: func(r *take.Result) error {
			if recipe.Background != "" && r.Comp == nil {
				t.Errorf("%s: no plane of the composite", name)
			}
			return nil
		}})
		if rows != planes {
			t.Errorf("%s: by rows %q, by planes %q", name, rows, planes)
		}
	}
}

// readLinear returns a file's code values.
func readLinear(t *testing.T, path string) *plate.RGB {
	t.Helper()
	f, err := plate.ReadRGB(path, plate.Linear, nil)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// OpenEXR's tools read what a run writes, with its attributes.
func TestOpenEXRAcceptsARun(t *testing.T) {
	program := outside.Program(t, "exrheader")
	r := record(t, 1)
	r.recipe.Format, r.recipe.Layers, r.recipe.FPS = "exr", []string{"matte", "sigma"}, 25
	r.recipe.TimecodeColor, r.recipe.TimecodeBand, r.recipe.Primaries = "00:00:10:00", "00:00:10:00", "ap1"
	out := filepath.Join(r.dir, "out")
	if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: out}); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(out, "comp", "0001.exr")
	head, err := exec.Command(program, path).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, head)
	}
	for _, want := range []string{
		"A, 16-bit floating-point", "B, 16-bit floating-point", "matte.Y, 16-bit floating-point", "sigma.Y, 16-bit floating-point",
		"zip", "framesPerSecond (type rational): 25/1", "00:00:10:00", "red   (0.713 0.293)", "white (0.32168 0.33767)",
	} {
		if !bytes.Contains(head, []byte(want)) {
			t.Errorf("exrheader does not say %q: %s", want, head)
		}
	}
	// exrmaketiled reads every pixel.
	tiled := filepath.Join(out, "tiled.exr")
	if said, err := exec.Command(outside.Program(t, "exrmaketiled"), path, tiled).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	a, b := readEXR(t, path), readEXR(t, tiled)
	for _, name := range []string{"R", "A", "matte.Y", "sigma.Y"} {
		near(t, name, gray(b.Channel(name)), gray(a.Channel(name)), 0)
	}
}

// Without FFmpeg a clip is refused in clear words, and everything else works.
func TestWithoutFFmpeg(t *testing.T) {
	r := record(t, 1)
	movie := filepath.Join(r.dir, "color.mov")
	if err := os.WriteFile(movie, []byte("\x00\x00\x00\x14ftypqt  "), 0o666); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", t.TempDir())
	recipe := r.recipe
	recipe.Color = movie
	if _, err := take.Open(recipe); !errors.Is(err, clip.ErrNoFFmpeg) || !strings.Contains(err.Error(), "install FFmpeg") || !strings.Contains(err.Error(), "color plate: "+movie) {
		t.Errorf("a clip: %v", err)
	}
	if _, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "out")}); err != nil {
		t.Errorf("frames: %v", err)
	}
}

// A file that is neither a picture nor a clip says so of both; a picture may have any name.
func TestNeitherPictureNorClip(t *testing.T) {
	outside.Program(t, "ffmpeg")
	r := record(t, 1)
	notes := filepath.Join(r.dir, "notes.doc")
	if err := os.WriteFile(notes, []byte("no picture\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	recipe := r.recipe
	recipe.Color = notes
	if _, err := take.Open(recipe); err == nil || !strings.Contains(err.Error(), "not a picture") || !strings.Contains(err.Error(), "FFmpeg cannot read it") {
		t.Errorf("%v", err)
	}
	odd := filepath.Join(r.dir, "color.raw")
	if err := os.Rename(filepath.Join(r.dir, "color", "c_0001.png"), odd); err != nil {
		t.Fatal(err)
	}
	recipe.Color = odd
	if _, err := take.Open(recipe); err != nil {
		t.Error(err)
	}
}
