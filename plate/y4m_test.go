package plate_test

import (
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"example.com/twinplate/plate"
)

// y4m returns a file of the token given after the size, whose values fill gives for a plane, column
// and line.
func y4m(w, h int, tokens string, fill func(plane, x, y int) int) string {
	layout := "420jpeg"
	for t := range strings.FieldsSeq(tokens) {
		if t[0] == 'C' {
			layout = t[1:]
		}
	}
	cw, ch := w, h
	switch {
	case strings.HasPrefix(layout, "420"):
		cw, ch = (w+1)/2, (h+1)/2
	case strings.HasPrefix(layout, "422"):
		cw = (w + 1) / 2
	case strings.HasPrefix(layout, "mono"):
		cw, ch = 0, 0
	}
	wide := regexp.MustCompile("(p|mono)[0-9]+$").MatchString(layout)
	var b strings.Builder
	fmt.Fprintf(&b, "YUV4MPEG2 W%d H%d F25:1 %s\nFRAME\n", w, h, tokens)
	for plane, size := range [3][2]int{{w, h}, {cw, ch}, {cw, ch}} {
		for y := range size[1] {
			for x := range size[0] {
				v := fill(plane, x, y)
				b.WriteByte(byte(v))
				if wide {
					b.WriteByte(byte(v >> 8))
				}
			}
		}
	}
	return b.String()
}

func flat(values ...int) func(plane, x, y int) int {
	return func(plane, _, _ int) int { return values[plane] }
}

// Color bars of published code values come out as the R'G'B' they stand for, to half a step of the
// code.
func TestY4MColorBars(t *testing.T) {
	// 75 % bars in 8 bits of BT.709 and of BT.601, and 100 % bars in 10 bits of BT.709 and of
	// BT.2020. Sources: the 8-bit values of BT.601 bars are those of ITU-R BT.1729 as widely
	// printed; they and the others are not checked against the source, and agree with the
	// Recommendations' equations worked out by hand (Y' = 16 + 219 (Kr R' + Kg G' + Kb B') and so
	// on).
	for _, row := range []struct {
		tokens string
		level  float64
		bars   [8][3]int // white, yellow, cyan, green, magenta, red, blue, black
	}{
		{"C444 XMATRIX=BT709", 0.75, [8][3]int{{180, 128, 128}, {168, 44, 136}, {145, 147, 44}, {133, 63, 52}, {63, 193, 204}, {51, 109, 212}, {28, 212, 120}, {16, 128, 128}}},
		{"C444 XMATRIX=BT601", 0.75, [8][3]int{{180, 128, 128}, {162, 44, 142}, {131, 156, 44}, {112, 72, 58}, {84, 184, 198}, {65, 100, 212}, {35, 212, 114}, {16, 128, 128}}},
		{"C444p10", 1, [8][3]int{{940, 512, 512}, {877, 64, 553}, {754, 615, 64}, {691, 167, 105}, {313, 857, 919}, {250, 409, 960}, {127, 960, 471}, {64, 512, 512}}},
		{"C444p10 XMATRIX=BT2020", 1, [8][3]int{{940, 512, 512}, {888, 64, 548}, {710, 637, 64}, {658, 189, 100}, {346, 835, 924}, {294, 387, 960}, {116, 960, 476}, {64, 512, 512}}},
	} {
		path := writeFile(t, "bars.y4m", y4m(8, 1, row.tokens, func(plane, x, _ int) int { return row.bars[x][plane] }))
		f, err := plate.ReadRGB(path, plate.Linear, nil)
		if err != nil {
			t.Fatal(err)
		}
		step := 1 / 219.
		if strings.Contains(row.tokens, "p10") {
			step = 1 / 876.
		}
		for x := range 8 {
			bar := 7 - x // bits: green, red, blue
			for c, bit := range [3]int{1, 2, 0} {
				want := row.level * float64(bar>>bit&1)
				// Luma and the weighted chroma are each off by half a step at the most.
				if got := float64(f.Pix[c][x]); math.Abs(got-want) > 1.5*step {
					t.Errorf("%s: bar %d has %.4f in channel %d, want %.4f", row.tokens, x, got, c, want)
				}
			}
		}
	}
}

func TestY4MValues(t *testing.T) {
	for _, row := range []struct {
		what, tokens string
		values       []int
		want         [3]float64
	}{
		{"white of the narrow range", "C444", []int{235, 128, 128}, [3]float64{1, 1, 1}},
		{"whiter than white is kept", "C444", []int{254, 128, 128}, [3]float64{238. / 219, 238. / 219, 238. / 219}},
		{"blacker than black is kept", "C444", []int{5, 128, 128}, [3]float64{-11. / 219, -11. / 219, -11. / 219}},
		{"white of the full range", "C444 XCOLORRANGE=FULL", []int{255, 128, 128}, [3]float64{1, 1, 1}},
		{"the narrow range by name", "C444 XCOLORRANGE=LIMITED", []int{16, 128, 128}, [3]float64{}},
		{"12 bits", "C444p12", []int{3760, 2048, 2048}, [3]float64{1, 1, 1}},
		{"12 bits, full", "C444p12 XCOLORRANGE=FULL", []int{4095, 2048, 2048}, [3]float64{1, 1, 1}},
		{"half the way, one value a pixel", "Cmono XCOLORRANGE=FULL", []int{51}, [3]float64{0.2, 0.2, 0.2}},
		{"10 bits, one value a pixel", "Cmono10", []int{502}, [3]float64{0.5, 0.5, 0.5}},
		{"12 bits, one value a pixel", "Cmono12", []int{2008}, [3]float64{0.5, 0.5, 0.5}},
		{"16 bits, one value a pixel", "Cmono16 XCOLORRANGE=FULL", []int{13107}, [3]float64{0.2, 0.2, 0.2}},
		// R' = Y' + 2 (1 - Kr) Cr and so on, with Cr 1/4 and Cb 1/8 of 224.
		{"the equations of BT.709", "C444", []int{126, 156, 184}, [3]float64{110./219 + 1.5748/4, 110./219 - 0.0722*1.8556/0.7152/8 - 0.2126*1.5748/0.7152/4, 110./219 + 1.8556/8}},
		{"the equations of BT.601", "C444 XMATRIX=BT601", []int{126, 156, 184}, [3]float64{110./219 + 1.402/4, 110./219 - 0.114*1.772/0.587/8 - 0.299*1.402/0.587/4, 110./219 + 1.772/8}},
		{"the equations of BT.2020", "C444 XMATRIX=BT2020", []int{126, 156, 184}, [3]float64{110./219 + 1.4746/4, 110./219 - 0.0593*1.8814/0.678/8 - 0.2627*1.4746/0.678/4, 110./219 + 1.8814/8}},
		{"what no camera sends is cut off at 1.5", "C444", []int{255, 255, 128}, [3]float64{239. / 219, 239./219 - 0.0722*1.8556/0.7152*127/224, 1.5}},
		{"tokens of others are let pass", "Ip A1:1 C444 XYSCSS=444 XFOO", []int{235, 128, 128}, [3]float64{1, 1, 1}},
	} {
		f, err := plate.ReadRGB(writeFile(t, "a.y4m", y4m(3, 2, row.tokens, flat(row.values...))), plate.Linear, nil)
		if err != nil {
			t.Errorf("%s: %v", row.what, err)
			continue
		}
		for c, want := range row.want {
			// The code values are rounded to 16 bits on their way through the curve's table.
			if got := float64(f.Pix[c][5]); math.Abs(got-want) > 1e-5 {
				t.Errorf("%s: channel %d is %.6f, want %.6f", row.what, c, got, want)
			}
		}
	}
}

// A ramp of Cr shows where a layout has its chroma: linear interpolation gives back the ramp at the
// pixels' own places, but for the outermost.
func TestY4MSiting(t *testing.T) {
	for _, row := range []struct {
		tokens string
		cb, cr [2]float64 // column and line of the first value, in pixels
		half   [2]float64 // pixels between values
	}{
		{"C420jpeg", [2]float64{0.5, 0.5}, [2]float64{0.5, 0.5}, [2]float64{2, 2}},
		{"C420", [2]float64{0.5, 0.5}, [2]float64{0.5, 0.5}, [2]float64{2, 2}},
		{"C420mpeg2", [2]float64{0, 0.5}, [2]float64{0, 0.5}, [2]float64{2, 2}},
		{"C420p10", [2]float64{0, 0.5}, [2]float64{0, 0.5}, [2]float64{2, 2}},
		{"C420paldv", [2]float64{0, 1}, [2]float64{0, 0}, [2]float64{2, 2}},
		{"C422", [2]float64{}, [2]float64{}, [2]float64{2, 1}},
		{"C444", [2]float64{}, [2]float64{}, [2]float64{1, 1}},
	} {
		const w, h, step = 16, 10, 3 // with so many values a pixel
		unit := 1.0
		if strings.Contains(row.tokens, "p10") {
			unit = 4
		}
		for axis := range 2 {
			file := y4m(w, h, row.tokens, func(plane, x, y int) int {
				at := [3][2]float64{{}, row.cb, row.cr}[plane][axis] + row.half[axis]*float64([2]int{x, y}[axis])
				return int(unit) * [3]int{126, int(104 + step*at), int(104 + step*at)}[plane]
			})
			f, err := plate.ReadRGB(writeFile(t, "a.y4m", file), plate.Linear, nil)
			if err != nil {
				t.Fatal(err)
			}
			for y := 1; y < h-1; y++ {
				for x := 1; x < w-1; x++ {
					at := float64([2]int{x, y}[axis])
					// The first value is a whole number, and so half a step too small where its
					// place is half a pixel.
					tint := func(first float64) float64 {
						return (104 + step*at - math.Mod(step*first, 1) - 128) / 224
					}
					i := y*w + x
					red, blue := 110./219+1.5748*tint(row.cr[axis]), 110./219+1.8556*tint(row.cb[axis])
					if math.Abs(float64(f.Pix[0][i])-red) > 1e-5 || math.Abs(float64(f.Pix[2][i])-blue) > 1e-5 {
						t.Fatalf("%s, axis %d: at (%d, %d) red and blue are %.5f and %.5f, want %.5f and %.5f", row.tokens, axis, x, y, f.Pix[0][i], f.Pix[2][i], red, blue)
					}
				}
			}
		}
	}
}

// A video goes through the curve and the weights as any picture does.
func TestY4MGray(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	path := writeFile(t, "a.y4m", y4m(31, 17, "C420mpeg2", func(int, int, int) int { return 60 + random.IntN(120) }))
	rgb, err := plate.ReadRGB(path, plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	weights := [3]float32{0.5, 0.3, 0.1}
	gray, err := plate.ReadGray(path, plate.SRGB, &weights, nil)
	if err != nil {
		t.Fatal(err)
	}
	rgba, err := plate.ReadRGBA(path, plate.SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	m, err := plate.ReadImage(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	linear, err := plate.ReadRGB(path, plate.Linear, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range gray.Pix {
		want := weights[0]*rgb.Pix[0][i] + weights[1]*rgb.Pix[1][i] + weights[2]*rgb.Pix[2][i]
		if math.Abs(float64(v-want)) > 1e-6 || rgba.Pix[1][i] != rgb.Pix[1][i] || rgba.A[i] != 1 {
			t.Fatalf("pixel %d: weighted %v, want %v; with alpha %v, %v, want %v, 1", i, v, want, rgba.Pix[1][i], rgba.A[i], rgb.Pix[1][i])
		}
		// One pixel alone is worked out as all are.
		if r, _, _, _ := m.At(i%31, i/31).RGBA(); math.Abs(float64(r)/0xffff-float64(min(max(linear.Pix[0][i], 0), 1))) > 1e-5 {
			t.Fatalf("pixel %d: At gives %v, want %v", i, float64(r)/0xffff, linear.Pix[0][i])
		}
	}
	mono, err := plate.ReadGray(writeFile(t, "b.y4m", y4m(4, 4, "Cmono", flat(235))), plate.SRGB, nil, nil)
	if err != nil || mono.Pix[7] != 1 {
		t.Errorf("a gray file: %v, %v", mono, err)
	}
}

func TestY4MErrors(t *testing.T) {
	good := y4m(4, 4, "C444", flat(16, 128, 128))
	for _, row := range []struct{ what, file, want string }{
		{"no size", "YUV4MPEG2 C444\nFRAME\n", "damaged: 0x0 pixels, and its head must have a width (W) and a height (H) above 0"},
		{"a width that is no number", "YUV4MPEG2 Wx H4\nFRAME\n", `damaged: the token "Wx" of its head must hold a whole number`},
		{"another word", "YUV4MPEG22 W4 H4\nFRAME\n", `damaged: its head begins with "YUV4MPEG22"`},
		{"interlaced", "YUV4MPEG2 W4 H4 It\nFRAME\n", "interlaced (It): only progressive frames (Ip) can be read"},
		{"alpha", "YUV4MPEG2 W4 H4 C444alpha\nFRAME\n", "the chroma layout C444alpha: C420jpeg,"},
		{"a depth there is not", "YUV4MPEG2 W4 H4 C444p7\nFRAME\n", "the chroma layout C444p7: C420jpeg,"},
		{"a matrix there is not", "YUV4MPEG2 W4 H4 C444 XMATRIX=YCGCO\nFRAME\n", `the token "XMATRIX=YCGCO": it must be XMATRIX=BT601, XMATRIX=BT709 or XMATRIX=BT2020`},
		{"a range there is not", "YUV4MPEG2 W4 H4 C444 XCOLORRANGE=SOME\nFRAME\n", `the token "XCOLORRANGE=SOME": it must be XCOLORRANGE=LIMITED or XCOLORRANGE=FULL`},
		{"no frame", "YUV4MPEG2 W4 H4 C444\n", "truncated: the file ends, after 21 bytes"},
		{"no FRAME line", "YUV4MPEG2 W4 H4 C444\nframe\n", `damaged: "frame" stands where its FRAME line must be`},
		{"a head without end", "YUV4MPEG2 " + strings.Repeat("X ", 4000), "damaged: a line of its head is longer than 4096 bytes"},
		{"cut in its pixels", good[:len(good)-1], "truncated: the file ends, after "},
		{"more than it should have", good + "x", "damaged: 1 bytes follow its picture"},
		{"two frames", good + good[strings.Index(good, "FRAME"):], "it holds several frames: only a file of one can be read"},
		{"too large", "YUV4MPEG2 W60000 H60000 C444\nFRAME\n", "60000x60000 pixels are more than the limit of 134217728"},
		{"larger than the file", "YUV4MPEG2 W10000 H10000 C444p16\nFRAME\n", "truncated: the file ends, after 38 bytes"},
	} {
		path := writeFile(t, "a.y4m", row.file)
		if _, err := plate.ReadImage(path, nil); err == nil || !strings.HasPrefix(err.Error(), path+": "+row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
	}
}

func TestPNM(t *testing.T) {
	for _, row := range []struct {
		what, file string
		want       plate.Info
		value      [3]float64 // of the second pixel
	}{
		{"gray, 8 bits", "P5\n2 1\n255\n\x00\x33", plate.Info{W: 2, H: 1, Depth: 8}, [3]float64{0.2, 0.2, 0.2}},
		{"color, 8 bits", "P6 2 1 255\n\x00\x00\x00\xff\x33\x00", plate.Info{W: 2, H: 1, Depth: 8, Color: true}, [3]float64{1, 0.2, 0}},
		{"gray, 16 bits", "P5 2 1 65535\n\x00\x00\x33\x33", plate.Info{W: 2, H: 1, Depth: 16}, [3]float64{0.2, 0.2, 0.2}},
		{"color, 16 bits", "P6 2 1 65535\n\x00\x00\x00\x00\x00\x00\xff\xff\x33\x33\x00\x00", plate.Info{W: 2, H: 1, Depth: 16, Color: true}, [3]float64{1, 0.2, 0}},
		{"10 bits", "P5 2 1 1023 \x00\x00\x03\xff", plate.Info{W: 2, H: 1, Depth: 16}, [3]float64{1, 1, 1}},
		{"4 bits", "P5 2 1 15 \x00\x03", plate.Info{W: 2, H: 1, Depth: 16}, [3]float64{0.2, 0.2, 0.2}},
		{"a value above the highest", "P5 2 1 15 \x00\x20", plate.Info{W: 2, H: 1, Depth: 16}, [3]float64{1, 1, 1}},
		{"comments, and a pixel that is a space", "P5 # made by hand\n2#columns\n1 # line\n255\n \x33", plate.Info{W: 2, H: 1, Depth: 8}, [3]float64{0.2, 0.2, 0.2}},
		{"a picture behind it is left alone", "P5 2 1 255\n\x00\x33P5", plate.Info{W: 2, H: 1, Depth: 8}, [3]float64{0.2, 0.2, 0.2}},
	} {
		path := writeFile(t, "a.pnm", row.file)
		row.want.Format = "pnm"
		if got, err := plate.Probe(path); err != nil || got != row.want {
			t.Errorf("%s: %+v, %v, want %+v", row.what, got, err, row.want)
		}
		f, err := plate.ReadRGB(path, plate.Linear, nil)
		if err != nil {
			t.Errorf("%s: %v", row.what, err)
			continue
		}
		for c, want := range row.value {
			if got := float64(f.Pix[c][1]); math.Abs(got-want) > 1e-6 {
				t.Errorf("%s: channel %d is %v, want %v", row.what, c, got, want)
			}
		}
	}
	for _, row := range []struct{ what, file, want string }{
		{"no space", "P5x2 1 255\n", "damaged: no space before the width in its head"},
		{"letters", "P5 a 1 255\n", "damaged: the width in its head must be a whole number above 0"},
		{"no height", "P6 1 0 255\n", "damaged: the height in its head must be a whole number above 0"},
		{"too high a value", "P6 1 1 65536\n", "damaged: the highest value in its head is more than 65535"},
		{"a head cut off", "P6 1 1 25", "truncated: the file ends, after 9 bytes"},
		{"pixels cut off", "P6 2 2 255\n12345678901", "truncated: the file ends, after 22 bytes"},
		{"too large", "P5 100000 100000 255\n", "100000x100000 pixels are more than the limit"},
	} {
		path := writeFile(t, "a.ppm", row.file)
		if _, err := plate.ReadImage(path, nil); err == nil || !strings.HasPrefix(err.Error(), path+": "+row.want) {
			t.Errorf("%s: %v\nwant %s", row.what, err, row.want)
		}
	}
}

// Decode reads from memory what ReadImage reads from a file.
func TestDecode(t *testing.T) {
	m, info, err := plate.Decode([]byte("P5 2 1 255\n\x00\x33"), nil)
	if g, ok := m.(*image.Gray); err != nil || !ok || g.Pix[1] != 0x33 || info.Format != "pnm" || info.W != 2 {
		t.Errorf("%v, %+v, %v", m, info, err)
	}
	if _, _, err := plate.Decode([]byte("hello"), nil); err == nil || !strings.HasPrefix(err.Error(), "not a picture that can be read") {
		t.Errorf("%v", err)
	}
}

func BenchmarkY4M(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 1))
	for _, layout := range []string{"C420mpeg2", "C420p10", "C422", "C444"} {
		unit := 1 + 3*strings.Count(layout, "p10")
		path := writeFile(b, "0001.y4m", y4m(1920, 1080, layout, func(_, x, y int) int { return unit * (x/16 + y/20 + random.IntN(4) + 20) }))
		b.Run(layout, func(b *testing.B) {
			for b.Loop() {
				if _, err := plate.ReadRGB(path, plate.BT709, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(layout+"/gray", func(b *testing.B) {
			for b.Loop() {
				if _, err := plate.ReadGray(path, plate.BT709, &[3]float32{0.5, 0.4, 0.1}, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A frame in memory is the frame of a file, and one of another size is refused.
func TestVideoFrame(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 9))
	for _, tokens := range []string{"C420mpeg2 XMATRIX=BT601", "C422p10 XCOLORRANGE=LIMITED", "C444", "Cmono12 XCOLORRANGE=FULL"} {
		file := y4m(7, 5, tokens, func(_, _, _ int) int { return random.IntN(256) })
		want, _, err := plate.Decode([]byte(file), nil)
		if err != nil {
			t.Fatal(err)
		}
		data := []byte(file[strings.Index(file, "FRAME\n")+6:])
		got, err := plate.VideoFrame(7, 5, tokens, data)
		if err != nil {
			t.Fatal(err)
		}
		if d := plate.RGBFromImage(got, plate.SRGB).Pix; !reflect.DeepEqual(d, plate.RGBFromImage(want, plate.SRGB).Pix) {
			t.Errorf("%s: the frame in memory has other light than the file's", tokens)
		}
		for _, bad := range [][]byte{data[1:], append(data, 0), nil} {
			if _, err := plate.VideoFrame(7, 5, tokens, bad); err == nil {
				t.Errorf("%s: a frame of %d bytes is taken for one of %d", tokens, len(bad), len(data))
			}
		}
		for _, size := range [][2]int{{0, 5}, {7, -5}, {1 << 30, 1 << 30}} {
			if _, err := plate.VideoFrame(size[0], size[1], tokens, data); err == nil {
				t.Errorf("%s: a frame of %dx%d pixels is taken for one of 7x5", tokens, size[0], size[1])
			}
		}
	}
}
