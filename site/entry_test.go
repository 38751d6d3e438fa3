//go:build !js

package site_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"example.com/twinplate/internal/test/tier"
)

// clip makes a clip of a shot's frames of one plate, under a name of its own.
func (s shot) clip(t testing.TB, plate, name string) string { return s.clipAt(t, plate, name, 24) }

// clipAt is clip at so many frames per second.
func (s shot) clipAt(t testing.TB, plate, name string, fps int) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	ffmpeg(t, nil, "-start_number", fmt.Sprint(s.frames[0]), "-framerate", fmt.Sprint(fps), "-i", s.path(plate+"/%04d.jpg"),
		"-vf", "scale=out_color_matrix=bt709:out_range=tv", "-pix_fmt", "yuv420p", "-colorspace", "bt709", "-color_range", "tv", "-c:v", "libvpx-vp9", "-crf", "10", "-b:v", "0", "-cpu-used", "8", "-g", "12", file)
	return file
}

// span is the numbers from first to last.
func span(first, last int) (all []int) {
	for n := first; n <= last; n++ {
		all = append(all, n)
	}
	return all
}

const (
	drafted = `!playground.store.value.demo && playground.store.value.ready?.draft && playground.store.value.shown?.draft && playground.viewer.shown[0]`
	refined = `!playground.store.value.demo && playground.store.value.ready && !playground.store.value.ready.draft && playground.store.value.shown && !playground.store.value.shown.draft`
)

// dropTwo drops two clips whose names say nothing, and takes what the sheet guesses.
func (p *page) dropTwo(color, band string) {
	p.t.Helper()
	p.dropOn("#viewer", color, band)
	p.wait("the question", `document.getElementById("sort-dialog").open && !document.getElementById("sort-ok").disabled`)
	if got, want := eval[string](p, `[...document.querySelectorAll("#sort-rows .sort-row")].map((row) => row.querySelector(".sort-name").textContent + ": " + row.querySelector("select").value).sort().join()`), "C0001.webm: color,C0002.webm: band"; got != want {
		p.t.Fatalf("the sheet guesses %s, want %s", got, want)
	}
	p.click("#sort-ok")
}

// Of two clips and nothing else the page shows a draft first, the performer cut out, which says
// that it is one; behind it the full geometry is made.
func TestTwoClips(t *testing.T) {
	tier.InTestAll(t)
	s := newShot(t, span(1001, 1012)...)
	color, band := s.clip(t, "color", "C0001.webm"), s.clip(t, "band", "C0002.webm")
	p := open(t, 1440, 900)
	p.settled()
	p.dropTwo(color, band)
	p.wait("the draft", drafted)
	p.shoot("draft_1440")
	if name := eval[string](p, `document.getElementById("name-a").textContent`); name != "Foreground, draft" {
		t.Errorf("the draft is called %q", name)
	}
	draft := eval[[]int](p, `[playground.viewer.shown[0].w, playground.viewer.shown[0].h]`)
	if fmt.Sprint(draft) != "[480 270]" {
		t.Errorf("a draft of 960x540 has %v pixels", draft)
	}
	p.wait("the full take", refined)
	if full := eval[[]int](p, `[playground.viewer.shown[0].w, playground.viewer.shown[0].h]`); fmt.Sprint(full) != "[960 540]" {
		t.Errorf("the full picture has %v pixels", full)
	}
	p.wait("the error bar", `playground.store.value.ready.recipe.band_noise?.edge > 0 && playground.store.value.pixel?.sigma > 0`)
	if residual := eval[float64](p, `playground.store.value.ready.residual_px`); residual > 0.5 {
		t.Errorf("the edges are %.2f pixels apart", residual)
	}
	p.shoot("full_1440")

	// After a reload it is there again as it was found: a small picture of it first, and no draft.
	const found = `JSON.stringify(["residual_px", "model", "warnings", "grave"].map((key) => playground.store.value.ready[key]))`
	before := eval[string](p, found)
	p.settledClips()
	p.wait("the take to be kept", `playground.store.value.kept[0]?.found && !playground.store.value.keeping && localStorage.getItem("twinplate-poster")`)
	p.run(chromedp.Navigate(p.server.URL + "/"))
	p.wait("a picture at once", `(({ hidden, naturalWidth, src, dataset }) => !hidden && naturalWidth && src !== dataset.demo)(document.getElementById("poster"))`)
	p.wait("the full take again", `globalThis.playground && `+refined)
	if after := eval[string](p, found); after != before {
		t.Errorf("after a reload %s is known of it, and was %s", after, before)
	}
	if eval[bool](p, `performance.getEntriesByName("draft").length > 0`) {
		t.Error("after a reload there is a draft again")
	}
	p.wait("the end of the small picture", `document.getElementById("poster").hidden`)
	p.quiet()
}

// A take is there again after a reload, with its recipe; it is listed with the room that it takes,
// and forgotten when that is asked for.
func TestKeptTakes(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1440, 900)
	p.settled()
	s := newShot(t, 1003, 1004)
	p.opens(func() { p.dropOn("#viewer", s.dir) })
	p.click("#tab-recipe")
	p.wait("the recipe", `document.querySelector("#panel-recipe input[type=checkbox]")`)
	p.reopens(func() { eval[any](p, `document.querySelector("#panel-recipe input[type=checkbox]").click()`) })
	p.wait("the take to be kept", `playground.store.value.kept.length === 1 && playground.store.value.kept[0].recipe.tidy && !playground.store.value.keeping`)
	reload := func() {
		p.run(chromedp.Navigate(p.server.URL + "/"))
		p.composed()
	}
	reload()
	if got := eval[string](p, `JSON.stringify([playground.store.value.demo, playground.store.value.frames, playground.store.value.recipe.tidy, Object.keys(playground.store.value.wells).length])`); got != "[false,[1003,1004],true,7]" {
		t.Errorf("after a reload the take is %s", got)
	}
	p.click("#tab-plates")
	p.wait("the list", `document.querySelector("#kept")`)
	if words := eval[string](p, `document.querySelector("#kept").textContent`); !strings.Contains(words, "pier") || !strings.Contains(words, "MB of this browser's storage") {
		t.Errorf("the list of takes says %q", words)
	}
	p.shoot("kept_1440")
	p.press("Forget all")
	p.wait("the end of the list", `!document.querySelector("#kept")`)
	reload()
	if !eval[bool](p, `playground.store.value.demo`) {
		t.Error("a take that was forgotten comes back")
	}
	p.quiet()
}

// Without WebGL 2 a plain canvas shows the same pictures, and without WebCodecs the page says what
// works.
func TestWithoutGraphics(t *testing.T) {
	tier.InTestAll(t)
	p := visitWith(t, 1024, 768, "/", `{
		const get = HTMLCanvasElement.prototype.getContext;
		HTMLCanvasElement.prototype.getContext = function (kind, ...rest) { return kind === "webgl2" ? null : get.call(this, kind, ...rest); };
		delete globalThis.VideoDecoder; delete globalThis.ImageDecoder; delete globalThis.VideoEncoder;
	}`)
	p.composed()
	words := eval[string](p, `document.getElementById("lacks").textContent`)
	if !strings.Contains(words, "plain canvas") || !strings.Contains(words, "clips can neither") {
		t.Errorf("the page says %q of what is missing", words)
	}
	// The middle of the picture, and what the engine gives for a screen there.
	off := func(station string) float64 {
		eval[any](p, fmt.Sprintf(`playground.store.choose({ a: %q })`, station))
		p.wait(station, fmt.Sprintf(`playground.store.value.shown.a === %q`, station))
		return eval[float64](p, fmt.Sprintf(`(async () => {
			playground.viewer.api.actual();
			for (let i = 0; i < 3; i++) await new Promise((resolve) => requestAnimationFrame(resolve));
			const { w, h, rgba } = await playground.viewer.api.snapshot();
			const { buffers: [want] } = await playground.engines.call("display", { number: playground.store.value.frame, breaks: playground.store.value.breaks, stations: [%q], width: 0 });
			let sum = 0;
			for (let y = -50; y < 50; y++) for (let x = -50; x < 50; x++) {
				const [i, j] = [4 * ((540 / 2 + y) * 960 + 960 / 2 + x), 4 * ((Math.floor(h / 2) + y) * w + Math.floor(w / 2) + x)];
				sum += Math.abs(want[i] - rgba[j]);
			}
			return sum / 1e4;
		})()`, station))
	}
	for _, station := range []string{"sum", "transmission", "foreground"} {
		if d := off(station); d > 6 { // half a pixel of place, which the canvas smooths
			t.Errorf("%s on the plain canvas is %.1f codes of 255 from the engine's in the mean", station, d)
		}
	}
	p.run(chromedp.KeyEvent("d"))
	p.shoot("plain_1024")
	p.quiet()
}

// Frames of 24 and of 25 a second do not go together: there is a badge on the picture that says so.
func TestRatesApart(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1366, 660)
	p.settled()
	s := newShot(t, span(1003, 1014)...)
	files := []string{s.clipAt(t, "color", "color.webm", 24), s.clipAt(t, "band", "band.webm", 25)}
	for _, name := range []string{"clean_color.jpg", "clean_band.jpg", "dark_color.jpg", "dark_band.jpg", "recipe.json"} {
		files = append(files, s.path(name))
	}
	p.reopens(func() { p.dropOn("#viewer", files...) })
	if eval[bool](p, `document.getElementById("badge").hidden`) {
		t.Error("there is no badge")
	}
	p.click("#badge summary")
	if words := eval[string](p, `document.getElementById("badge").textContent`); !strings.Contains(words, "24 frames per second and the band clip 25") {
		t.Errorf("the badge says %q", words)
	}
	p.shoot("badge_1366")
	// The user's own rate, and the frames.
	p.click("#tab-recipe")
	p.wait("the recipe", `document.querySelector("#panel-recipe input")`)
	field := func(label, value string) {
		eval[any](p, fmt.Sprintf(`(() => { const l = [...document.querySelectorAll("#panel-recipe label")].find((l) => l.firstChild.textContent === %q); const i = l.querySelector("input"); i.value = %q; i.dispatchEvent(new Event("change")); })()`, label, value))
	}
	p.reopens(func() { field("Frames per second", "12") })
	p.reopens(func() { field("Frames", "2-2") })
	if got := eval[string](p, `JSON.stringify([playground.store.value.frames, playground.store.value.ready.recipe.fps])`); got != "[[2],12]" {
		t.Errorf("with a rate and a range of the user's the take is %s", got)
	}
	p.shoot("timing_1366")
	p.quiet()
}

// Two cameras' microphones heard the same, of which the band camera's recording began three frames
// earlier.
func TestOffsetFromSound(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1366, 660)
	p.settled()
	s := newShot(t, span(1003, 1014)...)
	const rate, fps, early = 48000, 24, 3
	noise := rand.New(rand.NewPCG(7, 1))
	heard := make([]int16, 3*rate)
	for at := 0; at < len(heard); at += rate / 3 { // knocks that fade
		for k := range rate / 6 {
			heard[at+k] = int16(12000 * math.Exp(-float64(k)/2000) * noise.NormFloat64() / 3)
		}
	}
	sounding := func(plate, name string, sound []int16) string {
		silent, file := s.clipAt(t, plate, "silent.webm", fps), filepath.Join(t.TempDir(), name)
		var raw bytes.Buffer
		binary.Write(&raw, binary.LittleEndian, sound)
		ffmpeg(t, raw.Bytes(), "-f", "s16le", "-ar", fmt.Sprint(rate), "-ac", "1", "-i", "pipe:0", "-i", silent, "-map", "1:v", "-map", "0:a", "-c:v", "copy", "-c:a", "libopus", file)
		return file
	}
	files := []string{sounding("color", "color.webm", heard), sounding("band", "band.webm", append(make([]int16, early*rate/fps), heard...)), s.path("recipe.json")}
	for _, name := range []string{"clean_color.jpg", "clean_band.jpg", "dark_color.jpg", "dark_band.jpg"} {
		files = append(files, s.path(name))
	}
	p.reopens(func() { p.dropOn("#viewer", files...) })
	p.click("#tab-recipe")
	p.wait("the button", `document.querySelector('#panel-recipe [aria-label="Find it from sound"]')`)
	p.reopens(func() { p.click(`#panel-recipe [aria-label="Find it from sound"]`) })
	if got := eval[string](p, `JSON.stringify([playground.store.value.recipe.offset, playground.store.value.frames.length, playground.store.value.status])`); got != `[3,9,"By sound, the color frame n goes with the band frame n + 3"]` {
		t.Errorf("the offset, the pairs and what is said: %s", got)
	}
	p.quiet()
}

// Playing holds time: after two seconds it is about two seconds further on, whatever it could make.
func TestPlayHoldsTime(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	p.settled()
	p.click("#play")
	p.wait("the rate", `document.getElementById("rate").textContent.includes("of 24 frames per second")`)
	behind := eval[float64](p, `(async () => {
		const { store } = playground;
		const n = store.value.frames.length;
		const place = () => store.value.frames.indexOf(store.value.frame);
		let at = place(), went = 0, before = at;
		const began = performance.now();
		while (performance.now() - began < 2000) {
			await new Promise((resolve) => requestAnimationFrame(resolve));
			went += (place() - before + n) % n;
			before = place();
		}
		return (performance.now() - began) * 24 / 1000 - went;
	})()`)
	t.Logf("after two seconds %.1f frames behind; %s", behind, eval[string](p, `document.getElementById("rate").textContent`))
	if math.Abs(behind) > 12 {
		t.Errorf("after two seconds playing is %.1f frames off", behind)
	}
	// Pointing works meanwhile.
	eval[any](p, `playground.store.update({ pixel: null })`)
	at := p.middle("#viewer")
	p.run(chromedp.MouseEvent("mouseMoved", at[0], at[1]))
	p.wait("the numbers of a pixel while it plays", `playground.store.value.pixel`)
	p.click("#play")
	p.wait("the end of playing", `!playground.store.value.playing`)
	p.quiet()
}

// Every field of the planner's form does what it says: what is typed stands in the file, the focus
// goes on to the next field, and one that is emptied is left out, or keeps its value where it is
// needed.
func TestPlannerForm(t *testing.T) {
	tier.InTestAll(t)
	p := visit(t, 390, 844, "/plan.html")
	p.wait("the plan", `document.getElementById("plan-page").shadowRoot?.querySelector("svg")`)
	if !eval[bool](p, `document.getElementById("plan-form").getBoundingClientRect().top < 844`) {
		t.Error("on a phone the form is out of sight")
	}
	p.shoot("plan_form_390")
	eval[any](p, `document.querySelectorAll("#plan-form details").forEach((d) => { d.open = true; })`)
	time.Sleep(100 * time.Millisecond)
	text := func() (rig map[string]any) {
		if err := json.Unmarshal([]byte(eval[string](p, `document.getElementById("plan-text").value`)), &rig); err != nil {
			t.Fatal(err)
		}
		return rig
	}
	ids := eval[[]string](p, `[...document.querySelectorAll("#plan-form input, #plan-form select")].map((f) => f.id)`)
	if len(ids) < 60 {
		t.Fatalf("the form has %d fields", len(ids))
	}
	// With more light than there is no plan is worked out, which takes long.
	eval[any](p, `(() => { const f = document.getElementById("rig-splitter-to_color"); f.value = 9; f.dispatchEvent(new Event("change")); })()`)
	if wrong := eval[string](p, `document.getElementById("plan-wrong").textContent`); wrong == "" {
		t.Error("a splitter that gives nine times the light is no error")
	}
	strike := func(keys ...string) {
		for _, key := range keys {
			p.run(chromedp.KeyEvent(key))
		}
	}
	focus := func(id string) {
		eval[any](p, fmt.Sprintf(`(() => { const f = document.getElementById(%q); f.scrollIntoView({ block: "center" }); f.focus(); f.select?.(); })()`, id))
	}
	for _, id := range ids {
		before := fmt.Sprint(text())
		focus(id)
		kind, needed := eval[string](p, `document.activeElement.type`), eval[bool](p, `document.activeElement.required`)
		switch kind {
		case "select-one":
			if strike(kb.ArrowDown); fmt.Sprint(text()) == before {
				strike(kb.ArrowUp) // it was the last
			}
		default:
			strike("7", kb.Tab)
			if eval[bool](p, `document.activeElement === document.body`) {
				t.Errorf("%s: the focus falls away", id)
			}
		}
		typed := fmt.Sprint(text())
		if typed == before {
			t.Errorf("%s: what is typed changes nothing", id)
		}
		switch kind {
		case "select-one":
			if strike(kb.ArrowUp); fmt.Sprint(text()) == typed {
				strike(kb.ArrowDown)
			}
		case "number":
			focus(id)
			strike(kb.Delete, kb.Tab)
			if now := fmt.Sprint(text()); needed != (now == typed) {
				t.Errorf("%s: emptied, the file goes from %s to %s", id, typed, now)
			}
		}
	}
	lights := len(text()["lights"].([]any))
	eval[any](p, `document.getElementById("rig-lights-more").click()`)
	if n := len(text()["lights"].([]any)); n != lights+1 {
		t.Errorf("a light was added to %d, and there are %d", lights, n)
	}
	eval[any](p, fmt.Sprintf(`document.getElementById("rig-lights-%d-none").click()`, lights))
	if n := len(text()["lights"].([]any)); n != lights {
		t.Errorf("a light was removed, and there are %d", n)
	}
	p.quiet()
}

// 300 frames of clips of 1280x720, played through, leave the browser's processes under 1.5 GB.
func TestMemoryOfClips(t *testing.T) {
	tier.InTestAll(t)
	s := newShot(t, span(1001, 1032)...)
	long := func(plate, name string) string {
		once := s.clip(t, plate, "once.webm")
		file := filepath.Join(t.TempDir(), name)
		ffmpeg(t, nil, "-stream_loop", "9", "-i", once, "-frames:v", "300", "-vf", "scale=1280:720", "-c:v", "libvpx-vp9", "-crf", "20", "-b:v", "0", "-cpu-used", "8", "-deadline", "realtime", "-g", "24", file)
		return file
	}
	color, band := long("color", "C0001.webm"), long("band", "C0002.webm")
	p := open(t, 1440, 900)
	p.settled()
	p.dropTwo(color, band)
	p.wait("the full take", refined)
	p.settledClips()
	p.click("#play")
	time.Sleep(40 * time.Second)
	most := megabytes(t)
	p.click("#play")
	t.Logf("%.0f MB; pictures, engines, and their memory: %s", most, eval[string](p, `Promise.all(playground.engines.workers.map((worker) => playground.engines.call("memory", {}, { worker }))).then((all) => JSON.stringify([playground.take.cache.size, all.length, all.map(({ result }) => Math.round(result / 1e6))]))`))
	if most > 1500 {
		t.Errorf("%.0f MB for all processes: at most 1500", most)
	}
	p.quiet()
}
