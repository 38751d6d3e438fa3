package align

import (
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/odd"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// oddPairs are pairs of plates and the geometry that stretches one over the other.
type oddPairs struct {
	pairs []Pair
	g     Geometry
}

// estimators are what the package offers for plates: each returns the numbers that must be finite.
var estimators = []struct {
	name string
	call func(ctx context.Context, o *oddPairs) ([]float64, error)
}{
	{"FromFootage", func(ctx context.Context, o *oddPairs) ([]float64, error) {
		e, err := FromFootage(ctx, o.pairs, nil)
		if err != nil {
			return nil, err
		}
		if err := e.Geometry.Check(); err != nil {
			return []float64{math.NaN()}, nil
		}
		return append(e.Geometry.Homography[:], e.Residual, e.Match, e.ParityMargin, e.Coverage, e.Sigma(0, 0), e.Softness.Difference, e.Softness.Sigma,
			e.LateralColor.Red, e.LateralColor.RedSigma, e.LateralColor.Blue, e.LateralColor.BlueSigma, e.Rolling.Pixels, e.Rolling.Sigma), nil
	}},
	{"Residual", func(ctx context.Context, o *oddPairs) ([]float64, error) {
		r, err := Residual(ctx, o.pairs, o.g)
		return []float64{r}, err
	}},
	{"SoftnessDifference", func(ctx context.Context, o *oddPairs) ([]float64, error) {
		s, err := SoftnessDifference(ctx, o.pairs, o.g)
		return []float64{s.Difference, s.Sigma}, err
	}},
	{"FindLateralColor", func(ctx context.Context, o *oddPairs) ([]float64, error) {
		l, err := FindLateralColor(ctx, o.pairs, o.g)
		return []float64{l.Red, l.Blue, l.RedSigma, l.BlueSigma}, err
	}},
	{"FromChart", func(ctx context.Context, o *oddPairs) ([]float64, error) {
		e, err := FromChart(ctx, o.pairs)
		if err != nil {
			return nil, err
		}
		if err := e.Geometry.Check(); err != nil {
			return []float64{math.NaN()}, nil
		}
		return append(e.Geometry.Homography[:], e.Sigma(0, 0)), nil
	}},
	{"FrameOffset", func(ctx context.Context, o *oddPairs) ([]float64, error) {
		var color []*plate.RGB
		var band []*plate.Gray
		for k := range 20 { // the pairs in a rhythm that is not even
			p := o.pairs[k*k/3%len(o.pairs)]
			color, band = append(color, p.Color), append(band, p.Band)
		}
		e, err := FrameOffset(ctx, color, band, 4)
		if err != nil {
			return nil, err
		}
		return []float64{e.Fraction, e.Sigma, e.Match, e.Rival}, nil
	}},
	{"Resampler", func(_ context.Context, o *oddPairs) ([]float64, error) {
		if err := o.g.Check(); err != nil {
			return nil, err
		}
		for _, k := range []Kernel{Bicubic, Lanczos3, Bilinear} {
			r := k.NewResampler(o.g)
			r.Valid()
			f := r.Gray(nil, o.pairs[0].Band)
			most := 0.0
			for _, v := range o.pairs[0].Band.Pix {
				most = max(most, math.Abs(float64(v)))
			}
			for i, v := range f.Pix { // kernels overshoot, by less than half
				if !(math.Abs(float64(v)) <= 1.5*most) && most < 1e37 && most == most {
					return nil, fmt.Errorf("%v: pixel %d is %v, and no pixel of the band plate is beyond %v", k, i, v, most)
				}
			}
		}
		return nil, nil
	}},
}

// Whatever the plates, each estimator returns a result or an error: it does not panic, nor hang,
// nor return numbers that are none.
func TestOddPlates(t *testing.T) {
	even := odd.Pictures[1]
	sizes := [][2]image.Point{
		{{X: 1, Y: 1}, {X: 1, Y: 1}}, {{X: 3, Y: 200}, {X: 200, Y: 3}}, {{X: 32, Y: 18}, {X: 33, Y: 19}}, {{X: 32, Y: 32}, {X: 32, Y: 32}},
		{{X: 33, Y: 149}, {X: 149, Y: 33}}, {{X: 203, Y: 37}, {X: 101, Y: 50}}, {{X: 2600, Y: 32}, {X: 32, Y: 32}}, {{X: 32, Y: 32}, {X: 2600, Y: 33}},
		{{X: 160, Y: 90}, {X: 160, Y: 90}},
	}
	for k, picture := range append(odd.Pictures[:len(odd.Pictures):len(odd.Pictures)], odd.NotFinite...) {
		for i, size := range sizes {
			for _, part := range []string{"both", "band", "color", "performer"} {
				color, band := size[0], size[1]
				if (color != band || color.X > 100) && (part != "performer" || (k+i)%3 != 0) || tier.Quick() && (k+i)%9 != 0 || !tier.All() && (k+i)%2 != 0 {
					continue // for the time that it takes
				}
				name := fmt.Sprintf("%s as %s, %v and %v", picture, part, color, band)
				random := odd.Random(name)
				o := &oddPairs{g: NewGeometry(color.X, color.Y, band.X, band.Y)}
				for range 2 {
					p := Pair{Color: odd.Pictures[0].RGB(color.X, color.Y, random), Band: even.Gray(band.X, band.Y, random)}
					switch part {
					case "both":
						p = Pair{Color: picture.RGB(color.X, color.Y, random), Band: picture.Gray(band.X, band.Y, random)}
					case "band":
						p.Band = picture.Gray(band.X, band.Y, random)
					case "color":
						p.Color = picture.RGB(color.X, color.Y, random)
					default:
						var b *plate.Gray
						if p.Color, b = picture.Plates(color.X, color.Y, 0.2, random); color == band {
							p.Band = b
						} else {
							p.Band = picture.Gray(band.X, band.Y, random)
						}
					}
					o.pairs = append(o.pairs, p)
				}
				for _, e := range estimators {
					odd.Try(t, e.name+" of "+name, func(ctx context.Context) ([]float64, error) { return e.call(ctx, o) })
				}
			}
		}
	}
}

// A geometry that Check passes, however wild, is resampled by within bounded time and memory; what
// cannot be is refused.
func TestOddGeometries(t *testing.T) {
	band := odd.Pictures[0].Gray(40, 30, odd.Random("band"))
	values := []float64{0, 1, -1, 1e-3, 0.5, 3, 100, 1e6, -1e6, 1e300, math.MaxFloat64, math.NaN(), math.Inf(1)}
	random := odd.Random("geometries")
	valid := 0
	for range 600 {
		g := NewGeometry(50, 20, 40, 30)
		g.Mirror = random.IntN(2) == 0
		for range 1 + random.IntN(3) {
			v := values[random.IntN(len(values))]
			if random.IntN(2) == 0 {
				v = random.NormFloat64()
			}
			switch k := random.IntN(13); {
			case k < 9:
				g.Homography[k] = v
			case k < 11:
				g.Radial[k-9] = v
			default:
				g.Center[k-11] = v
			}
		}
		odd.Try(t, fmt.Sprintf("%+v", g), func(context.Context) ([]float64, error) {
			if err := g.Check(); err != nil {
				return nil, err
			}
			valid++
			var numbers []float64
			for _, k := range []Kernel{Bicubic, Lanczos3, Bilinear} {
				r := k.NewResampler(g)
				numbers = append(numbers, odd.Floats(r.Valid().Pix, r.Gray(nil, band).Pix)...)
			}
			return numbers, nil
		})
	}
	if valid < 100 || valid > 500 {
		t.Errorf("%d of 600 geometries are valid: there must be some of both kinds", valid)
	}
}

// Geometries that no rig can have are refused, each with why; and the most extreme ones that are
// not are resampled by in bounded time, whatever the kernel.
func TestGeometriesOfNoRig(t *testing.T) {
	const w, h = 1920, 1080
	hd := func(change func(g *Geometry)) Geometry {
		g := Identity(w, h)
		change(&g)
		return g
	}
	scaled := func(g *Geometry, s float64) { g.Homography[0], g.Homography[4] = s, s }
	for _, test := range []struct {
		name string
		g    Geometry
		want string // "" where it is valid
	}{
		{"the same frame", hd(func(*Geometry) {}), ""},
		{"a fisheye of a band plate", hd(func(g *Geometry) { g.Radial = [2]float64{-0.28, 0.03} }), ""},
		{"8K to a preview of 128 pixels", NewGeometry(128, 72, 7680, 4320), ""},
		{"strong keystone", hd(func(g *Geometry) { g.Homography[6] = 0.5 / w }), ""},
		{"a flip in the homography", hd(func(g *Geometry) { g.Homography[0], g.Homography[2] = -1, w-1 }), ""},
		{"a scale of 1000", hd(func(g *Geometry) { scaled(g, 1e3) }), "may cover less than 64"},
		{"a scale of 60", hd(func(g *Geometry) { scaled(g, 60) }), "at most 4 times"},
		{"no area", hd(func(g *Geometry) { scaled(g, 1e-5) }), "singular"},
		{"radial terms of 100", hd(func(g *Geometry) { g.Radial[0] = 100 }), "from -10 to 10"},
		{"radial terms that fold", hd(func(g *Geometry) { g.Radial[0] = -0.5 }), "fold"},
		{"radial terms that fold within", hd(func(g *Geometry) { g.Radial = [2]float64{-4, 6} }), "fold"},
		{"radial terms of a huge scale at the edge", hd(func(g *Geometry) { g.Radial[1] = 10 }), "geometry: "},
		{"a center far away", hd(func(g *Geometry) { g.Radial[0], g.Center[0] = 0.3, 60000 }), "geometry: "},
		{"nearly through infinity", hd(func(g *Geometry) { g.Homography[6] = -0.999 / w }), "geometry: "},
		{"a determinant that is none", hd(func(g *Geometry) { g.Homography[0] = math.NaN() }), "must be a finite number"},
	} {
		err := test.g.Check()
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%s: %v; want %q", test.name, err, test.want)
		}
	}
	// The slowest that is left: a band plate of few pixels to the color frame's many would be
	// quick, and so would the reverse.
	g := Identity(320, 180)
	scaled(&g, 3.9)
	band := plate.NewGray(320, 180)
	for _, k := range []Kernel{Bicubic, Lanczos3, Bilinear} {
		odd.Try(t, fmt.Sprint("a scale of 3.9 by ", k), func(context.Context) ([]float64, error) {
			return odd.Floats(k.NewResampler(g).Gray(nil, band).Pix), nil
		})
	}
}

// Points of all kinds settle a homography of finite numbers, or are refused.
func TestOddPoints(t *testing.T) {
	values := []float64{0, 0, 1, -1, 5, 1e-300, 1e8, 1e160, math.MaxFloat64, math.NaN(), math.Inf(-1)}
	random := odd.Random("points")
	for range 3000 {
		list := func(n int) [][2]float64 {
			p := make([][2]float64, n)
			for i := range p {
				for k := range p[i] {
					if p[i][k] = random.NormFloat64(); random.IntN(4) == 0 {
						p[i][k] = values[random.IntN(len(values))]
					}
				}
			}
			return p
		}
		n := random.IntN(7)
		from, to := list(n), list(n)
		odd.Try(t, fmt.Sprint(from, to), func(context.Context) ([]float64, error) {
			h, err := FitHomography(from, to)
			return h[:], err
		})
	}
}

// An estimator, chosen by a byte, is given plates of whatever sizes and pixels.
func FuzzEstimators(f *testing.F) {
	f.Add([]byte{180, 20, 181}, uint8(40), uint8(33), uint8(32), uint8(40), uint8(6), uint8(0))
	for i := range estimators {
		pixels := make([]byte, 300)
		random := odd.Random(estimators[i].name)
		for k := range pixels {
			pixels[k] = byte(20 + random.IntN(2)*150 + random.IntN(9))
		}
		f.Add(pixels, uint8(80), uint8(45), uint8(80), uint8(45), uint8(10), uint8(i))
		f.Add(pixels, uint8(32), uint8(32), uint8(255), uint8(32), uint8(11), uint8(i))
	}
	f.Fuzz(func(t *testing.T, pixels []byte, w1, h1, w2, h2, mode, which uint8) {
		if w1 == 0 || h1 == 0 || w2 == 0 || h2 == 0 {
			return
		}
		color, band := image.Pt(int(w1), int(h1)), image.Pt(int(w2), int(h2))
		if mode&32 != 0 {
			color.X *= 16 // much wider than the other
		}
		if mode&64 != 0 {
			band.X *= 16
		}
		b := &odd.Bytes{Data: pixels, Wild: mode&1 != 0, Side: 1 + int(mode>>1&15)}
		o := &oddPairs{g: NewGeometry(color.X, color.Y, band.X, band.Y)}
		for range 2 {
			o.pairs = append(o.pairs, Pair{Color: b.RGB(color.X, color.Y), Band: b.Gray(band.X, band.Y)})
		}
		e := estimators[int(which)%len(estimators)]
		odd.Try(t, e.name, func(ctx context.Context) ([]float64, error) { return e.call(ctx, o) })
	})
}

// A blurred border that is nearly level leads from the screen to the wall without a step from one
// pixel to the next: the screen ends there all the same.
func TestNearlyLevelBorder(t *testing.T) {
	const w, h, wall = 240, 135, 1. / 66
	light := make([]float64, w*h)
	r := rand.New(rand.NewPCG(1, 1))
	for y := range h {
		for x := range w {
			level := 20 + 5*float64(x)/w // the border's row, in pixels from the top
			part := 0.5 * (1 + math.Erf(float64(y)-level))
			if x < w/5 || x >= w-w/5 {
				part = 0
			}
			light[y*w+x] = math.Log(wall+(1-wall)*part) + 0.02*r.NormFloat64()
		}
	}
	open := brightArea(light, w, h, darkPart)
	n := 0
	for _, is := range open {
		if is {
			n++
		}
	}
	if want := (w - 2*(w/5)) * (h - 22); n < want*97/100 || n > want*103/100 {
		t.Errorf("%d pixels are taken for screen, of %d that are", n, want)
	}
	if got := len(bordersOf(open, w, h)); got < 3 {
		t.Errorf("the screen has %d borders: the left, the right and the top one are to be found", got)
	}
}
