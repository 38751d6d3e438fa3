//go:build !js

package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"image"
	_ "image/png"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// The canvas of the test's page, in CSS pixels: its place and its size.
const (
	left, top     = 20, 40
	width, height = 320, 200
)

// A page is the viewer in a browser.
type page struct {
	*testing.T
	ctx context.Context
}

// eval runs JavaScript in the page and waits for its promise.
func eval[T any](p page, script string, args ...any) T {
	p.Helper()
	result, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](fmt.Sprintf(script, args...), chromedp.EvalAwaitPromise))
	if err != nil {
		p.Fatalf("%.200s: %v", fmt.Sprintf(script, args...), err)
	}
	return result
}

func (p page) run(script string, args ...any) {
	p.Helper()
	eval[bool](p, "("+script+", true)", args...)
}

func (p page) do(steps ...chromedp.Action[chromedp.Void]) {
	p.Helper()
	if err := chromedp.Do(p.ctx, steps...); err != nil {
		p.Fatal(err)
	}
}

// wait waits for the viewer to come up.
func (p page) wait() {
	p.Helper()
	ready := chromedp.Poll[bool]("viewer !== undefined", chromedp.WithPollingTimeout(30*time.Second))
	if _, err := chromedp.Run(p.ctx, ready); err != nil {
		p.Fatalf("the viewer does not come up: %v", err)
	}
}

// A canvas is what the viewer shows, 4 bytes a pixel.
type canvas struct {
	W, H int
	RGBA []byte
}

func (c canvas) at(x, y int) [3]int {
	i := 4 * (y*c.W + x)
	return [3]int{int(c.RGBA[i]), int(c.RGBA[i+1]), int(c.RGBA[i+2])}
}

func (p page) pixels() canvas {
	p.Helper()
	return eval[canvas](p, `pixels().then(({w, h, rgba}) => ({W: w, H: h, RGBA: rgba}))`)
}

// show shows half floats on a side.
func (p page) show(side, w, h int, halfs []uint16) {
	p.Helper()
	hi, lo := make([]byte, len(halfs)), make([]byte, len(halfs))
	for i, v := range halfs {
		hi[i], lo[i] = byte(v>>8), byte(v)
	}
	to64 := base64.StdEncoding.EncodeToString
	if !eval[bool](p, "show(%d, %d, %d, '%s', '%s')", side, w, h, to64(hi), to64(lo)) {
		p.Fatalf("a picture of %dx%d is not taken", w, h)
	}
}

// uniform shows one color on a side.
func (p page) uniform(side int, rgba ...float64) {
	p.Helper()
	var halfs []uint16
	for range 32 * 20 {
		for _, v := range rgba {
			halfs = append(halfs, toHalf(v))
		}
	}
	p.show(side, 32, 20, halfs)
}

// reset takes everything away, and shows what comes as a new page would.
func (p page) reset() {
	p.run(`viewer.clear(0), viewer.clear(1), viewer.divider(null), viewer.fit(), viewer.look({exposure: 0,
		channel: "rgb", under: "black", clip: false, gray: [false, false], matte: [false, false]})`)
}

// fromHalf decodes a finite IEEE 754 binary16.
func fromHalf(h uint16) float64 {
	v := math.Ldexp(float64(h&0x3ff), -24)
	if e := int(h >> 10 & 31); e > 0 {
		v = math.Ldexp(float64(h&0x3ff|0x400), e-25)
	}
	if h&0x8000 != 0 {
		return -v
	}
	return v
}

// toHalf returns the half float nearest to v, within their normal numbers.
func toHalf(v float64) uint16 {
	if v == 0 {
		return 0
	}
	f, e := math.Frexp(math.Abs(v)) // f is in [0.5, 1)
	h := uint16(int(math.RoundToEven(f*2048)) - 1024 + (e+14)<<10)
	if v < 0 {
		h |= 0x8000
	}
	return h
}

// onDisplay returns the sRGB code of linear light, clamped.
func onDisplay(v float64) float64 {
	return 255 * min(max(plate.SRGB.FromLinear(v), 0), 1)
}

func (p page) wantCode(what string, got [3]int, want ...float64) {
	p.Helper()
	for i, g := range got {
		if math.Abs(float64(g)-want[i]) > 1 {
			p.Errorf("%s: shown as %v, want %.1f within 1", what, got, want)
			return
		}
	}
}

func TestInTheBrowser(t *testing.T) {
	tier.InTestAll(t)
	ctx := outside.Browser(t, 400, 260, 3*time.Minute)
	server := httptest.NewServer(site(t))
	t.Cleanup(server.Close)
	console := chromedp.Console(ctx)
	p := page{t, ctx}
	p.do(chromedp.Navigate(server.URL))
	p.wait()

	for _, test := range []struct {
		name string
		f    func(page)
	}{
		{"values", testValues},
		{"channels", testChannels},
		{"grounds", testGrounds},
		{"clipping", testClipping},
		{"sides", testSides},
		{"averaging", testAveraging},
		{"interpolation", testInterpolation},
		{"actual size", testActualSize},
		{"refusals", testRefusals},
		{"screen", testScreen},
		{"mouse", testMouse},
		{"touch", testTouch},
		{"keys", testKeys},
		{"dense display", testDenseDisplay},
	} {
		t.Run(test.name, func(t *testing.T) {
			p := page{t, ctx}
			p.reset()
			test.f(p)
		})
	}

	p.run(`console.log("end")`)
	for message, err := range console {
		if err != nil {
			t.Fatal(err)
		}
		if message.Text == "end" {
			break
		}
		t.Errorf("the console says %v", message)
	}
}

// site serves the test's page with the viewer, under the site's content security policy.
func site(t *testing.T) http.Handler {
	dir := t.TempDir()
	program := outside.Program(t, "go")
	root, err := exec.Command(program, "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	build := exec.Command(program, "build", "-o", filepath.Join(dir, "viewer.wasm"), ".")
	build.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm", "GOEXPERIMENT=")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building the viewer: %v\n%s", err, out)
	}
	files := map[string]string{
		"/viewer.wasm":        filepath.Join(dir, "viewer.wasm"),
		"/viewer.html":        "../../site/viewer.html",
		"/js/viewer-frame.js": "../../site/js/viewer-frame.js",
		"/js/wasm_exec.js":    filepath.Join(strings.TrimSpace(string(root)), "lib", "wasm", "wasm_exec.js"),
		"/":                   "testdata/index.html",
		"/page.js":            "testdata/page.js",
		"/page.css":           "testdata/page.css",
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name, ok := files[r.URL.Path]
		if !ok {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Security-Policy",
			"default-src 'self'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' data:")
		data, err := os.ReadFile(name)
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		http.ServeContent(w, r, filepath.Base(name), time.Time{}, bytes.NewReader(data))
	})
}

// Half floats of every size, at exposures that bring the smallest and the largest into sight.
func testValues(p page) {
	halfs := make([]uint16, 32*20*4)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range halfs {
		for {
			halfs[i] = uint16(rng.Uint32())
			if halfs[i]>>10&31 != 31 {
				break
			}
		}
		if i%4 == 3 {
			halfs[i] = 0x3c00 // opaque
		}
	}
	copy(halfs, []uint16{0x0000, 0x8000, 0x0001, 0x3c00, 0x03ff, 0x0400, 0x7bff, 0x3c00, 0xfbff, 0x3bff, 0x3c01, 0x3c00})
	p.show(0, 32, 20, halfs) // fits the canvas at 10 to 1
	for _, stops := range []float64{-15, -8, -2, 0, 0.5, 3, 8, 14, 22} {
		p.run("viewer.look({exposure: %v})", stops)
		shown := p.pixels()
		for i := range 32 * 20 {
			var want [3]float64
			for c := range 3 {
				want[c] = onDisplay(fromHalf(halfs[4*i+c]) * math.Exp2(stops))
			}
			p.wantCode(fmt.Sprintf("%04x at %v stops", halfs[4*i:4*i+3], stops), shown.at(i%32*10+5, i/32*10+5), want[:]...)
		}
	}
}

func testChannels(p page) {
	r, g, b, a := 0.25, 0.5, 0.125, 0.75
	p.uniform(0, r, g, b, a)
	for _, row := range []struct {
		look string
		want []float64
	}{
		{`channel: "rgb"`, []float64{onDisplay(r), onDisplay(g), onDisplay(b)}},
		{`channel: "r"`, []float64{onDisplay(r), onDisplay(r), onDisplay(r)}},
		{`channel: "g"`, []float64{onDisplay(g), onDisplay(g), onDisplay(g)}},
		{`channel: "b"`, []float64{onDisplay(b), onDisplay(b), onDisplay(b)}},
		{`channel: "alpha"`, []float64{255 * a, 255 * a, 255 * a}},
		// ITU-R BT.709's weights: 0.2126 * 0.25 + 0.7152 * 0.5 + 0.0722 * 0.125.
		{`channel: "luminance"`, []float64{onDisplay(0.419775), onDisplay(0.419775), onDisplay(0.419775)}},
		{`channel: "rgb", gray: [true, false]`, []float64{onDisplay(r), onDisplay(r), onDisplay(r)}},
		{`matte: [true, false]`, []float64{255 * r, 255 * r, 255 * r}},
		{`exposure: 1`, []float64{255 * 2 * r, 255 * 2 * r, 255 * 2 * r}}, // and the matte stays
	} {
		p.run("viewer.look({%s})", row.look)
		p.wantCode(row.look, p.pixels().at(100, 100), row.want...)
	}
}

func testGrounds(p page) {
	light, alpha := 0.2, 0.25
	p.uniform(0, light, light, light, alpha)
	over := func(ground float64) float64 { return onDisplay(light + (1-alpha)*ground) }
	for _, row := range []struct {
		look string
		want []float64
	}{
		{`under: "black"`, []float64{over(0), over(0), over(0)}},
		{`under: "gray"`, []float64{over(0.18), over(0.18), over(0.18)}},
		{`under: "color", underColor: [1, 0, 0.5]`, []float64{over(1), over(0), over(plate.SRGB.ToLinear(0.5))}},
	} {
		p.run("viewer.look({%s})", row.look)
		p.wantCode(row.look, p.pixels().at(100, 100), row.want...)
	}

	p.run(`viewer.look({under: "checker"})`)
	shown := p.pixels()
	dark, bright := over(plate.SRGB.ToLinear(0.38)), over(plate.SRGB.ToLinear(0.56))
	p.wantCode("dark field", shown.at(5, 5), dark, dark, dark)
	p.wantCode("bright field beside it", shown.at(15, 5), bright, bright, bright)
	p.wantCode("bright field below it", shown.at(5, 15), bright, bright, bright)
	p.wantCode("dark field across", shown.at(15, 15), dark, dark, dark)

	p.uniform(0, light, light, light, 1.5)
	p.wantCode("alpha above 1 hides the ground", p.pixels().at(15, 5), onDisplay(light), onDisplay(light), onDisplay(light))
}

func testClipping(p page) {
	for _, row := range []struct {
		name    string
		v       float64
		striped bool
		slope   int // stripes rise to the right (-1) or fall (1)
	}{
		{"black", 0, false, 0},
		{"white", 1, false, 0},
		{"too bright", 1.2, true, -1},
		{"below black", -0.01, true, 1},
	} {
		p.uniform(0, 0.5, 0.5, row.v, 1)
		p.run("viewer.look({clip: true})")
		shown := p.pixels()
		plain := [3]int{int(math.Round(onDisplay(0.5))), int(math.Round(onDisplay(0.5))), int(math.Round(onDisplay(row.v)))}
		striped := 0
		for y := 50; y < 82; y++ {
			for x := 50; x < 82; x++ {
				if shown.at(x, y) != plain {
					striped++
				}
				if row.striped && shown.at(x, y) != shown.at(x+1, y+row.slope) {
					p.Fatalf("%s: the stripe at (%d, %d) does not go on", row.name, x, y)
				}
			}
		}
		if want := map[bool]int{false: 0, true: 32 * 32 * 3 / 8}[row.striped]; striped != want {
			p.Errorf("%s: %d of 1024 pixels are striped, want %d", row.name, striped, want)
		}
	}
}

func testSides(p page) {
	p.run("viewer.look({accent: [1, 0.5, 0]})")
	p.uniform(1, 0, 0.5, 0, 1)
	p.wantCode("no picture on side 0", p.pixels().at(50, 50), 48, 48, 48)
	p.uniform(0, 0.5, 0, 0, 1)
	shown := p.pixels()
	p.wantCode("no divider", shown.at(300, 50), onDisplay(0.5), 0, 0)
	if got := eval[*float64](p, "viewer.divider()"); got != nil {
		p.Errorf("no divider is told as %v", *got)
	}
	p.run("viewer.divider(0.25)")
	shown = p.pixels()
	p.wantCode("side 0", shown.at(70, 50), onDisplay(0.5), 0, 0)
	p.wantCode("side 1", shown.at(90, 50), 0, onDisplay(0.5), 0)
	p.wantCode("the divider", shown.at(80, 50), 255, 127.5, 0)
	p.run("viewer.clear(0)")
	p.wantCode("side 0 alone taken away", p.pixels().at(50, 50), 48, 48, 48)
	p.run("viewer.clear(1)")
	p.wantCode("nothing to show", p.pixels().at(80, 50), 48, 48, 48)
}

// Columns of black and white mix in linear light, at every size.
func testAveraging(p page) {
	for _, row := range []struct {
		w, h  int
		slack float64 // of the mean, in linear light
	}{
		{640, 400, 0.01},
		{480, 300, 0.35}, // a device pixel has one and a half columns: two thirds to one third at worst
		{1000, 625, 0.2},
	} {
		halfs := make([]uint16, 0, 4*row.w*row.h)
		for i := range row.w * row.h {
			v := toHalf(float64(i % row.w % 2))
			halfs = append(halfs, v, v, v, 0x3c00)
		}
		p.show(0, row.w, row.h, halfs)
		shown := p.pixels()
		mean := 0.0
		for x := 10; x < 310; x++ {
			v := plate.SRGB.ToLinear(float64(shown.at(x, 100)[0]) / 255)
			mean += v / 300
			if math.Abs(v-0.5) > row.slack {
				p.Errorf("%dx%d: column %d has %v", row.w, row.h, x, v)
			}
		}
		if math.Abs(mean-0.5) > 0.01 {
			p.Errorf("%dx%d: mean %v, want 0.5", row.w, row.h, mean)
		}
	}
}

func testInterpolation(p page) {
	halfs := make([]uint16, 0, 160*100*4)
	for i := range 160 * 100 {
		v := toHalf(float64(i % 160 / 80)) // black on the left, white on the right
		halfs = append(halfs, v, v, v, 0x3c00)
	}
	p.show(0, 160, 100, halfs) // fits at 2 to 1
	shown := p.pixels()
	for x, want := range map[int]float64{158: 0, 159: 0.25, 160: 0.75, 161: 1} {
		v := onDisplay(want)
		p.wantCode(fmt.Sprint("column ", x), shown.at(x, 100), v, v, v)
	}
}

func testActualSize(p page) {
	const w, h = 640, 400
	halfs := make([]uint16, 0, 4*w*h)
	value := func(x, y int) [3]float64 {
		return [3]float64{float64(x%64) / 64, float64(y%32) / 32, float64((x+y)%16) / 16}
	}
	for i := range w * h {
		for _, v := range value(i%w, i/w) {
			halfs = append(halfs, toHalf(v))
		}
		halfs = append(halfs, 0x3c00)
	}
	p.show(0, w, h, halfs)
	p.run("viewer.actual()")
	shown := p.pixels()
	if got := eval[float64](p, "viewer.view().percent"); got != 100 {
		p.Errorf("actual size is told as %v %%", got)
	}
	for y := range height {
		for x := range width {
			v := value(x+(w-width)/2, y+(h-height)/2)
			p.wantCode(fmt.Sprintf("(%d, %d)", x, y), shown.at(x, y), onDisplay(v[0]), onDisplay(v[1]), onDisplay(v[2]))
		}
	}
}

func testRefusals(p page) {
	for _, call := range []string{
		"viewer.picture(2, 1, 1, new Uint8Array(4), new Uint8Array(4))",
		"viewer.picture(0, 0, 1, new Uint8Array(0), new Uint8Array(0))",
		"viewer.picture(0, 1, 1, new Uint8Array(4), new Uint8Array(3))",
		"viewer.picture(0, viewer.limit + 1, 1, new Uint8Array(4 * (viewer.limit + 1)), new Uint8Array(4 * (viewer.limit + 1)))",
	} {
		if eval[bool](p, "%s", call) {
			p.Errorf("%s is taken", call)
		}
	}
}

// What snapshot tells is what is on the screen, by shaders, and by the processor while something moves.
func testScreen(p page) {
	onScreen(p)
	p.run(`viewer.look({software: true}), globalThis.moving = setInterval(() => viewer.look({}), 16)`)
	onScreen(p)
	p.run(`clearInterval(moving), viewer.look({software: false})`)
}

func onScreen(p page) {
	p.Helper()
	p.uniform(0, 0.7, 0.2, 0.1, 0.6)
	p.uniform(1, 0.1, 0.2, 0.7, 1)
	p.run(`viewer.look({under: "checker"}), viewer.divider(0.5)`)
	shown := p.pixels()
	p.pixels() // and the frame before is on the screen
	png, err := chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		p.Fatal(err)
	}
	screen, _, err := image.Decode(bytes.NewReader(png))
	if err != nil {
		p.Fatal(err)
	}
	for y := range height {
		for x := range width {
			r, g, b, _ := screen.At(left+x, top+y).RGBA()
			p.wantCode(fmt.Sprintf("(%d, %d) on the screen", x, y), [3]int{int(r >> 8), int(g >> 8), int(b >> 8)},
				float64(shown.at(x, y)[0]), float64(shown.at(x, y)[1]), float64(shown.at(x, y)[2]))
		}
	}
}

func mouse(kind input.DispatchMouseEventType, x, y float64, options ...chromedp.MouseOption) chromedp.Action[chromedp.Void] {
	return chromedp.MouseEvent(kind, left+x, top+y, options...)
}

func leftDown(p *input.DispatchMouseEventParams) { p.Button, p.Buttons = input.MouseButtonLeft, 1 }

// A pixel is what the page hears of the pixel under the pointer.
type pixel struct {
	X, Y   int
	Inside bool
}

func testMouse(p page) {
	p.uniform(0, 0.5, 0, 0, 1)
	p.uniform(1, 0, 0.5, 0, 1)
	p.run("viewer.divider(0.5), heard.pixel.length = heard.divider.length = heard.view.length = 0")
	p.pixels()

	p.do(mouse(chromedp.MouseMoved, 105, 57))
	if got := eval[pixel](p, "heard.pixel.at(-1)"); got != (pixel{10, 5, true}) {
		p.Errorf("the pixel under the pointer is told as %v", got)
	}

	// The divider.
	p.do(
		mouse(chromedp.MouseMoved, 160, 50),
		mouse(chromedp.MousePressed, 160, 50, leftDown),
		mouse(chromedp.MouseMoved, 200, 60, leftDown),
		mouse(chromedp.MouseMoved, 240, 70, leftDown),
		mouse(chromedp.MouseReleased, 240, 70, leftDown),
	)
	p.pixels()
	if x := eval[float64](p, "viewer.divider()"); x != 0.75 {
		p.Errorf("the divider was dragged to %v, want 0.75", x)
	}
	if x := eval[float64](p, "heard.divider.at(-1).x"); x != 0.75 {
		p.Errorf("the divider is told at %v, want 0.75", x)
	}
	p.run("viewer.divider(null)")

	// The wheel zooms about the pointer; a drag moves what is larger than the canvas.
	p.do(mouse(chromedp.MouseWheel, 160, 100, func(p *input.DispatchMouseEventParams) { p.DeltaX, p.DeltaY = 1e-3, -400*math.Ln2 }))
	p.pixels()
	if zoom := eval[float64](p, "viewer.view().zoom"); math.Abs(zoom-2) > 0.02 {
		p.Errorf("the wheel zoomed to %v, want 2", zoom)
	}
	p.run("viewer.view({zoom: 2, x: 0.5, y: 0.5})")
	p.do(
		mouse(chromedp.MousePressed, 160, 100, leftDown),
		mouse(chromedp.MouseMoved, 180, 100, leftDown),
		mouse(chromedp.MouseMoved, 224, 100, leftDown),
		mouse(chromedp.MouseReleased, 224, 100, leftDown),
	)
	p.pixels()
	if x := eval[float64](p, "heard.view.at(-1).x"); math.Abs(x-0.4) > 1e-9 {
		p.Errorf("dragged by a tenth of the picture the view is told at %v, want 0.4", x)
	}

	// Two clicks in one place.
	p.do(chromedp.MouseClickXY(left+100, top+100), chromedp.MouseClickXY(left+100, top+100))
	if zoom := eval[float64](p, "viewer.view().zoom"); zoom != 1 {
		p.Errorf("two clicks zoom to %v, want 1", zoom)
	}
}

func testTouch(p page) {
	p.uniform(0, 0.5, 0, 0, 1)
	p.pixels()
	touch := func(kind input.DispatchTouchEventType, at ...[2]float64) {
		p.Helper()
		params := input.DispatchTouchEventParams{Type: kind, TouchPoints: []*input.TouchPoint{}}
		for i, xy := range at {
			id := float64(i)
			params.TouchPoints = append(params.TouchPoints, &input.TouchPoint{X: left + xy[0], Y: top + xy[1], ID: &id})
		}
		p.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, input.DispatchTouchEvent, params)
			return err
		}))
	}
	touch(input.DispatchTouchEventTypeTouchStart, [2]float64{140, 100})
	touch(input.DispatchTouchEventTypeTouchStart, [2]float64{140, 100}, [2]float64{180, 100})
	touch(input.DispatchTouchEventTypeTouchMove, [2]float64{120, 100}, [2]float64{200, 100})
	touch(input.DispatchTouchEventTypeTouchEnd)
	p.pixels()
	if zoom := eval[float64](p, "viewer.view().zoom"); math.Abs(zoom-2) > 1e-6 {
		p.Errorf("two fingers, twice as far apart, zoom to %v", zoom)
	}
}

func testKeys(p page) {
	p.uniform(0, 0.5, 0, 0, 1)
	p.run("viewer.divider(0.5), heard.key.length = 0")
	p.pixels()
	p.do(chromedp.MouseClickXY(left+40, top+40)) // takes the focus
	p.do(chromedp.KeyEvent("+"), chromedp.KeyEvent("k"))
	if zoom := eval[float64](p, "viewer.view().zoom"); zoom != keyStep {
		p.Errorf("+ zooms to %v", zoom)
	}
	if got := eval[string](p, "heard.key.join()"); got != "k" {
		p.Errorf("the page hears of the keys %q, want k", got)
	}
	if !eval[bool](p, `viewer.key("ArrowRight", true)`) || eval[float64](p, "viewer.divider()") != 0.51 {
		p.Errorf("the page's shift and arrow move the divider to %v", eval[float64](p, "viewer.divider()"))
	}
	if eval[bool](p, `viewer.key("k", false)`) {
		p.Error("a key without use is used")
	}
	p.do(chromedp.KeyEvent("\t"))
	if id := eval[string](p, "document.activeElement.id"); id != "after" {
		p.Errorf("tab goes to %q, want what comes after the canvas", id)
	}
}

// Two device pixels to a CSS pixel: the canvas is as fine as the display.
func testDenseDisplay(p page) {
	p.do(chromedp.EmulateViewport(400, 260, chromedp.EmulateScale(2)), chromedp.Reload())
	p.wait()
	p.uniform(0, 0.5, 0, 0, 1)
	if shown := p.pixels(); shown.W != 2*width || shown.H != 2*height {
		p.Errorf("the canvas has %dx%d pixels", shown.W, shown.H)
	}
	p.run("heard.pixel.length = 0")
	p.do(mouse(chromedp.MouseMoved, 315, 195))
	if got := eval[pixel](p, "heard.pixel.at(-1)"); got != (pixel{31, 19, true}) {
		p.Errorf("the pixel under the pointer is told as %v", got)
	}
}
