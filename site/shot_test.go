//go:build !js

package site_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"example.com/twinplate/composite"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clf"
	"example.com/twinplate/take"
)

// A region is drawn over the picture by the mouse, moved by the keyboard and taken back by undo;
// with grades, spill taken off and a background that is turned and drifts the page shows what the
// library makes of the same recipe.
func TestShotPanel(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	p.wait("the engines", `playground.engines.workers.every((w) => !w.held)`)
	generation := eval[int](p, `playground.take.generation`)
	p.click("#tab-shot")
	p.unfold()
	p.press("Draw a region")
	at := eval[[4]float64](p, `(() => { const r = document.querySelector("#screen").getBoundingClientRect(); return [r.x, r.y, r.width, r.height]; })()`)
	for _, place := range [][2]float64{{0.2, 0.2}, {0.4, 0.25}, {0.3, 0.6}} {
		p.run(chromedp.MouseClickXY(at[0]+place[0]*at[2], at[1]+place[1]*at[3]))
	}
	p.run(chromedp.KeyEvent(kb.Enter))
	type corner struct{ X, Y float64 }
	corners := func() []corner {
		return eval[[]corner](p, `(playground.store.value.recipe.regions ?? [])[0]?.keys[0].corners ?? []`)
	}
	p.wait("the region", `playground.store.value.recipe.regions?.length === 1 && playground.store.value.ready`)
	if c := corners(); len(c) != 3 || c[0].X < 0.15 || c[0].X > 0.25 || c[0].Y < 0.1 || c[0].Y > 0.3 {
		t.Fatalf("drawn: %v", c)
	}
	p.shoot("shot_region")
	before := corners()[1]
	p.wait("the handles", `document.querySelector('[data-name="corner 1"]')`)
	eval[any](p, `document.querySelector('[data-name="corner 1"]').focus()`)
	p.run(chromedp.KeyEvent(kb.ArrowRight))
	if after := corners()[1]; after.X-before.X < 0.0099 || after.X-before.X > 0.0101 {
		t.Errorf("an arrow moved the corner from %v to %v", before, after)
	}
	for range 2 {
		eval[any](p, `document.getElementById("undo").click()`)
	}
	if c := corners(); len(c) != 0 {
		t.Errorf("after undo there is still a region: %v", c)
	}
	eval[any](p, `document.getElementById("redo").click()`)
	p.wait("the take", `playground.store.value.ready`)
	eval[any](p, `(() => { const e = [...document.querySelectorAll("#panel-shot .group")].find((f) => f.textContent.startsWith("The performer")).querySelector("input"); e.value = "0.5"; e.dispatchEvent(new Event("input")); })()`)
	p.wait("the exposure", `playground.store.value.recipe.foreground_grade?.exposure === 0.5`)
	exposure := `[...document.querySelectorAll("#panel-shot .group")].find((f) => f.textContent.startsWith("The performer")).querySelector("input")`
	eval[any](p, exposure+`.focus()`)
	p.run(chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.ArrowRight))
	if got := eval[[2]float64](p, `[playground.store.value.recipe.foreground_grade.exposure, document.activeElement === `+exposure+` ? 1 : 0]`); math.Abs(got[0]-0.6) > 1e-9 || got[1] != 1 {
		t.Errorf("two arrows on the slider, and its focus: %v, want 0.6 and 1", got)
	}
	if n := eval[int](p, `playground.take.generation`); n != generation {
		t.Errorf("the take was opened again %d times for changes of its finish", n-generation)
	}
	eval[any](p, `playground.store.choose({ recipe: { ...playground.store.value.recipe, spill: "core",
		foreground_grade: { exposure: 0.5, contrast: 1.2, black: 0.01, in: "acescct", balance: [1.1, 1, 0.9] }, background_grade: { exposure: -1, saturation: 0.5 },
		fit: { mode: "fill", scale: 1.2, turn: 5, softness: 1 }, fit_end: { scale: 1.3, offset_x: 0.05, turn: 8 } } })`)
	p.wait("the take", `playground.store.value.ready && playground.store.value.ready.recipe.fit_end`)
	p.scrubTo(1008)
	if c := corners(); len(c) != 3 {
		t.Errorf("the time line's keys have changed the region: %v", c)
	}
	p.shoot("shot_graded")
	text, err := json.Marshal(eval[any](p, `playground.store.value.recipe`))
	if err != nil {
		t.Fatal(err)
	}
	r, err := take.ReadRecipe(filepath.Join(dist(t), "demo", "recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "shot.json")
	if err := r.Save(path); err != nil {
		t.Fatal(err)
	}
	p.holdTo(scrubberOf(t, path), 1008)
	if n := eval[int](p, `playground.store.value.recipe.regions.length`); n != 1 {
		t.Errorf("%d regions are left", n)
	}
	p.quiet()
}

// Changes that follow each other while an engine is at work leave the take of the last: what the
// earlier ones asked of the engines is dropped, and no frame is lost.
func TestChangesInARow(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	p.wait("the engines", `playground.engines.workers.every((w) => !w.held)`)
	p.reopens(func() {
		eval[any](p, `(() => { const { store, engines } = playground;
			engines.call("display", { number: store.value.frame, breaks: store.value.breaks, stations: ["sum"], width: 0 }, { worker: engines.workers[0] }).catch(() => {}); // its take may go before it
			for (const clamp of ["none", "all", "none"]) store.choose({ recipe: { ...store.value.recipe, clamp } }); })()`)
	})
	p.wait("every engine", `!playground.engines.queue.length && playground.engines.workers.every((w) => !w.busy && !w.held)`)
	p.scrubTo(1008)
	if clamp := eval[string](p, `playground.store.value.ready.recipe.clamp`); clamp != "none" {
		t.Errorf("the take that is open has clamp %q, want that of the last change", clamp)
	}
	if failed := eval[string](p, `JSON.stringify([[...playground.store.value.failed], playground.store.value.errors])`); failed != "[[],{}]" {
		t.Errorf("frames failed: %s", failed)
	}
	p.quiet()
}

// unfold opens the groups of Shot.
func (p *page) unfold() {
	p.t.Helper()
	p.wait("the panel", `document.querySelector("#panel-shot .group")`)
	eval[any](p, `document.querySelectorAll("#panel-shot .group").forEach((g) => (g.open = true))`)
}

// With every setting of Shot the composite that the page saves is the file that comp writes by the
// page's recipe: to the bit by the library in WebAssembly, whose kernels the page has; those of
// this machine round otherwise in the last bits of float32, and one code in some thousands is
// another by one.
func TestShotIsWhatCompWrites(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	p.click("#tab-away")
	dir := t.TempDir()
	build := func(name, of string, env ...string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		c := exec.Command("go", "build", "-o", path, of)
		c.Env = append(os.Environ(), env...)
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		return path
	}
	wasm := []string{"GOTOOLCHAIN=go1.27.3", "GOEXPERIMENT=simd,nojsonv2", "GOOS=js", "GOARCH=wasm"} // as the site is built
	native, portable := build("twinplate", "../cmd/twinplate"), build("byrecipe.wasm", "./testdata/byrecipe", wasm...)
	where := exec.Command("go", "env", "GOROOT")
	where.Env = append(os.Environ(), wasm...)
	root, err := where.Output()
	if err != nil {
		t.Fatal(err)
	}
	runner := filepath.Join(strings.TrimSpace(string(root)), "lib", "wasm", "go_js_wasm_exec")
	outline := `[{ frame: 1001, corners: [{ x: 0.1, y: 0.1 }, { x: 0.3, y: 0.12, smooth: true }, { x: 0.2, y: 0.4 }] }, { frame: 1030, corners: [{ x: 0.2, y: 0.1 }, { x: 0.4, y: 0.12, smooth: true }, { x: 0.3, y: 0.4 }] }]`
	for _, row := range []struct{ name, settings string }{
		{"nothing", `{}`},
		{"the matte", `{ spill: "core", beyond: "keep", regions: ["outside", "solid", "open", "unspilled"].map((effect, k) => ({ effect, feather: 3 * k, keys: ` + outline + `.map((key) => ({ ...key, corners: key.corners.map((c) => ({ ...c, x: c.x + 0.15 * k })) })) })) }`},
		{"color", `{ foreground_grade: { matrix: [1.1, -0.1, 0, 0, 1, 0, 0.05, 0, 0.95], gray_card: { frame: 1008, left: 0.4, top: 0.4, right: 0.6, bottom: 0.6 }, exposure: 0.5, contrast: 1.2, black: 0.01, saturation: 0.8, in: "acescct", cdl: { slope: [1.1, 1, 1], offset: [0, 0.01, 0], power: [1, 1, 1.1], saturation: 0.9 } }, background_grade: { exposure: -1, contrast: 0.9, saturation: 0.5, balance: [1.1, 1, 0.9] } }`},
		{"the place", `{ fit: { mode: "fill", scale: 1.2, turn: 5 }, fit_end: { mode: "fill", scale: 1.3, offset_x: 0.05, turn: 8, softness: 2 }, background_start: 1003, background_end: "loop" }`},
		{"wide feathers, and the background's card", `{ regions: ["outside", "unspilled"].map((effect, k) => ({ effect, feather: 30 + 40 * k, keys: ` + outline + ` })), fit: { mode: "fill", scale: 1.3, turn: -20, softness: 9 }, background_grade: { gray_card: { frame: 1008, left: 0.3, top: 0.2, right: 0.6, bottom: 0.5 }, exposure: 0.5 } }`},
	} {
		eval[any](p, `(() => { const { regions, spill, beyond, foreground_grade, background_grade, fit, fit_end, background_start, background_end, ...rest } = playground.store.value.recipe;
			playground.store.choose({ recipe: { ...rest, ...`+row.settings+` } }); })()`)
		p.scrubTo(1008)
		name := "pier_comp_1008.png"
		shown := codes(t, p.saved([]string{name}, func() { p.press("Composite") })[name])
		recipe := filepath.Join(dist(t), "demo", "take-saved.json") // beside the plates that it names
		put(t, recipe, p.saved([]string{"take.json"}, func() { p.press("The recipe") })["take.json"])
		defer os.Remove(recipe)
		for _, by := range []struct {
			what    string
			command []string
			most    int // codes of 65535 that one is off by
		}{{"WebAssembly", []string{runner, portable, recipe, "1008"}, 0}, {"the command", []string{native, "comp", "--recipe", recipe, "--shard", "7/32", "--out"}, 1}} {
			out := t.TempDir()
			if text, err := exec.Command(by.command[0], append(by.command[1:], out)...).CombinedOutput(); err != nil {
				t.Fatalf("%s, %s: %v\n%s", row.name, by.what, err, text)
			}
			file, err := os.ReadFile(filepath.Join(out, "comp", "1008.png"))
			if err != nil {
				t.Fatal(err)
			}
			n, most := 0, 0
			for i, v := range codes(t, file) {
				if d := int(v) - int(shown[i]); d != 0 {
					n, most = n+1, max(most, d, -d)
				}
			}
			t.Logf("%s, %s: %d of %d codes differ, by %d at most", row.name, by.what, n, len(shown), most)
			if most > by.most || n > len(shown)/1000 {
				t.Errorf("%s, %s: %d of %d codes of the page's are others than comp's, by %d at most, want %d", row.name, by.what, n, len(shown), most, by.most)
			}
		}
	}
	p.quiet()
}

// codes returns the red, green and blue of a PNG file.
func codes(t *testing.T, file []byte) []uint16 {
	t.Helper()
	m, err := png.Decode(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	var out []uint16
	for y := range m.Bounds().Dy() {
		for x := range m.Bounds().Dx() {
			r, g, b, _ := m.At(x, y).RGBA()
			out = append(out, uint16(r), uint16(g), uint16(b))
		}
	}
	return out
}

// A gray card is dragged over the picture and moved by keys; files of color are opened, and both
// grades are saved as an ASC CDL that package clf reads; what is none is refused with its name.
func TestShotColorFiles(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1366, 660)
	p.wait("the engines", `playground.engines.workers.every((w) => !w.held)`) // a draft's end moves what is clicked
	p.click("#tab-shot")
	p.unfold()
	p.press("Drag over a gray card")
	p.wait("the overlay", `document.querySelector(".outlines.drawing")`)
	at := eval[[4]float64](p, `(() => { const r = document.querySelector("#screen").getBoundingClientRect(); const { w, h } = playground.store.value.ready;
		const s = Math.min(r.width / w, r.height / h); return [r.x + (r.width - s * w) / 2, r.y + (r.height - s * h) / 2, s * w, s * h]; })()`)
	place := func(x, y float64) (float64, float64) { return at[0] + x*at[2], at[1] + y*at[3] }
	x0, y0 := place(0.42, 0.5)
	x1, y1 := place(0.5, 0.62)
	p.mouse(chromedp.MousePressed, x0, y0)
	p.mouse(chromedp.MouseMoved, (x0+x1)/2, y1)
	p.mouse(chromedp.MouseMoved, x1, y1)
	p.shoot("shot_card")
	p.mouse(chromedp.MouseReleased, x1, y1)
	card := func() composite.Card {
		return eval[composite.Card](p, `playground.store.value.recipe.foreground_grade?.gray_card ?? {}`)
	}
	near := func(a, b float64) bool { return math.Abs(a-b) < 0.004 }
	if c := card(); c.Frame != eval[int](p, `playground.store.value.frame`) || !near(c.Left, 0.42) || !near(c.Top, 0.5) || !near(c.Right, 0.5) || !near(c.Bottom, 0.62) {
		t.Errorf("the card is at %+v", c)
	}
	p.wait("the balance", `playground.store.value.ready.notes.some((n) => n.startsWith("the foreground's balance by its gray card: red"))`)
	before := card()
	p.press("Drag over a gray card")
	p.wait("the overlay", `document.activeElement.classList.contains("drawing")`)
	p.run(chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.Enter))
	if c := card(); !near(c.Left-before.Left, 0.01) || !near(c.Right-before.Right, 0.01) || c.Top != before.Top {
		t.Errorf("an arrow moved the card from %+v to %+v", before, c)
	}
	p.press("Without balance")

	// Files.
	dir := t.TempDir()
	one := plate.CDL{Slope: [3]float64{1.1, 1, 0.9}, Offset: [3]float64{0.01, 0, -0.01}, Power: [3]float64{1, 1.2, 1}, Saturation: 0.8}
	two := plate.NewCDL()
	two.Saturation = 1.3
	single, several, matrix, none := filepath.Join(dir, "one.cc"), filepath.Join(dir, "several.cdl"), filepath.Join(dir, "match.json"), filepath.Join(dir, "none.ccc")
	for path, all := range map[string][]clf.Correction{single: {{ID: "a", CDL: one}}, several: {{ID: "a", CDL: one}, {ID: "b", CDL: two}}} {
		if err := clf.WriteCDL(path, all); err != nil {
			t.Fatal(err)
		}
	}
	put(t, matrix, []byte(`{"matrix": [1.1, -0.1, 0, 0, 1, 0, 0, 0.1, 0.9], "errors": {}}`))
	put(t, none, []byte(`<ColorCorrection><SOPNode><Slope>1 1</Slope></SOPNode></ColorCorrection>`))
	file := func(group int) string {
		return fmt.Sprintf("#panel-shot .group:nth-of-type(%d) input[type=file]", group)
	}
	const performer, background = 2, 3
	p.choose(file(performer), single)
	p.wait("the CDL", `playground.store.value.recipe.foreground_grade?.cdl`)
	if got := eval[plate.CDL](p, `playground.store.value.recipe.foreground_grade.cdl`); got != one {
		t.Errorf("the CDL is %+v, want %+v", got, one)
	}
	p.choose(file(background), several)
	p.wait("the choice", `[...document.querySelectorAll("#panel-shot label")].some((l) => l.textContent.startsWith("The file has several"))`)
	eval[any](p, `(() => { const s = [...document.querySelectorAll("#panel-shot label")].find((l) => l.textContent.startsWith("The file has several")).querySelector("select"); s.value = "1"; s.dispatchEvent(new Event("change")); })()`)
	p.wait("the second", `playground.store.value.recipe.background_grade?.cdl?.saturation === 1.3`)
	saved := p.saved([]string{"pier.ccc"}, func() { p.press("Save both colors as ASC CDL") })["pier.ccc"]
	all, err := clf.ParseCDL(bytes.NewReader(saved))
	if err != nil {
		t.Fatalf("%v in\n%s", err, saved)
	}
	if len(all) != 2 || all[0].ID != "foreground" || all[0].CDL != one || all[1].ID != "background" || all[1].CDL != two {
		t.Errorf("saved: %+v", all)
	}
	p.choose(file(performer), matrix)
	p.wait("the matrix", `playground.store.value.recipe.foreground_grade.matrix?.[7] === 0.1`)
	p.shoot("shot_color")
	p.press("Save both colors as ASC CDL")
	p.wait("why not", `document.querySelector("#panel-shot .wrong")?.textContent.includes("it mixes the channels")`)
	p.choose(file(performer), none)
	p.wait("why not", `document.querySelector("#panel-shot .wrong")?.textContent === "none.ccc: its <SOPNode> must have a <Slope> of 3 numbers"`)
	p.scrubTo(1008)
	if failed := eval[int](p, `playground.store.value.failed.size`); failed != 0 {
		t.Errorf("%d frames failed", failed)
	}
	p.quiet()
}

// A gray card is dragged over the background, which is moved and turned: the recipe has a rectangle
// of its picture that lies within, and its balance is told.
func TestShotBackgroundCard(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1366, 660)
	p.wait("the engines", `playground.engines.workers.every((w) => !w.held)`) // a draft's end moves what is clicked
	p.click("#tab-shot")
	p.unfold()
	fit := composite.Fit{Scale: 1.4, Turn: 12, OffsetX: 0.05}
	eval[any](p, `playground.store.choose({ recipe: { ...playground.store.value.recipe, fit: { mode: "fill", scale: 1.4, turn: 12, offset_x: 0.05 } } })`)
	p.wait("the take", `playground.store.value.ready.recipe.fit?.turn === 12 || playground.store.value.recipe.fit?.turn === 12`)
	eval[any](p, `[...document.querySelectorAll("#panel-shot .group")].find((g) => g.textContent.startsWith("The background's color")).querySelectorAll("button")[0].click()`)
	p.wait("the overlay", `document.querySelector(".outlines.drawing")`)
	at := eval[[4]float64](p, `(() => { const r = document.querySelector("#screen").getBoundingClientRect(); const { w, h } = playground.store.value.ready;
		const s = Math.min(r.width / w, r.height / h); return [r.x + (r.width - s * w) / 2, r.y + (r.height - s * h) / 2, s * w, s * h]; })()`)
	want := composite.Card{Left: 0.6, Top: 0.2, Right: 0.75, Bottom: 0.45}
	place := func(x, y float64) (float64, float64) { return at[0] + x*at[2], at[1] + y*at[3] }
	x0, y0 := place(want.Left, want.Top)
	x1, y1 := place(want.Right, want.Bottom)
	p.mouse(chromedp.MousePressed, x0, y0)
	p.mouse(chromedp.MouseMoved, (x0+x1)/2, y1)
	p.mouse(chromedp.MouseMoved, x1, y1)
	p.mouse(chromedp.MouseReleased, x1, y1)
	p.wait("the card", `playground.store.value.recipe.background_grade?.gray_card`)
	card := eval[composite.Card](p, `playground.store.value.recipe.background_grade.gray_card`)
	p.wait("the balance", `playground.store.value.ready.notes.some((n) => n.startsWith("the background's balance by its gray card: red"))`)
	r, err := take.ReadRecipe(filepath.Join(dist(t), "demo", "recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	background, err := take.Find(r.Background)
	if err != nil {
		t.Fatal(err)
	}
	info, err := plate.Probe(background[0].Path)
	if err != nil {
		t.Fatal(err)
	}
	size := eval[[2]int](p, `[playground.store.value.ready.w, playground.store.value.ready.h]`)
	m := fit.Picture(info.W, info.H, size[0], size[1])
	det := m[0]*m[4] - m[1]*m[3]
	least, most := [2]float64{9, 9}, [2]float64{-9, -9}
	for _, c := range [][2]float64{{card.Left, card.Top}, {card.Right, card.Top}, {card.Right, card.Bottom}, {card.Left, card.Bottom}} {
		u, v := c[0]-m[2], c[1]-m[5]
		for k, z := range [2]float64{(m[4]*u - m[1]*v) / det, (m[0]*v - m[3]*u) / det} {
			least[k], most[k] = min(least[k], z), max(most[k], z)
		}
	}
	const near = 0.004 // of the frame: a few pixels of the mouse
	if least[0] < want.Left-near || least[1] < want.Top-near || most[0] > want.Right+near || most[1] > want.Bottom+near || card.Frame != eval[int](p, `playground.store.value.frame`) {
		t.Errorf("the card %+v lies at %v to %v of the frame, want it within %+v", card, least, most, want)
	}
	if math.Abs(least[0]+most[0]-want.Left-want.Right) > 2*near || math.Abs(least[1]+most[1]-want.Top-want.Bottom) > 2*near || min((most[0]-least[0])/0.15, (most[1]-least[1])/0.25) < 0.5 {
		t.Errorf("the card %+v lies at %v to %v of the frame, want it around the middle of %+v", card, least, most, want)
	}
	eval[any](p, `document.querySelector('#panel-shot .group input[type="checkbox"]').click()`)
	p.wait("the card over the picture", `document.querySelector(".outlines polygon.card")`)
	p.shoot("shot_background_card")
	eval[any](p, `document.getElementById("undo").click()`)
	p.wait("no card", `!playground.store.value.recipe.background_grade`)
	p.quiet()
}

// A chart in two pictures gives the matrix that the library gives, with its errors; undo takes it
// back.
func TestShotChart(t *testing.T) {
	tier.InTestAll(t)
	const w, h, columns, rows = 320, 240, 6, 4
	dir := t.TempDir()
	matrix := [9]float64{0.7, 0.1, 0, 0.05, 0.9, -0.02, 0, 0.03, 0.8}
	pictures := [2]string{filepath.Join(dir, "set.png"), filepath.Join(dir, "bare.png")}
	bare, set := plate.NewRGB(w, h), plate.NewRGB(w, h)
	for i := range bare.Pix[0] {
		x, y := (float64(i%w)/w-0.2)/0.6, (float64(i/w)/h-0.2)/0.6
		if x < 0 || y < 0 || x >= 1 || y >= 1 {
			continue
		}
		a, b := int(x*columns), int(y*rows)
		color := [3]float64{0.05 + 0.15*float64(a), 0.05 + 0.2*float64(b), 0.05 + 0.1*float64((a*b)%7)}
		for k := range 3 {
			bare.Pix[k][i] = float32(color[k])
			set.Pix[k][i] = float32(matrix[3*k]*color[0] + matrix[3*k+1]*color[1] + matrix[3*k+2]*color[2])
		}
	}
	for i, f := range []*plate.RGB{set, bare} {
		if err := plate.Write(pictures[i], f, &plate.WriteOptions{Curve: plate.SRGB}); err != nil {
			t.Fatal(err)
		}
	}
	p := open(t, 1366, 800)
	p.wait("the engines", `playground.engines.workers.every((w) => !w.held)`) // a draft's end moves what is clicked
	p.click("#tab-shot")
	p.unfold()
	p.press("Match a chart")
	p.wait("the sheet", `document.querySelector("dialog.sheet[open] canvas")`)
	inSheet := func(text string) {
		t.Helper()
		find := fmt.Sprintf(`[...document.querySelectorAll("dialog[open] button")].find((b) => b.textContent === %q && !b.disabled)`, text)
		p.wait("the button "+text, find)
		eval[any](p, find+`.click()`)
	}
	file := func(i int) string {
		return fmt.Sprintf(`dialog[open] .charts > div:nth-of-type(%d) input[type=file]`, i+1)
	}
	for i, path := range pictures {
		p.choose(file(i), path)
		p.wait("the picture", fmt.Sprintf(`document.querySelectorAll("dialog[open] .outlines").length === %d`, i+1))
	}
	eval[any](p, `document.querySelector('[data-corner="1 2"]').focus()`)
	p.run(chromedp.KeyEvent(kb.ArrowRight))
	if got := eval[string](p, `document.activeElement.getAttribute("aria-label")`); !strings.Contains(got, "Without them: the bottom right corner of the patches at 80.5 %, 80.0 %") {
		t.Errorf("an arrow moved the corner to %q", got)
	}
	p.run(chromedp.KeyEvent(kb.ArrowLeft))
	eval[any](p, `(() => { const s = document.querySelector("dialog[open] select"); s.value = "srgb"; s.dispatchEvent(new Event("change")); })()`)
	inSheet("Find the matrix")
	p.wait("the errors", `document.querySelector("dialog[open] .note")`)
	corners := [4][2]float64{{0.2 * w, 0.2 * h}, {0.8 * w, 0.2 * h}, {0.8 * w, 0.8 * h}, {0.2 * w, 0.8 * h}}
	var colors [2][][3]float64
	for i, path := range pictures {
		f, err := plate.ReadRGB(path, plate.SRGB, nil)
		if err != nil {
			t.Fatal(err)
		}
		if colors[i], err = f.Patches(corners, columns, rows); err != nil {
			t.Fatal(err)
		}
	}
	m, err := plate.FitMatrix(colors[0], colors[1], plate.PrimariesBT709)
	if err != nil {
		t.Fatal(err)
	}
	words := eval[string](p, `document.querySelector("dialog[open] .note").textContent`)
	if want := fmt.Sprintf("Differences of 24 colors, in CIEDE2000. Exposure matched alone: %v. White matched too: %v. With the matrix: %v.", m.Before, m.Balanced, m.After); words != want {
		t.Errorf("the page says %q, want %q", words, want)
	}
	p.shoot("shot_chart")
	inSheet("Use the matrix")
	p.wait("the matrix", `playground.store.value.recipe.foreground_grade?.matrix`)
	got := eval[[9]float64](p, `playground.store.value.recipe.foreground_grade.matrix`)
	for i, v := range m.Matrix {
		if math.Abs(got[i]-v) > 1e-9 {
			t.Errorf("the matrix is %v, want %v", got, m.Matrix)
			break
		}
	}
	eval[any](p, `document.getElementById("undo").click()`)
	if eval[bool](p, `!!playground.store.value.recipe.foreground_grade`) {
		t.Error("undo leaves the matrix")
	}
	// What is no picture is refused by its name.
	p.press("Match a chart")
	p.wait("the sheet", `document.querySelector("dialog.sheet[open] canvas")`)
	none := filepath.Join(dir, "none.png")
	put(t, none, []byte("no picture"))
	p.choose(file(0), none)
	p.wait("why not", `document.querySelector("dialog[open] .wrong")?.textContent.startsWith("none.png: ")`)
	inSheet("Cancel")
	p.wait("no sheet", `!document.querySelector("dialog[open]")`)
	p.quiet()
}
