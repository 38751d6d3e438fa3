//go:build !js

package site_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// visitLive opens the live page and waits for its engines.
func visitLive(t testing.TB, width, height int, script string, more ...chromedp.ExecAllocatorOption) *page {
	t.Helper()
	p := visitWith(t, width, height, "/live.html", script, more...)
	p.wait("the live page", `globalThis.live?.session?.about?.recipe && !live.store.value.working`)
	return p
}

// live waits for the live matte and its readings.
func (p *page) live() {
	p.t.Helper()
	p.wait("the live matte", `live.store.value.wrong || live.store.value.ready && live.store.value.readings.length`)
	if wrong := eval[string](p, `live.store.value.wrong`); wrong != "" {
		p.t.Fatalf("the page says: %s", wrong)
	}
}

const rehearse = `live.source.rehearse().then(() => true)`

// through is how much light the page reads through the performer, in the newest of its readings.
const through = `live.store.value.through`

// The rehearsal is live without a camera. A spill that is brought in shows in the figure and the
// map, and goes again: at the left edge 8 % of the screen's light, so that the core, wherever it
// is, lets through between none and that. How soon is logged, and not held to a limit: that is the
// machine's.
func TestLiveRehearsal(t *testing.T) {
	p := visitLive(t, 1440, 900, "")
	p.shoot("live_empty")
	eval[bool](p, rehearse)
	p.live()
	p.shoot("live_1440")
	before := eval[float64](p, through)
	const spill = 0.08
	for _, row := range []struct {
		value float64
		shows string
	}{{spill, fmt.Sprintf("%s > %v && live.session.troubles.includes(2)", through, before+0.01)}, {0, fmt.Sprintf("%s < %v", through, before+0.005)}} {
		ms := eval[float64](p, fmt.Sprintf(`new Promise((resolve) => {
			const began = performance.now();
			const e = document.getElementById("effect-spill");
			e.value = %v;
			e.dispatchEvent(new Event("input"));
			const look = () => (%s ? resolve(performance.now() - began) : performance.now() - began > 60000 ? resolve(-1) : setTimeout(look, 20));
			look();
		})`, row.value, row.shows))
		t.Logf("a spill of %v shows after %.0f ms", row.value, ms)
		if got := eval[float64](p, through); ms < 0 || got > spill {
			t.Errorf("a spill of %v: the page reads %.4f through the performer after %.0f ms, and read %.4f before", row.value, got, ms, before)
		}
		if row.value > 0 {
			eval[any](p, `live.store.update({ view: "trouble" })`)
			p.wait("the marks", `!document.getElementById("marks").hidden`)
			p.shoot("live_trouble")
			eval[any](p, `live.store.update({ pinned: "spill" })`)
			p.shoot("live_pinned")
			eval[any](p, `live.store.update({ pinned: "", view: "sum" })`)
		}
	}
	t.Log(eval[any](p, `live.store.value.rate`))
	p.quiet()
}

// fakeCamera has the browser play a file as its camera: these pairs of the demo's plates side by
// side, half a second each, as Y4M of 4:2:0, each plate of w by h pixels.
func fakeCamera(t testing.TB, w, h int, numbers ...int) []chromedp.ExecAllocatorOption {
	t.Helper()
	demo := filepath.Join(dist(t), "demo")
	file := filepath.Join(t.TempDir(), "camera.y4m")
	var args []string
	for _, folder := range []string{"color", "band"} {
		for _, n := range numbers {
			args = append(args, "-loop", "1", "-t", "0.5", "-r", "24", "-i", filepath.Join(demo, folder, fmt.Sprintf("%d.jpg", n)))
		}
	}
	filter := ""
	for k := range 2 {
		for i := range numbers {
			filter += fmt.Sprintf("[%d:v]", k*len(numbers)+i)
		}
		filter += fmt.Sprintf("concat=n=%d[p%d];", len(numbers), k)
	}
	args = append(args, "-filter_complex", filter+fmt.Sprintf("[p0][p1]hstack,scale=%d:%d,format=yuv420p", 2*w, h), "-strict", "-1", "-f", "yuv4mpegpipe", "-")
	if err := os.WriteFile(file, ffmpeg(t, nil, args...), 0o666); err != nil {
		t.Fatal(err)
	}
	return []chromedp.ExecAllocatorOption{
		chromedp.Flag("use-fake-device-for-media-stream", true),
		chromedp.Flag("use-fake-ui-for-media-stream", true),
		chromedp.Flag("use-file-for-fake-video-capture", file),
	}
}

// One input that carries both plates side by side: what the page shows and reads of a frame is what
// the library makes and check reads of the same pixels, as the still has them, with the recipe that
// the page found; and the geometry is the demo's. The camera is let go when the page stops.
func TestLiveCamera(t *testing.T) {
	tier.InTestAll(t) // the geometry takes a minute of processor time
	p := visitLive(t, 390, 844, "", fakeCamera(t, 960, 540, 1001, 1012)...)
	eval[any](p, `live.source.offer().then(() => document.querySelector(".choices button").click())`)
	p.live()
	p.shoot("live_390")
	if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
		t.Errorf("the page is %d px too wide", over)
	}
	const name = "twinplate_still_*.zip"
	saved := p.saved([]string{name}, func() {
		eval[any](p, `[...document.querySelectorAll("#kept button")].find((b) => b.textContent === "A still").click()`)
	})[name]
	dir := unpack(t, saved)
	r, err := take.ReadRecipe(filepath.Join(dir, "recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	truth, err := take.ReadRecipe(filepath.Join(dist(t), "demo", "recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for x := 300.; x < 700; x += 50 {
		for y := 100.; y < 500; y += 50 {
			ax, ay := r.Geometry.Value.Map(x, y)
			bx, by := truth.Geometry.Value.Map(x, y)
			worst = max(worst, math.Hypot(ax-bx, ay-by))
		}
	}
	t.Logf("the geometry is up to %.2f px from the demo's, in the middle of the frame", worst)
	const most = 0.5 // pixels: of two frames of 8 bits and 4:2:0
	if worst > most {
		t.Errorf("the geometry is up to %.2f px from the demo's", worst)
	}
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	checked, err := opened.Check(context.Background(), nil)
	if err != nil {
		t.Fatal(err)
	}
	var read struct{ Readings []reading.Reading }
	data, err := os.ReadFile(filepath.Join(dir, "readings.json"))
	if err == nil {
		err = json.Unmarshal(data, &read)
	}
	if err != nil {
		t.Fatal(err)
	}
	same := 0
	for _, got := range read.Readings {
		want := checked.Readings.Named(got.Name)
		switch got.Name {
		case "band_level", "evenness", "crosstalk_band":
			same++
			if got.Value == nil || want.Value == nil || math.Abs(*got.Value-*want.Value) > 0.03*math.Abs(*want.Value) || got.Verdict != want.Verdict {
				t.Errorf("the page reads %s as %v (%s), and check %v (%s)", got.Name, got.Value, got.Verdict, want.Value, want.Verdict)
			}
		}
	}
	if same < 3 {
		t.Errorf("the still has %d of the readings", same)
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	f, err := job.NewScrubber().Frame(1, nil)
	if err != nil {
		t.Fatal(err)
	}
	shown, err := plate.ReadGray(filepath.Join(dir, "matte.png"), plate.Linear, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	off := 0.0
	for i, v := range shown.Pix {
		off = max(off, math.Abs(float64(v)-min(max(1-float64(f.Transmission.Pix[i]), 0), 1)))
	}
	if off > 1./255 {
		t.Errorf("the matte that is shown is up to %.4f from the library's", off)
	}
	if n := eval[int](p, `(live.source.stop(), live.store.value.running ? 1 : 0)`); n != 0 {
		t.Error("the page still runs once it is stopped")
	}
	p.quiet()
}

// What goes wrong with inputs is said in words, and the page goes on: no camera, no permission, the
// same camera twice, a camera that is unplugged, a black picture, and plates that are exchanged. A
// page that is hidden lets the cameras go, and takes them again.
func TestLiveInputs(t *testing.T) {
	// A camera is a canvas here, of which the test says what it shows.
	p := visitLive(t, 1024, 768, `
		globalThis.cameras = [];
		navigator.mediaDevices.getUserMedia = async (how) => {
			if (globalThis.refuse) throw new DOMException("", globalThis.refuse);
			const canvas = document.createElement("canvas");
			[canvas.width, canvas.height] = globalThis.wide ?? [640, 180];
			const context = canvas.getContext("2d");
			const timer = setInterval(() => {
				context.fillStyle = "#000";
				context.fillRect(0, 0, canvas.width, canvas.height);
				context.fillStyle = globalThis.paint ?? "#000";
				context.fillRect(globalThis.still ? 20 : performance.now() / 20 % 40, 20, 80, 100);
			}, 40);
			const stream = canvas.captureStream(24);
			globalThis.cameras.push(stream.getVideoTracks()[0]);
			return stream;
		};`)
	says := func(what, text string) {
		t.Helper()
		p.wait(what, fmt.Sprintf(`document.querySelector(".figures").textContent.includes(%q)`, text))
	}
	for name, text := range map[string]string{"NotAllowedError": "allow the camera", "NotFoundError": "plugged in", "NotReadableError": "another program", "OverconstrainedError": "not there any more"} {
		eval[any](p, fmt.Sprintf(`(globalThis.refuse = %q, 0)`, name))
		if name == "NotAllowedError" {
			eval[any](p, `live.source.offer()`)
		} else {
			eval[any](p, `(live.source.choose({ devices: ["a"] }), live.source.cameras())`)
		}
		says(name, text)
	}
	eval[any](p, `(globalThis.refuse = "", live.source.choose({ split: "none", devices: ["a", "a"] }), live.source.cameras())`)
	says("the same camera twice", "the same camera")

	eval[any](p, `(live.source.choose({ split: "side", devices: ["a"] }), live.source.cameras())`)
	says("a black picture", "Both pictures are black")
	eval[any](p, `globalThis.paint = "#fff"`)
	p.wait("the size", `live.store.value.rate?.size === "320x180, 320x180"`)

	hide := func(hidden bool) {
		eval[any](p, fmt.Sprintf(`(Object.defineProperty(document, "hidden", { value: %v, configurable: true }), document.dispatchEvent(new Event("visibilitychange")))`, hidden))
	}
	hide(true)
	p.wait("the cameras' release", `cameras.every((track) => track.readyState === "ended")`)
	hide(false)
	p.wait("the cameras' return", `live.store.value.running && live.store.value.rate && cameras.some((track) => track.readyState === "live")`)

	eval[any](p, `cameras.at(-1).stop(), cameras.at(-1).dispatchEvent(new Event("ended"))`)
	says("an unplugged camera", "was unplugged")
	if eval[bool](p, `live.store.value.running`) {
		t.Error("the page still runs without its camera")
	}

	// Two inputs, of one picture: both plates show the same.
	eval[any](p, `(globalThis.still = true, live.source.choose({ split: "none", devices: ["a", "b"] }), live.source.cameras())`)
	says("the same picture twice", "Both pictures show the same")
	if apart := eval[float64](p, `live.store.value.rate.apart`); apart > 42 {
		t.Errorf("two inputs of 24 frames a second are paired %.0f ms apart", apart)
	}
	p.shoot("live_two")
	eval[any](p, `live.source.stop()`)
	p.quiet()
}

// The graphics processor's pictures of a frame, here played by software, are the library's to a
// code of 8 bits: the composite, the matte and both plates. With the switch off the processor makes
// them again.
func TestLiveGraphics(t *testing.T) {
	tier.InTestAll(t) // software that plays a graphics processor takes a second a frame
	p := visitLive(t, 1440, 900, "")
	eval[any](p, `live.source.choose({ graphics: "on" })`)
	eval[any](p, `(() => {
		const { graphics } = live, frame = graphics.frame;
		graphics.frame = (color, band, gain, show) => {
			live.last = { color: color.slice(), band: band.slice(), gain };
			return frame.call(graphics, color, band, gain, show);
		};
	})()`)
	eval[bool](p, rehearse)
	p.live()
	p.wait("a picture by graphics", `live.store.value.drawn && live.last && live.store.value.rate?.made > 2`)
	got := eval[map[string]struct {
		Worst, Off int
		Spread     int
	}](p, `(async () => {
		const { session, engines, graphics } = live;
		session.tell({ stop: true });
		await new Promise((resolve) => setTimeout(resolve, 1000)); // the last frame is done
		const { color, band } = live.last;
		session.maker.port.postMessage({ files: { put: [["/take/color/0001.png", plate(color)], ["/take/band/0001.png", plate(band)]] } });
		function plate(data) { return { format: "live", width: live.store.value.ready.w, height: live.store.value.ready.h, color: true, depth: 8, planes: "rgbx", data }; }
		const stations = ["sum", "matte", "color", "band"];
		const { result, buffers } = await engines.call("watch", { number: 1, stations, thumbs: [] }, { worker: session.maker });
		const out = {};
		for (const [k, station] of stations.entries()) {
			graphics.api.frame(color, band, result.gain, station);
			const { rgba } = await graphics.api.snapshot();
			let worst = 0, off = 0, low = 255, high = 0;
			buffers[k].forEach((v, i) => {
				const d = Math.abs(v - rgba[i]);
				worst = Math.max(worst, d);
				off += Number(d > 0);
				if (i % 4 < 3) [low, high] = [Math.min(low, v), Math.max(high, v)];
			});
			out[station] = { Worst: rgba.length === buffers[k].length ? worst : 255, Off: off, Spread: high - low };
		}
		return out;
	})()`)
	for station, v := range got {
		t.Logf("%s: %d codes differ, by up to %d", station, v.Off, v.Worst)
		if v.Worst > 1 || v.Spread < 100 {
			t.Errorf("%s by graphics is up to %d codes from the library's, whose own codes spread over %d", station, v.Worst, v.Spread)
		}
	}
	if len(got) != 4 {
		t.Errorf("%d pictures were compared", len(got))
	}
	eval[any](p, `(live.source.choose({ graphics: "off" }), live.source.rehearse())`)
	p.live()
	if eval[bool](p, `live.store.value.drawn || !document.getElementById("graphics").hidden`) {
		t.Error("the graphics processor still draws")
	}
	p.quiet()
}

// known is a script by which a page that prepares a take of these plates begins with the demo's
// geometry, crosstalk and noise, as a rehearsal does: what is found in a minute of processor time
// is not what a test of the pictures is about.
func known(t testing.TB, w, h int) string {
	t.Helper()
	r, err := take.ReadRecipe(filepath.Join(dist(t), "demo", "recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	scaleGeometry(&r.Geometry.Value, w, h)
	given, err := json.Marshal(map[string]any{"geometry": r.Geometry, "crosstalk": r.Crosstalk, "color_noise": r.ColorNoise, "band_noise": r.BandNoise})
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf(`(() => {
		const { session } = live, prepare = session.prepare;
		session.prepare = (how) => prepare.call(session, { known: %s, ...how });
		return true;
	})()`, given)
}

// push presses the live page's button whose text begins so.
func (p *page) push(text string) {
	p.t.Helper()
	script := fmt.Sprintf(`[...document.querySelectorAll("main button, .pinned button")].find((b) => b.textContent.replace("✓ ", "").startsWith(%q) && !b.disabled)`, text)
	p.wait("the button "+text, "!!"+script)
	eval[any](p, script+".click()")
}

// unpack writes an archive's files into a folder, and returns it.
func unpack(t testing.TB, archive []byte) string {
	t.Helper()
	dir := t.TempDir()
	files, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(dir, f.Name), data)
	}
	return dir
}

// The reference plates, a button each: of nobody one is taken, with somebody who moves none; a dark
// one with light in it is refused. With both a test shot is a take that the library opens and
// makes, the log is a table as RFC 4180 has it, and the sheet of the day has what was put on it.
func TestLiveKept(t *testing.T) {
	tier.InTestAll(t) // it prepares the take five times
	p := visitLive(t, 1440, 900, "")
	eval[bool](p, rehearse)
	p.live()
	stage := func(name string) {
		eval[any](p, fmt.Sprintf(`live.store.update({ effects: { ...live.store.value.effects, stage: %q } })`, name))
		time.Sleep(time.Second) // some frames
	}
	p.push("Clean plate")
	p.wait("a clean plate's refusal", `live.store.value.wrong.includes("something moved")`)
	stage("nobody")
	p.push("Clean plate")
	p.wait("the clean plate", `live.store.value.have.clean && !live.store.value.working && live.store.value.ready`)
	p.push("Dark plate")
	p.wait("a dark plate's refusal", `live.store.value.wrong.includes("there is light in it")`)
	stage("dark")
	p.push("Dark plate")
	p.wait("the dark plate", `live.store.value.have.dark && !live.store.value.working && live.store.value.ready`)
	stage("performer")
	p.live()

	eval[any](p, `live.store.update({ note: 'flag <1> "out"' })`)
	p.push("Put it on the sheet")
	p.wait("the sheet's first line", `live.store.value.day.length === 1`)
	eval[any](p, `live.store.update({ note: "flag in" })`)
	p.push("Put it on the sheet")
	p.wait("the sheet's second line", `live.store.value.day.length === 2`)
	p.shoot("live_kept")
	const sheet = "twinplate_day_*.html"
	html := string(p.saved([]string{sheet}, func() { p.push("Save the sheet") })[sheet])
	for _, want := range []string{"&#60;1&#62;", "flag in", "Spill on the performer"} {
		if !strings.Contains(html, want) {
			t.Errorf("the sheet has no %s", want)
		}
	}
	if n := strings.Count(html, "data:image/jpeg"); n != 2 {
		t.Errorf("the sheet has %d pictures", n)
	}

	const log = "twinplate_readings_*.csv"
	rows, err := csv.NewReader(bytes.NewReader(p.saved([]string{log}, func() { p.push("The log as CSV") })[log])).ReadAll() // RFC 4180, which asks for as many fields in each
	if err != nil || len(rows) < 2 || rows[0][0] != "time" || !slices.Contains(rows[0], "spill_verdict") {
		t.Errorf("the log has %d rows: %v", len(rows), err)
	}

	const shot = "twinplate_test_*.zip"
	saved := p.saved([]string{shot}, func() {
		p.push("A test shot")
		p.wait("some frames of the test shot", `live.store.value.recording?.frames >= 3`)
		p.push("Stop the test shot")
	})[shot]
	r, err := take.ReadRecipe(filepath.Join(unpack(t, saved), "recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	if r.CleanBand == "" || r.DarkColor == "" {
		t.Error("the test shot has no reference plates")
	}
	opened, err := take.Open(r)
	if err != nil {
		t.Fatal(err)
	}
	if len(opened.Pairs) < 3 {
		t.Errorf("the test shot has %d pairs", len(opened.Pairs))
	}
	job, err := opened.Prepare(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	f, err := job.NewScrubber().Frame(opened.Pairs[0].Number, nil)
	if err != nil {
		t.Fatal(err)
	}
	solid := 0
	for _, v := range f.Transmission.Pix {
		if v < 0.1 {
			solid++
		}
	}
	if part := float64(solid) / float64(len(f.Transmission.Pix)); part < 0.02 || part > 0.8 {
		t.Errorf("the performer of the test shot is %.3f of the frame", part)
	}

	p.push("Without them")
	p.wait("a matte without reference plates", `!live.store.value.have.clean && live.store.value.ready && live.store.value.readings.length`)
	p.quiet()
}

// The tone is off until it is asked for, falls as spill falls, and ends with the pinned reading.
func TestLiveTone(t *testing.T) {
	tier.InTest(t)
	p := visitLive(t, 390, 844, `
		globalThis.tones = { open: 0, pitch: 0 };
		globalThis.AudioContext = class {
			constructor() { tones.open++; }
			close() { tones.open--; }
			createGain() { return { gain: { value: 0 }, connect: (to) => to }; }
			createOscillator() { return { frequency: { setTargetAtTime(hz) { tones.pitch = hz; } }, connect: (to) => to, start() {} }; }
		};`)
	eval[any](p, `live.store.update({ running: true, pinned: "spill", through: 0.04, sigma: 0.002, readings: [
		{ name: "spill", title: "Spill on the performer", value: 38, sigma: 3, unit: "% of the performer's core", verdict: "bad", meaning: "", advice: "" }] })`)
	p.shoot("live_pinned_390")
	if n := eval[int](p, `tones.open`); n != 0 {
		t.Errorf("%d tones sound that nobody asked for", n)
	}
	eval[any](p, `document.querySelector(".pinned input").click()`)
	pitch := func(through float64) float64 {
		return eval[float64](p, fmt.Sprintf(`(live.store.update({ through: %v }), tones.pitch)`, through))
	}
	// As state.js of the figures has it: 220 Hz of none, 880 Hz of 5 % and more.
	high, middle, none, more := pitch(0.05), pitch(0.02), pitch(0), pitch(0.5)
	if !(math.Abs(high-880) < 1 && middle < high && none < middle && math.Abs(none-220) < 1 && more == high) {
		t.Errorf("the tone is %.0f, %.0f, %.0f and %.0f Hz", high, middle, none, more)
	}
	if n := eval[int](p, `tones.open`); n != 1 {
		t.Errorf("%d tones sound", n)
	}
	if shown := eval[string](p, `document.querySelector(".pinned .unit").textContent`); !strings.Contains(shown, "4.0 ± 0.2 % through") {
		t.Errorf("the pinned reading says %q", shown)
	}
	p.push("Close")
	if n := eval[int](p, `tones.open`); n != 0 {
		t.Errorf("%d tones sound after the reading was closed", n)
	}
	p.quiet()
}

// A shared window that carries both plates is as good as a camera: its matte is live. When its size
// changes the geometry must be found anew, which is said, and done when it is asked for.
func TestLiveWindow(t *testing.T) {
	tier.InTestAll(t) // it prepares a take
	p := visitLive(t, 1366, 660, `
		navigator.mediaDevices.getDisplayMedia = async () => {
			const canvas = globalThis.shared = document.createElement("canvas");
			[canvas.width, canvas.height] = [1920, 540];
			const context = canvas.getContext("2d");
			const pictures = await Promise.all(["color/1001.jpg", "band/1001.jpg", "color/1012.jpg", "band/1012.jpg"].map(async (name) => createImageBitmap(await (await fetch("demo/" + name)).blob())));
			setInterval(() => {
				const k = 2 * (Math.floor(performance.now() / 500) % 2);
				for (const i of [0, 1]) context.drawImage(pictures[k + i], (i * canvas.width) / 2, 0, canvas.width / 2, canvas.height);
			}, 40);
			return canvas.captureStream(24);
		};`)
	eval[bool](p, known(t, 960, 540))
	p.push("A window")
	p.live()
	p.shoot("live_window_1366")
	if kind := eval[string](p, `live.store.value.choice.kind + live.store.value.rate.size`); kind != "window960x540, 960x540" {
		t.Errorf("what is live is %s", kind)
	}
	eval[any](p, `[shared.width, shared.height] = [1280, 360]`)
	p.wait("the other size", `live.store.value.wrong.includes("another size now, 640x360") && !live.store.value.ready`)
	p.shoot("live_size")
	eval[any](p, `live.source.stop()`)
	if eval[bool](p, `live.store.value.running`) {
		t.Error("the page still runs once it is stopped")
	}
	p.quiet()
}

// A rig that was knocked by eight pixels is told, with about so many, and as much once it is as it
// was again. What it is held against was found in the browser as well.
func TestLiveBump(t *testing.T) {
	tier.InTestAll(t) // a look takes a core for many seconds
	p := visitLive(t, 1440, 900, "")
	eval[bool](p, rehearse)
	p.live()
	p.wait("a look at the geometry", `live.store.value.bump`)
	before := eval[struct {
		Pixels float64
		Moved  bool
		Why    string
	}](p, `(({ pixels, moved, why }) => ({ Pixels: pixels, Moved: moved, Why: why }))(live.store.value.bump)`)
	if before.Moved || before.Why != "" {
		t.Errorf("a rig that stands still is told as %+v", before)
	}
	const knocked = 8
	eval[any](p, fmt.Sprintf(`live.store.update({ effects: { ...live.store.value.effects, bump: %d } })`, knocked))
	p.wait("the bump", `live.store.value.bump.moved`)
	p.shoot("live_bump")
	got := eval[[]float64](p, `[live.store.value.bump.pixels, live.store.value.bump.sigma]`)
	t.Logf("a bump of %d px is told as %.2f ± %.2f px; before it %.2f px", knocked, got[0], got[1], before.Pixels)
	if math.Abs(got[0]-knocked) > max(4*got[1], 1) {
		t.Errorf("a bump of %d px is told as %.2f ± %.2f px", knocked, got[0], got[1])
	}
	eval[any](p, `live.store.update({ effects: { ...live.store.value.effects, bump: 0 } })`)
	p.wait("the rig's return", `!live.store.value.bump.moved`)
	p.quiet()
}

// No state of the page has a fault that axe-core finds, wide or narrow.
func TestLiveAxe(t *testing.T) {
	tier.InTestAll(t) // axe-core takes seconds a state
	dist(t)           // which installs axe-core, too
	axe, err := os.ReadFile("node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatal(err)
	}
	p := visitLive(t, 1366, 660, string(axe))
	look := func(state string) {
		t.Helper()
		for _, v := range eval[[]struct {
			ID, Help string
			Nodes    []struct{ HTML string }
		}](p, `axe.run(document).then((r) => r.violations.map((v) => ({ ID: v.id, Help: v.help, Nodes: v.nodes.map((n) => ({ HTML: n.html })) })))`) {
			t.Errorf("%s: %s (%s): %.200v", state, v.ID, v.Help, v.Nodes)
		}
	}
	look("empty")
	eval[any](p, `document.querySelector("#empty button").click()`)
	p.live()
	look("live")
	eval[any](p, `live.store.update({ view: "trouble", wrong: "Something is wrong", day: [{ time: 0, note: "a flag", readings: [], picture: "" }],
		bump: { pixels: 3, sigma: 0.1, moved: true, why: "" }, recording: { frames: 3, seconds: 1 } })`)
	look("trouble, a bump, a recording")
	eval[any](p, `live.store.update({ pinned: "spill" })`)
	look("pinned")
	eval[any](p, `live.source.stop()`)
	look("stopped")
	p.quiet()
}

// The engines keep no plane of a frame that is done. BenchmarkLive tells how memory goes for as
// long as is asked for.
func TestLiveMemory(t *testing.T) {
	tier.InTestAll(t) // it waits
	p := visitLive(t, 1440, 900, "")
	eval[bool](p, rehearse)
	p.live()
	p.wait("the end of the first check", `live.store.value.slow.length`)
	time.Sleep(10 * time.Second)
	before := eval[float64](p, engineBytes)
	frames := eval[int](p, `live.store.value.rate.made`)
	time.Sleep(30 * time.Second)
	grown := eval[float64](p, engineBytes) - before
	made := eval[int](p, `live.store.value.rate.made`) - frames
	t.Logf("%.1f MB more after %d frames", grown/1e6, made)
	// Bytes: the heaps grow for the first minute, by the looks at the geometry (31 MB in 620
	// frames, 2026-11-29; none in the second half of ten minutes). A plane that is kept of each
	// frame is 2 MB.
	const most, fewest = 100e6, 100
	if grown > most || made < fewest {
		t.Errorf("the engines' memory grew by %.1f MB in %d frames", grown/1e6, made)
	}
	p.quiet()
}

// engineBytes is the memory that the engines have.
const engineBytes = `Promise.all(live.engines.workers.map((worker) => live.engines.call("memory", {}, { worker }))).then((all) => all.reduce((n, { result }) => n + result, 0))`

// BenchmarkLive has the page make matte and composite of a camera that carries two plates of
// 1280x720, for 20 seconds, or so many minutes as TWINPLATE_LIVE_MINUTES says. It reports the rate,
// how far the picture is behind, what a frame costs the worker that makes it, how many frames of a
// hundred are dropped, and by how much the engines' memory and the browser's have grown since the
// first half of it.
func BenchmarkLive(b *testing.B) {
	span := liveSpan(b)
	p := visitLive(b, 1440, 900, "", fakeCamera(b, 1280, 720, 1001, 1012)...)
	eval[bool](p, known(b, 1280, 720))
	eval[any](p, `live.source.offer().then(() => document.querySelector(".choices button").click())`)
	p.live()
	p.wait("the end of the first check", `live.store.value.slow.length`)
	for b.Loop() {
		eval[any](p, `(live.rates = [], live.store.subscribe(["rate"], ({ rate }) => rate && live.rates.push(rate)))`)
		time.Sleep(span / 2)
		half, all := eval[float64](p, engineBytes), megabytes(b)
		time.Sleep(span / 2)
		b.ReportMetric((eval[float64](p, engineBytes)-half)/1e6, "MB-grown")
		b.ReportMetric(megabytes(b)-all, "MB-grown-browser")
		for name, unit := range map[string]string{"fps": "frames/s", "latency": "ms-behind", "cost": "ms/frame"} {
			b.ReportMetric(median(eval[[]float64](p, fmt.Sprintf(`live.rates.map((r) => r.%s)`, name))), unit)
		}
		b.ReportMetric(eval[float64](p, `(([a, b]) => (100 * (b.lost - a.lost)) / (b.made + b.lost - a.made - a.lost))([live.rates[0], live.rates.at(-1)])`), "%-dropped")
		b.ReportMetric(0, "ns/op")
	}
	b.Logf("the load of the last minute: %s", load())
	p.shoot("live_bench")
}

// liveSpan is how long BenchmarkLive runs.
func liveSpan(t testing.TB) time.Duration {
	text := os.Getenv("TWINPLATE_LIVE_MINUTES")
	if text == "" {
		return 20 * time.Second
	}
	minutes, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatalf("TWINPLATE_LIVE_MINUTES: %v", err)
	}
	return time.Duration(minutes * float64(time.Minute))
}

// load is what else the machine did, which a rate depends on.
func load() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "not known"
	}
	return string(text[:4])
}
