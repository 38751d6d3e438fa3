package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

func TestCheck(t *testing.T) {
	tier.InTest(t)
	const w, h = 400, 225
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	f := simulate.DemoFaults()
	f.ScreenLevel = 1.2 // clips
	set := simulate.New(simulate.Cutouts{}, w, h, w, h, nil, f, 1)
	srgb := &plate.WriteOptions{Curve: plate.SRGB}
	for _, d := range []string{"color", "band"} {
		if err := os.Mkdir(in(d), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	for n := 1; n <= 18; n++ {
		shot := set.Frame(n)
		if err := plate.Write(in(fmt.Sprintf("color/%02d.tif", n)), shot.Color, srgb); err != nil {
			t.Fatal(err)
		}
		if err := plate.Write(in(fmt.Sprintf("band/%02d.tif", n)), shot.Band, srgb); err != nil {
			t.Fatal(err)
		}
	}
	flags := []string{"check", "--color", in("color"), "--band", in("band"), "--geometry", "none"}
	got := object(t, append(flags, "--out", in("out"), "--fps", "24", "--json")...)
	if got["verdict"] != "bad" || len(got["readings"].([]any)) != 14 {
		t.Errorf("verdict %v, %d readings", got["verdict"], len(got["readings"].([]any)))
	}
	data, err := os.ReadFile(in("out/check.json"))
	if err != nil {
		t.Fatal(err)
	}
	var saved map[string]any
	if err := json.Unmarshal(data, &saved); err != nil || saved["verdict"] != "bad" {
		t.Errorf("check.json: %v, %v", saved["verdict"], err)
	}
	page, err := os.ReadFile(in("out/check.html"))
	if err != nil {
		t.Fatal(err)
	}
	// One file: nothing is fetched, and there are seven pictures and four plots.
	text := string(page)
	if n := strings.Count(text, `src="data:image/jpeg;base64,`); n != 7 || strings.Contains(text, "http:") || strings.Contains(text, "https:") {
		t.Errorf("%d pictures", n)
	}
	if n := strings.Count(text, "<svg"); n != 4 {
		t.Errorf("%d plots", n)
	}
	if !strings.Contains(text, "iris") || strings.Contains(text, "ZgotmplZ") {
		t.Error("the page lacks the advice, or has a value that was refused")
	}
	code, out, errs := twinplate(t, flags...)
	if code != exitDone || !strings.Contains(out, "bad      Band clipped") || !strings.Contains(out, "to mend before the set is struck") {
		t.Errorf("exit code %d, %s %s", code, out, errs)
	}
	for _, bad := range [][]string{{"check"}, {"check", "--color", "a"}, append(flags, "--fps", "-3")} {
		if code, _, errs := twinplate(t, bad...); code != exitUsage || errs == "" {
			t.Errorf("%v: exit code %d, %q", bad, code, errs)
		}
	}
}

func TestProof(t *testing.T) {
	tier.InTest(t)
	got := object(t, "proof", "--takes", "1", "--seed", "3", "--frames", "5", "--json")
	within := got["within"].(map[string]any)
	for _, key := range []string{"clean_1.05", "rebuilt_1.5", "estimated_1.1", "m_3_sigma", "k_3_sigma", "g_3_sigma"} {
		if within[key] != 1.0 {
			t.Errorf("%s: %v of 1 take", key, within[key])
		}
	}
	code, out, errs := twinplate(t, "proof", "--takes", "0")
	if code != exitUsage || out != "" || !strings.Contains(errs, "1 to 10000") {
		t.Errorf("no takes: exit code %d, %q", code, errs)
	}
}
