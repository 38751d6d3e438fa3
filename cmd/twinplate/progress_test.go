package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.com/twinplate/internal/test/tier"
)

// Where standard error is no terminal, lines tell how far the work is; with --json they are objects.
func TestProgressLines(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	flags := slices.Clip(append(smallTake(t, dir, 3), "--geometry", "none"))
	before := progressEvery
	progressEvery = time.Millisecond
	t.Cleanup(func() { progressEvery = before })
	var out, errs bytes.Buffer
	if code := run(context.Background(), append(flags, "--out", filepath.Join(dir, "out"), "--jobs", "1"), &out, &errs); code != exitDone {
		t.Fatalf("exit code %d, %s", code, errs.String())
	}
	for _, want := range []string{"twinplate: preparing: the ", "twinplate: compositing: 1 of 3 frames done, 2 left, about "} {
		if !strings.Contains(errs.String(), want) {
			t.Errorf("no line has %q: %s", want, errs.String())
		}
	}
	out.Reset()
	errs.Reset()
	if code := run(context.Background(), append(flags, "--out", filepath.Join(dir, "again"), "--json"), &out, &errs); code != exitDone {
		t.Fatalf("exit code %d, %s", code, errs.String())
	}
	seen := map[string]bool{}
	for line := range strings.Lines(errs.String()) {
		var l progressLine
		if err := json.Unmarshal([]byte(line), &l); err != nil {
			t.Fatalf("%v in %q", err, line)
		}
		seen[l.Progress] = true
	}
	if !seen["preparing"] || !seen["compositing"] || !json.Valid(out.Bytes()) {
		t.Errorf("with --json: %v, %s", seen, out.String())
	}
}

// What a file's name holds does not command the terminal.
func TestNamesOnTheTerminal(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"a\x1b[2Jb", "a\rb", "a\nb", "a\u009bb", "a\u202eb"} {
		_, out, errs := twinplate(t, "check", "--color", filepath.Join(dir, name), "--band", dir)
		text := strings.TrimSuffix(out+errs, "\n")
		if strings.ContainsAny(text, "\x1b\r\n\u009b\u202e") || !strings.Contains(text, "a\\") {
			t.Errorf("%q is printed as %q", name, text)
		}
	}
	if got, want := printable("caf\u00e9 \u65e5\u672c, a b"), "caf\u00e9 \u65e5\u672c, a b"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// A take that there is no memory for is refused in words.
func TestOutOfMemory(t *testing.T) {
	tier.InTest(t)
	if free, known := available(); known && free < 1<<20 {
		t.Errorf("%d bytes are available, and this test runs", free)
	}
	dir := t.TempDir()
	flags := append(smallTake(t, dir, 2), "--geometry", "none", "--out", filepath.Join(dir, "out"))
	freeMemory = func() (int64, bool) { return 1 << 20, true }
	t.Cleanup(func() { freeMemory = available })
	if code, _, errs := twinplate(t, flags...); code != exitFailed || !strings.Contains(errs, "out of memory: the take needs about") || strings.Contains(errs, "goroutine") {
		t.Errorf("exit code %d, %s", code, errs)
	}
	// With just enough, one frame at a time.
	freeMemory = func() (int64, bool) { return 30 << 20, true }
	if code, _, errs := twinplate(t, flags...); code != exitDone {
		t.Errorf("exit code %d, %s", code, errs)
	}
}
