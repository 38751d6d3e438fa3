//go:build !js

package site_test

import (
	"encoding/json"
	"path/filepath"
	"slices"
	"testing"

	"github.com/chromedp/chromedp"

	"example.com/twinplate/take"
)

func median(ms []float64) float64 {
	slices.Sort(ms)
	return ms[len(ms)/2]
}

// BenchmarkColdStart opens the playground in a fresh browser, five times, with software rendering, and reports the
// median time from the navigation to the first composite.
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

// enlarge makes a shot twice as wide and high, 1920x1080, as JPEG: the work of a frame of that size.
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
	// With pixel centers at whole numbers, x of the small frame is 2 x + 1/2 of the large one.
	g := r.Geometry.Value
	h := &g.Homography
	for i := range 2 { // A H
		for k := range 3 {
			h[3*i+k] = 2*h[3*i+k] + 0.5*h[6+k]
		}
	}
	for i := range 3 { // H A^-1
		h[3*i], h[3*i+1] = h[3*i]/2, h[3*i+1]/2
		h[3*i+2] -= 0.5 * (h[3*i] + h[3*i+1])
	}
	g.Center = [2]float64{2*g.Center[0] + 0.5, 2*g.Center[1] + 0.5}
	g.ColorW, g.ColorH, g.BandW, g.BandH = 1920, 1080, 1920, 1080
	if err := r.Save(large.path("recipe.json")); err != nil {
		t.Fatal(err)
	}
	return large
}

// BenchmarkScrub moves the time line of a take of 1920x1080 (8-bit JPEG), and reports the median times until a frame that
// is kept, and one that is not, is given to the viewer, and until the viewer has drawn it, by software.
func BenchmarkScrub(b *testing.B) {
	s := newShot(b, 1003, 1004, 1005, 1006, 1007, 1008).enlarge(b)
	for b.Loop() {
		p := open(b, 1440, 900)
		p.opens(func() { p.dropOn("#viewer", s.dir) })
		got := eval[struct{ Kept, Drawn, Fresh []float64 }](p, `(async () => {
			const { take, look, engines } = playground;
			const api = document.getElementById("viewer").contentWindow.twinplateViewer;
			const scrub = document.getElementById("scrub");
			const rest = async () => { do await new Promise((r) => setTimeout(r, 300)); while (engines.queue.length || engines.workers.some((w) => w.busy || w.held)); };
			const show = look.show;
			const move = (i) => new Promise((resolve) => {
				const start = performance.now();
				look.show = function (side, picture) {
					show.call(look, side, picture);
					if (side !== 0 || picture?.number !== take.frames[i]) return;
					look.show = show;
					const given = performance.now() - start;
					api.snapshot().then(() => resolve([given, performance.now() - start]));
				};
				scrub.value = i;
				scrub.dispatchEvent(new Event("input"));
			});
			const out = { kept: [], drawn: [], fresh: [] };
			const budget = take.budget;
			await rest();
			take.budget = 0; // nothing is kept, nor made ahead
			take.cache.clear();
			take.bytes = 0;
			for (const i of [3, 1, 4, 2, 5, 0, 3]) {
				out.fresh.push((await move(i))[0]);
				await rest();
			}
			take.budget = budget;
			for (let i = 0; i < take.frames.length; i++) await move(i);
			await rest();
			for (const i of [3, 1, 4, 2, 5, 0, 3]) {
				const [given, drawn] = await move(i);
				out.kept.push(given);
				out.drawn.push(drawn);
				await rest();
			}
			return out;
		})()`)
		text, _ := json.Marshal(got)
		b.Log(string(text))
		b.ReportMetric(median(got.Kept), "ms-kept")
		b.ReportMetric(median(got.Drawn), "ms-kept-drawn")
		b.ReportMetric(median(got.Fresh), "ms-fresh")
		b.ReportMetric(0, "ns/op")
		p.shoot("hd_1440")
		if wrong := eval[string](p, `[...document.querySelectorAll(".wrong")].map((n) => n.textContent).join()`); wrong != "" {
			b.Errorf("the page says %q", wrong)
		}
	}
}
