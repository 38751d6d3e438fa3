//go:build !js

package main

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"example.com/twinplate/internal/test/outside"
)

// BenchmarkFrame does one frame of 1920x1080, cubic resampling, matte and composite, in one worker of Chromium: with
// this project's engine, built as the playground builds it, and with OpenCV's WebAssembly build, in turn. It reports the
// medians and what OpenCV's faster way takes of ours, and holds the results to each other. It needs npm ci here, and
// Chromium.
func BenchmarkFrame(b *testing.B) {
	const w, h, runs = 1920, 1080, 15
	if _, err := os.Stat("node_modules/@techstark/opencv-js"); err != nil {
		b.Fatal("OpenCV's WebAssembly build is not there: npm ci in bench/browser brings it")
	}
	dir := b.TempDir()
	build := exec.Command(outside.Program(b, "node"), "../../site/build.mjs", "--program", "./bench/browser", filepath.Join(dir, "frame.wasm"))
	if out, err := build.CombinedOutput(); err != nil {
		b.Fatalf("%v: %v\n%s", build, err, out)
	}
	for to, from := range map[string]string{"opencv.js": "node_modules/@techstark/opencv-js/dist/opencv.js", "worker.js": "worker.js"} {
		data, err := os.ReadFile(from)
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, to), data, 0o666)
		}
		if err != nil {
			b.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "index.html"), []byte("<!doctype html><title>bench</title>"), 0o666); err != nil {
		b.Fatal(err)
	}
	server := httptest.NewServer(http.FileServerFS(os.DirFS(dir)))
	defer server.Close()
	tab := outside.Browser(b, 640, 480, 10*time.Minute)
	if err := chromedp.Do(tab, chromedp.Navigate(server.URL)); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		type result struct {
			MS      map[string][]float64
			Probe   map[string][][4]float64
			Version string
			Error   string
		}
		got, err := chromedp.Run(tab, chromedp.Evaluate[result](fmt.Sprintf(`new Promise((resolve) => {
			const worker = new Worker("worker.js");
			worker.onmessage = ({ data }) => (worker.terminate(), resolve(data));
			worker.onerror = (event) => resolve({ error: event.message });
			worker.postMessage({ w: %d, h: %d, runs: %d });
		})`, w, h, runs), chromedp.EvalAwaitPromise))
		if err != nil {
			b.Fatal(err)
		}
		if got.Error != "" {
			b.Fatal(got.Error)
		}
		// OpenCV's cubic kernel has a = -0.75 and, by maps, fractions of 1/32 of a pixel: see TestChainAgainstOpenCV.
		for i, ours := range got.Probe["ours"] {
			for _, way := range []string{"homography", "maps"} {
				for c, v := range ours {
					if d := math.Abs(v - got.Probe[way][i][c]); !(d < 5e-4) {
						b.Errorf("probe %d: ours %v, OpenCV by %s %v", i, ours, way, got.Probe[way][i])
						break
					}
				}
			}
		}
		median := func(ms []float64) float64 {
			slices.Sort(ms)
			return ms[len(ms)/2]
		}
		ours, homography, maps := median(got.MS["ours"]), median(got.MS["homography"]), median(got.MS["maps"])
		b.Logf("%dx%d in one worker, medians of %d runs in turn (and the least): ours %.1f ms (%.1f); OpenCV %s by a homography %.1f ms (%.1f), by maps %.1f ms (%.1f)",
			w, h, runs, ours, got.MS["ours"][0], got.Version, homography, got.MS["homography"][0], maps, got.MS["maps"][0])
		b.ReportMetric(ours, "ms-ours")
		b.ReportMetric(min(homography, maps), "ms-OpenCV")
		b.ReportMetric(min(homography, maps)/ours, "times-as-fast")
		b.ReportMetric(0, "ns/op")
	}
}
