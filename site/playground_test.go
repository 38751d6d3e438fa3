//go:build !js

package site_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig"
	"example.com/twinplate/site"
	"example.com/twinplate/take"
)

// makeSite builds the playground as the working tree has it now: what is up to date is kept, so
// that this takes seconds.
var makeSite = sync.OnceValues(func() (string, error) {
	out, err := exec.Command("make", "-C", "..", "site").CombinedOutput()
	return string(out), err
})

// dist builds the playground and returns its folder, in make test. The test is skipped, or fails,
// where there is no Node.
func dist(t testing.TB) string {
	t.Helper()
	tier.InTest(t)
	outside.Program(t, "node")
	outside.Program(t, "npm")
	if out, err := makeSite(); err != nil {
		t.Fatalf("make site: %v\n%s", err, out)
	}
	dir, err := filepath.Abs("../dist")
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// A page is the playground in a browser.
type page struct {
	context.Context
	t      testing.TB
	server *httptest.Server

	mu       sync.Mutex
	troubles []string // what the console said that it should not
	hosts    map[string]bool
	bytes    int64 // over the wire, encoded, but for the demo's frames after the first, which are fetched ahead
	urls     map[network.RequestID]string
	asked    []string // of the server, since settled
}

// open opens the playground and waits for its first composite.
func open(t testing.TB, width, height int) *page {
	t.Helper()
	p := visit(t, width, height, "/")
	p.composed()
	return p
}

// composed waits for the first composite.
func (p *page) composed() {
	p.t.Helper()
	p.wait("the first composite", `globalThis.playground?.take?.cached(playground.store.value.frame, playground.store.value.breaks, "sum") && document.getElementById("working").hidden && !document.getElementById("first")`)
}

// visit opens a page of the site.
func visit(t testing.TB, width, height int, path string) *page {
	t.Helper()
	return visitWith(t, width, height, path, "")
}

// visitWith is visit with a script that runs first in every frame, and options of the browser.
func visitWith(t testing.TB, width, height int, path, script string, more ...chromedp.ExecAllocatorOption) *page {
	t.Helper()
	p := &page{t: t, hosts: map[string]bool{}, urls: map[network.RequestID]string{}}
	files := site.Handler(os.DirFS(dist(t)))
	p.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.mu.Lock()
		if r.URL.Path != "/sw.js" { // the browser itself looks for a new version of it, when it likes
			p.asked = append(p.asked, r.URL.Path)
		}
		p.mu.Unlock()
		files.ServeHTTP(w, r)
	}))
	t.Cleanup(p.server.Close)
	p.Context = outside.Browser(t, width, height, 10*time.Minute+liveSpan(t), more...)
	if err := chromedp.Listen(p.Context, p.hear); err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{
		call(p, network.Enable, network.EnableParams{}),
		call(p, log.Enable, cdp.Empty{}),
		call(p, runtime.Enable, cdp.Empty{}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if _, err := chromedp.Call(p.Context, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: script}); err != nil {
		t.Fatal(err)
	}
	p.run(chromedp.Navigate(p.server.URL + path))
	return p
}

func call[P, R any](p *page, command cdp.Command[P, R], params P) error {
	_, err := chromedp.Call(p.Context, command, params)
	return err
}

var laterFrame = regexp.MustCompile(`/demo/\w+/10(0[2-9]|[1-9]\d)\.jpg$`)

// hear keeps what the console and the network say.
func (p *page) hear(event any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		p.troubles = append(p.troubles, fmt.Sprintf("%+v", e.ExceptionDetails))
	case *runtime.EventConsoleAPICalled:
		if e.Type == "error" {
			p.troubles = append(p.troubles, fmt.Sprintf("%+v", e.Args))
		}
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError {
			p.troubles = append(p.troubles, fmt.Sprintf("%+v", e.Entry))
		}
	case *network.EventRequestWillBeSent:
		p.hosts[e.Request.URL], p.urls[e.RequestID] = true, e.Request.URL
	case *network.EventLoadingFinished:
		if url := p.urls[e.RequestID]; !laterFrame.MatchString(url) {
			p.bytes += int64(e.EncodedDataLength)
		}
	}
}

func (p *page) run(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.Context, steps...); err != nil {
		p.t.Fatalf("%v; the console: %s", err, strings.Join(p.troubles, "; "))
	}
}

// eval runs a JavaScript expression, which may be a promise, and decodes its value.
func eval[T any](p *page, expression string) (value T) {
	p.t.Helper()
	text, err := chromedp.Run(p.Context, chromedp.Evaluate[string](`Promise.resolve(`+expression+`).then((v) => JSON.stringify(v ?? null))`, chromedp.EvalAwaitPromise))
	if err == nil {
		err = json.Unmarshal([]byte(text), &value)
	}
	if err != nil {
		p.t.Fatalf("%s: %v; the console: %s", expression, err, strings.Join(p.troubles, "; "))
	}
	return value
}

// wait waits until an expression is true.
func (p *page) wait(what, expression string) {
	p.t.Helper()
	for start := time.Now(); time.Since(start) < 2*time.Minute; {
		if eval[bool](p, `!!(`+expression+`)`) {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	p.t.Fatalf("%s does not come; the page says: %s; the console: %s", what, eval[string](p, `[...document.querySelectorAll("#working-text, #status, #plan-wrong, #wrong, #working, .panel:not([hidden]) .wrong")].map((node) => node.textContent).join(" ")`), strings.Join(p.troubles, "; "))
}

// quiet fails the test where the console had an error, or something was asked of another host.
func (p *page) quiet() {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, text := range p.troubles {
		p.t.Errorf("the console: %s", text)
	}
	for url := range p.hosts {
		if !strings.HasPrefix(url, p.server.URL) && !strings.HasPrefix(url, "blob:") && !strings.HasPrefix(url, "data:") {
			p.t.Errorf("asked of another host: %s", url)
		}
	}
}

// shoot keeps a picture of the page in the folder that TWINPLATE_SHOTS names, for people to look
// at.
func (p *page) shoot(name string) {
	p.t.Helper()
	dir := os.Getenv("TWINPLATE_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(p.Context, chromedp.CaptureScreenshot())
	if err != nil {
		p.t.Fatal(err)
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		p.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o666); err != nil {
		p.t.Fatal(err)
	}
}

// sizes are windows of CSS pixels; make test tries the narrowest alone, in which most would not
// fit.
func sizes() []struct{ w, h int } {
	all := []struct{ w, h int }{{320, 700}, {390, 844}, {720, 450}, {768, 1024}, {1024, 768}, {1366, 660}, {1440, 900}}
	if !tier.All() {
		return all[:1]
	}
	return all
}

// At every size the demo opens by itself, no console error, nothing wider than the page.
func TestOpensWithTheDemo(t *testing.T) {
	for _, size := range sizes() {
		t.Run(fmt.Sprintf("%dx%d", size.w, size.h), func(t *testing.T) {
			p := open(t, size.w, size.h)
			p.wait("the first pixel", `document.querySelector("#pixel table")`)
			p.wait("the thumbnails", `!document.querySelector("#strip canvas").getContext("2d").getImageData(0, 0, 9, 9).data.every((v) => v === 0)`)
			p.shoot(fmt.Sprintf("demo_%d", size.w))
			for _, tab := range []string{"plates", "readings", "recipe", "away"} {
				p.click("#tab-" + tab)
				if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
					t.Errorf("%s: the page is %d px too wide", tab, over)
				}
				p.shoot(fmt.Sprintf("%s_%d", tab, size.w))
			}
			p.quiet()
		})
	}
}

// scrubberOf opens a recipe's take with the library of this machine.
func scrubberOf(t testing.TB, recipe string) *take.Scrubber {
	t.Helper()
	r, err := take.ReadRecipe(recipe)
	if err != nil {
		t.Fatal(err)
	}
	r.Write = []string{"comp", "sigma"}
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return job.NewScrubber()
}

// The browser's composite is the library's, to the half float's step, on the frame that is shown
// and on one that is scrubbed to; and the arithmetic of a pixel is the library's too, in numbers
// and on the page.
func TestCompositeIsTheLibrarys(t *testing.T) {
	p := open(t, 1024, 768)
	scrubber := scrubberOf(t, filepath.Join(dist(t), "demo", "recipe.json"))
	for _, number := range []int{1001, 1008} {
		p.scrubTo(number)
		f := p.holdTo(scrubber, number)
		const x, y = 610, 260 // steam
		pixel := eval[struct {
			Transmission, Sigma float64
			Sum                 [3]float64
		}](p, fmt.Sprintf(`playground.engines.call("pixel", { number: %d, breaks: playground.store.value.breaks, x: %d, y: %d }).then((r) => r.result)`, number, x, y))
		want, err := scrubber.Pixel(f, x, y)
		if err != nil {
			t.Fatal(err)
		}
		i := y*f.Comp.W + x
		if math.Abs(pixel.Transmission-want.Transmission) > 1e-5 || math.Abs(pixel.Sigma-want.Sigma) > 1e-6 || math.Abs(pixel.Sum[1]-float64(f.Comp.Pix[1][i])) > 1e-5 {
			t.Errorf("frame %d: the pixel's numbers %+v are not the library's %+v", number, pixel, want)
		}
	}
	p.quiet()
}

// holdTo holds the browser's composite of a frame to the library's.
func (p *page) holdTo(scrubber *take.Scrubber, number int) *take.Scrubbed {
	p.t.Helper()
	f, err := scrubber.Frame(number, nil)
	if err != nil {
		p.t.Fatal(err)
	}
	p.near(fmt.Sprintf("frame %d", number), f.Comp, "sum", false)
	return f
}

// every is the step of the pixels that shown returns.
const every = 97

// shown returns a station of the frame that the page shows: red, green, blue and alpha of every
// 97th pixel.
func (p *page) shown(station string) [][4]float64 {
	p.t.Helper()
	text := eval[string](p, fmt.Sprintf(`playground.take.want(playground.store.value.frame, playground.store.value.breaks, [%q]).then(({ pictures: [p] }) => {
		let s = ""; for (let i = 0; i < p.hi.length; i += 4 * %d) for (let c = 0; c < 4; c++) s += String.fromCharCode(p.hi[i + c] * 256 + p.lo[i + c] + 0x100); return s; })`, station, every))
	var pixels [][4]float64
	for k, code := range []rune(text) {
		if k%4 == 0 {
			pixels = append(pixels, [4]float64{})
		}
		pixels[k/4][k%4] = half(uint16(code - 0x100))
	}
	return pixels
}

// near holds a picture to the station of the frame that the page shows. A saved picture's values
// end at 0 and 1.
func (p *page) near(what string, want *plate.RGB, station string, saved bool) {
	p.t.Helper()
	shown := p.shown(station)
	if n := (len(want.Pix[0]) + every - 1) / every; len(shown) != n {
		p.t.Fatalf("%s: %d pixels came back, not %d", what, len(shown), n)
	}
	worst := 0.0
	for k, pixel := range shown {
		for c := range 3 {
			v := float64(want.Pix[c][k*every])
			if saved {
				pixel[c] = min(max(pixel[c], 0), 1)
			}
			worst = max(worst, math.Abs(pixel[c]-v)/max(math.Abs(v), 1.0/16))
		}
	}
	// A half float's step is 1/2048 of the value; vectors round otherwise than scalars in the last
	// bits.
	if worst > 1.0/1500 {
		p.t.Errorf("%s is up to %.2g of its value from what the page shows as %s", what, worst, station)
	}
}

// half returns an IEEE 754 binary16 number.
func half(h uint16) float64 {
	v := math.Ldexp(float64(h&0x3ff), -24)
	if e := int(h >> 10 & 31); e > 0 {
		v = math.Ldexp(float64(h&0x3ff|0x400), e-25)
	}
	if h>>15 == 1 {
		return -v
	}
	return v
}

// Each step of the lesson asks before it tells; what breaks the picture comes with the answer, is
// repaired by a button, and undo takes it back. The score counts what was right at once.
func TestLessonBreaksAndUndo(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1366, 660)
	mean := func() float64 {
		return eval[float64](p, `playground.engines.call("display", { number: 1001, breaks: playground.store.value.breaks, stations: ["sum"], width: 320 }).then((r) => { let s = 0; for (let i = 0; i < r.buffers[0].length; i += 4) s += r.buffers[0][i + 1]; return s / r.buffers[0].length * 4; })`)
	}
	whole := mean()
	step := func(n int) {
		eval[any](p, fmt.Sprintf(`(() => { const s = document.querySelector(".steps select"); s.value = "%d"; s.dispatchEvent(new Event("change")); })()`, n-1))
		eval[any](p, `playground.store.update({ playing: false })`)
	}
	for _, row := range []struct {
		step     int
		answer   string
		brighter bool
	}{{7, "the kelp shines through it", true}, {8, "in the solid coat", false}} {
		step(row.step)
		if m := mean(); math.Abs(m-whole) > 1e-9 {
			t.Errorf("step %d breaks the picture before the question is answered", row.step)
		}
		p.press(row.answer)
		if m := mean(); m > whole != row.brighter || math.Abs(m-whole) < 0.5 {
			t.Errorf("step %d: the mean of green went from %.1f to %.1f", row.step, whole, m)
		}
		p.shoot(fmt.Sprintf("lesson_%d", row.step))
		for _, s := range []string{".steps button.main", ".lesson-text .try"} {
			if !eval[bool](p, fmt.Sprintf(`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return r.top >= 0 && r.bottom <= innerHeight; })()`, s)) {
				t.Errorf("step %d at 1366x660: %s is out of sight", row.step, s)
			}
		}
		p.press("Repair it")
		if m := mean(); math.Abs(m-whole) > 1e-9 {
			t.Errorf("step %d is not repaired: the mean of green is %.2f, and was %.2f", row.step, m, whole)
		}
	}
	if score := eval[string](p, `document.querySelector("#panel-lesson > .quiet").textContent`); !strings.HasPrefix(score, "1 of 2 right at once") {
		t.Errorf("the score is %q", score)
	}
	p.click("#undo")
	if m := mean(); math.Abs(m-whole) < 0.5 {
		t.Error("undo does not take the repair back")
	}
	step(10)
	p.wait("the green comparison", `playground.take.cached(playground.store.value.frame, playground.store.value.breaks, "green")`)
	time.Sleep(300 * time.Millisecond)
	p.shoot("lesson_green")
	p.quiet()
}

// What is no plate is said in words, where it was dropped, and the session goes on.
func TestWrongFiles(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1440, 900)
	dir := t.TempDir()
	var files []string
	for name, text := range map[string]string{"notes.txt": "no plate", "color_0001.png": "this is no PNG", "band_0001.png": "nor this"} {
		put(t, filepath.Join(dir, name), []byte(text))
		files = append(files, filepath.Join(dir, name))
	}
	p.dropOn("#viewer", files...)
	p.wait("the word about it", `document.querySelectorAll("#panel-plates .wrong").length > 1 && !playground.store.value.busy`)
	words := eval[string](p, `[...document.querySelectorAll("#panel-plates .wrong")].map((n) => n.textContent).join(" | ")`)
	for _, part := range []string{"notes.txt", "_0001.png", strings.Join(plate.Extensions(), " ")} {
		if !strings.Contains(words, part) {
			t.Errorf("the page says %q: it does not have %s", words, part)
		}
	}
	p.shoot("wrong_1440")
	p.opens(func() { p.click("#undo") })
	if words := eval[string](p, `document.querySelector("#panel-plates .wrong")?.textContent ?? ""`); words != "" {
		t.Errorf("after undo the page still says %q", words)
	}

	// Without a color plate there is no take, and the picture's place says what is missing.
	p.click("#tab-plates")
	p.click("#well-color button")
	p.wait("the word about it", `!document.getElementById("empty").hidden`)
	if words := eval[string](p, `document.getElementById("empty").textContent`); !strings.Contains(words, "color plate") || strings.Contains(words, "band plate") {
		t.Errorf("without a color plate the page says %q", words)
	}
	p.shoot("empty_1440")
	p.opens(func() { p.click("#undo") })
	if words := eval[string](p, `document.getElementById("empty").textContent`); words != "" {
		t.Errorf("with the color plate again the page says %q", words)
	}
	p.quiet()
}

func put(t testing.TB, path string, data []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
}

// Once it has been open, the playground works without its server, and so does the page of licenses
// that its foot leads to.
func TestWorksOffline(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	p.wait("the service worker", `navigator.serviceWorker.controller`)
	p.server.Close()
	p.run(chromedp.Navigate(p.server.URL + "/"))
	p.wait("the composite without a server", `globalThis.playground?.take?.cached(playground.store.value.frame, playground.store.value.breaks, "sum")`)
	p.click(".foot a")
	p.wait("the licenses without a server", `document.title.endsWith("licenses") && document.readyState === "complete"`)
	if n := eval[int](p, `document.querySelectorAll("details pre").length`); n < 10 {
		t.Errorf("the page of licenses has %d texts without a server, at least 10 were expected", n)
	}
}

// No panel has a fault that axe-core finds, nor have the dialogs, the canvas's frame, and the
// planning page: with what is folded away open, after the plates were read, and with errors and
// warnings shown. Nor has the page of licenses.
func TestAccessible(t *testing.T) {
	tier.InTestAll(t)
	dist(t) // which installs axe-core, too
	axe, err := os.ReadFile("node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	put(t, filepath.Join(dir, "notes.txt"), []byte("no plate"))
	put(t, filepath.Join(dir, "a.png"), []byte("no PNG"))
	put(t, filepath.Join(dir, "b.png"), []byte("no PNG"))
	s := newShot(t, 1003, 1004, 1005)
	dim := s.path("band/1004.jpg")
	// Three quarters of the light is 0.88 of the code of sRGB, nearly: 0.75 to the power of 1/2.4
	// to 1/2.2.
	put(t, dim, ffmpeg(t, nil, "-i", dim, "-vf", "lutyuv=y=val*0.88", "-q:v", "2", "-f", "mjpeg", "-"))
	for _, width := range []int{1440, 390} {
		p := visitWith(t, width, 900, "/", string(axe))
		faultless := func(what string) {
			t.Helper()
			found := eval[[]struct {
				ID, Help string
				Nodes    []struct{ HTML string }
			}](p, `axe.run(document).then((r) => r.violations)`)
			for _, v := range found {
				t.Errorf("%d px, %s: %s: %s: %s", width, what, v.ID, v.Help, v.Nodes[0].HTML)
			}
		}
		p.composed()
		eval[any](p, `document.querySelector("details").open = true`)
		for _, tab := range []string{"lesson", "plates", "recipe", "away", "readings"} {
			p.click("#tab-" + tab)
			faultless(tab)
		}
		p.opens(func() { p.dropOn("#viewer", s.dir) })
		p.click("#tab-readings")
		p.press("Read the plates")
		p.wait("the readings", `document.querySelector(".reading")`)
		faultless("the readings, and a mark")
		p.shoot(fmt.Sprintf("read_%d", width))
		// The dim frame has a word on the time line, which leads there.
		if got := eval[string](p, `[...document.querySelectorAll("#marks button")].map((b) => b.textContent + ": " + b.title).join()`); !strings.HasPrefix(got, "lamps dim: lamps dim. frame 1004: 0.7") {
			t.Errorf("the time line's marks are %q, with frame 1004 at three quarters of the light", got)
		}
		eval[any](p, `document.querySelector("#marks button").focus()`)
		p.run(chromedp.KeyEvent(kb.Enter))
		p.wait("the marked frame", `playground.store.value.frame === 1004`)
		p.click("#keys")
		faultless("keys")
		p.run(chromedp.KeyEvent(kb.Escape))
		p.dropOn("#viewer", filepath.Join(dir, "notes.txt"), filepath.Join(dir, "a.png"), filepath.Join(dir, "b.png"))
		p.wait("the question", `document.getElementById("sort-dialog").open`)
		faultless("the question which plate is which")
		p.shoot(fmt.Sprintf("question_%d", width))
		p.run(chromedp.KeyEvent(kb.Escape))
		p.wait("the word about it", `document.querySelector("#panel-plates .wrong")`)
		faultless("an error")
		eval[any](p, `document.activeElement.blur()`)
		p.quiet()

		p.run(chromedp.Navigate(p.server.URL + "/plan.html"))
		p.wait("the plan", `document.getElementById("plan-page").shadowRoot?.querySelector("svg")`)
		faultless("the planning page")

		p.run(chromedp.Navigate(p.server.URL + "/licenses.html"))
		eval[any](p, `document.querySelectorAll("details").forEach((d) => { d.open = true; })`)
		faultless("the licenses")
		if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("at %d px the page of licenses is %d px too wide", width, over)
		}
		p.shoot(fmt.Sprintf("licenses_%d", width))
	}
}

// What a cold start costs is logged, and held to the limit over the wire, the viewer and all.
func TestColdStart(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1440, 900)
	p.mu.Lock()
	total := p.bytes
	p.mu.Unlock()
	ms := eval[float64](p, `performance.getEntriesByName("composite")[0].startTime`)
	t.Logf("the first composite after %.0f ms (%s); with the viewer %d bytes", ms, eval[string](p, `performance.getEntriesByType("mark").map((m) => m.name + " " + Math.round(m.startTime)).join(", ")`), total)
	if total > 3_500_000 {
		t.Errorf("%d bytes came over the wire: at most 3500000", total)
	}
}

// The planning page has the numbers of package rig, for the example and after a change, and says
// what is wrong.
func TestPlanningPage(t *testing.T) {
	for _, size := range sizes() {
		p := visit(t, size.w, size.h, "/plan.html")
		p.wait("the plan", `document.getElementById("plan-page").shadowRoot?.querySelector("svg")`)
		setup, err := rig.ParseSetup(rig.PierSetup())
		if err != nil {
			t.Fatal(err)
		}
		plan, err := setup.Plan()
		if err != nil {
			t.Fatal(err)
		}
		shown := func() string {
			return eval[string](p, `document.getElementById("plan-page").shadowRoot.textContent`)
		}
		for _, r := range plan.Readings {
			if !strings.Contains(shown(), r.Title) || !strings.Contains(shown(), r.Meaning) {
				t.Errorf("the page does not have the reading %q: %s", r.Title, r.Meaning)
			}
		}
		if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("at %d px the page is %d px too wide", size.w, over)
		}
		p.shoot(fmt.Sprintf("plan_%d", size.w))
		before := shown()
		set := func(n int, value string) {
			eval[any](p, fmt.Sprintf(`(() => { const i = document.querySelectorAll("#plan-form input[type=number]")[%d]; i.value = %q; i.dispatchEvent(new Event("change")); })()`, n, value))
		}
		set(0, "25") // frames a second
		if shown() == before {
			t.Error("another frame rate changes nothing on the page")
		}
		set(0, "-3")
		if wrong := eval[string](p, `document.getElementById("plan-wrong").textContent`); !strings.Contains(wrong, "fps") {
			t.Errorf("for -3 frames a second the page says %q", wrong)
		}
		for range 2 {
			eval[any](p, `document.getElementById("plan-undo").click()`)
		}
		if shown() != before {
			t.Error("undo does not bring back the plan")
		}
		p.quiet()
	}
}
