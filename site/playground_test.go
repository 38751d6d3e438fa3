//go:build !js

package site_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"example.com/twinplate/internal/outside"
	"example.com/twinplate/site"
)

// dist is what `make site` built; without it these tests are skipped, or fail where everything must be there.
func dist(t testing.TB) string {
	dir, err := filepath.Abs("../dist")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "index.html")); err != nil {
		if os.Getenv("TWINPLATE_OUTSIDE") == "1" {
			t.Fatalf("there is no playground in dist: build it with make site (%v)", err)
		}
		t.Skip("no playground in dist: make site builds it")
	}
	return dir
}

// A page is the playground in a browser.
type page struct {
	context.Context
	t      testing.TB
	server *httptest.Server

	mu       sync.Mutex
	troubles []string // what the console said that it should not
	hosts    map[string]bool
	bytes    int64 // over the wire, encoded
}

// open opens the playground and waits for its first composite.
func open(t testing.TB, width, height int) *page {
	t.Helper()
	server := httptest.NewServer(site.Handler(os.DirFS(dist(t))))
	t.Cleanup(server.Close)
	p := &page{Context: outside.Browser(t, width, height, 4*time.Minute), t: t, server: server, hosts: map[string]bool{}}
	if err := chromedp.Listen(p.Context, p.hear); err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{
		call(p, network.Enable, network.EnableParams{}),
		call(p, log.Enable, cdp.Empty{}),
		call(p, runtime.Enable, cdp.Empty{}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	p.run(chromedp.Navigate(server.URL + "/"))
	p.wait("the first composite", `playground.take?.cached(playground.now.frame, playground.state.value.breaks, "sum") && document.getElementById("working").hidden`)
	return p
}

func call[P, R any](p *page, command cdp.Command[P, R], params P) error {
	_, err := chromedp.Call(p.Context, command, params)
	return err
}

// hear keeps what the console and the network say.
func (p *page) hear(event any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		p.troubles = append(p.troubles, fmt.Sprintf("%+v", e.ExceptionDetails))
	case *runtime.EventConsoleAPICalled:
		if e.Type == "error" {
			p.troubles = append(p.troubles, fmt.Sprintf("%+v", e.Args))
		}
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError {
			p.troubles = append(p.troubles, fmt.Sprintf("%+v", e.Entry))
		}
	case *network.EventRequestWillBeSent:
		p.hosts[e.Request.URL] = true
	case *network.EventLoadingFinished:
		p.bytes += int64(e.EncodedDataLength)
	}
}

func (p *page) run(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.Context, steps...); err != nil {
		p.t.Fatalf("%v; the console: %s", err, strings.Join(p.troubles, "; "))
	}
}

// eval runs a JavaScript expression, which may be a promise, and decodes its value.
func eval[T any](p *page, expression string) (value T) {
	p.t.Helper()
	text, err := chromedp.Run(p.Context, chromedp.Evaluate[string](`Promise.resolve(`+expression+`).then((v) => JSON.stringify(v ?? null))`, chromedp.EvalAwaitPromise))
	if err == nil {
		err = json.Unmarshal([]byte(text), &value)
	}
	if err != nil {
		p.t.Fatalf("%s: %v; the console: %s", expression, err, strings.Join(p.troubles, "; "))
	}
	return value
}

// wait waits until an expression is true.
func (p *page) wait(what, expression string) {
	p.t.Helper()
	for range 600 {
		if eval[bool](p, `!!(globalThis.playground && (`+expression+`))`) {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	p.t.Fatalf("%s does not come; the page says: %s; the console: %s", what, eval[string](p, `document.getElementById("working-text").textContent + document.getElementById("status").textContent`), strings.Join(p.troubles, "; "))
}

// quiet fails the test where the console had an error, or something was asked of another host.
func (p *page) quiet() {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, text := range p.troubles {
		p.t.Errorf("the console: %s", text)
	}
	for url := range p.hosts {
		if !strings.HasPrefix(url, p.server.URL) && !strings.HasPrefix(url, "blob:") && !strings.HasPrefix(url, "data:") {
			p.t.Errorf("asked of another host: %s", url)
		}
	}
}

// shoot keeps a picture of the page in the folder that TWINPLATE_SHOTS names, for people to look at.
func (p *page) shoot(name string) {
	p.t.Helper()
	dir := os.Getenv("TWINPLATE_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(p.Context, chromedp.CaptureScreenshot())
	if err != nil {
		p.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o666); err != nil {
		p.t.Fatal(err)
	}
}

var sizes = []struct{ w, h int }{{1440, 900}, {1024, 768}, {390, 844}}

// At every size the demo opens by itself, no console error, nothing wider than the page.
func TestOpensWithTheDemo(t *testing.T) {
	for _, size := range sizes {
		t.Run(fmt.Sprintf("%dx%d", size.w, size.h), func(t *testing.T) {
			p := open(t, size.w, size.h)
			p.wait("the thumbnails", `!document.querySelector("#strip canvas").getContext("2d").getImageData(0, 0, 9, 9).data.every((v) => v === 0)`)
			p.shoot(fmt.Sprintf("demo_%d", size.w))
			for _, tab := range []string{"plates", "readings", "recipe", "away"} {
				eval[any](p, `document.getElementById("tab-`+tab+`").click()`)
				if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
					t.Errorf("%s: the page is %d px too wide", tab, over)
				}
				p.shoot(fmt.Sprintf("%s_%d", tab, size.w))
			}
			p.quiet()
		})
	}
}
