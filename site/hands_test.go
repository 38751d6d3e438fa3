//go:build !js

package site_test

import (
	"archive/zip"
	"bytes"
	"fmt"
	"image/color"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// What a user's hands do is done here by the browser itself: it opens the files, drops them, moves
// the pointer, strikes the keys and saves what is taken away.

// choose gives files of this machine to a file input, as the browser's chooser does.
func (p *page) choose(selector string, files ...string) {
	p.t.Helper()
	found, err := chromedp.Call(p.Context, runtime.Evaluate, runtime.EvaluateParams{Expression: fmt.Sprintf(`document.querySelector(%q)`, selector)})
	if err != nil || found.Result.ObjectID == "" {
		p.t.Fatalf("%s: %v", selector, err)
	}
	if _, err := chromedp.Call(p.Context, dom.SetFileInputFiles, dom.SetFileInputFilesParams{Files: files, ObjectID: found.Result.ObjectID}); err != nil {
		p.t.Fatal(err)
	}
}

// dropOn drops files and folders of this machine on the middle of an element.
func (p *page) dropOn(selector string, files ...string) {
	p.t.Helper()
	at := p.middle(selector)
	data := &input.DragData{Items: []*input.DragDataItem{}, Files: files, DragOperationsMask: 1}
	for _, kind := range []input.DispatchDragEventType{input.DispatchDragEventTypeDragEnter, input.DispatchDragEventTypeDragOver, input.DispatchDragEventTypeDrop} {
		if _, err := chromedp.Call(p.Context, input.DispatchDragEvent, input.DispatchDragEventParams{Type: kind, X: at[0], Y: at[1], Data: data}); err != nil {
			p.t.Fatal(err)
		}
	}
}

// middle brings an element into view and returns its middle on the page.
func (p *page) middle(selector string) [2]float64 {
	p.t.Helper()
	return eval[[2]float64](p, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({ block: "nearest" }); const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`, selector))
}

// click clicks on the middle of an element.
func (p *page) click(selector string) {
	p.t.Helper()
	at := p.middle(selector)
	p.run(chromedp.MouseClickXY(at[0], at[1]))
}

// press clicks on the button of this text in the panel that is open, once it can be pressed.
func (p *page) press(text string) {
	p.t.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll(".panel:not([hidden]) button")].find((b) => b.textContent === %q && !b.disabled)`, text)
	p.wait("the button "+text, find)
	at := eval[[2]float64](p, `(() => { const b = `+find+`; b.scrollIntoView({ block: "nearest" }); const r = b.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`)
	p.run(chromedp.MouseClickXY(at[0], at[1]))
}

func (p *page) mouse(kind input.DispatchMouseEventType, x, y float64) {
	p.t.Helper()
	down := func(e *input.DispatchMouseEventParams) {
		e.Button, e.Buttons, e.ClickCount = input.MouseButtonLeft, 1, 1
	}
	p.run(chromedp.MouseEvent(kind, x, y, down))
}

// saved does what makes the browser save files, and returns them by name. A name may be a pattern
// of one file.
func (p *page) saved(names []string, do func()) map[string][]byte {
	p.t.Helper()
	dir := p.t.TempDir()
	if _, err := chromedp.CallBrowser(p.Context, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllow, DownloadPath: dir}); err != nil {
		p.t.Fatal(err)
	}
	do()
	files := map[string][]byte{}
	for range 1200 {
		for _, name := range names { // the browser writes beside the name, and renames
			found, _ := filepath.Glob(filepath.Join(dir, name))
			if len(found) == 0 {
				continue
			}
			if data, err := os.ReadFile(found[0]); err == nil && len(data) > 0 {
				files[name] = data
			}
		}
		if len(files) == len(names) {
			return files
		}
		time.Sleep(50 * time.Millisecond)
	}
	there, _ := filepath.Glob(filepath.Join(dir, "*"))
	p.t.Fatalf("of %v only %v were saved; the page says: %s", names, there, eval[string](p, `document.getElementById("status").textContent`))
	return nil
}

// settled waits until the service worker has everything and the engines rest, and forgets what was
// asked of the server before.
func (p *page) settled() {
	p.t.Helper()
	p.wait("the service worker", `navigator.serviceWorker.controller?.state === "activated"`)
	p.wait("the end of the engines' work", `!playground.engines.queue.length && playground.engines.workers.every((w) => !w.busy && !w.held)`)
	p.mu.Lock()
	p.asked = nil
	p.mu.Unlock()
}

// silent fails the test where anything was asked of the server since settled.
func (p *page) silent() {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.asked) > 0 {
		p.t.Errorf("after everything was loaded, the page asked for %q", p.asked)
	}
	p.asked = nil
}

// A shot is a take of the demo's frames, laid out as a crew would hand it over.
type shot struct {
	dir    string // color/, band/, background/, clean_color.jpg and so on, recipe.json
	frames []int
}

func newShot(t testing.TB, frames ...int) shot {
	t.Helper()
	demo := filepath.Join(dist(t), "demo")
	s := shot{filepath.Join(t.TempDir(), "pier"), frames}
	names := []string{"clean_color.jpg", "clean_band.jpg", "dark_color.jpg", "dark_band.jpg", "recipe.json"}
	for _, n := range frames {
		for _, folder := range []string{"color", "band", "background"} {
			names = append(names, fmt.Sprintf("%s/%04d.jpg", folder, n))
		}
	}
	for _, name := range names {
		data, err := os.ReadFile(filepath.Join(demo, name))
		if err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(s.dir, name), data)
	}
	return s
}

func (s shot) path(name string) string { return filepath.Join(s.dir, name) }

// flat lays the shot's files into one folder, their folders in their names, and returns them.
func (s shot) flat(t testing.TB) []string {
	dir := t.TempDir()
	var list []string
	for name, data := range s.files(t) {
		name = filepath.Join(dir, strings.ReplaceAll(name, "/", "_"))
		put(t, name, data)
		list = append(list, name)
	}
	return list
}

func (s shot) files(t testing.TB) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	err := filepath.Walk(s.dir, func(path string, info os.FileInfo, err error) error {
		if err != nil || info.IsDir() {
			return err
		}
		name, _ := filepath.Rel(s.dir, path)
		files[name], err = os.ReadFile(path)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// zipped returns the shot's folder as an archive.
func (s shot) zipped(t testing.TB) string {
	t.Helper()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for name, data := range s.files(t) {
		f, err := w.Create("pier/" + name)
		if err == nil {
			_, err = f.Write(data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "pier.zip")
	put(t, path, b.Bytes())
	return path
}

// clips makes the shot's frames clips, and a shot of the frames that are in them: the planes that
// FFmpeg decodes.
func (s shot) clips(t testing.TB) (files []string, decoded shot) {
	t.Helper()
	decoded = shot{dir: filepath.Join(t.TempDir(), "pier")}
	for name, data := range s.files(t) {
		if !strings.Contains(name, "/") {
			put(t, decoded.path(name), data)
			files = append(files, s.path(name))
		}
	}
	for _, well := range []string{"color", "band", "background"} {
		clip := filepath.Join(t.TempDir(), well+".webm")
		ffmpeg(t, nil, "-start_number", fmt.Sprint(s.frames[0]), "-framerate", "24", "-i", s.path(well+"/%04d.jpg"),
			"-vf", "scale=out_color_matrix=bt709:out_range=tv", "-pix_fmt", "yuv420p", "-colorspace", "bt709", "-color_range", "tv", "-c:v", "libvpx-vp9", "-crf", "10", "-b:v", "0", "-cpu-used", "8", clip)
		files = append(files, clip)
		const head = "YUV4MPEG2 W960 H540 F24:1 Ip A1:1 C420mpeg2 XCOLORRANGE=LIMITED XMATRIX=BT709\nFRAME\n"
		planes := ffmpeg(t, nil, "-i", clip, "-f", "rawvideo", "-pix_fmt", "yuv420p", "-")
		for i := range s.frames {
			n := len(planes) / len(s.frames)
			put(t, decoded.path(fmt.Sprintf("%s/%06d.y4m", well, i+1)), append([]byte(head), planes[i*n:(i+1)*n]...))
		}
	}
	for i := range s.frames {
		decoded.frames = append(decoded.frames, i+1)
	}
	return files, decoded
}

// opens does what gives the page a take, and waits until it is there.
func (p *page) opens(do func()) {
	p.t.Helper()
	before := eval[int](p, `playground.take.generation`)
	do()
	p.wait("the take", fmt.Sprintf(`playground.take.generation > %d && playground.store.value.ready && !playground.store.value.ready.draft && playground.take.cached(playground.store.value.frame, playground.store.value.breaks, "sum")`, before))
}

// Whatever way the plates come in, the composite is the library's: chosen as files or as a folder,
// dropped on the picture or beside it as files, as a folder, as an archive of it, or as clips.
func TestWaysIn(t *testing.T) {
	tier.InTestAll(t)
	whole := t
	p := open(t, 1440, 900)
	p.settled()
	s := newShot(t, 1003, 1004)
	flat, archive := s.flat(t), s.zipped(t)
	clips, decoded := s.clips(t)
	tab := func() { p.click("#tab-plates") }
	for _, way := range []struct {
		name string
		shot shot
		do   func()
	}{
		{"files by the chooser", s, func() { tab(); p.choose(`#panel-plates .row input[type=file]:not([webkitdirectory])`, flat...) }},
		{"a folder by the chooser", s, func() { tab(); p.choose(`#panel-plates .row input[webkitdirectory]`, s.dir) }},
		{"files dropped on the picture", s, func() { p.dropOn("#viewer", flat...) }},
		{"a folder dropped on the picture", s, func() { p.dropOn("#viewer", s.dir) }},
		{"a ZIP dropped beside it", s, func() { p.dropOn(".top h1", archive) }},
		{"clips dropped on the picture", decoded, func() { p.dropOn("#viewer", clips...) }},
	} {
		t.Run(way.name, func(t *testing.T) {
			p.t = t
			defer func() { p.t = whole }()
			p.opens(way.do)
			if got := eval[[]int](p, `playground.store.value.frames`); fmt.Sprint(got) != fmt.Sprint(way.shot.frames) {
				t.Fatalf("the take has frames %v, not %v", got, way.shot.frames)
			}
			scrubber := scrubberOf(t, way.shot.path("recipe.json"))
			for _, number := range way.shot.frames {
				p.scrubTo(number)
				p.holdTo(scrubber, number)
			}
			if wrong := eval[string](p, `[...document.querySelectorAll(".wrong")].map((n) => n.textContent).join()`); wrong != "" {
				t.Errorf("the page says %q", wrong)
			}
		})
	}

	// One well alone: another background, and the rest stays.
	p.click("#tab-plates")
	p.opens(func() {
		p.choose(`#well-background input[type=file]:not([webkitdirectory])`, s.path("background/1004.jpg"))
	})
	if got := eval[string](p, `playground.store.value.wells.background.map((e) => e.name).join()`); got != "1004.jpg" {
		t.Errorf("the background's well has %s", got)
	}
	p.quiet()
	p.silent()
}

// Of plates whose names say nothing a sheet asks, with a picture of each and what it looks like as
// a guess. Nothing changes before the answer is right, nor by Esc.
func TestPlatesByLook(t *testing.T) {
	p := open(t, 1024, 768)
	p.settled()
	s := newShot(t, 1003, 1004)
	var files []string
	for plate, name := range map[string]string{"color": "one", "band": "two"} {
		for _, n := range s.frames {
			data, err := os.ReadFile(s.path(fmt.Sprintf("%s/%d.jpg", plate, n)))
			if err != nil {
				t.Fatal(err)
			}
			file := filepath.Join(s.dir, fmt.Sprintf("%s_%d.jpg", name, n))
			put(t, file, data)
			files = append(files, file)
		}
	}
	put(t, filepath.Join(s.dir, "clean_color.png"), nil)
	files = append(files, filepath.Join(s.dir, "clean_color.png"))
	const rows = `[...document.querySelectorAll("#sort-rows .sort-row")].map((row) => row.querySelector(".sort-name").textContent + ": " + row.querySelector("select").value).sort().join()`
	ask := func() {
		p.dropOn("#viewer", files...)
		p.wait("the question", `document.getElementById("sort-dialog").open && [...document.querySelectorAll("#sort-rows select")].filter((s) => s.value).length === 2`)
	}
	ask()
	if got, want := eval[string](p, rows), "clean_color.png: ,one_1003.jpg … (2 frames): color,two_1003.jpg … (2 frames): band"; got != want {
		t.Errorf("the question is about %q, want %q", got, want)
	}
	if words := eval[string](p, `document.querySelector("#sort-rows .wrong").textContent`); !strings.Contains(words, "empty") {
		t.Errorf("of an empty file the sheet says %q", words)
	}
	p.shoot("sheet_1024")
	p.run(chromedp.KeyEvent(kb.Escape))
	p.wait("the end of the question", `!document.getElementById("sort-dialog").open`)
	if !eval[bool](p, `playground.store.value.demo && !!playground.store.value.ready`) {
		t.Error("the demo take is gone by Esc")
	}
	if !tier.All() { // registration takes long
		p.quiet()
		return
	}
	ask()
	// Two of a kind are not taken.
	set := func(i int, well string) {
		eval[any](p, fmt.Sprintf(`(() => { const s = document.querySelectorAll("#sort-rows select")[%d]; s.value = %q; s.dispatchEvent(new Event("change")); })()`, i, well))
	}
	first := eval[string](p, `document.querySelector("#sort-rows select").value`)
	set(0, map[string]string{"color": "band", "band": "color", "": "band"}[first])
	if !eval[bool](p, `document.getElementById("sort-ok").disabled && !document.getElementById("sort-wrong").hidden`) {
		t.Error("two of one kind are taken")
	}
	set(0, first)
	p.click("#sort-ok")
	p.wait("the wells", `!playground.store.value.demo`)
	if got, want := eval[string](p, `Object.entries(playground.store.value.wells).map(([well, list]) => well + " " + list.map((e) => e.name)).sort().join("; ")`), "band two_1003.jpg,two_1004.jpg; color one_1003.jpg,one_1004.jpg"; got != want {
		t.Errorf("the wells have %q, want %q", got, want)
	}
	// Without a background the foreground stands over a checkerboard, and the picture says what is
	// missing.
	p.wait("the take", `playground.store.value.ready && !playground.store.value.ready.draft && playground.store.value.shown && !playground.store.value.shown.draft`)
	if got := eval[string](p, `playground.store.value.shown.a + ": " + (document.getElementById("hint").hidden ? "" : document.getElementById("hint").textContent)`); !strings.HasPrefix(got, "foreground: No background yet") {
		t.Errorf("without a background the page shows %q", got)
	}
	p.shoot("no_background_1024")
	// A setting that no estimate hangs on opens the take without registration, and without a draft.
	eval[any](p, `(() => { globalThis.drafts = 0; playground.store.subscribe(["ready"], ({ ready }) => { if (ready?.draft) globalThis.drafts++; }); })()`)
	residual := eval[float64](p, `playground.store.value.ready.residual_px`)
	p.click("#tab-recipe")
	p.wait("the recipe", `document.querySelector("#panel-recipe input[type=checkbox]")`)
	p.reopens(func() { eval[any](p, `document.querySelector("#panel-recipe input[type=checkbox]").click()`) })
	if eval[int](p, `globalThis.drafts`) > 0 || eval[float64](p, `playground.store.value.ready.residual_px`) != residual {
		t.Error("the take is registered again for a setting that does not need it")
	}
	p.opens(func() { p.click("#undo"); p.click("#undo") })
	if !eval[bool](p, `playground.store.value.demo`) {
		t.Error("undo brings the demo take back, and the page does not know it for that")
	}
	p.quiet()
}

// reopens does what changes the take, and waits until it is there again.
func (p *page) reopens(do func()) {
	p.t.Helper()
	before := eval[int](p, `playground.take.generation`)
	do()
	p.wait("the take again", fmt.Sprintf(`playground.take.generation > %d + 1 && playground.store.value.ready && !playground.store.value.ready.draft && playground.store.value.shown && !playground.store.value.busy`, before))
}

// scrubTo moves the time line to a frame, by keys, and waits for it.
func (p *page) scrubTo(number int) {
	p.t.Helper()
	eval[any](p, `document.getElementById("scrub").focus()`)
	p.run(chromedp.KeyEvent(kb.Home))
	for range 100 {
		if eval[int](p, `playground.store.value.frame`) == number {
			break
		}
		p.run(chromedp.KeyEvent(kb.ArrowRight))
	}
	p.wait(fmt.Sprintf("frame %d", number), fmt.Sprintf(`playground.store.value.frame === %d && playground.take.cached(%[1]d, playground.store.value.breaks, "sum")`, number))
}

// What is taken away by the page's own buttons, and saved by the browser, is what the page shows;
// and its recipe gives the command the same pixels.
func TestTakeAway(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1440, 900)
	p.settled()
	s := newShot(t, 1003, 1010)
	p.opens(func() { p.dropOn("#viewer", s.dir) })
	p.shoot("dropped_1440")
	p.click("#tab-away")

	// The frame.
	dir := t.TempDir()
	for _, row := range []struct{ button, name string }{
		{"Composite", "pier_comp_1003.png"}, {"Cut-out, straight", "pier_foreground_1003.png"}, {"Cut-out, premultiplied", "pier_foreground_premultiplied_1003.png"}, {"Matte", "pier_matte_1003.png"},
	} {
		put(t, filepath.Join(dir, row.name), p.saved([]string{row.name}, func() { p.press(row.button) })[row.name])
	}
	read := func(path string, curve plate.Curve) *plate.RGB {
		t.Helper()
		f, err := plate.ReadRGB(path, curve, nil)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	sum := read(filepath.Join(dir, "pier_comp_1003.png"), plate.SRGB)
	p.near("the saved sum", sum, "sum", true)
	matte := read(filepath.Join(dir, "pier_matte_1003.png"), plate.Linear)
	p.near("the saved matte", matte, "matte", true)
	// Both cut-outs' color is the foreground; the straight one's, where it can be told, times its
	// alpha.
	foreground := p.shown("foreground")
	for _, name := range []string{"foreground", "foreground_premultiplied"} {
		m, err := plate.ReadImage(filepath.Join(dir, "pier_"+name+"_1003.png"), nil)
		if err != nil {
			t.Fatal(err)
		}
		for k, want := range foreground {
			alpha := min(max(want[3], 0), 1)
			got := color.NRGBA64Model.Convert(m.At(k*every%sum.W, k*every/sum.W)).(color.NRGBA64)
			if d := math.Abs(float64(got.A)/0xffff - alpha); d > 1.0/1500 {
				t.Errorf("%s, pixel %d: alpha is %.4f from what is shown", name, k*every, d)
				break
			}
			v := plate.SRGB.ToLinear(float64(got.G) / 0xffff)
			if name == "foreground" {
				v *= float64(got.A) / 0xffff
			}
			// A straight color over full scale is cut off, and a thin one has few codes.
			if d := math.Abs(v - max(want[1], 0)); (name != "foreground" || alpha > 0.02 && want[1] < alpha) && want[1] < 1 && d > max(want[1], 1.0/16)/1500 {
				t.Errorf("%s, pixel %d: green is %.4f, shown as %.4f", name, k*every, v, want[1])
				break
			}
		}
	}

	// The range, as an archive, with the recipe in it.
	archive := p.saved([]string{"pier.zip"}, func() { p.press("Composites and mattes as ZIP") })["pier.zip"]
	r, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	names := ""
	for _, f := range r.File {
		names += f.Name + " "
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if _, err := b.ReadFrom(in); err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(dir, "range", f.Name), b.Bytes())
	}
	if want := "comp/1003.png matte/1003.png comp/1010.png matte/1010.png recipe.json "; names != want {
		t.Errorf("the archive has %s, not %s", names, want)
	}
	one, _ := os.ReadFile(filepath.Join(dir, "pier_comp_1003.png"))
	if other, _ := os.ReadFile(filepath.Join(dir, "range", "comp", "1003.png")); !bytes.Equal(one, other) {
		t.Error("the frame in the archive is not the one that was saved alone")
	}

	// The recipe, by the command.
	put(t, s.path("take.json"), p.saved([]string{"take.json"}, func() { p.press("The recipe") })["take.json"])
	program := filepath.Join(dir, "twinplate")
	for _, args := range [][]string{{"go", "build", "-o", program, "../cmd/twinplate"}, {program, "comp", "--recipe", s.path("take.json"), "--out", filepath.Join(dir, "out")}} {
		if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
	for _, number := range s.frames {
		for mine, theirs := range map[string]string{"comp": "comp", "matte": "matte"} {
			name := fmt.Sprintf("%04d.png", number)
			// Codes of 16 bits of the same recipe; vectors round otherwise than scalars in the last
			// bits of float32.
			if d := 65535 * farthest(read(filepath.Join(dir, "range", mine, name), plate.Linear), read(filepath.Join(dir, "out", theirs, name), plate.Linear)); d > 16 {
				t.Errorf("%s/%s of the browser is up to %.1f codes of 65535 from the command's %s", mine, name, d, theirs)
			}
		}
	}

	// The clip: frame by frame nearer to its sum than the other frame is, and near. VP9 loses a
	// little, and its chroma has half the columns and lines.
	clip := p.saved([]string{"pier_comp.webm"}, func() { p.press("Write the clip") })["pier_comp.webm"]
	pixels := ffmpeg(t, clip, "-i", "-", "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt", "rgb24", "-")
	size := 3 * sum.W * sum.H
	if len(pixels) != 2*size {
		t.Fatalf("the clip has %d bytes of pixels, not %d", len(pixels), 2*size)
	}
	for i := range s.frames {
		var off [2]float64
		for k, number := range s.frames {
			want := read(filepath.Join(dir, "range", "comp", fmt.Sprintf("%04d.png", number)), plate.Linear) // as it is coded
			for j, v := range pixels[i*size : (i+1)*size] {
				off[k] += math.Abs(float64(v)-255*float64(want.Pix[j%3][j/3])) / float64(size)
			}
		}
		if off[i] > 2.5 || off[1-i] < 2*off[i] {
			t.Errorf("frame %d of the clip is %.2f codes of 255 in the mean from its sum, and %.2f from the other", i, off[i], off[1-i])
		}
	}
	p.quiet()
	p.silent()

	// A clip of the matte has alpha as its codes, and one of the cut-out as its own.
	kind := func(id string) {
		eval[any](p, fmt.Sprintf(`(() => { const s = [...document.querySelectorAll("#panel-away select")][0]; s.value = %q; s.dispatchEvent(new Event("change")); })()`, id))
	}
	for id, pick := range map[string]struct {
		decoder []string
		format  string
		channel int
		step    int
	}{"matte": {nil, "gray", 0, 1}, "foreground": {[]string{"-c:v", "libvpx-vp9"}, "rgba", 3, 4}} {
		kind(id)
		name := "pier_" + id + ".webm"
		clip := p.saved([]string{name}, func() { p.press("Write the clip") })[name]
		pixels := ffmpeg(t, clip, append(pick.decoder, "-i", "-", "-frames:v", "1", "-f", "rawvideo", "-pix_fmt", pick.format, "-")...)
		off, n := 0.0, len(matte.Pix[0])
		if len(pixels) != pick.step*n {
			t.Errorf("a frame of the clip of the %s has %d bytes, not %d", id, len(pixels), pick.step*n)
			continue
		}
		for i, v := range matte.Pix[0] {
			off += math.Abs(float64(pixels[pick.step*i+pick.channel])-255*float64(v)) / float64(n)
		}
		if off > 2.5 {
			t.Errorf("the clip of the %s is %.2f codes of 255 from its alpha in the mean", id, off)
		}
	}
}

// A button is pressed, though its panel is to be drawn anew between down and up, as it is with
// every frame that is saved; and then the panel is drawn.
func TestPressWhileDrawn(t *testing.T) {
	p := open(t, 1440, 900)
	p.settled()
	p.click("#tab-away")
	p.wait("the clips that can be written", `playground.store.value.encoders`)
	at := eval[[2]float64](p, `(() => { const b = [...document.querySelectorAll("#panel-away button")].find((b) => b.textContent === "Matte"); b.scrollIntoView({ block: "nearest" }); const r = b.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`)
	p.mouse(chromedp.MousePressed, at[0], at[1])
	eval[any](p, `playground.store.update({ encoders: [] })`)
	p.mouse(chromedp.MouseReleased, at[0], at[1])
	p.wait("the saved matte", `document.getElementById("status").textContent === "Matte: done"`)
	p.wait("the panel as it is now", `document.querySelector("#panel-away .note")?.textContent.startsWith("This browser has no encoder")`)
	p.quiet()
}

func farthest(a, b *plate.RGB) float64 {
	worst := 0.0
	for c := range 3 {
		for i := range a.Pix[c] {
			worst = max(worst, math.Abs(float64(a.Pix[c][i]-b.Pix[c][i])))
		}
	}
	return worst
}

// seen returns by how many codes, at the most, blocks of the canvas are from a station of a frame,
// between two columns (of the picture, 0 to 1). The whole picture must be seen.
func (p *page) seen(number int, station string, from, to float64) float64 {
	p.t.Helper()
	return eval[float64](p, fmt.Sprintf(`(async () => {
		const api = document.getElementById("viewer").contentWindow.twinplateViewer;
		const shot = await api.snapshot();
		const { result, buffers } = await playground.engines.call("display", { number: %d, breaks: playground.store.value.breaks, stations: [%q], width: 0 });
		const { w, h } = result;
		const scale = Math.min(shot.w / w, shot.h / h);
		const left = (shot.w - scale * w) / 2, top = (shot.h - scale * h) / 2;
		const mean = (rgba, width, x0, y0, x1, y1) => { // of light, as a code of sRGB, nearly
			let sum = 0, n = 0;
			for (let y = Math.ceil(y0); y < Math.floor(y1); y++) for (let x = Math.ceil(x0); x < Math.floor(x1); x++, n++) sum += rgba[4 * (y * width + x) + 1] ** 2.2;
			return (sum / n) ** (1 / 2.2);
		};
		let worst = 0;
		for (let j = 1; j < 17; j++) for (let i = Math.ceil(32 * %v); i < Math.floor(32 * %v); i++) {
			const [x0, x1, y0, y1] = [w * i / 32, w * (i + 1) / 32, h * j / 18, h * (j + 1) / 18];
			worst = Math.max(worst, Math.abs(mean(buffers[0], w, x0, y0, x1, y1) - mean(shot.rgba, shot.w, left + scale * x0, top + scale * y0, left + scale * x1, top + scale * y1)));
		}
		return worst;
	})()`, number, station, from, to))
}

// near8 is how far the mean of a block of the canvas may be from the picture's, in codes: the
// blocks' edges fall on other pixels of the canvas than of the picture.
const near8 = 10

// The time line by pointer and keys, stations by buttons and keys, and the divider by the pointer:
// each time the canvas shows what was asked for.
func TestScrubAndDivide(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1440, 900)
	p.settled()
	station := "sum"
	is := func(what string, number int) {
		t.Helper()
		p.wait(what, fmt.Sprintf(`playground.store.value.a === %q && playground.store.value.frame === %d && playground.take.cached(%[2]d, playground.store.value.breaks, %[1]q)`, station, number))
		if d := p.seen(number, station, 0, 1); d > near8 {
			t.Errorf("%s: a block of the canvas is %.1f codes from the frame", what, d)
		}
	}
	if d := p.seen(1021, "sum", 0, 1); d < 2*near8 {
		t.Fatalf("frames 1001 and 1021 differ by %.1f codes only: they cannot be told apart", d)
	}

	// The thumb travels the track's width less its own.
	track := eval[[4]float64](p, `(() => { const r = document.getElementById("scrub").getBoundingClientRect(); return [r.x, r.y + r.height / 2, r.width, r.height]; })()`)
	const thumb = 16 // CSS pixels, of Chromium
	at := func(i int) float64 { return track[0] + thumb/2 + (track[2]-thumb)*float64(i)/31 }
	p.run(chromedp.MouseClickXY(at(20), track[1]))
	is("a click on the time line", 1021)
	p.mouse(chromedp.MousePressed, at(20), track[1])
	for i := 19; i >= 12; i-- {
		p.mouse(chromedp.MouseMoved, at(i), track[1])
	}
	p.mouse(chromedp.MouseReleased, at(12), track[1])
	is("a drag on the time line", 1013)
	for _, key := range []struct {
		name, keys string
		number     int
	}{
		{"an arrow on the time line", kb.ArrowLeft, 1012}, {"end on the time line", kb.End, 1032}, {"home on the time line", kb.Home, 1001},
	} {
		p.run(chromedp.KeyEvent(key.keys))
		is(key.name, key.number)
	}
	p.click("#forth")
	is("the button", 1002)
	eval[any](p, `document.activeElement.blur()`)
	p.run(chromedp.KeyEvent(kb.ArrowRight))
	is("an arrow on the page", 1003)
	p.run(chromedp.KeyEvent(kb.End))
	is("end on the page", 1032)

	// Play goes round, and stops where it is.
	p.run(chromedp.KeyEvent(" "))
	p.wait("the first frame again", `playground.store.value.playing && playground.store.value.frame < 1032`)
	p.run(chromedp.KeyEvent(" "))
	p.wait("the end of playing", `!playground.store.value.playing`)
	p.scrubTo(1008)

	// Stations.
	eval[any](p, `document.activeElement.blur()`)
	p.run(chromedp.KeyEvent("4"))
	station = "held"
	is("the fourth station's key", 1008)
	p.click("#station-band")
	station = "band"
	is("the band plate's button", 1008)

	// The divider: beside the band plate, the sum.
	p.run(chromedp.KeyEvent("6"), chromedp.KeyEvent("d"))
	p.wait("two pictures", `playground.take.cached(1008, playground.store.value.breaks, playground.store.value.b)`)
	frame := eval[[4]float64](p, `(() => { const r = document.getElementById("viewer").getBoundingClientRect(); const s = Math.min(r.width / 960, r.height / 540); return [r.x + (r.width - 960 * s) / 2, r.y + r.height / 2, 960 * s, 0]; })()`)
	x := func(part float64) float64 { return frame[0] + frame[2]*part }
	p.wait("the divider", `document.getElementById("viewer").contentWindow.twinplateViewer.divider() === 0.5`)
	p.mouse(chromedp.MouseMoved, x(0.5), frame[1])
	p.mouse(chromedp.MousePressed, x(0.5), frame[1])
	p.mouse(chromedp.MouseMoved, x(0.4), frame[1])
	p.mouse(chromedp.MouseMoved, x(0.25), frame[1])
	p.mouse(chromedp.MouseReleased, x(0.25), frame[1])
	if got := eval[float64](p, `document.getElementById("viewer").contentWindow.twinplateViewer.divider()`); math.Abs(got-0.25) > 0.01 {
		t.Errorf("the divider was dragged to %.3f, want 0.25", got)
	}
	for _, side := range []struct {
		station, is string
		from, to    float64
	}{{"a", "sum", 0, 0.21}, {"b", "color", 0.29, 1}} {
		if got := eval[string](p, `playground.store.value.`+side.station); got != side.is {
			t.Fatalf("beside each other are not sum and color: %s is %s", side.station, got)
		}
		if d := p.seen(1008, side.is, side.from, side.to); d > near8 {
			t.Errorf("%s, from %.2f to %.2f of the picture: a block is %.1f codes away", side.is, side.from, side.to, d)
		}
	}
	p.quiet()
	p.silent()
}
