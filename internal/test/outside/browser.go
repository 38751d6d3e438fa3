//go:build !js

package outside

import (
	"context"
	"os/exec"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"example.com/twinplate/internal/test/tier"
)

// Browser starts a fresh Chromium without a window, with software rendering, and returns the
// context of its first tab, for chromedp.Run. The tab's page is width by height CSS pixels. What a
// test does in the browser must be done within the limit. Browser and profile are gone when the
// test ends; the test fails or is skipped where there is no Chromium. more are options of its own.
func Browser(t testing.TB, width, height int, limit time.Duration, more ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	tier.InTest(t)
	var path string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "google-chrome-stable"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		missing(t, "no program called chromium or google-chrome")
	}

	background, stop := context.WithTimeout(context.Background(), limit)
	t.Cleanup(stop)
	allocator, quit := chromedp.NewExecAllocator(background, append([]chromedp.ExecAllocatorOption{
		chromedp.ExecPath(path),
		chromedp.UserDataDir(t.TempDir()),
		chromedp.Headless,
		chromedp.NoSandbox,
		chromedp.NoFirstRun,
		chromedp.Flag("use-gl", "angle"),
		chromedp.Flag("use-angle", "swiftshader"),
		chromedp.Flag("enable-unsafe-swiftshader", true),
		chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true),
		chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("hide-scrollbars", true),
		chromedp.Flag("force-color-profile", "srgb"),
	}, more...)...)
	t.Cleanup(quit)
	tab, shut := chromedp.NewContext(allocator)
	t.Cleanup(shut)
	if err := chromedp.Do(tab, chromedp.EmulateViewport(int64(width), int64(height))); err != nil {
		t.Fatalf("Chromium does not start: %v", err)
	}
	return tab
}
