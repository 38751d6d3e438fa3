// Package odd makes frames that nobody would shoot, for tests that nothing panics, hangs or makes
// up numbers: of any size, of noise, of one value, negative, huge, with holes, with cores of a
// pixel, with values that are not finite.
package odd

import (
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/debug"
	"testing"
	"time"

	"example.com/twinplate/plate"
)

// Sizes are a frame's smallest sizes, narrow ones, odd ones, and one with room for a performer.
var Sizes = []image.Point{{X: 1, Y: 1}, {X: 2, Y: 1}, {X: 1, Y: 2}, {X: 3, Y: 3}, {X: 1, Y: 200}, {X: 300, Y: 1}, {X: 7, Y: 5}, {X: 31, Y: 33},
	{X: 33, Y: 149}, {X: 1000, Y: 28}, {X: 160, Y: 90}}

// A Pattern fills a plane of w by h pixels.
type Pattern struct {
	Name string
	Fill func(pix []float32, w int, random *rand.Rand)
}

// each returns the Pattern of which a pixel is a function of its place and of h and random.
func each(name string, value func(x, y, w, h int, random *rand.Rand) float64) Pattern {
	return Pattern{name, func(pix []float32, w int, random *rand.Rand) {
		for i := range pix {
			pix[i] = float32(value(i%w, i/w, w, len(pix)/w, random))
		}
	}}
}

// even returns the Pattern of one value.
func even(name string, v float64) Pattern {
	return each(name, func(int, int, int, int, *rand.Rand) float64 { return v })
}

// blocks returns the Pattern of ground with up to five blocks of another value, of 1 to 40 pixels a
// side.
func blocks(name string, ground Pattern, v float32) Pattern {
	return Pattern{name, func(pix []float32, w int, random *rand.Rand) {
		ground.Fill(pix, w, random)
		h := len(pix) / w
		for range 1 + random.IntN(5) {
			size := image.Pt(1+random.IntN(min(w, 40)), 1+random.IntN(min(h, 40)))
			at := image.Pt(random.IntN(w-size.X+1), random.IntN(h-size.Y+1))
			for y := at.Y; y < at.Y+size.Y; y++ {
				for x := at.X; x < at.X+size.X; x++ {
					pix[y*w+x] = v
				}
			}
		}
	}}
}

// speck returns the Pattern of ground with one pixel of another value.
func speck(name string, ground Pattern, v float64) Pattern {
	return Pattern{name, func(pix []float32, w int, random *rand.Rand) {
		ground.Fill(pix, w, random)
		pix[random.IntN(len(pix))] = float32(v)
	}}
}

var (
	noise = each("noise", func(_, _, _, _ int, random *rand.Rand) float64 { return random.Float64() })
	quiet = each("nearly even", func(_, _, _, _ int, random *rand.Rand) float64 { return 0.8 + 0.003*random.NormFloat64() })
)

// Pictures are of finite values.
var Pictures = []Pattern{
	noise, quiet,
	even("zero", 0), even("one", 1), even("below zero", -0.5), even("the least", 1e-45), even("the most", math.MaxFloat32), even("huge", 1e30),
	each("negative", func(_, _, _, _ int, random *rand.Rand) float64 { return -random.Float64() }),
	each("huge noise", func(_, _, _, _ int, random *rand.Rand) float64 { return math.MaxFloat32 * (2*random.Float64() - 1) }),
	each("noise of all sizes", func(_, _, _, _ int, random *rand.Rand) float64 { return math.Exp(min(80*random.NormFloat64()/3, 88)) }),
	each("ramp", func(x, y, w, h int, _ *rand.Rand) float64 { return (float64(x)/float64(w) + float64(y)/float64(h)) / 2 }),
	each("halves", func(x, _, w, _ int, random *rand.Rand) float64 {
		return float64(2*x/w) + 0.003*random.NormFloat64()
	}),
	each("columns", func(x, _, _, _ int, _ *rand.Rand) float64 { return float64(x % 2) }),
	each("rows", func(_, y, _, _ int, _ *rand.Rand) float64 { return float64(y % 2) }),
	each("squares", func(x, y, _, _ int, _ *rand.Rand) float64 { return float64((x/8 + y/8) % 2) }),
	blocks("holes of 0", quiet, 0), blocks("holes of 1", noise, 1), blocks("blocks of 1", even("", 0), 1),
	blocks("a huge block", quiet, math.MaxFloat32),
	speck("a hole of a pixel", even("", 1), 0), speck("a pixel", even("", 0), 1), speck("a huge pixel", quiet, math.MaxFloat32),
}

// NotFinite are Pictures with values that are not.
var NotFinite = []Pattern{
	speck("a NaN", quiet, math.NaN()), speck("an infinity", quiet, math.Inf(1)), speck("a negative infinity", noise, math.Inf(-1)),
	even("all NaN", math.NaN()), even("all infinite", math.Inf(1)),
}

// Gray returns a plate of the picture.
func (p Pattern) Gray(w, h int, random *rand.Rand) *plate.Gray {
	f := plate.NewGray(w, h)
	p.Fill(f.Pix, w, random)
	return f
}

// RGB returns a plate of the picture, each channel filled anew.
func (p Pattern) RGB(w, h int, random *rand.Rand) *plate.RGB {
	f := plate.NewRGB(w, h)
	for c := range f.Pix {
		p.Fill(f.Pix[c], w, random)
	}
	return f
}

// Plates returns a color plate and a band plate of which the picture is the transmission: a lit
// performer of an even color, or of noise where the texture says so, before a lit screen, with a
// little crosstalk and noise.
func (p Pattern) Plates(w, h int, texture float64, random *rand.Rand) (*plate.RGB, *plate.Gray) {
	color, band := plate.NewRGB(w, h), p.Gray(w, h, random)
	for i, t := range band.Pix {
		sum := float32(0)
		for c := range color.Pix {
			v := (1-t)*float32(0.3-0.05*float64(c)+texture*random.Float64()) + float32(0.002*random.NormFloat64())
			color.Pix[c][i] = v
			sum += v
		}
		band.Pix[i] = 0.8*t + 0.01*sum + float32(0.002*random.NormFloat64())
	}
	return color, band
}

// writable makes values that are not finite, which no file is written with, the largest or the
// smallest that are, and NaN 0.
func writable(color *plate.RGB, band *plate.Gray) (*plate.RGB, *plate.Gray) {
	for _, pix := range [][]float32{color.Pix[0], color.Pix[1], color.Pix[2], band.Pix} {
		for i, v := range pix {
			if pix[i] = min(max(v, -math.MaxFloat32), math.MaxFloat32); v != v {
				pix[i] = 0
			}
		}
	}
	return color, band
}

// Shoot writes a take of three frames as OpenEXR files of 32 bits, which hold whatever light, into
// a folder of the test's: color/N.exr, band/N.exr, background.exr and, of the sizes of the first
// frame, clean_color.exr, clean_band.exr, dark_color.exr and dark_band.exr. It returns the folder.
func Shoot(t testing.TB, random *rand.Rand, plates func() (*plate.RGB, *plate.Gray)) string {
	t.Helper()
	dir := t.TempDir()
	write := func(name string, frame image.Image) {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := plate.Write(path, frame, &plate.WriteOptions{Depth: 32}); err != nil {
			t.Fatal(err)
		}
	}
	for n := range 3 {
		color, band := writable(plates())
		write(fmt.Sprintf("color/%d.exr", n+1), color)
		write(fmt.Sprintf("band/%d.exr", n+1), band)
		if n == 0 {
			write("clean_color.exr", plate.NewRGB(color.W, color.H))
			write("dark_color.exr", plate.NewRGB(color.W, color.H))
			write("clean_band.exr", quiet.Gray(band.W, band.H, random))
			write("dark_band.exr", plate.NewGray(band.W, band.H))
		}
	}
	write("background.exr", noise.RGB(7, 5, random))
	return dir
}

// Bytes are the pixels of plates in a fuzz target. The zero value gives black plates.
type Bytes struct {
	Data []byte
	Wild bool // some of the bytes stand for what is huge or not finite
	Side int  // of the blocks of pixels that a byte stands for; 0 means 1
	from int
}

// wild are what the bytes from 256 - len(wild) on stand for.
var wild = [...]float32{float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1)), math.MaxFloat32, -math.MaxFloat32, 1e30, 1e10, -1e10, 1e-45, 1e3}

// Fill fills a plane with the next bytes, again and again: 0 to 255 stand for -0.1 to 1.175.
func (b *Bytes) Fill(pix []float32, w int) {
	if len(b.Data) == 0 {
		return
	}
	side := max(b.Side, 1)
	across := (w + side - 1) / side
	last := 0
	for i := range pix {
		last = i/w/side*across + i%w/side
		v := b.Data[(b.from+last)%len(b.Data)]
		if k := int(v) - (256 - len(wild)); b.Wild && k >= 0 {
			pix[i] = wild[k]
			continue
		}
		pix[i] = float32(v)/200 - 0.1
	}
	b.from += last + 1
}

// Gray returns a plate of the next bytes.
func (b *Bytes) Gray(w, h int) *plate.Gray {
	f := plate.NewGray(w, h)
	b.Fill(f.Pix, w)
	return f
}

// RGB returns a plate of the next bytes.
func (b *Bytes) RGB(w, h int) *plate.RGB {
	f := plate.NewRGB(w, h)
	for c := range f.Pix {
		b.Fill(f.Pix[c], w)
	}
	return f
}

// limit is how long a call that takes a second at the most on an idle machine may take on one that
// does much else.
const limit = time.Minute

// Try calls f and fails the test where that panics, does not end in time, or returns both no error
// and a number that is not finite.
func Try(t testing.TB, name string, f func(ctx context.Context) ([]float64, error)) {
	t.Helper()
	defer func() {
		if v := recover(); v != nil {
			t.Errorf("%s: it panics: %v\n%s", name, v, debug.Stack())
		}
	}()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	begin := time.Now()
	numbers, err := f(ctx)
	if took := time.Since(begin); took > limit {
		t.Errorf("%s: it takes %v, and at most %v is allowed", name, took, limit)
	}
	if err != nil {
		return
	}
	for i, v := range numbers {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("%s: number %d of its result is %v, and there is no error", name, i, v)
			return
		}
	}
}

// Floats returns planes as one list of numbers, for Try.
func Floats(planes ...[]float32) []float64 {
	var list []float64
	for _, p := range planes {
		for _, v := range p {
			list = append(list, float64(v))
		}
	}
	return list
}

// Random returns a source of numbers that is the same for the same name.
func Random(name string) *rand.Rand {
	seed := uint64(14695981039346656037) // FNV-1a
	for _, c := range []byte(name) {
		seed = (seed ^ uint64(c)) * 1099511628211
	}
	return rand.New(rand.NewPCG(seed, 1))
}

// String gives the picture's name.
func (p Pattern) String() string { return fmt.Sprintf("%q", p.Name) }
