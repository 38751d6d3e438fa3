package composite

import (
	"encoding/json"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"golang.org/x/image/draw"

	"example.com/twinplate/internal/blur"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

// grayRGB makes a gray frame from rows of numbers.
func grayRGB(rows ...[]float32) *plate.RGB {
	f := plate.NewRGB(len(rows[0]), len(rows))
	for y, row := range rows {
		for c := range f.Pix {
			copy(f.Pix[c][y*f.W:], row)
		}
	}
	return f
}

func fitted(t *testing.T, src *plate.RGB, w, h int, fit Fit) *plate.RGB {
	t.Helper()
	f, err := NewFitter(src.W, src.H, w, h, fit)
	if err != nil {
		t.Fatal(err)
	}
	got, err := f.RGB(nil, src)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// Where a picture lands, worked by hand.
func TestPlace(t *testing.T) {
	for _, test := range []struct {
		name                   string
		srcW, srcH, dstW, dstH int
		fit                    Fit
		left, top, sx, sy      float64
	}{
		{"fill with a wide picture crops left and right", 40, 10, 20, 10, Fit{}, -10, 0, 1, 1},
		{"fill with a tall picture crops top and bottom", 10, 40, 20, 10, Fit{}, 0, -35, 2, 2},
		{"inside with a wide picture: bars above and below", 40, 10, 20, 10, Fit{Mode: Inside}, 0, 2.5, 0.5, 0.5},
		{"inside with a tall picture: bars beside", 10, 40, 20, 10, Fit{Mode: Inside}, 8.75, 0, 0.25, 0.25},
		{"stretch", 40, 10, 20, 30, Fit{Mode: Stretch}, 0, 0, 0.5, 3},
		{"none with a larger picture", 40, 30, 20, 10, Fit{Mode: None}, -10, -10, 1, 1},
		{"none rounds to whole pixels", 5, 5, 10, 10, Fit{Mode: None}, 3, 3, 1, 1},
		{"offsets are parts of the frame", 20, 10, 20, 10, Fit{OffsetX: 0.25, OffsetY: -0.5}, 5, -5, 1, 1},
		{"a scale is about the center", 20, 10, 20, 10, Fit{Scale: 2}, -10, -5, 2, 2},
		{"a scale moves nothing that the offset moves", 20, 10, 20, 10, Fit{Scale: 0.5, OffsetX: 0.25}, 10, 2.5, 0.5, 0.5},
	} {
		left, top, sx, sy := test.fit.place(test.srcW, test.srcH, test.dstW, test.dstH)
		if left != test.left || top != test.top || sx != test.sx || sy != test.sy {
			t.Errorf("%s: at (%v, %v) by (%v, %v); want (%v, %v) by (%v, %v)", test.name, left, top, sx, sy, test.left, test.top, test.sx, test.sy)
		}
	}
}

// Small pictures, worked by hand.
func TestFitModes(t *testing.T) {
	wide := grayRGB([]float32{1, 2, 3, 4})
	for _, test := range []struct {
		name string
		src  *plate.RGB
		w, h int
		fit  Fit
		want *plate.RGB
	}{
		{"fill crops to the middle", wide, 2, 1, Fit{}, grayRGB([]float32{2, 3})},
		{"fill, moved right by half a frame", wide, 2, 1, Fit{OffsetX: 0.5}, grayRGB([]float32{1, 2})},
		{"moved so far that the frame shows", wide, 2, 1, Fit{OffsetX: 1}, grayRGB([]float32{0, 1})},
		{"moved out of the frame", wide, 2, 1, Fit{OffsetX: 10}, grayRGB([]float32{0, 0})},
		{"inside leaves black bars", wide, 4, 3, Fit{Mode: Inside}, grayRGB([]float32{0, 0, 0, 0}, []float32{1, 2, 3, 4}, []float32{0, 0, 0, 0})},
		{"a bar of half a pixel is half black", wide, 4, 2, Fit{Mode: Inside}, grayRGB([]float32{0.5, 1, 1.5, 2}, []float32{0.5, 1, 1.5, 2})},
		{"none puts pixel on pixel", wide, 6, 1, Fit{Mode: None}, grayRGB([]float32{0, 1, 2, 3, 4, 0})},
		{"none with a pixel to spare puts it left", wide, 5, 1, Fit{Mode: None}, grayRGB([]float32{0, 1, 2, 3, 4})},
		{"one pixel stretched", grayRGB([]float32{7}), 3, 2, Fit{Mode: Stretch}, grayRGB([]float32{7, 7, 7}, []float32{7, 7, 7})},
		{"a flat picture stays flat", grayRGB([]float32{3, 3, 3}, []float32{3, 3, 3}), 7, 5, Fit{Mode: Stretch}, grayRGB(slices.Repeat([]float32{3}, 7), slices.Repeat([]float32{3}, 7), slices.Repeat([]float32{3}, 7), slices.Repeat([]float32{3}, 7), slices.Repeat([]float32{3}, 7))},
	} {
		t.Run(test.name, func(t *testing.T) {
			got := fitted(t, test.src, test.w, test.h, test.fit)
			for i, v := range got.Pix[1] {
				if math.Abs(float64(v-test.want.Pix[1][i])) > 1e-6 {
					t.Fatalf("got %v, want %v", got.Pix[1], test.want.Pix[1])
				}
			}
		})
	}
}

// What must be copied is copied to the bit, NaN, negative zero and highlights alike.
func TestFitCopies(t *testing.T) {
	src := grayRGB([]float32{nan, float32(math.Copysign(0, -1)), 1e9}, []float32{-3, 0.1, float32(math.Inf(1))})
	for _, fit := range []Fit{{}, {Mode: Inside}, {Mode: Stretch}, {Mode: None}, {Scale: 1}} {
		if got := fitted(t, src, 3, 2, fit); !same(got, src) {
			t.Errorf("%+v: %v, want %v", fit, got.Pix[0], src.Pix[0])
		}
	}
	// Moved by whole pixels, NaN and infinity stay in their own pixels.
	got := fitted(t, src, 3, 2, Fit{OffsetX: 1.0 / 3})
	want := grayRGB([]float32{0, nan, 0}, []float32{0, -3, 0.1})
	for i, v := range got.Pix[0] {
		if w := want.Pix[0][i]; v != w && !(v != v && w != w) {
			t.Errorf("moved by a pixel: %v, want %v", got.Pix[0], want.Pix[0])
			break
		}
	}
}

// Keys 1981: at twice the size the new pixels lie a quarter of a pixel from the old, where the
// kernel is -9/128, 111/128, 29/128 and -3/128 (from his equation 15, in exact fractions).
func TestKeysWeights(t *testing.T) {
	impulse := grayRGB([]float32{0, 0, 0, 0, 128, 0, 0, 0, 0})
	got := fitted(t, impulse, 18, 1, Fit{Mode: Stretch})
	want := []float32{0, 0, 0, 0, 0, -3, -9, 29, 111, 111, 29, -9, -3, 0, 0, 0, 0, 0}
	for i, v := range got.Pix[0] {
		if math.Abs(float64(v-want[i])) > 1e-4 {
			t.Fatalf("got %v, want %v", got.Pix[0], want)
		}
	}
}

// Keys 1981: with a = -1/2 a parabola is reproduced exactly, away from the edges.
func TestKeysReproducesParabola(t *testing.T) {
	const n, times = 16, 3
	line := make([]float32, n)
	for i := range line {
		line[i] = float32(i * i)
	}
	got := fitted(t, grayRGB(line), n*times, 1, Fit{Mode: Stretch})
	for i := 2 * times; i < (n-2)*times; i++ {
		x := (float64(i)+0.5)/times - 0.5
		if math.Abs(float64(got.Pix[0][i])-x*x) > 1e-4 {
			t.Errorf("at %v: %v, want %v", x, got.Pix[0][i], x*x)
		}
	}
}

// The finest checkerboard becomes even gray when halved, and its light is kept.
func TestShrinkingDoesNotAlias(t *testing.T) {
	src := plate.NewRGB(64, 64)
	for i := range src.Pix[0] {
		if (i%64+i/64)%2 == 0 {
			src.Pix[0][i] = 1
		}
	}
	for _, side := range []int{32, 23, 8} {
		got := fitted(t, src, side, side, Fit{})
		for y := 2; y < side-2; y++ {
			for x := 2; x < side-2; x++ {
				if v := got.Pix[0][y*side+x]; math.Abs(float64(v)-0.5) > 0.01 {
					t.Fatalf("to %d: pixel (%d, %d) is %v, want 0.5", side, x, y, v)
				}
			}
		}
	}
}

// golang.org/x/image/draw's CatmullRom on 16-bit pictures uses the same filter and the same edges.
func TestFitterAgainstXImageDraw(t *testing.T) {
	src := plate.NewRGB(37, 29)
	picture := image.NewRGBA64(src.Bounds())
	for i := range src.Pix[0] {
		x, y := float64(i%src.W), float64(i/src.W)
		var q [3]uint16
		for c := range q {
			v := 0.5 + 0.2*math.Sin(x*(0.9+0.3*float64(c)))*math.Cos(y*1.1) + 0.1*math.Cos(x*y/40)
			q[c] = uint16(v * 0xffff)
			src.Pix[c][i] = float32(q[c]) / 0xffff
		}
		picture.SetRGBA64(i%src.W, i/src.W, color.RGBA64{R: q[0], G: q[1], B: q[2], A: 0xffff})
	}
	for _, size := range []image.Point{{74, 58}, {37, 29}, {100, 31}, {18, 14}, {12, 60}, {5, 3}, {1, 1}} {
		want := image.NewRGBA64(image.Rectangle{Max: size})
		draw.CatmullRom.Scale(want, want.Bounds(), picture, picture.Bounds(), draw.Src, nil)
		got := fitted(t, src, size.X, size.Y, Fit{Mode: Stretch})
		for i := range got.Pix[0] {
			w := want.RGBA64At(i%size.X, i/size.X)
			for c, v := range []uint16{w.R, w.G, w.B} {
				if d := math.Abs(float64(got.Pix[c][i])*0xffff - float64(v)); d > 1.5 {
					t.Fatalf("to %v: channel %d of pixel %d is %v codes off x/image/draw's %d", size, c, i, d, v)
				}
			}
		}
	}
}

// A picture placed twice as large about a shifted center is the same as its part cropped and
// stretched, away from the crop's edges.
func TestFitCropsWhatItMagnifies(t *testing.T) {
	src := &randomRGBA(1, 40, 30).RGB
	whole := fitted(t, src, 80, 60, Fit{})
	part := fitted(t, src, 40, 30, Fit{Scale: 2, OffsetX: 0.25, OffsetY: -0.1})
	// The picture's left edge is at 40/2 - 40 + 10 = -10, its top at 15 - 30 - 3 = -18.
	for y := range 30 {
		for x := range 40 {
			if got, want := part.Pix[0][y*40+x], whole.Pix[0][(y+18)*80+x+10]; math.Abs(float64(got-want)) > 1e-6 {
				t.Fatalf("pixel (%d, %d) is %v, want %v", x, y, got, want)
			}
		}
	}
}

// A layer stays a layer: color and alpha together, alpha within 0 to 1, transparent where there is
// nothing.
func TestFitterRGBA(t *testing.T) {
	src := plate.NewRGBA(8, 8)
	for i := range src.A {
		if i%8 >= 4 {
			src.A[i], src.Pix[0][i] = 1, 0.5
		}
	}
	f, err := NewFitter(8, 8, 24, 32, Fit{Mode: Inside})
	if err != nil {
		t.Fatal(err)
	}
	got, err := f.RGBA(nil, src)
	if err != nil {
		t.Fatal(err)
	}
	for i, a := range got.A {
		if y := i / 24; (y < 4 || y >= 28) && (a != 0 || got.Pix[0][i] != 0) {
			t.Fatalf("pixel (%d, %d), in the bars, has alpha %v and red %v", i%24, y, a, got.Pix[0][i])
		}
		if a < 0 || a > 1 {
			t.Fatalf("pixel (%d, %d) has alpha %v", i%24, i/24, a)
		}
	}
	i := 16*24 + 20
	if math.Abs(float64(got.A[i])-1) > 1e-6 || math.Abs(float64(got.Pix[0][i])-0.5) > 1e-6 {
		t.Errorf("inside, alpha is %v and red %v; want 1 and 0.5", got.A[i], got.Pix[0][i])
	}
}

func TestFitterConcurrently(t *testing.T) {
	f, err := NewFitter(33, 21, 50, 40, Fit{})
	if err != nil {
		t.Fatal(err)
	}
	src := &randomRGBA(1, 33, 21).RGB
	want, err := f.RGB(nil, src)
	if err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	for range 4 {
		wait.Go(func() {
			dst := plate.NewRGB(50, 40)
			for range 5 {
				if got, err := f.RGB(dst, src); err != nil || !same(got, want) {
					t.Errorf("the result differs (error %v)", err)
				}
			}
		})
	}
	wait.Wait()
}

func TestFitErrors(t *testing.T) {
	for _, test := range []struct {
		name                   string
		srcW, srcH, dstW, dstH int
		fit                    Fit
		want                   string
	}{
		{"an empty picture", 0, 4, 4, 4, Fit{}, "the picture is 0x4 pixels, and each side must be 1 to 65536"},
		{"a frame too large", 4, 4, 4, 70000, Fit{}, "the frame is 4x70000 pixels"},
		{"no such mode", 4, 4, 4, 4, Fit{Mode: 9}, "there is no fit mode 9: they are 0 (fill) to 3 (none)"},
		{"a negative scale", 4, 4, 4, 4, Fit{Scale: -1}, "the fit's scale is -1, and must be 0.001 to 1000"},
		{"a scale of NaN", 4, 4, 4, 4, Fit{Scale: math.NaN()}, "the fit's scale is NaN"},
		{"a boundless offset", 4, 4, 4, 4, Fit{OffsetX: math.Inf(1)}, "the fit's offset_x is +Inf frames"},
		{"an offset of NaN", 4, 4, 4, 4, Fit{OffsetY: math.NaN()}, "the fit's offset_y is NaN frames"},
	} {
		if _, err := NewFitter(test.srcW, test.srcH, test.dstW, test.dstH, test.fit); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: error %v, want one that says %q", test.name, err, test.want)
		}
	}
	// The smallest and the largest scales that are allowed, on sizes that do not suit them.
	for _, fit := range []Fit{{Scale: 0.001}, {Scale: 1000}, {Scale: 0.001, Mode: None, OffsetX: 0.4999}} {
		got := fitted(t, grayRGB([]float32{1, 1, 1}, []float32{1, 1, 1}), 5, 4, fit)
		for _, v := range got.Pix[0] {
			if !(v >= 0 && v <= 1.0001) {
				t.Errorf("%+v makes %v of a picture of ones", fit, got.Pix[0])
			}
		}
	}
}

func TestFitJSON(t *testing.T) {
	for _, test := range []struct {
		fit  Fit
		text string
	}{
		{Fit{}, `{"mode":"fill"}`},
		{Fit{Mode: Inside, OffsetX: 0.25, OffsetY: -0.5, Scale: 2}, `{"mode":"inside","offset_x":0.25,"offset_y":-0.5,"scale":2}`},
		{Fit{Mode: Stretch}, `{"mode":"stretch"}`},
		{Fit{Mode: None}, `{"mode":"none"}`},
	} {
		text, err := json.Marshal(test.fit)
		if err != nil || string(text) != test.text {
			t.Errorf("%+v is %s, %v; want %s", test.fit, text, err, test.text)
		}
		var back Fit
		if err := json.Unmarshal([]byte(test.text), &back); err != nil || back != test.fit {
			t.Errorf("%s is %+v, %v; want %+v", test.text, back, err, test.fit)
		}
	}
	var f Fit
	if err := json.Unmarshal([]byte(`{"mode":"strech"}`), &f); err == nil || !strings.Contains(err.Error(), `there is no fit mode called "strech": did you mean "stretch"?`) {
		t.Errorf("error %v", err)
	}
	if err := json.Unmarshal([]byte(`{}`), &f); err != nil || f != (Fit{}) {
		t.Errorf("an empty object is %+v, %v", f, err)
	}
	if _, err := json.Marshal(Fit{Mode: 9}); err == nil {
		t.Error("a mode that does not exist has a text")
	}
}

// The coverage is what a picture of ones becomes.
func TestCoverage(t *testing.T) {
	for _, fit := range []Fit{{}, {Mode: Inside}, {Mode: None, OffsetX: 0.3}, {Mode: Stretch}, {OffsetY: 0.13, Scale: 1.7}, {Mode: Inside, Scale: 0.61, OffsetX: -0.05}} {
		f, err := NewFitter(37, 23, 64, 20, fit)
		if err != nil {
			t.Fatal(err)
		}
		ones := plate.NewRGB(37, 23)
		ones.Fill(1, 1, 1)
		want, err := f.RGB(nil, ones)
		if err != nil {
			t.Fatal(err)
		}
		for i, got := range f.Coverage().Pix {
			if math.Abs(float64(got-want.Pix[0][i])) > 1e-5 || got > 1 {
				t.Fatalf("%+v: pixel %d is covered by %v, and a picture of ones is %v", fit, i, got, want.Pix[0][i])
			}
		}
	}
}

// Turned by right angles a picture is its rows as columns, to the bit but for rounding; whatever
// the angle its light and its center stay, and it covers its own area.
func TestTurn(t *testing.T) {
	src := plate.NewRGB(40, 40)
	rng := rand.New(rand.NewPCG(4, 4))
	for c := range src.Pix {
		for i := range src.Pix[c] {
			src.Pix[c][i] = rng.Float32()
		}
	}
	for degrees, from := range map[float64]func(x, y int) (int, int){
		90:   func(x, y int) (int, int) { return y, 39 - x },
		-90:  func(x, y int) (int, int) { return 39 - y, x },
		180:  func(x, y int) (int, int) { return 39 - x, 39 - y },
		-270: func(x, y int) (int, int) { return y, 39 - x },
	} {
		f, err := NewFitter(40, 40, 40, 40, Fit{Turn: degrees})
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.RGB(nil, src)
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range got.Pix[1] {
			x, y := from(i%40, i/40)
			if d := v - src.Pix[1][y*40+x]; d > 1e-5 || d < -1e-5 {
				t.Fatalf("%v degrees: pixel %d is %v, want %v", degrees, i, v, src.Pix[1][y*40+x])
			}
		}
	}
	for _, size := range []int{60, 400} { // enlarged or as it is, and shrunk
		smooth := plate.NewRGB(size, size/2)
		for i := range smooth.Pix[0] {
			x, y := (float64(i%size)+0.5)/float64(size)-0.5, (float64(i/size)+0.5)/float64(size)-0.25
			smooth.Pix[0][i] = float32(math.Exp(-(x*x + y*y) / 0.02))
		}
		f, err := NewFitter(size, size/2, 200, 200, Fit{Mode: Inside, Scale: 0.6, Turn: 33, OffsetX: 0.1, OffsetY: -0.05})
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.RGB(nil, smooth)
		if err != nil {
			t.Fatal(err)
		}
		var light, x, y, area float64
		for i, v := range got.Pix[0] {
			light += float64(v)
			x += float64(v) * (float64(i%200) + 0.5)
			y += float64(v) * (float64(i/200) + 0.5)
		}
		for _, v := range f.Coverage().Pix {
			area += float64(v)
		}
		// The bell's integral, 2 pi times its variance of 0.01 widths squared, of 120 pixels, less
		// what lies beyond the picture, 2.5 standard deviations above and below.
		if want := 2 * math.Pi * 0.01 * 120 * 120 * math.Erf(2.5/math.Sqrt2); math.Abs(light-want) > 0.002*want || math.Abs(x/light-120) > 0.1 || math.Abs(y/light-90) > 0.1 || math.Abs(area-120*60) > 20 {
			t.Errorf("of %d pixels: light %.1f, want %.1f; center %.2f, %.2f; area %.0f", size, light, want, x/light, y/light, area)
		}
	}
}

// Softness spreads light and keeps it.
func TestSoftness(t *testing.T) {
	src := plate.NewRGB(64, 64)
	src.Pix[2][32*64+32] = 1
	f, err := NewFitter(64, 64, 64, 64, Fit{Softness: 3})
	if err != nil {
		t.Fatal(err)
	}
	got, err := f.RGB(nil, src)
	if err != nil {
		t.Fatal(err)
	}
	sum, want := 0., 1/(2*math.Pi*9)
	for _, v := range got.Pix[2] {
		sum += float64(v)
	}
	if peak := float64(got.Pix[2][32*64+32]); math.Abs(sum-1) > 1e-4 || math.Abs(peak-want) > 0.01*want || f.Same() {
		t.Errorf("sum %v, peak %v, want %v", sum, peak, want)
	}
}

// A fitted picture whose values are where they lie in it shows Fit.Picture's places.
func TestFitPicture(t *testing.T) {
	const w, h, srcW, srcH = 90, 50, 64, 48
	src := plate.NewRGB(srcW, srcH)
	for i := range src.Pix[0] {
		src.Pix[0][i], src.Pix[1][i] = (float32(i%srcW)+0.5)/srcW, (float32(i/srcW)+0.5)/srcH
	}
	for _, fit := range []Fit{{}, {Mode: Inside, OffsetX: 0.1}, {Mode: Stretch, Scale: 1.3}, {Mode: None, OffsetY: -0.2}, {Turn: 20}, {Turn: -100, Scale: 0.8, OffsetX: -0.1, OffsetY: 0.2, Mode: Stretch}} {
		f, err := NewFitter(srcW, srcH, w, h, fit)
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.RGB(nil, src)
		if err != nil {
			t.Fatal(err)
		}
		m, seen := fit.Picture(srcW, srcH, w, h), 0
		for i := range got.Pix[0] {
			x, y := (float64(i%w)+0.5)/w, (float64(i/w)+0.5)/h
			u, v := m[0]*x+m[1]*y+m[2], m[3]*x+m[4]*y+m[5]
			const edge = 0.1 // at the picture's edges the cubic has no neighbors
			if min(u, v) < edge || max(u, v) > 1-edge {
				continue
			}
			seen++
			if math.Abs(float64(got.Pix[0][i])-u) > 1e-3 || math.Abs(float64(got.Pix[1][i])-v) > 1e-3 {
				t.Fatalf("%+v: %v, %v of the frame shows %v, %v, want %v, %v", fit, x, y, got.Pix[0][i], got.Pix[1][i], u, v)
			}
		}
		if seen < 300 {
			t.Errorf("%+v: %d pixels", fit, seen)
		}
	}
}

// The part of a turned row that is done at once is what its pixels are one by one, but for
// rounding.
func TestTurnByRows(t *testing.T) {
	src, r := plate.NewRGB(70, 50), rand.New(rand.NewPCG(5, 6))
	for c := range src.Pix {
		for i := range src.Pix[c] {
			src.Pix[c][i] = r.Float32()
		}
	}
	for _, fit := range []Fit{
		{Turn: 1e-7, Scale: 1.1}, {Turn: 3}, {Turn: 45, Scale: 1.7}, {Turn: 90, Mode: None}, {Turn: -133, OffsetX: 0.3}, {Turn: 180, Scale: 0.4},
		{Turn: 270, Scale: 4, OffsetY: -2}, {Turn: 12, OffsetX: 900}, {Turn: 200, Mode: Stretch}, {Turn: 10, Scale: 0.05},
	} {
		const w, h = 64, 48
		f, err := NewFitter(src.W, src.H, w, h, fit)
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.RGB(nil, src)
		if err != nil {
			t.Fatal(err)
		}
		small := src.Pix[:]
		if f.turn.shrink != nil {
			one, err := f.turn.shrink.RGB(nil, src)
			if err != nil {
				t.Fatal(err)
			}
			small = one.Pix[:]
		}
		atOnce := 0
		want := plate.NewRGB(w, h)
		for y := range h {
			left, right, from, to := f.turn.within(y, w)
			atOnce += to - from
			for x := range w {
				row := want.Row(y)
				f.turn.pixel(row[:], small, x, y)
				if _, _, cover := f.turn.at(x, y); x >= from && x < to && cover != 1 {
					t.Errorf("%+v: pixel %d, %d is covered by %v and done at once", fit, x, y, cover)
				} else if (x < left || x >= right) && cover != 0 {
					t.Errorf("%+v: pixel %d, %d is covered by %v and left out", fit, x, y, cover)
				}
			}
		}
		for c := range want.Pix {
			for i, v := range want.Pix[c] {
				if d := math.Abs(float64(got.Pix[c][i] - v)); !(d <= 2e-6) {
					t.Fatalf("%+v: pixel %d, %d is %v, want %v", fit, i%w, i/w, got.Pix[c][i], v)
				}
			}
		}
		t.Logf("%+v: %d of %d pixels at once", fit, atOnce, w*h)
	}
}

func TestToward(t *testing.T) {
	a, b := Fit{Mode: Inside, OffsetX: 0.1}, Fit{Scale: 4, Turn: 10, Softness: 2}
	if got := a.Toward(b, 0.5); got != (Fit{Mode: Inside, OffsetX: 0.05, Scale: 2, Turn: 5, Softness: 1}) {
		t.Errorf("%+v", got)
	}
	for _, f := range []Fit{{Turn: 400}, {Turn: math.NaN()}, {Softness: -1}, {Softness: 900}} {
		if _, err := NewFitter(4, 4, 4, 4, f); err == nil {
			t.Errorf("%+v was taken", f)
		}
	}
}

// Rows by themselves are those of the frame to the bit, in any order and of one picture after the
// other, whatever is done to it; and so is a frame of a Fitted.
func TestFittedRows(t *testing.T) {
	const w, h = 90, 160
	rng := rand.New(rand.NewPCG(7, 7))
	picture := func(w, h int) *plate.RGB {
		f := plate.NewRGB(w, h)
		for c := range f.Pix {
			for i := range f.Pix[c] {
				f.Pix[c][i] = rng.Float32()
			}
		}
		return f
	}
	pictures := []*plate.RGB{picture(w, h), picture(130, 70)}
	var fitted Fitted
	for _, fit := range []Fit{
		{}, {Scale: 1.1}, {Scale: 3, OffsetY: 0.4}, {Mode: Inside, Scale: 0.7}, {OffsetX: 5}, {Softness: 1}, {Softness: 3.2}, {Softness: 12},
		{Scale: 1.2, Softness: 1}, {Scale: 1.2, Softness: 5, OffsetX: 0.7}, {Mode: Inside, Softness: 30}, {OffsetY: 3, Softness: 4},
		{Turn: 8}, {Turn: 8, Softness: 5}, {Turn: 50, Scale: 0.5, Softness: 1},
	} {
		for _, src := range pictures {
			f, err := NewFitter(src.W, src.H, w, h, fit)
			if err != nil {
				t.Fatal(err)
			}
			want, err := f.RGB(nil, src)
			if err != nil {
				t.Fatal(err)
			}
			if err := fitted.Begin(f, src); err != nil {
				t.Fatal(err)
			}
			order := slices.Concat(rng.Perm(h), list.To(h))
			for _, y := range order {
				row := fitted.Row(y)
				for c := range row {
					if !slices.Equal(row[c], want.Row(y)[c]) {
						t.Fatalf("%+v of %v: row %d differs", fit, src.Size(), y)
					}
				}
			}
			if again := fitted.RGB(nil); !slices.Equal(again.Pix[1], want.Pix[1]) {
				t.Errorf("%+v of %v: the frame differs", fit, src.Size())
			}
		}
	}
	f, err := NewFitter(4, 4, w, h, Fit{})
	if err != nil {
		t.Fatal(err)
	}
	if err := fitted.Begin(f, pictures[0]); err == nil {
		t.Error("a picture of another size was taken")
	}
}

// What is fitted and softened in one is what is softened after it was fitted, but for rounding.
func TestSoftAfterFit(t *testing.T) {
	const w, h = 120, 100
	src := plate.NewRGB(100, 90)
	rng := rand.New(rand.NewPCG(8, 8))
	for c := range src.Pix {
		for i := range src.Pix[c] {
			src.Pix[c][i] = rng.Float32()
		}
	}
	for _, softness := range []float64{0.8, 3.1, 7} {
		for _, fit := range []Fit{{}, {Scale: 1.3, OffsetX: 0.2}, {Mode: Inside, Scale: 0.6}} {
			plain, err := NewFitter(src.W, src.H, w, h, fit)
			if err != nil {
				t.Fatal(err)
			}
			fit.Softness = softness
			soft, err := NewFitter(src.W, src.H, w, h, fit)
			if err != nil {
				t.Fatal(err)
			}
			want, _ := plain.RGB(nil, src)
			got, _ := soft.RGB(nil, src)
			g := blur.NewGaussian(w, h, softness)
			for c := range want.Pix {
				g.Plane(want.Pix[c])
				for i, v := range want.Pix[c] {
					if d := math.Abs(float64(got.Pix[c][i] - v)); !(d <= 1e-6) { // some roundings of float32
						t.Fatalf("%+v: pixel %d, %d is off by %v", fit, i%w, i/w, d)
					}
				}
			}
		}
	}
}
