// Command demo draws the take that the playground opens with: the demo's scene, small and as JPEG so that it
// travels quickly, with the faults of a set that was lit with care; the same frames before a green backing; and a
// recipe with everything estimated, so that the page need not wait for it.
package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"log"
	"os"
	"path/filepath"

	"example.com/twinplate/internal/app/demo"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
	"example.com/twinplate/take"
)

const (
	width, height = 960, 540

	first = 1001

	// Qualities of JPEG: plates are measured, and their first frames are a twentieth of what travels
	// before the first picture; a background is only looked at.
	quality           = 86
	backgroundQuality = 78
	// The poster stands in the picture's place until there is one: it comes with the page, as small as
	// still tells what it will be.
	posterPart, posterQuality = 10, 40
)

func main() {
	log.SetFlags(0)
	out := flag.String("out", "dist/demo", "the folder to write")
	frames := flag.Int("frames", 32, "how many frames")
	flag.Parse()
	if err := run(*out, *frames); err != nil {
		log.Fatal(err)
	}
}

// green is the backing of the comparison, in linear light.
var green = [3]float64{0.06, 0.5, 0.1}

func run(out string, frames int) error {
	scene := simulate.Pier{Seed: 1, Frames: 48}
	faults := simulate.DemoFaults()
	faults.ReadNoise, faults.PhotonNoise = 0.001, 80000 // a quiet camera: noise is what JPEG spends most on
	geometry := demo.Geometry(width, height)
	set := simulate.New(scene, width, height, width, height, geometry, faults, 1)
	for _, folder := range []string{"color", "band", "background", "green"} {
		if err := os.MkdirAll(filepath.Join(out, folder), 0o777); err != nil {
			return err
		}
	}
	references := map[string]image.Image{
		"clean_color": set.CleanColor(), "clean_band": set.CleanBand(), "dark_color": set.DarkColor(), "dark_band": set.DarkBand(),
		"green/clean": set.Backing(green),
	}
	for name, f := range references {
		if err := write(filepath.Join(out, name+".jpg"), f, quality); err != nil {
			return err
		}
	}
	if err := parallel.Try(context.Background(), frames, 0, func(i int) error {
		shot := set.Frame(i)
		for folder, f := range map[string]image.Image{
			"color": shot.Color, "band": shot.Band, "background": scene.Background(i, width, height), "green": set.Backed(i, green),
		} {
			q := quality
			if folder == "background" {
				q = backgroundQuality
			}
			if err := write(filepath.Join(out, folder, fmt.Sprintf("%04d.jpg", first+i)), f, q); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return err
	}
	file := func(name string) string { return filepath.Join(out, name) }
	opened, err := take.Open(take.Recipe{
		Color: file("color"), Band: file("band"), Background: file("background"),
		CleanColor: file("clean_color.jpg"), CleanBand: file("clean_band.jpg"), DarkColor: file("dark_color.jpg"), DarkBand: file("dark_band.jpg"),
		ColorCurve: "srgb", BandCurve: "srgb", BackgroundCurve: "srgb",
		Write: []string{"comp", "matte", "sigma"},
	})
	if err != nil {
		return err
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		return err
	}
	gains := map[int]float64{}
	scrubber := job.NewScrubber()
	for _, p := range opened.Pairs {
		f, err := scrubber.Frame(p.Number, nil)
		if err != nil {
			return err
		}
		gains[p.Number] = f.Gain.Value
		if p.Number == first {
			if err := write(file("poster.jpg"), smaller(f.Comp, posterPart), posterQuality); err != nil {
				return err
			}
		}
	}
	recipe := job.Recipe(gains)
	recipe.Write = nil
	return recipe.Save(file("recipe.json"))
}

// smaller returns a picture by a whole factor each way smaller, of the mean light.
func smaller(f *plate.RGB, by int) *plate.RGB {
	out := plate.NewRGB(f.W/by, f.H/by)
	part := 1 / float32(by*by)
	for c, pix := range out.Pix {
		for y := range out.H * by {
			for x := range out.W * by {
				pix[y/by*out.W+x/by] += f.Pix[c][y*f.W+x] * part
			}
		}
	}
	return out
}

func write(path string, f image.Image, quality int) error {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, plate.Encode(f, plate.SRGB, 8), &jpeg.Options{Quality: quality}); err != nil {
		return err
	}
	return os.WriteFile(path, b.Bytes(), 0o666)
}
