package take_test

import (
	"fmt"
	"path/filepath"
	"testing"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

// hdTake draws a take of HD frames in 16-bit PNG and returns its recipe and the geometry between
// its cameras.
func hdTake(b *testing.B, frames int) (take.Recipe, align.Geometry) {
	const w, h = 1920, 1080
	g := align.Identity(w, h)
	g.Mirror = true
	g.Homography = [9]float64{0.97, 0.01, 16, -0.01, 0.97, 25, 1e-6, 0, 1}
	scene := simulate.Pier{Seed: 1, Frames: frames}
	set := simulate.New(scene, w, h, w, h, g, simulate.DemoFaults(), 1)
	dir := b.TempDir()
	file := func(name string) string { return filepath.Join(dir, filepath.FromSlash(name)) }
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	for i := range frames {
		shot := set.Frame(i)
		write(b, file(fmt.Sprintf("color/%04d.png", i+1)), shot.Color, srgb)
		write(b, file(fmt.Sprintf("band/%04d.png", i+1)), shot.Band, srgb)
	}
	write(b, file("clean_color.png"), set.CleanColor(), srgb)
	write(b, file("dark_color.png"), set.DarkColor(), srgb)
	write(b, file("clean_band.png"), set.CleanBand(), srgb)
	write(b, file("dark_band.png"), set.DarkBand(), srgb)
	write(b, file("background.png"), scene.Background(0, w, h), &plate.WriteOptions{Curve: plate.SRGB, Depth: 8})
	return take.Recipe{
		Color: file("color"), Band: file("band"), Background: file("background.png"),
		CleanColor: file("clean_color.png"), DarkColor: file("dark_color.png"), CleanBand: file("clean_band.png"), DarkBand: file("dark_band.png"),
		Depth: 8,
	}, g
}

// BenchmarkPrepare is what comes before the first frame, from six HD frames: with reference plates,
// and without.
func BenchmarkPrepare(b *testing.B) {
	with, _ := hdTake(b, 6)
	without := with
	without.CleanColor, without.DarkColor, without.CleanBand, without.DarkBand = "", "", "", ""
	for name, r := range map[string]take.Recipe{"references": with, "none": without} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				opened, err := take.Open(r)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := opened.Prepare(b.Context()); err != nil {
					b.Fatal(err)
				}
				opened.Close()
			}
		})
	}
}

// BenchmarkFiles is the whole job from files to files, over 4 HD frames: 16-bit PNG in, composite
// and matte as 8-bit PNG out, everything given. bench/opencv_comp.py does the same with OpenCV.
func BenchmarkFiles(b *testing.B) {
	const frames = 4
	r, g := hdTake(b, frames)
	r.Geometry, r.Crosstalk, r.Gain = take.Given(g), take.Given([3]float64{0.03, 0.02, 0.006}), take.Choice[map[int]float64]{Mode: "none"}
	opened, err := take.Open(r)
	if err != nil {
		b.Fatal(err)
	}
	job, err := opened.Prepare(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	out := b.TempDir()
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		if _, err := job.Run(b.Context(), &take.RunOptions{Out: filepath.Join(out, fmt.Sprint(n))}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(frames*b.N)/b.Elapsed().Seconds(), "frames/s")
}
