package take_test

import (
	"context"
	"fmt"
	"image"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/odd"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// oddTake returns the recipe of a take that odd.Shoot has written, with its reference plates or
// without.
func oddTake(dir string, references bool) take.Recipe {
	file := func(name string) string { return filepath.Join(dir, name) }
	r := take.Recipe{Color: file("color"), Band: file("band"), Background: file("background.exr"), Format: "exr"}
	if references {
		r.CleanBand, r.DarkBand, r.CleanColor, r.DarkColor = file("clean_band.exr"), file("dark_band.exr"), file("clean_color.exr"), file("dark_color.exr")
	}
	return r
}

// checked returns the readings of a take, which are finite, and runs it.
func checked(ctx context.Context, r take.Recipe) ([]float64, error) {
	opened, err := take.Open(r)
	if err != nil {
		return nil, err
	}
	defer opened.Close()
	var numbers []float64
	c, err := opened.Check(ctx, &take.CheckOptions{FPS: 24})
	if err == nil {
		for _, v := range c.Readings {
			if v.Value != nil {
				numbers = append(numbers, *v.Value)
			}
		}
	}
	job, failed := opened.Prepare(ctx)
	if failed != nil {
		return numbers, err
	}
	each := func(f *take.Result) error {
		numbers = append(numbers, odd.Floats(f.Transmission.Pix)...)
		return nil
	}
	if _, failed := job.Run(ctx, &take.RunOptions{Each: each, Jobs: 1}); failed != nil {
		return numbers, fmt.Errorf("%w, %w", err, failed)
	}
	return numbers, err
}

// A take of whatever frames is read and made, or there is an error: nothing panics, hangs, or is
// given as a number that is none.
func TestOddTakes(t *testing.T) {
	sizes := [][2]image.Point{{{X: 1, Y: 1}, {X: 1, Y: 1}}, {{X: 40, Y: 3}, {X: 40, Y: 3}}, {{X: 33, Y: 47}, {X: 33, Y: 47}}, {{X: 64, Y: 36}, {X: 48, Y: 40}}}
	for k, picture := range odd.Pictures {
		for i, size := range sizes {
			if few := 3; (k+i)%few != 0 || tier.Quick() && (k+i)%(2*few) != 0 {
				continue // for the time that it takes; each picture meets a size of each kind
			}
			for _, variant := range []string{"all, no plates", "transmission", "transmission, no plates, registered"} {
				name := fmt.Sprintf("%s as %s, %v", picture, variant, size)
				random := odd.Random(name)
				r := oddTake(odd.Shoot(t, random, func() (*plate.RGB, *plate.Gray) {
					color, band := picture.Plates(size[0].X, size[0].Y, 0.2, random)
					if variant == "all, no plates" {
						color = picture.RGB(size[0].X, size[0].Y, random)
					}
					if variant == "all, no plates" || size[0] != size[1] {
						band = picture.Gray(size[1].X, size[1].Y, random)
					}
					return color, band
				}), variant == "transmission")
				if variant != "transmission, no plates, registered" {
					r.Geometry.Mode = "none"
				}
				odd.Try(t, name, func(ctx context.Context) ([]float64, error) { return checked(ctx, r) })
			}
		}
	}
}

// A take of whatever sizes and pixels, given as bytes.
func FuzzTake(f *testing.F) {
	pixels := make([]byte, 200)
	for i := range pixels {
		pixels[i] = byte(20 + i*i%7%2*150 + i%9)
	}
	f.Add(pixels, uint8(40), uint8(36), uint8(12))
	f.Add(pixels, uint8(63), uint8(47), uint8(0xec))
	f.Add(pixels, uint8(33), uint8(45), uint8(45))
	f.Add([]byte{200, 201, 20}, uint8(1), uint8(1), uint8(128))
	f.Fuzz(func(t *testing.T, pixels []byte, w, h, mode uint8) {
		size := image.Pt(1+int(w)%96, 1+int(h)%64)
		b := &odd.Bytes{Data: pixels, Wild: mode&1 != 0, Side: 1 + int(mode>>1&15)}
		dir := odd.Shoot(t, odd.Random("fuzz"), func() (*plate.RGB, *plate.Gray) { return b.RGB(size.X, size.Y), b.Gray(size.X, size.Y) })
		r := oddTake(dir, mode&32 != 0)
		if mode&64 == 0 {
			r.Geometry.Mode = "none"
		}
		r.Tidy, r.Glare.Mode = mode&128 != 0, map[bool]string{true: "auto"}[mode&128 != 0]
		odd.Try(t, fmt.Sprint(size, mode), func(ctx context.Context) ([]float64, error) { return checked(ctx, r) })
	})
}
