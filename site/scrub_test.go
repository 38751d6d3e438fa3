//go:build !js

package site_test

import (
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"testing"
)

// watch has the page note every picture that it gives to the viewer, in playground.given: {number, codes}, the codes of
// sRGB that a screen of 8 bits would show, of every 97th pixel. Nothing is kept, nor made ahead.
const watch = `(async () => {
	const { look, take } = playground;
	const code = (v) => 255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055); // IEC 61966-2-1
	const half = (h) => ((h & 0x7c00) ? (1 + (h & 1023) / 1024) * 2 ** (((h >> 10) & 31) - 15) : (h & 1023) * 2 ** -24) * (h & 0x8000 ? -1 : 1);
	const show = look.show;
	playground.given = [];
	look.show = function (side, picture) {
		show.call(look, side, picture);
		if (side !== 0 || !picture) return;
		const codes = [];
		for (let i = 0; i < picture.hi.length; i += 4 * 97) for (let c = 0; c < 3; c++) codes.push(code(Math.min(Math.max(half(picture.hi[i + c] * 256 + picture.lo[i + c]), 0), 1)));
		playground.given.push({ number: picture.number, codes });
	};
	take.budget = 0;
	take.cache.clear();
	take.bytes = 0;
	return true;
})()`

type given struct {
	Number int
	Codes  []float64
}

// move moves the time line to these places of the take, one after the other without waiting, and returns what the viewer was
// given until nothing was asked for any more.
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

// A frame of JPEG that is not kept is shown twice: as the browser decodes it, and as the library does. The two differ by the
// rounding of two decoders: a code value of luma and one of chroma, which is three of blue (JFIF), in the color plate, the
// background, and, over the screen's brightness, the band plate.
func TestQuickPicture(t *testing.T) {
	p := open(t, 1024, 768)
	p.settled()
	eval[bool](p, watch)
	scrubber := scrubberOf(t, filepath.Join(dist(t), "demo", "recipe.json"))
	for _, place := range []int{6, 9} {
		got := p.move(place)
		if len(got) != 2 || got[0].Number != 1001+place || got[1].Number != 1001+place {
			t.Fatalf("the viewer was given %d pictures, not two of frame %d", len(got), 1001+place)
		}
		p.holdTo(scrubber, 1001+place)
		sum, worst := 0.0, 0.0
		for i, v := range got[0].Codes {
			d := math.Abs(v - got[1].Codes[i])
			sum += d
			worst = max(worst, d)
		}
		mean := sum / float64(len(got[0].Codes))
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

// However fast the hand moves, no picture comes after one that was asked for later, and the last is the library's.
func TestNoOldFrame(t *testing.T) {
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
