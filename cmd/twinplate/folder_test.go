package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// A folder whose plates have the demo's names is a take: what was found is said, flags go before it,
// and --contact writes the stations of a frame.
func TestTakeFolder(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	flags := smallTake(t, dir, 2)
	folder, out := filepath.Join(dir, "demo"), filepath.Join(dir, "out")
	byFlags := filepath.Join(dir, "flags")
	object(t, append(flags, "--geometry", "none", "--out", byFlags, "--json")...)
	got := object(t, "comp", folder, "--geometry", "none", "--out", out, "--contact", "--json")
	var fields []string
	for _, f := range got["found"].([]any) {
		fields = append(fields, f.(map[string]any)["field"].(string))
	}
	if want := "color band background clean_color clean_band dark_color dark_band"; strings.Join(fields, " ") != want {
		t.Errorf("found %v, want %s", fields, want)
	}
	sameFiles(t, byFlags, out, "comp/0001.png", "matte/0002.png")
	if info, err := plate.Probe(filepath.Join(out, "contact.png")); err != nil || info.W != 3*sheetTile+4*sheetGap {
		t.Errorf("the contact sheet: %+v, %v", info, err)
	}
	code, text, errs := twinplate(t, "comp", folder, "--geometry", "none", "--background", "", "--clean-band", "", "--out", filepath.Join(dir, "bare"), "--contact")
	if code != exitDone || !strings.Contains(text, "found        color: "+filepath.Join(folder, "color")) {
		t.Errorf("exit code %d, %s %s", code, text, errs)
	}
	if _, err := os.Stat(filepath.Join(dir, "bare", "comp")); err == nil {
		t.Error("there is a composite without a background")
	}
	if code, _, errs := twinplate(t, "check", filepath.Join(dir, "out")); code != exitFailed || !strings.Contains(errs, "no plate is found in it") {
		t.Errorf("a folder without plates: exit code %d, %s", code, errs)
	}
	if code, _, errs := twinplate(t, "register", folder, "--band", "", "--out", filepath.Join(dir, "g.json")); code != exitUsage || !strings.Contains(errs, "give it by --band") {
		t.Errorf("a folder without a band plate: exit code %d, %s", code, errs)
	}
}
