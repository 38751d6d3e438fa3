package plate

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math/rand/v2"
	"reflect"
	"testing"
)

// quickKinds are pictures of every kind that quickPNG reads, with noise, flats and slopes, so that package png's
// encoder chooses every filter.
func quickKinds(w, h int) map[string]image.Image {
	r := image.Rect(0, 0, w, h)
	pictures := map[string]image.Image{}
	set := func(name string, pix []byte, stride, size int, m image.Image) {
		noise := rand.New(rand.NewPCG(1, uint64(size)))
		for i := range pix {
			x, y := i%stride/size, i/stride
			switch y * 4 / h {
			case 0:
				pix[i] = byte(noise.Uint32())
			case 1:
				pix[i] = byte(3*x + 5*y)
			case 2:
				pix[i] = byte(x * y / 7)
			}
		}
		pictures[name] = m
	}
	g8, g16, c8, c16, a8, a16 := image.NewGray(r), image.NewGray16(r), image.NewRGBA(r), image.NewRGBA64(r), image.NewNRGBA(r), image.NewNRGBA64(r)
	set("gray, 8 bits", g8.Pix, g8.Stride, 1, g8)
	set("gray, 16 bits", g16.Pix, g16.Stride, 2, g16)
	set("color, 8 bits", c8.Pix, c8.Stride, 4, c8)
	set("color, 16 bits", c16.Pix, c16.Stride, 8, c16)
	set("color and alpha, 8 bits", a8.Pix, a8.Stride, 4, a8)
	set("color and alpha, 16 bits", a16.Pix, a16.Stride, 8, a16)
	for i := range w * h {
		c8.Pix[4*i+3], c16.Pix[8*i+6], c16.Pix[8*i+7] = 0xff, 0xff, 0xff
	}
	return pictures
}

func encodedPNG(t testing.TB, m image.Image, level png.CompressionLevel) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: level}).Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Package png is the reference: the same picture in the same kind of image.
func TestQuickPNG(t *testing.T) {
	for _, size := range []image.Point{{X: 1, Y: 1}, {X: 7, Y: 40}, {X: 61, Y: 33}} {
		for name, m := range quickKinds(size.X, size.Y) {
			for _, level := range []png.CompressionLevel{png.DefaultCompression, png.NoCompression, png.BestSpeed} {
				file := encodedPNG(t, m, level)
				want, err := png.Decode(bytes.NewReader(file))
				if err != nil {
					t.Fatal(err)
				}
				if got := quickPNG(bytes.NewReader(file), size.X, size.Y); !reflect.DeepEqual(got, want) {
					t.Errorf("%s, %v pixels, level %d: not what package png reads", name, size, level)
				}
			}
		}
	}
}

// What quickPNG leaves to package png.
func TestQuickPNGLeaves(t *testing.T) {
	good := encodedPNG(t, quickKinds(9, 8)["color, 16 bits"], png.DefaultCompression)
	for name, file := range map[string][]byte{
		"empty":                      nil,
		"a palette":                  encodedPNG(t, image.NewPaletted(image.Rect(0, 0, 9, 8), color.Palette{color.Black, color.White}), png.DefaultCompression),
		"another size":               encodedPNG(t, image.NewGray(image.Rect(0, 0, 8, 8)), png.DefaultCompression),
		"an end after half of it":    good[:len(good)/2],
		"no IEND":                    good[:len(good)-12],
		"a wrong sum of a chunk":     flipped(good, 8+25+10),
		"another kind in the head":   flipped(good, 25),
		"a wrong length of a chunk":  flipped(good, 8+25+2),
		"a head without its picture": good[:33],
	} {
		if m := quickPNG(bytes.NewReader(file), 9, 8); m != nil {
			t.Errorf("%s: read as %T", name, m)
		}
	}
}

func flipped(b []byte, i int) []byte {
	b = bytes.Clone(b)
	b[i] ^= 0x41
	return b
}

// FuzzQuickPNG holds quickPNG to reading nothing that package png does not read, and to reading the same.
func FuzzQuickPNG(f *testing.F) {
	for _, m := range quickKinds(6, 12) {
		f.Add(encodedPNG(f, m, png.DefaultCompression))
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		config, err := png.DecodeConfig(bytes.NewReader(file))
		if err != nil || config.Width > 1<<10 || config.Height > 1<<10 {
			return
		}
		got := quickPNG(bytes.NewReader(file), config.Width, config.Height)
		if got == nil {
			return
		}
		want, err := png.Decode(bytes.NewReader(file))
		if err != nil {
			t.Fatalf("read, and package png says: %v", err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatal("not what package png reads")
		}
	})
}

func BenchmarkQuickPNG(b *testing.B) {
	for name, m := range quickKinds(1920, 1080) {
		file := encodedPNG(b, m, png.BestSpeed)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				quickPNG(bytes.NewReader(file), 1920, 1080)
			}
		})
		b.Run(name+"/package png", func(b *testing.B) {
			for b.Loop() {
				png.Decode(bytes.NewReader(file))
			}
		})
	}
}

func BenchmarkLightOfLine(b *testing.B) {
	noise := rand.New(rand.NewPCG(7, 8))
	const n = 1920
	line := make([]byte, 6*n)
	for i := range line {
		line[i] = byte(noise.Uint32())
	}
	r, g, bl := make([]float32, n), make([]float32, n), make([]float32, n)
	light8, light16 := SRGB.transfer().light8(), SRGB.transfer().light16()
	for name, do := range map[string]func(){
		"gray, 8 bits":   func() { lightOf(r, line, light8, 1) },
		"gray, 16 bits":  func() { lightOf(r, line, light16, 2) },
		"color, 8 bits":  func() { lightsOf(r, g, bl, line, light8, 3) },
		"color, 16 bits": func() { lightsOf(r, g, bl, line, light16, 6) },
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				do()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/pixel")
		})
	}
}
