//go:build !js

package site_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"example.com/twinplate/composite"
	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// The operators against the browser's canvas: globalCompositeOperation, of W3C's Compositing and
// Blending Level 1, on random pixels with alpha, 0 and 1 among them.
//
// A canvas keeps premultiplied codes of 8 bits. Rounding puts each input half a code off at the
// most, and the factors of an operator are together 1, or 2 for lighter; the operator's products
// are rounded once more, by half a code or one, as the rasterizer likes; and reading divides by
// alpha and rounds, half a code of the premultiplied value. Three codes hold all of it; alpha,
// which is not divided, is held to two.
func TestOperatorsAgainstCanvas(t *testing.T) {
	tier.InTestAll(t)
	const w, h = 48, 40
	random := rand.New(rand.NewPCG(1, 2))
	straight := func() []int {
		pix := make([]int, 4*w*h)
		for i := range pix {
			pix[i] = random.IntN(256)
			if i%4 == 3 && random.IntN(4) == 0 {
				pix[i] = 255 * random.IntN(2)
			}
		}
		return pix
	}
	frame := func(codes []int) *plate.RGBA {
		f := plate.NewRGBA(w, h)
		for i := range f.A {
			f.A[i] = float32(codes[4*i+3]) / 255
			for c := range 3 {
				f.Pix[c][i] = float32(codes[4*i+c]) / 255 * f.A[i]
			}
		}
		return f
	}
	a, b := straight(), straight()
	list := func(codes []int) string {
		text, err := json.Marshal(codes)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	tab := outside.Browser(t, 200, 200, time.Minute)
	for _, name := range []string{
		"source-over", "destination-over", "source-in", "destination-in", "source-out", "destination-out",
		"source-atop", "destination-atop", "xor", "copy", "lighter",
	} {
		op := map[string]composite.Operator{"copy": composite.OnlyA, "lighter": composite.Plus}[name]
		if op == 0 {
			var err error
			if op, err = composite.ParseOperator(name); err != nil {
				t.Fatal(err)
			}
		}
		shown, err := chromedp.Run(tab, chromedp.Evaluate[[]int](fmt.Sprintf(`(() => {
			const canvas = (codes) => {
				const c = new OffscreenCanvas(%d, %d).getContext("2d", { willReadFrequently: true });
				c.putImageData(new ImageData(new Uint8ClampedArray(codes), c.canvas.width, c.canvas.height), 0, 0);
				return c;
			};
			const source = canvas(%s), to = canvas(%s);
			to.globalCompositeOperation = %q;
			to.drawImage(source.canvas, 0, 0);
			return [...to.getImageData(0, 0, to.canvas.width, to.canvas.height).data];
		})()`, w, h, list(a), list(b), name)))
		if err != nil {
			t.Fatal(err)
		}
		got, err := composite.Compose(nil, op, frame(a), frame(b))
		if err != nil {
			t.Fatal(err)
		}
		want := frame(shown)
		var color, alpha float64
		for i := range want.A {
			alpha = max(alpha, 255*math.Abs(float64(got.A[i]-want.A[i])))
			for c := range 3 {
				// Lighter stops color at 1 on a canvas of 8 bits.
				color = max(color, 255*math.Abs(float64(min(got.Pix[c][i], 1)-want.Pix[c][i])))
			}
		}
		if color > 3 || alpha > 2 {
			t.Errorf("%s: color is up to %.1f codes from the canvas's, alpha %.1f", name, color, alpha)
		}
	}
}

// The engine's hold-out and sum in the browser against the canvas, on the demo's first frame in
// linear light: the background, with destination-out by the matte, is the station "held out", and
// with lighter by the foreground the sum.
//
// In codes of 8 bits: the background is half a code off, and the matte half, which counts as much
// as the background is bright; their product is rounded, by one at the most; the foreground is half
// a code off, and so is what is compared. Together three.
func TestEngineAgainstCanvas(t *testing.T) {
	tier.InTestAll(t)
	p := open(t, 1024, 768)
	worst := eval[map[string]float64](p, `(async () => {
		const { pictures } = await playground.take.want(playground.store.value.frame, playground.store.value.breaks, ["background", "matte", "held", "foreground", "sum"]);
		const half = (h) => (h >> 15 ? -1 : 1) * (h >> 10 & 31 ? 2 ** ((h >> 10 & 31) - 25) * (h & 1023 | 1024) : 2 ** -24 * (h & 1023));
		const [background, matte, held, foreground, sum] = pictures.map((p) => Float32Array.from(p.hi, (hi, i) => half(hi << 8 | p.lo[i])));
		const { w, h } = pictures[0];
		const canvas = (pixel) => {
			const c = new OffscreenCanvas(w, h).getContext("2d", { willReadFrequently: true });
			const data = new ImageData(w, h);
			for (let i = 0; i < data.data.length; i += 4) data.data.set(pixel(i), i);
			c.putImageData(data, 0, 0);
			return c;
		};
		const code = (v) => Math.round(255 * Math.min(Math.max(v, 0), 1));
		const opaque = (p) => (i) => [code(p[i]), code(p[i + 1]), code(p[i + 2]), 255];
		const to = canvas(opaque(background));
		const worst = {};
		const hold = (name, want) => {
			const { data } = to.getImageData(0, 0, w, h);
			worst[name] = 0;
			for (let i = 0; i < data.length; i += 4) for (let c = 0; c < 3; c++) {
				const got = (data[i + c] * data[i + 3]) / 255;
				const v = 255 * Math.min(Math.max(want[i + c], 0), 1);
				// The matte and the foreground go beyond 0 and 1 in noise and glow, which a canvas cannot hold.
				const beyond = matte[i] < 0 || matte[i] > 1 || foreground[i + c] < 0 || foreground[i + c] > 1;
				if (!beyond) worst[name] = Math.max(worst[name], Math.abs(got - v));
			}
		};
		to.globalCompositeOperation = "destination-out";
		to.drawImage(canvas((i) => [0, 0, 0, code(matte[i])]).canvas, 0, 0);
		hold("held out", held);
		to.globalCompositeOperation = "lighter";
		to.drawImage(canvas(opaque(foreground)).canvas, 0, 0);
		hold("sum", sum);
		return worst;
	})()`)
	for _, name := range []string{"held out", "sum"} {
		if d, ok := worst[name]; !ok || d > 3 {
			t.Errorf("%s is up to %.2f codes of 255 from the canvas's", name, d)
		}
	}
	p.quiet()
}
