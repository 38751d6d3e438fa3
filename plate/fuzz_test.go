package plate_test

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/image/tiff"

	"example.com/twinplate/plate"
)

// fuzzRead holds Decode to this: whatever bytes there are, they give a picture within the limits,
// of the size that Probe returns, or an error; and nothing panics. A panic of the Go libraries'
// decoders for TIFF, JPEG and WebP may be an error that says so.
func fuzzRead(f *testing.F, seeds ...string) {
	for _, s := range seeds {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		const most = 1 << 14
		m, info, err := plate.Decode(file, &plate.ReadLimits{MaxPixels: most})
		if err != nil {
			for _, own := range []string{"png", "y4m", "exr", "dpx", "pnm"} {
				if strings.Contains(err.Error(), "the "+own+" decoder stopped with") {
					t.Fatal(err)
				}
			}
			return
		}
		if info.W*info.H > most || m.Bounds().Size() != image.Pt(info.W, info.H) {
			t.Fatalf("%v of %+v", m.Bounds(), info)
		}
		if info.Primaries != (plate.Primaries{}) {
			info.Primaries.To(plate.PrimariesBT2020)
		}
		_ = info.Conflict(plate.SRGB, plate.PrimariesBT709)
		rgba, gray := plate.FromImage(m, plate.SRGB), plate.GrayFromImage(m, plate.PQ, nil)
		if rgba.Size() != m.Bounds().Size() || gray.Size() != m.Bounds().Size() {
			t.Fatalf("%v and %v of %v", rgba.Size(), gray.Size(), m.Bounds())
		}
		if info.Format == "exr" { // which may hold what is no number
			return
		}
		if err := rgba.CheckFinite(); err != nil {
			t.Fatal(err)
		}
	})
}

// written returns the files that Write makes of small frames.
func written(f testing.TB, extension string) []string {
	rgba := plate.NewRGBA(5, 3)
	for i := range rgba.A {
		rgba.A[i] = float32(i) / 14
		rgba.Pix[1][i] = rgba.A[i] / 2
	}
	var files []string
	dir := f.TempDir()
	path := filepath.Join(dir, "a"+extension)
	for _, frame := range []image.Image{plate.NewGray(4, 2), &rgba.RGB, rgba} {
		for _, opt := range []*plate.WriteOptions{{}, {Depth: 16, Primaries: plate.PrimariesAP1, Compression: plate.SmallCompression}} {
			if err := plate.Write(path, frame, opt); err != nil {
				f.Fatal(err)
			}
			b, err := os.ReadFile(path)
			if err != nil {
				f.Fatal(err)
			}
			files = append(files, string(b))
		}
	}
	return files
}

func FuzzReadPNG(f *testing.F) {
	var palette bytes.Buffer
	if err := png.Encode(&palette, image.NewPaletted(image.Rect(0, 0, 3, 3), color.Palette{color.Black, color.NRGBA{9, 9, 9, 30}})); err != nil {
		f.Fatal(err)
	}
	fuzzRead(f, append(written(f, ".png"), palette.String(), pngHead(4, 4, 8, 2))...)
}

// FuzzReadRGB holds the ways from a file to light to each other: what ReadImage reads, ReadRGB and
// ReadGray read, and the same.
func FuzzReadRGB(f *testing.F) {
	for _, s := range append(written(f, ".png"), written(f, ".tif")...) {
		f.Add([]byte(s))
	}
	f.Add([]byte("P6 1 1 65535 abcdef"))
	weights := &[3]float32{0.25, 0.5, 0.25}
	f.Fuzz(func(t *testing.T, file []byte) {
		path := writeFile(t, "fuzz", string(file))
		lim := &plate.ReadLimits{MaxPixels: 1 << 14}
		m, err := plate.ReadImage(path, lim)
		rgb, errRGB := plate.ReadRGB(path, plate.SRGB, lim)
		gray, errGray := plate.ReadGray(path, plate.SRGB, weights, lim)
		if (err == nil) != (errRGB == nil) || (err == nil) != (errGray == nil) {
			t.Fatalf("%v, and %v, and %v", err, errRGB, errGray)
		}
		if err != nil {
			return
		}
		wantRGB, wantGray := plate.RGBFromImage(m, plate.SRGB), plate.GrayFromImage(m, plate.SRGB, weights)
		for i := range wantGray.Pix {
			if gray.Pix[i] != wantGray.Pix[i] && wantGray.Pix[i] == wantGray.Pix[i] {
				t.Fatalf("gray %v, want %v", gray.Pix[i], wantGray.Pix[i])
			}
			for c := range 3 {
				if v := wantRGB.Pix[c][i]; rgb.Pix[c][i] != v && v == v {
					t.Fatalf("%v, want %v", rgb.Pix[c][i], v)
				}
			}
		}
	})
}

func FuzzReadTIFF(f *testing.F) {
	var deflated bytes.Buffer
	if err := tiff.Encode(&deflated, image.NewGray(image.Rect(0, 0, 3, 2)), &tiff.Options{Compression: tiff.Deflate, Predictor: true}); err != nil {
		f.Fatal(err)
	}
	fuzzRead(f, append(written(f, ".tif"), deflated.String())...)
}

func FuzzReadJPEG(f *testing.F) {
	var gray bytes.Buffer
	if err := jpeg.Encode(&gray, image.NewGray(image.Rect(0, 0, 9, 7)), nil); err != nil {
		f.Fatal(err)
	}
	fuzzRead(f, gray.String(), noisyJPEG(f), "\xff\xd8\xff\xd9")
}

// The files to begin with, lossy, lossless and with alpha, are in the corpus: nothing here writes
// WebP.
func FuzzReadWebP(f *testing.F) {
	fuzzRead(f, "RIFF\x1a\x00\x00\x00WEBPVP8L\x0d\x00\x00\x00\x2f\x00\x00\x00\x10\x07\x10\x11\x11\x88\x88\xfe\x07\x00")
}

func FuzzReadEXR(f *testing.F) {
	seeds := written(f, ".exr")
	paths, err := filepath.Glob("../testdata/exr/*.exr")
	if err != nil || len(paths) == 0 {
		f.Fatal("no files to begin with: ", err)
	}
	for _, path := range paths {
		b, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		seeds = append(seeds, string(b))
	}
	fuzzRead(f, seeds...)
}

func FuzzReadDPX(f *testing.F) {
	pixels := strings.Repeat("0123456789abcdef", 4)
	var seeds []string
	for _, depth := range []byte{8, 10, 12, 16} {
		for _, descriptor := range []byte{6, 50, 51, 52} {
			seeds = append(seeds, dpx(3, 2, descriptor, 1, depth, 1+int(depth)%3%2, pixels))
		}
	}
	seeds = append(seeds, "XPDS"+seeds[3][4:])
	fuzzRead(f, seeds...)
}

func FuzzReadY4M(f *testing.F) {
	var seeds []string
	for _, tokens := range []string{"", "C420mpeg2 XMATRIX=BT601", "C420paldv", "C420p10 XCOLORRANGE=FULL", "C422", "C444p12", "Cmono", "Cmono16 Ip F25:1 A1:1"} {
		seeds = append(seeds, y4m(5, 3, tokens, func(plane, x, y int) int { return 100 + x + 3*y + plane }))
	}
	fuzzRead(f, seeds...)
}

func FuzzReadPNM(f *testing.F) {
	fuzzRead(f, "P5 2 1 255\n\x00\x33", "P6 1 1 65535 abcdef", "P5 # c\n2 2 1023\nabcdefgh", "P6 1 1 15\nabc")
}
