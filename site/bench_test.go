//go:build !js

package site_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"example.com/twinplate/align"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

func median(ms []float64) float64 {
	slices.Sort(ms)
	return ms[len(ms)/2]
}

// BenchmarkColdStart opens the playground in a fresh browser, five times, with software rendering,
// and reports the median time from the navigation to the first composite.
func BenchmarkColdStart(b *testing.B) {
	for b.Loop() {
		var ms []float64
		for range 5 {
			p := open(b, 1440, 900)
			ms = append(ms, eval[float64](p, `performance.getEntriesByName("composite")[0].startTime`))
			b.Log(eval[string](p, `performance.getEntriesByType("mark").map((m) => m.name + " " + Math.round(m.startTime)).join(", ")`))
			if err := chromedp.Cancel(p.Context); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(median(ms), "ms-to-composite")
		b.ReportMetric(0, "ns/op")
	}
}

// enlarge makes a shot twice as wide and high, 1920x1080, as JPEG: the work of a frame of that
// size.
func (s shot) enlarge(t testing.TB) shot {
	t.Helper()
	large := shot{filepath.Join(t.TempDir(), "pier"), s.frames}
	for name, data := range s.files(t) {
		if filepath.Ext(name) == ".jpg" {
			put(t, large.path(name), ffmpeg(t, data, "-f", "mjpeg", "-i", "-", "-vf", "scale=1920:1080", "-q:v", "3", "-f", "mjpeg", "-"))
		}
	}
	r, err := take.ReadRecipe(s.path("recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	scaleGeometry(&r.Geometry.Value, 1920, 1080)
	if err := r.Save(large.path("recipe.json")); err != nil {
		t.Fatal(err)
	}
	return large
}

// scaleGeometry makes of the demo's geometry that of frames of w by h pixels.
func scaleGeometry(g *align.Geometry, w, h int) {
	// With pixel centers at whole numbers, x of the small frame is s x + (s - 1)/2 of the large
	// one.
	s := float64(w) / float64(g.ColorW)
	add := (s - 1) / 2
	m := &g.Homography
	for i := range 2 { // A H
		for k := range 3 {
			m[3*i+k] = s*m[3*i+k] + add*m[6+k]
		}
	}
	for i := range 3 { // H A^-1
		m[3*i], m[3*i+1] = m[3*i]/s, m[3*i+1]/s
		m[3*i+2] -= add * (m[3*i] + m[3*i+1])
	}
	g.Center = [2]float64{s*g.Center[0] + add, s*g.Center[1] + add}
	g.ColorW, g.ColorH, g.BandW, g.BandH = w, h, w, h
}

// noisy makes PNG files of so many bits of a shot's, with noise, which is what most of a real file
// holds: 0.3 % of full scale.
func (s shot) noisy(t testing.TB, depth int) shot {
	t.Helper()
	noisy := shot{filepath.Join(t.TempDir(), "pier"), s.frames}
	opt := &plate.WriteOptions{Curve: plate.SRGB, Depth: depth}
	for name, data := range s.files(t) {
		if filepath.Ext(name) != ".jpg" {
			put(t, noisy.path(name), bytes.ReplaceAll(data, []byte(`.jpg"`), []byte(`.png"`))) // the recipe
			continue
		}
		f, err := plate.ReadRGB(s.path(name), plate.SRGB, nil)
		if err != nil {
			t.Fatal(err)
		}
		random := rand.New(rand.NewPCG(1, 2))
		for i := range f.Pix[0] {
			for c := range 3 {
				f.Pix[c][i] += 0.003 * float32(random.NormFloat64())
			}
		}
		var picture image.Image = f
		if strings.Contains(name, "band") {
			picture = &plate.Gray{W: f.W, H: f.H, Pix: f.Pix[1]}
		}
		path := noisy.path(strings.TrimSuffix(name, ".jpg") + ".png")
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := plate.Write(path, picture, opt); err != nil {
			t.Fatal(err)
		}
	}
	return noisy
}

// linear has a shot's background read as linear light.
func (s shot) linear(t testing.TB) shot {
	t.Helper()
	r, err := take.ReadRecipe(s.path("recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	r.BackgroundCurve = plate.Linear.Name()
	if err := r.Save(s.path("recipe.json")); err != nil {
		t.Fatal(err)
	}
	return s
}

// BenchmarkScrub moves the time line of a take of 1920x1080, in each format, and reports the median
// times until a frame that is not kept is with the viewer, as the browser decodes it and as the
// library does; and for JPEG until one that is kept is given to the viewer, and until the viewer
// has drawn it, by software.
func BenchmarkScrub(b *testing.B) {
	large := newShot(b, 1003, 1004, 1005, 1006, 1007, 1008, 1009, 1010, 1011, 1012).enlarge(b)
	for _, format := range []struct {
		name  string
		files func() []string
	}{
		{"JPEG", func() []string { return []string{large.dir} }},
		{"PNG8", func() []string { return []string{large.noisy(b, 8).dir} }},
		{"PNG16", func() []string { return []string{large.noisy(b, 16).dir} }},
		{"Linear16", func() []string { return []string{large.noisy(b, 16).linear(b).dir} }}, // which has no draft
		{"WebM", func() []string { files, _ := large.clips(b); return files }},
	} {
		b.Run(format.name, func(b *testing.B) {
			files := format.files()
			for b.Loop() {
				scrub(b, format.name, files)
			}
		})
	}
}

func scrub(b *testing.B, name string, files []string) {
	p := open(b, 1440, 900)
	p.opens(func() { p.dropOn("#viewer", files...) })
	got := eval[struct{ Kept, Drawn, Fresh, Exact []float64 }](p, `(async () => {
		const { engines, store, take, viewer } = playground;
		const api = document.getElementById("viewer").contentWindow.twinplateViewer;
		const scrub = document.getElementById("scrub");
		const wait = (ms) => new Promise((r) => setTimeout(r, ms));
		// rest waits until no engine works, and nothing is drawn any more: by software that takes a good part of a second.
		const rest = async () => { do await wait(500); while (engines.queue.length || engines.workers.some((w) => w.busy || w.held)); await api.snapshot(); await wait(1500); };
		const show = viewer.show;
		// move resolves to when the frame's pictures were given to the viewer, and when the first was drawn.
		const move = async (i) => {
			const start = performance.now();
			const given = [];
			let drawn;
			viewer.show = function (side, picture) {
				show.call(viewer, side, picture);
				if (side !== 0 || picture?.number !== store.value.frames[i]) return;
				given.push(performance.now() - start);
				drawn ??= api.snapshot().then(() => performance.now() - start);
			};
			scrub.value = i;
			scrub.dispatchEvent(new Event("input"));
			await rest();
			viewer.show = show;
			return { first: given[0], last: given.at(-1), drawn: await drawn };
		};
		const out = { kept: [], drawn: [], fresh: [], exact: [] };
		const budget = take.budget;
		await rest();
		take.budget = 0; // nothing is kept, nor made ahead
		take.clear();
		// Every engine is at the first frame, and no frame comes twice.
		await Promise.all(engines.workers.map((worker) => engines.call("pixel", { number: store.value.frames[0], breaks: store.value.breaks, x: 0, y: 0 }, { worker })));
		for (const i of [4, 2, 7, 5, 8, 1, 6, 3, 9]) {
			const { first, last } = await move(i);
			out.fresh.push(first);
			out.exact.push(last);
		}
		take.budget = budget;
		for (let i = 0; i < store.value.frames.length; i++) await move(i);
		for (const i of [3, 1, 4, 2, 5, 0, 3]) {
			const { first, drawn } = await move(i);
			out.kept.push(first);
			out.drawn.push(drawn);
		}
		return out;
	})()`)
	text, _ := json.Marshal(got)
	b.Log(string(text))
	b.ReportMetric(median(got.Kept), "ms-kept")
	b.ReportMetric(median(got.Drawn), "ms-kept-drawn")
	b.ReportMetric(median(got.Fresh), "ms-fresh")
	b.ReportMetric(median(got.Exact), "ms-fresh-exact")
	b.ReportMetric(0, "ns/op")
	p.shoot("hd_1440_" + name)
	if wrong := eval[string](p, `[...document.querySelectorAll(".wrong")].map((n) => n.textContent).join()`); wrong != "" {
		b.Errorf("the page says %q", wrong)
	}
}

// BenchmarkDraw gives the viewer one picture of 960x540 after the other, ten a second, and reports the
// processor time of each, that of a page that does nothing taken off, as software draws it: coarsely
// while pictures follow each other, and by the shader.
func BenchmarkDraw(b *testing.B) {
	p := open(b, 1440, 900)
	p.settled()
	p.settledClips()
	const pictures = 60
	each := func(setup string) float64 {
		eval[any](p, setup)
		used := processorTime(b)
		eval[any](p, fmt.Sprintf(`(async () => {
			const halves = [0, 1, 2].map((k) => [new Uint8Array(4 * 960 * 540).fill(0x38 + k), new Uint8Array(4 * 960 * 540).fill(k)]);
			let next = performance.now();
			for (let k = 0; k < %d; k++) {
				do await new Promise((resolve) => requestAnimationFrame(resolve)); while (performance.now() < next); // the one before is drawn
				next = performance.now() + 100;
				draws(k, halves[k %% 3]);
			}
			return 0;
		})()`, pictures))
		return (processorTime(b) - used).Seconds() * 1000 / pictures
	}
	for b.Loop() {
		nothing := each(`(globalThis.draws = () => {}, 0)`)
		eval[any](p, `(globalThis.draws = (k, halves) => document.getElementById("viewer").contentWindow.twinplateViewer.picture(0, 960, 540, ...halves), 0)`)
		b.ReportMetric(each(`(playground.viewer.set({ software: true }), 0)`)-nothing, "cpu-ms-coarse")
		b.ReportMetric(each(`(playground.viewer.set({ software: false }), 0)`)-nothing, "cpu-ms-shader")
		b.ReportMetric(0, "ns/op")
	}
}

// BenchmarkShot changes the finish of a take of 1920x1080 from JPEG, one setting after the other, and
// reports the median times until the frame is with the viewer, as the library makes it; and, while a
// slider is moved with the hand not at rest, how many milliseconds lie between two pictures.
func BenchmarkShot(b *testing.B) {
	large := newShot(b, 1003, 1004, 1005).enlarge(b)
	p := open(b, 1440, 900)
	p.opens(func() { p.dropOn("#viewer", large.dir) })
	for b.Loop() {
		got := eval[map[string][]float64](p, `(async () => {
			const { engines, store, viewer } = playground;
			const wait = (ms) => new Promise((r) => setTimeout(r, ms));
			const rest = async () => { do await wait(300); while (!store.value.ready || engines.queue.length || engines.workers.some((w) => w.busy || w.held)); };
			const show = viewer.show;
			// choose resolves to how long it took until the last picture was given to the viewer.
			const choose = async (some) => {
				const start = performance.now();
				let last = NaN;
				viewer.show = function (side, picture) {
					show.call(viewer, side, picture);
					if (side === 0 && picture) last = performance.now() - start;
				};
				store.choose({ recipe: { ...store.value.recipe, ...some } });
				await rest();
				viewer.show = show;
				return last;
			};
			// move resolves to how far apart pictures come, in the mean, while the setting
			// changes with every screen.
			const move = async (change) => {
				const start = performance.now();
				const given = [];
				viewer.show = function (side, picture) {
					show.call(viewer, side, picture);
					if (side === 0 && picture) given.push(performance.now());
				};
				for (let k = 0; performance.now() - start < 2000; k++) {
					store.choose({ recipe: { ...store.value.recipe, ...change(k / 10) } });
					await new Promise((resolve) => requestAnimationFrame(resolve));
				}
				viewer.show = show;
				await rest();
				return (given.at(-1) - given[0]) / (given.length - 1);
			};
			const box = (x) => [{ frame: 0, corners: [{ x, y: 0.3 }, { x: x + 0.3, y: 0.3 }, { x: x + 0.3, y: 0.6 }, { x, y: 0.6 }] }];
			const kinds = {
				exposure: (k) => ({ foreground_grade: { exposure: 0.1 + k / 10 } }),
				background: (k) => ({ background_grade: { exposure: 0.1 + k / 10 } }),
				region: (k) => ({ regions: [{ effect: "outside", feather: 4, keys: box(0.1 + k / 100) }] }),
				spill: (k) => ({ spill: k % 2 ? "keep" : "core" }),
				place: (k) => ({ fit: { scale: 1.1 + k / 100 } }),
				turn: (k) => ({ fit: { turn: 1 + k } }),
				softness: (k) => ({ fit: { softness: 1 + k } }),
			};
			const none = Object.fromEntries(["foreground_grade", "background_grade", "regions", "spill", "fit"].map((key) => [key, undefined]));
			const out = {};
			await rest();
			for (const [name, change] of Object.entries(kinds)) {
				out[name] = [];
				for (let k = 0; k < 7; k++) out[name].push(await choose(change(k)));
				if (name !== "spill") out[name + "-moved"] = [await move(change)];
				await choose(none);
			}
			return out;
		})()`)
		for name, times := range got {
			b.Logf("%s: %.0f", name, times)
			b.ReportMetric(median(times), "ms-"+name)
		}
	}
	b.ReportMetric(0, "ns/op")
}

// BenchmarkClips drops two clips of 1920x1080 whose names say nothing, and reports the times from
// what the sheet is told to the draft and to the full geometry, and the processor time of all of the
// browser's processes until then; how many frames per second playing shows, in the first pass and
// when they are kept, and the processor time of each; the median times of a seek to a frame that is
// not kept, until it is there and until it is in its full size; and the memory of all processes
// after it.
func BenchmarkClips(b *testing.B) {
	s := newShot(b, span(1001, 1032)...).enlarge(b)
	color, band := s.clip(b, "color", "C0001.webm"), s.clip(b, "band", "C0002.webm")
	for b.Loop() {
		p := open(b, 1440, 900)
		p.settled()
		used := processorTime(b)
		p.dropTwo(color, band)
		began := time.Now()
		p.wait("the draft", drafted)
		b.ReportMetric(float64(time.Since(began).Milliseconds()), "ms-draft")
		p.wait("the full take", refined)
		b.ReportMetric(float64(time.Since(began).Milliseconds()), "ms-full")
		b.ReportMetric((processorTime(b) - used).Seconds(), "cpu-s-full")
		p.settledClips()
		play := func(what string) {
			used := processorTime(b)
			n := eval[float64](p, `(async () => {
				const { store } = playground;
				let n = 0, before = store.value.frame;
				const began = performance.now();
				while (performance.now() - began < 8000) {
					await new Promise((resolve) => requestAnimationFrame(resolve));
					if (store.value.frame !== before) n++;
					before = store.value.frame;
				}
				return n;
			})()`)
			b.ReportMetric(n/8, "fps-"+what)
			b.ReportMetric((processorTime(b)-used).Seconds()*1000/n, "cpu-ms-"+what)
		}
		eval[any](p, `(playground.take.clear(), document.getElementById("play").click())`)
		play("first")
		time.Sleep(20 * time.Second)
		play("kept")
		eval[any](p, `document.getElementById("play").click()`)
		p.settledClips()
		var first, full []float64
		for _, n := range []int{28, 9, 25, 3, 31} {
			eval[any](p, `playground.take.clear()`)
			ms := eval[[]float64](p, fmt.Sprintf(`(async () => {
				const began = performance.now();
				const scrub = document.getElementById("scrub");
				scrub.value = %d;
				scrub.dispatchEvent(new Event("input"));
				const out = [];
				for (const is of [({ number }) => number === %d, ({ w }) => w === 1920]) {
					while (!is(playground.viewer.shown[0] ?? {})) await new Promise((resolve) => requestAnimationFrame(resolve));
					out.push(performance.now() - began);
				}
				return out;
			})()`, n-1, n))
			first, full = append(first, ms[0]), append(full, ms[1])
		}
		b.ReportMetric(median(first), "ms-seek")
		b.ReportMetric(median(full), "ms-seek-full")
		b.ReportMetric(megabytes(b), "MB")
		b.ReportMetric(0, "ns/op")
	}
}

// settledClips waits until no engine works.
func (p *page) settledClips() {
	p.t.Helper()
	p.wait("the end of the engines' work", `!playground.engines.queue.length && playground.engines.workers.every((w) => !w.busy && !w.held)`)
}

// processes calls each with the ids of this test's programs: the browser's processes.
func processes(each func(pid string)) {
	parents, _ := filepath.Glob("/proc/[0-9]*/stat")
	children := map[string][]string{}
	for _, path := range parents {
		pid, fields := stat(path)
		if fields != nil { // it has not ended
			children[fields[1]] = append(children[fields[1]], pid)
		}
	}
	var add func(pid string)
	add = func(pid string) {
		each(pid)
		for _, child := range children[pid] {
			add(child)
		}
	}
	for _, child := range children[fmt.Sprint(os.Getpid())] {
		add(child)
	}
}

// stat reads Linux's /proc/PID/stat: the process's id, and the fields after its name; nil where it has
// ended.
func stat(path string) (pid string, fields []string) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", nil
	}
	pid, rest, _ := strings.Cut(string(text), " ")
	return pid, strings.Fields(rest[strings.LastIndex(rest, ")")+1:])
}

// processorTime is what this test's programs have used of the processors.
func processorTime(t testing.TB) (sum time.Duration) {
	t.Helper()
	const tick = 10 * time.Millisecond // Linux's USER_HZ of 100
	processes(func(pid string) {
		if _, fields := stat("/proc/" + pid + "/stat"); fields != nil {
			for _, field := range fields[11:13] { // utime and stime
				n, _ := strconv.Atoi(field)
				sum += time.Duration(n) * tick
			}
		}
	})
	return sum
}

// megabytes is the memory of this test's programs, each with its share of what several have (Pss in
// Linux's smaps_rollup).
func megabytes(t testing.TB) (sum float64) {
	t.Helper()
	processes(func(pid string) {
		text, _ := os.ReadFile("/proc/" + pid + "/smaps_rollup")
		for line := range strings.Lines(string(text)) {
			var kb float64
			if n, _ := fmt.Sscanf(line, "Pss: %f", &kb); n == 1 {
				sum += kb / 1024
			}
		}
	})
	return sum
}
