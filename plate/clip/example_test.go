//go:build !js

package clip_test

import (
	"context"
	"errors"
	"fmt"
	"log"
	"os"
	"path/filepath"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// Two frames become an archive clip, and come back with every bit.
func Example() {
	if clip.Installed() != nil {
		fmt.Println("FFmpeg is not installed")
		return
	}
	dir, err := os.MkdirTemp("", "clip")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "two.mkv")
	w, err := clip.Create(path, clip.WriterOptions{W: 32, H: 18, Rate: [2]int{24, 1}, Curve: plate.SRGB})
	if err != nil {
		log.Fatal(err)
	}
	for i := range 2 {
		light := plate.NewRGB(32, 18)
		light.Pix[0][0] = float32(plate.SRGB.ToLinear(float64(12345+i) / 65535))
		if err := w.Add(light, nil); err != nil {
			w.Abort()
			log.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		log.Fatal(err)
	}
	r, err := clip.Open(context.Background(), path)
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	m, err := r.Frame(1)
	if err != nil {
		log.Fatal(err)
	}
	red, _, _, _ := m.At(0, 0).RGBA()
	fmt.Println(r.Info().Frames, "frames of", r.Info().Codec, "at", r.Info().FPS(), "a second; red is", red)
}

// A frame whose rows are made one by one needs no planes.
func ExampleWriter_NewBuffer() {
	if clip.Installed() != nil {
		fmt.Println("FFmpeg is not installed")
		return
	}
	dir, err := os.MkdirTemp("", "clip")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "ramp.mp4")
	w, err := clip.Create(path, clip.WriterOptions{Kind: clip.H264, W: 32, H: 18, Rate: [2]int{24, 1}, Curve: plate.SRGB})
	if err != nil {
		log.Fatal(err)
	}
	buffer, row := w.NewBuffer(), plate.NewRGB(32, 1)
	for y := range 18 {
		row.Fill(float32(y)/17, 0.5, 0.25)
		buffer.Row(y, row.Row(0), nil)
	}
	if err := w.AddBuffer(buffer); err != nil {
		w.Abort()
		log.Fatal(err)
	}
	if err := w.Close(); err != nil {
		log.Fatal(err)
	}
	i, err := clip.Probe(context.Background(), path)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(i.Frames, "frame of", i.Codec)
}

// A clear word where FFmpeg is not installed.
func ExampleProbe() {
	path := os.Getenv("PATH")
	defer os.Setenv("PATH", path)
	os.Setenv("PATH", "")

	dir, err := os.MkdirTemp("", "clip")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	movie := filepath.Join(dir, "take.mov")
	if err := os.WriteFile(movie, []byte("frames"), 0o666); err != nil {
		log.Fatal(err)
	}
	_, err = clip.Probe(context.Background(), movie)
	fmt.Println(errors.Is(err, clip.ErrNoFFmpeg))
	// Output: true
}

// Pictures and frames of video files are opened by their names alike.
func ExampleMediaFiles() {
	files := clip.NewMediaFiles()
	fmt.Println(files.FileOf("color/0001.png"), files.FileOf("take.mov#12"))
	// Output: color/0001.png take.mov
}
