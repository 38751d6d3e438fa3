package main

import (
	"strings"
	"testing"
)

// The codes that makers print beside their curves: Sony's technical summary for S-Log3, Fujifilm's
// data sheet for F-Log2.
func TestCurvesCommand(t *testing.T) {
	var out strings.Builder
	if code := run(t.Context(), []string{"curves"}, &out, &out); code != exitDone {
		t.Fatalf("exit code %d: %s", code, out.String())
	}
	rows := map[string]string{}
	for line := range strings.Lines(out.String()) {
		if f := strings.Fields(line); len(f) == 4 {
			rows[f[0]] = strings.Join(f[1:], " ")
		}
	}
	for name, want := range map[string]string{"linear": "0 184 921", "slog3-sgamut3cine": "95 420 598", "flog2-bt2020": "95 400 570"} {
		if rows[name] != want {
			t.Errorf("%s: %q, want %q", name, rows[name], want)
		}
	}
}

// The short name and the flags that it stands for give the same recipe, and a flag of its own wins.
func TestColorCamera(t *testing.T) {
	c := comp{plates: plates{ColorCamera: "vlog", ColorCurve: new("flog2")}, BackgroundCamera: "logc4-awg4"}
	r, err := c.recipe()
	if err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join([]string{r.ColorCurve, r.ColorPrimaries, r.BackgroundCurve, r.BackgroundPrimaries}, " "), "flog2 vgamut logc4 awg4"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if _, err := (&comp{plates: plates{ColorCamera: "slog3"}}).recipe(); err == nil || !strings.Contains(err.Error(), "slog3-sgamut3 or slog3-sgamut3cine") {
		t.Errorf("slog3: %v", err)
	}
}
