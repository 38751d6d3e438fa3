package align

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"golang.org/x/image/draw"
	"golang.org/x/image/math/f64"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/plate"
)

func noisePlate(w, h int, seed uint64) *plate.Gray {
	r := rand.New(rand.NewPCG(seed, 9))
	f := plate.NewGray(w, h)
	for i := range f.Pix {
		f.Pix[i] = r.Float32()
	}
	return f
}

func moved(w, h int, dx, dy float64) Geometry {
	return with(Identity(w, h), [9]float64{1, 0, dx, 0, 1, dy, 0, 0, 1}, 0, 0)
}

// exact is the sum of the kernel over all the pixels in its reach, in float64, borders repeated,
// widened by scale where that is over 1.2, and normalized.
func exact(k Kernel, src *plate.Gray, x, y, sx, sy float64) float64 {
	weights := func(x, scale float64) (first int, w []float64) {
		if scale <= 1.2 {
			scale = 1
		}
		first = int(math.Floor(x - 3*scale))
		sum := 0.0
		for i := first; float64(i) <= x+3*scale; i++ {
			w = append(w, kernels[k].value((float64(i)-x)/scale))
			sum += w[len(w)-1]
		}
		for i := range w {
			w[i] /= sum
		}
		return first, w
	}
	x0, wx := weights(x, sx)
	y0, wy := weights(y, sy)
	sum := 0.0
	for j, v := range wy {
		for i, u := range wx {
			sum += u * v * float64(src.Pix[min(max(y0+j, 0), src.H-1)*src.W+min(max(x0+i, 0), src.W-1)])
		}
	}
	return sum
}

func TestKernel(t *testing.T) {
	// Keys 1981: the kernel is 1 at 0 and 0 at the other whole numbers, and with a = -1/2 it is
	// 9/16 at 1/2 and -1/16 at 3/2 (own arithmetic from equation 15).
	for x, want := range map[float64]float64{0: 1, 1: 0, 2: 0, 3: 0, -1: 0, 0.5: 9. / 16, -0.5: 9. / 16, 1.5: -1. / 16, 2.5: 0} {
		if v := kernel.Keys(x); v != want {
			t.Errorf("the kernel at %v is %v, want %v", x, v, want)
		}
	}
}

func TestResampleIdentity(t *testing.T) {
	src := noisePlate(37, 23, 1)
	src.Pix[5], src.Pix[100] = -3, 700 // scene-referred values pass
	dst := NewResampler(Identity(37, 23)).Gray(nil, src)
	for i, v := range dst.Pix {
		if v != src.Pix[i] {
			t.Fatalf("pixel %d is %v, want %v", i, v, src.Pix[i])
		}
	}
	flip := NewResampler(mirrored(Identity(37, 23))).Gray(nil, src)
	for i, v := range flip.Pix {
		if want := src.Pix[i/37*37+36-i%37]; v != want {
			t.Fatalf("flipped, pixel %d is %v, want %v", i, v, want)
		}
	}
}

func TestResampleExact(t *testing.T) {
	small := func(g Geometry, w, h int) Geometry { // the same geometry on smaller frames
		k := float64(w) / float64(g.ColorW)
		s := [9]float64{k, 0, (k - 1) / 2, 0, k, (k - 1) / 2, 0, 0, 1}
		b := [9]float64{1 / k, 0, (1/k - 1) / 2, 0, 1 / k, (1/k - 1) / 2, 0, 0, 1}
		n := NewGeometry(w, h, g.BandW*w/g.ColorW, g.BandH*h/g.ColorH)
		n.Homography, n.Radial, n.Mirror = mul3(s, mul3(g.Homography, b)), g.Radial, g.Mirror
		return n
	}
	cases := []struct {
		name string
		g    Geometry
	}{
		{"by a third and a fifth of a pixel", moved(60, 40, 1./3, -0.2)},
		{"far outside: only borders", moved(60, 40, 1e7, -1e7)},
		{"band plate with 1.5 times the resolution", NewGeometry(60, 40, 90, 60)},
		{"band plate with 3 times the resolution along x only", NewGeometry(60, 40, 180, 40)},
		{"band plate with half the resolution", NewGeometry(60, 40, 30, 20)},
		{"one pixel", NewGeometry(5, 5, 1, 1)},
		{"long runs between the same neighbors", with(Identity(400, 60), [9]float64{1.002, 0.01, -3.3, -0.02, 0.998, 4, 1e-6, 2e-6, 1}, 0.01, 0)},
		{"the same, mirrored", mirrored(with(Identity(400, 60), [9]float64{1.002, 0.01, -3.3, -0.02, 0.998, 4, 1e-6, 2e-6, 1}, 0.01, 0))},
		{"runs of a few pixels", with(Identity(400, 60), [9]float64{1.15, 0.1, -3.3, -0.2, 0.9, 4, 0, 0, 1}, 0, 0)},
	}
	for _, row := range rigs {
		cases = append(cases, struct {
			name string
			g    Geometry
		}{row.name, small(row.g, 64, 36)})
	}
	for _, row := range cases {
		src := noisePlate(row.g.BandW, row.g.BandH, 7)
		sx, sy := row.g.Density()
		for k := range Kernel(len(kernels)) {
			dst := k.NewResampler(row.g).Gray(nil, src)
			worst := 0.0
			for y := range dst.H {
				for x := range dst.W {
					bx, by := row.g.Map(float64(x), float64(y))
					bx, by = math.Max(-100, math.Min(bx, 1000)), math.Max(-100, math.Min(by, 1000))
					worst = math.Max(worst, math.Abs(float64(dst.Pix[y*dst.W+x])-exact(k, src, bx, by, sx, sy)))
				}
			}
			// White noise between 0 and 1 is the hardest picture there is.
			if !(worst < 1e-3) {
				t.Errorf("%s, %v: up to %g from the exact kernel, want less than 1e-3", row.name, k, worst)
			}
		}
	}
}

// A frame of 4096x2160 pixels from a band camera of another size and aspect, at its borders and in
// its middle.
func TestResampleLarge(t *testing.T) {
	const w, h = 4096, 2160
	g := NewGeometry(w, h, 3840, 2160)
	g.Mirror, g.Radial = true, [2]float64{0.01, -0.002}
	src := noisePlate(g.BandW, g.BandH, 11)
	sx, sy := g.Density()
	for k := range Kernel(len(kernels)) {
		r := k.NewResampler(g)
		line := make([]float32, w)
		for _, y := range []int{0, 1079, h - 1} {
			r.Row(line, src, y)
			for _, x0 := range []int{0, 1500, 2048, w - 40} {
				for x := x0; x < x0+40; x++ {
					bx, by := g.Map(float64(x), float64(y))
					if want := exact(k, src, bx, by, sx, sy); math.Abs(float64(line[x])-want) > 2e-3 { // places in float32
						t.Fatalf("%v at (%d, %d): %v, want %v", k, x, y, line[x], want)
					}
				}
			}
		}
	}
}

// Keys 1981: with a = -1/2 the interpolation has third-order accuracy, and so is exact for
// quadratics.
func TestResampleQuadratic(t *testing.T) {
	const w, h = 48, 32
	f := func(x, y float64) float64 {
		x, y = x/w, y/h
		return 0.2 + 0.3*x - 0.1*y + 0.4*x*x - 0.5*x*y + 0.2*y*y
	}
	src := plate.NewGray(w, h)
	for i := range src.Pix {
		src.Pix[i] = float32(f(float64(i%w), float64(i/w)))
	}
	g := with(Identity(w, h), [9]float64{0.97, 0.04, 1.3, -0.03, 1.02, 0.4, 2e-4, -1e-4, 1}, 0.01, 0)
	dst := NewResampler(g).Gray(nil, src)
	tested := 0
	for i, v := range dst.Pix {
		bx, by := g.Map(float64(i%w), float64(i/w))
		if bx < 1 || by < 1 || bx > w-2 || by > h-2 {
			continue
		}
		tested++
		if want := f(bx, by); math.Abs(float64(v)-want) > 1e-6 {
			t.Fatalf("at (%d, %d): %v, want %v", i%w, i/w, v, want)
		}
	}
	if tested < w*h/2 {
		t.Errorf("only %d pixels were inside", tested)
	}
}

// golang.org/x/image/draw has the same kernel: CatmullRom is Keys's with a = -1/2. It works with
// 16-bit code values, so that the two agree to their rounding; at the borders it leaves the
// kernel's outer part away where Resampler repeats the border, so that only the interior is
// compared.
func TestResampleImageDraw(t *testing.T) {
	const w, h = 40, 30
	src := noisePlate(w, h, 3)
	img := image.NewGray16(image.Rect(0, 0, w, h))
	for i := range src.Pix {
		c := uint16(16384 + 32767*src.Pix[i]) // room for the kernel's overshoot
		src.Pix[i] = float32(c) / 65535
		img.SetGray16(i%w, i/w, color.Gray16{Y: c})
	}
	for _, d := range [][2]float64{{0, 0}, {0.5, 0}, {0.25, -0.75}, {-1.3, 2.6}} {
		dst := NewResampler(moved(w, h, d[0], d[1])).Gray(nil, src)
		want := image.NewRGBA64(image.Rect(0, 0, w, h))
		draw.CatmullRom.Transform(want, f64.Aff3{1, 0, -d[0], 0, 1, -d[1]}, img, img.Bounds(), draw.Src, nil)
		for y := 6; y < h-6; y++ {
			for x := 6; x < w-6; x++ {
				got, ref := float64(dst.Pix[y*w+x])*65535, float64(want.RGBA64At(x, y).R)
				if math.Abs(got-ref) > 2 {
					t.Fatalf("moved by %v, at (%d, %d): %.2f of 65535, image/draw has %v", d, x, y, got, ref)
				}
			}
		}
	}
}

// A pattern too fine for the color plate must average out and not alias.
func TestResampleAntialias(t *testing.T) {
	g := NewGeometry(50, 50, 150, 150)
	src := plate.NewGray(150, 150)
	for i := range src.Pix {
		src.Pix[i] = float32((i%150 + i/150) % 2)
	}
	for k := range Kernel(len(kernels)) {
		dst := k.NewResampler(g).Gray(nil, src)
		for i, v := range dst.Pix {
			if x, y := i%50, i/50; x > 2 && y > 2 && x < 47 && y < 47 && math.Abs(float64(v)-0.5) > 0.01 {
				t.Fatalf("%v: a checkerboard of single pixels at a third of the size is %v at (%d, %d), want 0.5", k, v, x, y)
			}
		}
	}
}

func TestResampleForms(t *testing.T) {
	for i, row := range []Geometry{moved(31, 17, 0.4, 0.3), NewGeometry(31, 17, 64, 40), moved(31, 17, 0.4, 0.3), moved(31, 17, 0.4, 0.3)} {
		r := []Kernel{Bicubic, Bicubic, Lanczos3, Bilinear}[i].NewResampler(row)
		src := noisePlate(row.BandW, row.BandH, 5)
		want := r.Gray(nil, src)
		if r.Geometry() != row {
			t.Errorf("the Resampler is for %v, want %v", r.Geometry(), row)
		}
		same := func(what string, got []float32) {
			t.Helper()
			for i, v := range got {
				if v != want.Pix[i] {
					t.Fatalf("%s: pixel %d is %v, want %v", what, i, v, want.Pix[i])
				}
			}
		}
		dst := plate.NewGray(31, 17)
		if got := r.Gray(dst, src); got != dst {
			t.Error("a frame of the right size was not used")
		}
		same("in place", dst.Pix)
		if got := r.Gray(plate.NewGray(3, 3), src); got.W != 31 || got.H != 17 {
			t.Errorf("the wrong size gave %dx%d pixels, want 31x17", got.W, got.H)
		}
		for y := range 17 {
			line := make([]float32, 31)
			r.Row(line, src, y)
			for x, v := range line { // the row's last pixels may come from the plain loop, whose products are not fused
				if math.Abs(float64(v-want.Pix[31*y+x])) > 1e-6 {
					t.Fatalf("row %d alone: pixel %d is %v, want %v", y, x, v, want.Pix[31*y+x])
				}
			}
		}
		var wait sync.WaitGroup
		for range 8 {
			wait.Go(func() { same("at the same time as others", r.Gray(nil, src).Pix) })
		}
		wait.Wait()
	}
}

func TestValid(t *testing.T) {
	// Moved by 2.4 to the right and 1 up, of 5 columns the places are 2.4 3.4 4.4 | 5.4 6.4, and
	// 4.5 is the edge.
	v := NewResampler(moved(5, 3, 2.4, -1)).Valid()
	want := []float32{0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 1, 1, 0, 0}
	for i := range want {
		if v.Pix[i] != want[i] {
			t.Fatalf("the mask is %v, want %v", v.Pix, want)
		}
	}
	for i, v := range NewResampler(NewGeometry(64, 48, 20, 90)).Valid().Pix {
		if v != 1 {
			t.Fatalf("frames stretched over each other: pixel %d is outside", i)
		}
	}
}

func TestResamplerMisuse(t *testing.T) {
	r := NewResampler(Identity(8, 8))
	for _, row := range []struct {
		name, want string
		f          func()
	}{
		{"no geometry", "at least 1x1", func() { NewResampler(Geometry{}) }},
		{"no such kernel", "0 (bicubic) to 2 (bilinear)", func() { Kernel(9).NewResampler(Identity(8, 8)) }},
		{"a band plate of another size", "9x8", func() { r.Gray(nil, plate.NewGray(9, 8)) }},
		{"a row outside", "row 8", func() { r.Row(make([]float32, 8), plate.NewGray(8, 8), 8) }},
		{"a short row", "7 pixels", func() { r.Row(make([]float32, 7), plate.NewGray(8, 8), 0) }},
	} {
		func() {
			defer func() {
				if p := fmt.Sprint(recover()); !strings.Contains(p, row.want) {
					t.Errorf("%s: the panic says %q, want %q in it", row.name, p, row.want)
				}
			}()
			row.f()
		}()
	}
}

func BenchmarkResampler(b *testing.B) {
	for _, size := range [][2]int{{1920, 1080}, {4096, 2160}} {
		g := with(Identity(size[0], size[1]), [9]float64{0.999, -0.01, 12.5, 0.01, 0.999, -8.25, 1e-6, -1e-6, 1}, 0.01, 0)
		homography := g
		homography.Radial = [2]float64{}
		wide := NewGeometry(size[0], size[1], size[0]*3/2, size[1]*3/2)
		for _, row := range []struct {
			name string
			g    Geometry
			k    Kernel
		}{{"homography", homography, Bicubic}, {"radial", g, Bicubic}, {"wide", wide, Bicubic}, {"lanczos3", g, Lanczos3}, {"bilinear", g, Bilinear}} {
			b.Run(fmt.Sprintf("%dx%d/%s", size[0], size[1], row.name), func(b *testing.B) {
				src := noisePlate(row.g.BandW, row.g.BandH, 1)
				r := row.k.NewResampler(row.g)
				dst := r.Gray(nil, src)
				b.SetBytes(int64(4 * size[0] * size[1]))
				for b.Loop() {
					r.Gray(dst, src)
				}
			})
		}
	}
}
