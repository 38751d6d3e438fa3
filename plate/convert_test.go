package plate_test

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"example.com/twinplate/plate"
)

// steep is a measured curve with a kink that lies within a step of the encoder's table.
func steep(t testing.TB) plate.Curve {
	c, err := plate.ReadCurve(writeFile(t, "steep.csv", "0,-0.2\n0.2,0.001\n0.5,0.00101\n0.9,0.00102\n1,9\n"))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func allCurves(t testing.TB) []plate.Curve { return append(plate.Curves(), steep(t)) }

// Every code value must come back from linear light, in every kind of frame.
func TestCodesSurvive(t *testing.T) {
	for _, c := range allCurves(t) {
		for _, depth := range []int{8, 16} {
			if c == plate.NLog && depth == 16 {
				continue // TestNLogAt16Bits
			}
			n := 1 << depth
			gray := image.Image(image.NewGray(image.Rect(0, 0, 256, n/256)))
			straight := image.Image(image.NewNRGBA(gray.Bounds()))
			opaque := image.Image(image.NewRGBA(gray.Bounds()))
			if depth == 16 {
				gray, straight, opaque = image.NewGray16(gray.Bounds()), image.NewNRGBA64(gray.Bounds()), image.NewRGBA64(gray.Bounds())
			}
			for i := range n {
				v, w := uint16(i), uint16(n-1-i)
				if depth == 8 {
					v, w = v*0x101, w*0x101
				}
				x, y := i%256, i/256
				gray.(draw.Image).Set(x, y, color.Gray16{Y: v})
				straight.(draw.Image).Set(x, y, color.NRGBA64{R: v, G: w, B: v, A: 0xffff})
				opaque.(draw.Image).Set(x, y, color.RGBA64{R: v, G: w, B: v, A: 0xffff})
			}
			e := plate.NewEncoder(c, depth)
			for _, row := range []struct {
				what      string
				got, want image.Image
			}{
				{"Gray", e.Image(plate.GrayFromImage(gray, c, nil)), gray},
				{"RGB", e.Image(plate.RGBFromImage(opaque, c)), opaque},
				{"RGBA", e.Image(plate.FromImage(straight, c)), straight},
			} {
				if x, y, same := firstDifference(row.got, row.want); !same {
					t.Errorf("%s, %d bits, %s: code %d comes back as %v, was %v", c.Name(), depth, row.what,
						y*256+x, row.got.At(x, y), row.want.At(x, y))
				}
			}
		}
	}
}

// N-Log is a cube root at its foot, steeper there than float32 can follow, and has a step of eight
// codes of 16 bits. All its codes of 10 bits, which is what cameras record, come back.
func TestNLogAt16Bits(t *testing.T) {
	e := plate.NewEncoder(plate.NLog, 16)
	const cut = 0.328 // linear light
	low, high := plate.NLog.FromLinear(cut-1e-9), plate.NLog.FromLinear(cut)
	for v := range 1 << 16 {
		code := float64(v) / 65535
		back := e.Code(float32(plate.NLog.ToLinear(code)))
		most := 0
		switch {
		case v < 64:
			most = 24
		case v < 160:
			most = 1
		case code > low-1e-4 && code < high+1e-4:
			most = 9
		}
		if d := int(back) - v; d > most || d < -most {
			t.Fatalf("code %d comes back as %d", v, back)
		}
	}
	for v := range 1 << 10 {
		if back := math.Round(1023 * plate.NLog.FromLinear(float64(float32(plate.NLog.ToLinear(float64(v)/1023))))); back != float64(v) {
			t.Errorf("code %d of 1023 comes back as %v", v, back)
		}
	}
}

func firstDifference(a, b image.Image) (x, y int, same bool) {
	if a.Bounds().Size() != b.Bounds().Size() || a.ColorModel() != b.ColorModel() {
		return 0, 0, false
	}
	for y := range a.Bounds().Dy() {
		for x := range a.Bounds().Dx() {
			if a.At(a.Bounds().Min.X+x, a.Bounds().Min.Y+y) != b.At(b.Bounds().Min.X+x, b.Bounds().Min.Y+y) {
				return x, y, false
			}
		}
	}
	return 0, 0, true
}

// With alpha below 1 the codes still come back, at every alpha but 0.
func TestStraightCodesSurvive(t *testing.T) {
	m := image.NewNRGBA(image.Rect(0, 0, 256, 255))
	for a := 1; a <= 255; a++ {
		for v := range 256 {
			m.SetNRGBA(v, a-1, color.NRGBA{R: uint8(v), G: uint8(255 - v), B: uint8(v ^ a), A: uint8(a)})
		}
	}
	for _, c := range plate.Curves() {
		if got := plate.Encode(plate.FromImage(m, c), c, 8); !equalPixels(got, m) {
			x, y, _ := firstDifference(got, m)
			t.Errorf("%s: %v comes back as %v", c.Name(), m.At(x, y), got.At(x, y))
		}
	}
}

func equalPixels(a, b image.Image) bool { _, _, same := firstDifference(a, b); return same }

// The encoder gives what the curve's formula gives, rounded: at random values, and on both sides of every
// place where the code changes.
func TestEncoderRounds(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, c := range allCurves(t) {
		for _, depth := range []int{8, 16} {
			full := float64(int(1)<<depth - 1)
			e := plate.NewEncoder(c, depth)
			check := func(l float32) {
				want := math.Floor(math.Min(math.Max(c.FromLinear(float64(l))*full, 0), full) + 0.5)
				if got := e.Code(l); float64(got) != want {
					t.Fatalf("%s, %d bits: light %v has code %d, want %v", c.Name(), depth, l, got, want)
				}
			}
			for range 20000 {
				check(float32(random.Float64()*1.2 - 0.1))
				check(float32(math.Exp(random.NormFloat64() * 10)))
				check(-float32(math.Exp(random.NormFloat64() * 10)))
			}
			for k := 0.5; k < full; k += 1 + full/5000 {
				l := float32(c.ToLinear(k / full))
				check(l)
				check(math.Nextafter32(l, -1e9))
				check(math.Nextafter32(l, 1e9))
			}
			for _, l := range []float32{0, float32(math.Copysign(0, -1)), 1, -1, 1e-45, -1e-45, math.MaxFloat32, -math.MaxFloat32} {
				check(l)
			}
		}
	}
}

func TestEncoderAtTheExtremes(t *testing.T) {
	inf, nan := float32(math.Inf(1)), float32(math.NaN())
	negativeNaN := math.Float32frombits(math.Float32bits(nan) | 1<<31)
	for _, c := range allCurves(t) {
		for _, row := range []struct {
			l    float32
			want uint16
		}{{inf, 255}, {-inf, 0}, {nan, 0}, {negativeNaN, 0}} {
			if got := plate.NewEncoder(c, 8).Code(row.l); got != row.want {
				t.Errorf("%s: light %v has code %d, want %d", c.Name(), row.l, got, row.want)
			}
		}
	}
	defer func() {
		if recover() == nil {
			t.Error("an encoder of 12 bits: no panic")
		}
	}()
	plate.NewEncoder(plate.SRGB, 12)
}

func TestEncodeAlpha(t *testing.T) {
	for _, row := range []struct {
		what       string
		r, a       float32
		code, held uint8 // of red and alpha
	}{
		{"half", 0.25, 127.0 / 255, 128, 127},
		{"alpha is rounded, and the color is divided by what is held", 0.5, 0.602, 211, 154},
		{"transparent", 0.5, 0, 0, 0},
		{"alpha that rounds to nothing", 0.5, 0.001, 0, 0},
		{"alpha above 1 is held as 1, and the color is kept", 0.5, 1.5, 128, 255},
		{"color brighter than alpha is clipped", 0.9, 0.6, 255, 153},
		{"negative alpha", 0.5, -0.1, 0, 0},
		{"alpha that is no number", 0.5, float32(math.NaN()), 0, 0},
	} {
		f := plate.NewRGBA(1, 1)
		f.Pix[0][0], f.A[0] = row.r, row.a
		got := plate.Encode(f, plate.Linear, 8).(*image.NRGBA).NRGBAAt(0, 0)
		if got.R != row.code || got.A != row.held {
			t.Errorf("%s: red %d, alpha %d, want %d, %d", row.what, got.R, got.A, row.code, row.held)
		}
	}
}

// Rounding alpha to 8 bits does not change the premultiplied color by more than rounding the color does.
func TestPremultipliedColorIsKept(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 10000 {
		f := plate.NewRGBA(1, 1)
		f.A[0] = random.Float32()
		q := float32(math.Round(float64(f.A[0])*255)) / 255
		f.Pix[0][0] = min(f.A[0], q) * random.Float32()
		back := plate.FromImage(plate.Encode(f, plate.Linear, 8), plate.Linear)
		if d := math.Abs(float64(back.Pix[0][0] - f.Pix[0][0])); d > 0.5/255*float64(q)+1e-6 {
			t.Fatalf("red %v under alpha %v comes back as %v", f.Pix[0][0], f.A[0], back.Pix[0][0])
		}
	}
}

// hidden keeps the conversions from knowing what kind of picture they have.
type hidden struct{ image.Image }

// Every kind of picture has its own quick way, which must give what looking at pixel after pixel gives; the
// bounds do not begin at (0, 0).
func TestQuickWaysAgree(t *testing.T) {
	r := image.Rect(-3, 5, 34, 29)
	inner := image.Rect(-1, 6, 30, 28)
	random := rand.New(rand.NewPCG(5, 6))
	noise := func(pix []uint8) {
		for i := range pix {
			pix[i] = uint8(random.Uint32())
		}
	}
	gray, gray16 := image.NewGray(r), image.NewGray16(r)
	straight, straight64 := image.NewNRGBA(r), image.NewNRGBA64(r)
	rgba, rgba64 := image.NewRGBA(r), image.NewRGBA64(r)
	ycc, nycca := image.NewYCbCr(r, image.YCbCrSubsampleRatio420), image.NewNYCbCrA(r, image.YCbCrSubsampleRatio422)
	cmyk := image.NewCMYK(r)
	for _, pix := range [][]uint8{gray.Pix, gray16.Pix, straight.Pix, straight64.Pix, ycc.Y, ycc.Cb, ycc.Cr, nycca.Y, nycca.Cb, nycca.Cr, nycca.A, cmyk.Pix} {
		noise(pix)
	}
	for i := range nycca.A { // package image blends 8-bit alpha in with rounding; opaque and clear are exact
		nycca.A[i] = uint8(-int(nycca.A[i] & 1))
	}
	palette := color.Palette{color.NRGBA{R: 10, G: 200, B: 30, A: 40}, color.Gray{Y: 7}, color.RGBA{R: 9, G: 8, B: 7, A: 100}}
	paletted := image.NewPaletted(r, palette)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			c := color.NRGBA64{R: uint16(random.Uint32()), G: uint16(random.Uint32()), B: uint16(random.Uint32()), A: uint16(random.Uint32())}
			if x%3 == 0 {
				c.A = 0xffff
			}
			rgba.Set(x, y, c)
			rgba64.Set(x, y, c)
			paletted.SetColorIndex(x, y, uint8(random.IntN(3)))
		}
	}
	for _, m := range []interface {
		image.Image
		SubImage(image.Rectangle) image.Image
	}{gray, gray16, straight, straight64, rgba, rgba64, ycc, nycca, cmyk, paletted} {
		sub := m.SubImage(inner)
		quick, slow := plate.FromImage(sub, plate.SRGB), plate.FromImage(hidden{sub}, plate.SRGB)
		if quick.Size() != inner.Size() {
			t.Fatalf("%T: size %v, want %v", m, quick.Size(), inner.Size())
		}
		rgb := plate.RGBFromImage(sub, plate.SRGB)
		weights := [3]float32{0.5, 2, -1}
		weighted := plate.GrayFromImage(sub, plate.SRGB, &weights)
		mean := plate.GrayFromImage(sub, plate.SRGB, nil)
		for i := range quick.A {
			got := [4]float32{quick.Pix[0][i], quick.Pix[1][i], quick.Pix[2][i], quick.A[i]}
			want := [4]float32{slow.Pix[0][i], slow.Pix[1][i], slow.Pix[2][i], slow.A[i]}
			if got != want {
				t.Fatalf("%T: pixel %d is %v, want %v", m, i, got, want)
			}
			if c := [3]float32{rgb.Pix[0][i], rgb.Pix[1][i], rgb.Pix[2][i]}; c != [3]float32(got[:3]) {
				t.Fatalf("%T: pixel %d is %v without alpha, want %v", m, i, c, got[:3])
			}
			if want := 0.5*got[0] + 2*got[1] - got[2]; math.Abs(float64(weighted.Pix[i]-want)) > 1e-6 {
				t.Fatalf("%T: pixel %d is %v when weighted, want %v", m, i, weighted.Pix[i], want)
			}
			if want := (got[0] + got[1] + got[2]) / 3; math.Abs(float64(mean.Pix[i]-want)) > 1e-6 {
				t.Fatalf("%T: pixel %d is %v on average, want %v", m, i, mean.Pix[i], want)
			}
		}
	}
}

func TestFromImageValues(t *testing.T) {
	half := float32(plate.SRGB.ToLinear(128.0 / 255))
	for _, row := range []struct {
		what string
		c    color.Color
		want [4]float32
	}{
		{"straight: decoded, then multiplied", color.NRGBA{R: 128, G: 255, A: 51}, [4]float32{half * 0.2, 0.2, 0, 0.2}},
		{"multiplied: alpha is taken out before", color.RGBA{R: 50, G: 100, A: 100}, [4]float32{float32(plate.SRGB.ToLinear(0.5)) * 100 / 255, 100.0 / 255, 0, 100.0 / 255}},
		{"gray", color.Gray{Y: 128}, [4]float32{half, half, half, 1}},
		{"more color than alpha, which no picture should hold", color.RGBA{R: 200, A: 100}, [4]float32{100.0 / 255, 0, 0, 100.0 / 255}},
		{"transparent", color.NRGBA{R: 128}, [4]float32{}},
	} {
		m := image.NewPaletted(image.Rect(0, 0, 1, 1), color.Palette{row.c})
		g := plate.FromImage(m, plate.SRGB)
		got := [4]float32{g.Pix[0][0], g.Pix[1][0], g.Pix[2][0], g.A[0]}
		for i := range got {
			if math.Abs(float64(got[i]-row.want[i])) > 1e-5 {
				t.Errorf("%s: %v, want %v", row.what, got, row.want)
				break
			}
		}
	}
}

// Frames are linear already: no curve is applied to them, and nothing is clipped.
func TestFromFrames(t *testing.T) {
	rgba := plate.NewRGBA(2, 1)
	rgba.Pix = [3][]float32{{-1, 0.5}, {2, 0.25}, {3, 0.125}}
	rgba.A = []float32{0.5, 1}
	gray := plate.NewGray(2, 1)
	gray.Pix = []float32{-1, 2}
	weights := [3]float32{1, 1, 1}
	for _, row := range []struct {
		what      string
		got, want float32
	}{
		{"RGBA from RGBA", plate.FromImage(rgba, plate.SRGB).Pix[1][0], 2},
		{"its alpha", plate.FromImage(rgba, plate.SRGB).A[0], 0.5},
		{"RGB from RGBA is over black", plate.RGBFromImage(rgba, plate.SRGB).Pix[2][0], 3},
		{"Gray from RGBA", plate.GrayFromImage(rgba, plate.SRGB, &weights).Pix[0], 4},
		{"Gray from RGB, thirds", plate.GrayFromImage(&rgba.RGB, plate.SRGB, nil).Pix[0], 4.0 / 3},
		{"RGBA from RGB", plate.FromImage(&rgba.RGB, plate.SRGB).A[0], 1},
		{"RGB from Gray", plate.RGBFromImage(gray, plate.SRGB).Pix[1][0], -1},
		{"Gray from Gray", plate.GrayFromImage(gray, plate.SRGB, nil).Pix[1], 2},
		{"Gray from Gray, weighted", plate.GrayFromImage(gray, plate.SRGB, &weights).Pix[1], 6},
	} {
		if row.got != row.want {
			t.Errorf("%s: %v, want %v", row.what, row.got, row.want)
		}
	}
	if copied := plate.GrayFromImage(gray, plate.SRGB, nil); &copied.Pix[0] == &gray.Pix[0] {
		t.Error("the copy shares the frame's values")
	}
}

// A frame shown as a picture looks like the frame encoded to sRGB.
func TestFramesAsPictures(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	rgba := plate.NewRGBA(9, 7)
	gray := plate.NewGray(9, 7)
	for i := range rgba.A {
		rgba.A[i] = random.Float32()*1.2 - 0.1
		gray.Pix[i] = random.Float32()*1.2 - 0.1
		for c := range rgba.Pix {
			rgba.Pix[c][i] = random.Float32()*1.2 - 0.1
		}
	}
	for _, f := range []image.Image{gray, &rgba.RGB, rgba} {
		if x, y, same := firstDifference(f, plate.Encode(f, plate.SRGB, 16)); !same {
			t.Errorf("%T: pixel (%d, %d) is %v, want %v", f, x, y, f.At(x, y), plate.Encode(f, plate.SRGB, 16).At(x, y))
		}
		if at := f.At(9, 0); at != f.ColorModel().Convert(color.Transparent) {
			t.Errorf("%T: outside it is %v", f, at)
		}
	}
	if rgba.Opaque() || !rgba.RGB.Opaque() {
		t.Error("an RGB is opaque, and an RGBA of alpha below 1 is not")
	}
	picture := image.NewUniform(color.White)
	if plate.Encode(picture, plate.SRGB, 8) != image.Image(picture) {
		t.Error("a picture of another kind is not returned as it is")
	}
}

// The tables of a curve may be built by whoever comes first.
func TestConcurrentUse(t *testing.T) {
	c := steep(t)
	m := image.NewNRGBA64(image.Rect(0, 0, 300, 200))
	for i := range m.Pix {
		m.Pix[i] = uint8(i * i >> 3)
	}
	for i := 7; i < len(m.Pix); i += 8 {
		m.Pix[i-1], m.Pix[i] = 0xff, 0xff
	}
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			if !equalPixels(plate.Encode(plate.FromImage(m, c), c, 16), m) {
				t.Error("codes do not come back")
			}
		})
	}
	wg.Wait()
}

// A frame whose planes are too short is the caller's mistake: a panic where the caller can meet it.
func TestShortPlane(t *testing.T) {
	f := plate.NewGray(400, 300)
	f.Pix = f.Pix[:100]
	defer func() {
		if recover() == nil {
			t.Error("no panic")
		}
	}()
	plate.Encode(f, plate.SRGB, 8)
}

func BenchmarkDecode(b *testing.B) {
	r := image.Rect(0, 0, 1920, 1080)
	random := rand.New(rand.NewPCG(1, 1))
	noise := func(pix []uint8) {
		for i := range pix {
			pix[i] = uint8(random.Uint32())
		}
	}
	gray16, rgba64, straight, ycc := image.NewGray16(r), image.NewRGBA64(r), image.NewNRGBA64(r), image.NewYCbCr(r, image.YCbCrSubsampleRatio420)
	for _, pix := range [][]uint8{gray16.Pix, rgba64.Pix, straight.Pix, ycc.Y, ycc.Cb, ycc.Cr} {
		noise(pix)
	}
	for i := 6; i < len(rgba64.Pix); i += 8 {
		rgba64.Pix[i], rgba64.Pix[i+1] = 0xff, 0xff
	}
	for _, row := range []struct {
		name string
		do   func()
	}{
		{"Gray16", func() { plate.GrayFromImage(gray16, plate.SRGB, nil) }},
		{"RGBA64", func() { plate.RGBFromImage(rgba64, plate.SRGB) }},
		{"NRGBA64", func() { plate.FromImage(straight, plate.SRGB) }},
		{"YCbCr", func() { plate.RGBFromImage(ycc, plate.SRGB) }},
	} {
		b.Run(row.name, func(b *testing.B) {
			for b.Loop() {
				row.do()
			}
		})
	}
}

func BenchmarkEncode(b *testing.B) {
	f := plate.NewRGBA(1920, 1080)
	gray := plate.NewGray(1920, 1080)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range f.A {
		f.A[i] = random.Float32()
		gray.Pix[i] = random.Float32()
		for c := range f.Pix {
			f.Pix[c][i] = random.Float32() * f.A[i]
		}
	}
	for _, depth := range []int{8, 16} {
		for _, frame := range []image.Image{gray, &f.RGB, f} {
			name := map[bool]string{true: "8/", false: "16/"}[depth == 8]
			switch frame.(type) {
			case *plate.Gray:
				name += "Gray"
			case *plate.RGB:
				name += "RGB"
			default:
				name += "RGBA"
			}
			b.Run(name, func(b *testing.B) {
				for b.Loop() {
					plate.Encode(frame, plate.SRGB, depth)
				}
			})
		}
	}
}
