//go:build !js

package site_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/take"
)

// watch has the page note every picture that it gives to the viewer, in playground.given: {number,
// codes}, the codes of sRGB that a screen of 8 bits would show, of every 97th pixel. Nothing is
// kept, nor made ahead, and every engine is at the frame that is shown.
const watch = `(async () => {
	const { engines, store, take, viewer } = playground;
	await Promise.all(engines.workers.map((worker) => engines.call("pixel", { number: store.value.frame, breaks: store.value.breaks, x: 0, y: 0 }, { worker })));
	const code = (v) => 255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055); // IEC 61966-2-1
	const half = (h) => ((h & 0x7c00) ? (1 + (h & 1023) / 1024) * 2 ** (((h >> 10) & 31) - 15) : (h & 1023) * 2 ** -24) * (h & 0x8000 ? -1 : 1);
	const show = viewer.show;
	playground.given = [];
	viewer.show = function (side, picture) {
		show.call(viewer, side, picture);
		if (side !== 0 || !picture) return;
		const codes = [];
		for (let i = 0; i < picture.hi.length; i += 4 * 97) for (let c = 0; c < 3; c++) codes.push(code(Math.min(Math.max(half(picture.hi[i + c] * 256 + picture.lo[i + c]), 0), 1)));
		const entry = { number: picture.number, codes };
		playground.given.push(entry);
		queueMicrotask(() => (entry.name = document.getElementById("name-a").textContent)); // which is set after it
	};
	take.budget = 0;
	take.clear();
	return true;
})()`

type given struct {
	Number int
	Name   string // as the page names the picture
	Codes  []float64
}

// move moves the time line to these places of the take, one after the other without waiting, and
// returns what the viewer was given until nothing was asked for any more.
func (p *page) move(places ...int) []given {
	p.t.Helper()
	text, err := json.Marshal(places)
	if err != nil {
		p.t.Fatal(err)
	}
	return eval[[]given](p, fmt.Sprintf(`(async () => {
		const { engines } = playground;
		const scrub = document.getElementById("scrub");
		playground.given.length = 0;
		for (const i of %s) {
			scrub.value = i;
			scrub.dispatchEvent(new Event("input"));
			await new Promise((r) => setTimeout(r, 20));
		}
		do await new Promise((r) => setTimeout(r, 400)); while (engines.queue.length || engines.workers.some((w) => w.busy || w.held));
		return playground.given;
	})()`, text))
}

// dropped drops the shot on the page, which is watched from then on, and opens the same take with
// the library.
func (s shot) dropped(t *testing.T) (*page, *take.Scrubber) {
	t.Helper()
	p := open(t, 1024, 768)
	p.settled()
	p.opens(func() { p.dropOn("#viewer", s.dir) })
	p.settled()
	eval[bool](p, watch)
	return p, scrubberOf(t, s.path("recipe.json"))
}

// A frame of JPEG that is not kept is shown twice: as the browser decodes it, and as the library
// does. The two differ by the rounding of two decoders: a code value of luma and one of chroma,
// which is three of blue (JFIF), in the color plate, the background, and, over the screen's
// brightness, the band plate.
func TestQuickPicture(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	p.settled()
	eval[bool](p, watch)
	scrubber := scrubberOf(t, filepath.Join(dist(t), "demo", "recipe.json"))
	for _, place := range []int{6, 9} {
		got := p.move(place)
		if len(got) != 2 || got[0].Number != 1001+place || got[1].Number != 1001+place {
			t.Fatalf("the viewer was given %d pictures, not two of frame %d", len(got), 1001+place)
		}
		if got[0].Name != "Composite, draft" || got[1].Name != "Composite" {
			t.Errorf("the pictures are named %q and %q", got[0].Name, got[1].Name)
		}
		p.holdTo(scrubber, 1001+place)
		mean, worst := apart(got[0], got[1])
		t.Logf("frame %d: the quick picture is %.4f of 255 from the library's in the mean, %.2f at most", 1001+place, mean, worst)
		if mean == 0 {
			t.Error("the quick picture is the library's: the browser's decoder was not used")
		}
		if mean > 0.1 || worst > 8 {
			t.Errorf("the quick picture of frame %d is %.3f of 255 from the library's in the mean, %.2f at most", 1001+place, mean, worst)
		}
	}
	p.quiet()
}

// apart returns how far two pictures are from each other, of 255: in the mean, and at most.
func apart(a, b given) (mean, worst float64) {
	for i, v := range a.Codes {
		d := math.Abs(v - b.Codes[i])
		mean += d / float64(len(a.Codes))
		worst = max(worst, d)
	}
	return mean, worst
}

// A frame of PNG that is not kept is shown twice, too: the browser's decoder loses the lower eight
// of 16 bits, which is at most a code value of 8 in each of three plates, and of 8 bits nothing.
func TestQuickPNG(t *testing.T) {
	tier.InTestAll(t)
	for depth, bound := range map[int]struct{ mean, worst float64 }{8: {}, 16: {0.6, 5}} {
		s := newShot(t, 1003, 1004, 1005).noisy(t, depth)
		p, scrubber := s.dropped(t)
		got := p.move(1)
		if len(got) != 2 || got[0].Name != "Composite, draft" || got[1].Name != "Composite" {
			t.Fatalf("%d bits: the pictures are not a draft and the library's: %d of them", depth, len(got))
		}
		p.holdTo(scrubber, 1004)
		mean, worst := apart(got[0], got[1])
		t.Logf("%d bits: the draft is %.3f of 255 from the library's in the mean, %.2f at most", depth, mean, worst)
		if mean > bound.mean || worst > bound.worst || depth == 16 && mean == 0 {
			t.Errorf("%d bits: the draft is %.3f of 255 from the library's in the mean, %.2f at most", depth, mean, worst)
		}
		p.quiet()
	}
}

// A plate in linear light has no draft: 8 bits of it would show steps.
func TestNoQuickLinear(t *testing.T) {
	tier.InTestAll(t)
	s := newShot(t, 1003, 1004, 1005).noisy(t, 16).linear(t)
	p, scrubber := s.dropped(t)
	if got := p.move(1); len(got) != 1 || got[0].Name != "Composite" {
		t.Errorf("%d pictures were given, not one that is the library's", len(got))
	}
	p.holdTo(scrubber, 1004)
	p.quiet()
}

// The browser's decoder is believed for every kind of JPEG that it is asked for, or it is not
// asked.
func TestKindsOfJPEG(t *testing.T) {
	tier.InTestAll(t)
	s := newShot(t, 1003, 1004, 1005, 1006, 1007, 1008, 1009)
	as := func(args ...string) func([]byte) []byte {
		return func(file []byte) []byte {
			return ffmpeg(t, file, append(append([]string{"-f", "mjpeg", "-i", "-"}, args...), "-q:v", "2", "-f", "mjpeg", "-")...)
		}
	}
	turned := func(orientation byte) func([]byte) []byte { // Exif 2.3: tag 0x112, as a little-endian short
		exif := append([]byte("\xff\xe1\x00\x22Exif\x00\x00II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00"), orientation, 0, 0, 0, 0, 0, 0, 0)
		return func(file []byte) []byte { return slices.Concat(file[:2], exif, file[2:]) }
	}
	kinds := []struct {
		name string
		file func([]byte) []byte
		mean float64 // from the library's picture, at most, of 255
	}{
		{"4:4:4", as("-pix_fmt", "yuvj444p"), 0.3}, // R'G'B' of 8 bits
		{"4:2:2", as("-pix_fmt", "yuvj422p"), 0.8}, // the browser smooths its chroma, and the library does not
		{"gray", as("-pix_fmt", "gray"), 0.3},
		{"turned by 90 degrees in its Exif", turned(6), 0.1},
		{"upside down in its Exif", turned(3), 0.1},
		{"mirrored in its Exif", turned(2), 0.1},
	}
	for i, k := range kinds {
		path := s.path(fmt.Sprintf("color/%d.jpg", 1004+i))
		file, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		put(t, path, k.file(file))
	}
	p, scrubber := s.dropped(t)
	for i, k := range kinds {
		got := p.move(i + 1)
		if len(got) != 2 {
			t.Errorf("%s: %d pictures were given, not two", k.name, len(got))
			continue
		}
		mean, worst := apart(got[0], got[1])
		t.Logf("%s: %.3f of 255 in the mean, %.1f at most", k.name, mean, worst)
		if mean > k.mean {
			t.Errorf("%s: the quick picture is %.3f of 255 from the library's in the mean", k.name, mean)
		}
		p.holdTo(scrubber, 1004+i)
	}
	p.quiet()
}

// However fast the hand moves, no picture comes after one that was asked for later, and the last is
// the library's.
func TestNoOldFrame(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	p.settled()
	eval[bool](p, watch)
	scrubber := scrubberOf(t, filepath.Join(dist(t), "demo", "recipe.json"))
	for _, places := range [][]int{{3, 4, 5, 6, 7, 8, 9, 10}, {9, 7, 5, 3, 2, 1}, {11, 1, 11}} {
		got := p.move(places...)
		at := 0
		for _, g := range got {
			next := slices.Index(places[at:], g.Number-1001)
			if next < 0 {
				t.Fatalf("frame %d came after one that was asked for later, of the places %v", g.Number, places)
			}
			at += next
		}
		if len(got) == 0 || got[len(got)-1].Number != 1001+places[len(places)-1] {
			t.Fatalf("the last picture is not of the last place of %v", places)
		}
		p.holdTo(scrubber, 1001+places[len(places)-1])
	}
	p.quiet()
}

// With room for three pictures and two shown at a time, memory goes back to the engines and comes
// again, but never that of a picture that is kept or shown.
func TestMemoryGoesRound(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	p.settled()
	eval[bool](p, watch)
	scrubber := scrubberOf(t, filepath.Join(dist(t), "demo", "recipe.json"))
	eval[bool](p, `(() => {
		const { engines, store, take, viewer } = playground;
		playground.round = { given: 0, wrong: 0 };
		for (const { port } of engines.workers) {
			const post = port.postMessage;
			port.postMessage = function (message, transfer) {
				for (const bytes of message.spare ?? []) {
					playground.round.given++;
					if ([...viewer.shown, ...take.cache.values()].some((p) => p?.hi === bytes || p?.lo === bytes)) playground.round.wrong++;
				}
				post.call(port, message, transfer);
			};
		}
		store.choose({ b: "band" });
		take.budget = 3 * 8 * store.value.ready.w * store.value.ready.h;
		return true;
	})()`)
	for _, places := range [][]int{{1}, {2}, {3, 4, 5}, {1}, {9, 8, 7, 6}} {
		got := p.move(places...)
		if len(got) == 0 || got[len(got)-1].Number != 1001+places[len(places)-1] {
			t.Fatalf("the last picture is not of the last place of %v", places)
		}
	}
	type round struct{ Given, Wrong int }
	if r := eval[round](p, `playground.round`); r.Given < 8 || r.Wrong != 0 {
		t.Errorf("%d arrays went back to the engines, %d of them of pictures that are kept or shown", r.Given, r.Wrong)
	}
	if n := eval[int](p, `playground.viewer.shown.filter((p) => p?.hi.length === 4 * p?.w * p?.h && p?.lo.length === p?.hi.length).length`); n != 2 {
		t.Errorf("%d pictures of two that are shown have their values", n)
	}
	p.holdTo(scrubber, 1001+6)
	p.quiet()
}
