package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/internal/test/tier"
)

// shotOnce is a small take that the demo has shot, for the tests that change copies of it.
var shotOnce = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "twinplate-test")
	if err != nil {
		return "", err
	}
	shotDir = dir
	var out bytes.Buffer
	frames := "6"
	if tier.Longest() {
		frames = "10"
	}
	if code := run(context.Background(), []string{"demo", "--out", dir, "--frames", frames, "--size", "320x180"}, &out, &out); code != exitDone {
		return dir, fmt.Errorf("demo: exit code %d, %s", code, out.String())
	}
	return dir, nil
})

// shotDir is where it lies, for TestMain to remove.
var shotDir string

// smallTake copies the first frames of that take into dir/demo, and returns comp's flags for it,
// without --out.
func smallTake(t *testing.T, dir string, frames int) (flags []string) {
	t.Helper()
	shot, err := shotOnce()
	if err != nil {
		t.Fatal(err)
	}
	names := []string{"clean_band.png", "clean_color.png", "dark_band.png", "dark_color.png", "contact.png"}
	for i := 1; i <= frames; i++ {
		for _, folder := range []string{"color", "band", "background"} {
			names = append(names, fmt.Sprintf("%s/%04d.png", folder, i))
		}
	}
	in := func(name string) string { return filepath.Join(dir, "demo", filepath.FromSlash(name)) }
	for _, name := range names {
		data, err := os.ReadFile(filepath.Join(shot, name))
		if err == nil {
			err = errors.Join(os.MkdirAll(filepath.Dir(in(name)), 0o777), os.WriteFile(in(name), data, 0o666))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return slices.Clip([]string{"comp", "--color", in("color"), "--band", in("band"), "--background", in("background"),
		"--clean-band", in("clean_band.png"), "--clean-color", in("clean_color.png"), "--dark-band", in("dark_band.png"), "--dark-color", in("dark_color.png")})
}

// sameFiles compares files of two folders.
func sameFiles(t *testing.T, want, got string, names ...string) {
	t.Helper()
	for _, name := range names {
		a, err := os.ReadFile(filepath.Join(want, name))
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(got, name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("%s of %s is not that of %s", name, got, want)
		}
	}
}

func TestShards(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	flags := smallTake(t, dir, 3)
	recipe, whole, shards := filepath.Join(dir, "take.json"), filepath.Join(dir, "whole"), filepath.Join(dir, "shards")
	if got := object(t, append(flags, "--save-recipe", recipe, "--json")...); got["frames"] != 0.0 || len(got["estimated"].([]any)) != 2 {
		t.Errorf("estimates only: %v frames, estimated %v, want geometry and crosstalk", got["frames"], got["estimated"])
	}
	object(t, append(flags, "--out", whole, "--json")...)
	for i, want := range []struct {
		shard  string
		frames float64
	}{{"0/2", 1}, {"1/2", 2}} {
		got := object(t, "comp", "--recipe", recipe, "--out", shards, "--shard", want.shard, "--json")
		if got["frames"] != want.frames || got["shard"] != want.shard || len(got["estimated"].([]any)) != 0 {
			t.Errorf("shard %d: %v frames of %v, estimated %v", i, got["frames"], got["shard"], got["estimated"])
		}
	}
	sameFiles(t, whole, shards, "comp/0001.png", "comp/0002.png", "comp/0003.png", "matte/0001.png", "matte/0003.png")

	for _, test := range []struct {
		name string
		args []string
		code int
		want string
	}{
		{"a shard that estimates by itself", append(flags, "--out", shards, "--shard", "1/3"), exitDone, "estimated the geometry, the crosstalk by itself"},
		{"a shard without frames", []string{"comp", "--recipe", recipe, "--out", shards, "--shard", "0/5"}, exitDone, ""},
		{"a shard that there is not", append(flags, "--out", shards, "--shard", "3/3"), exitUsage, "the last of 3 is 2"},
		{"a shard in words", append(flags, "--out", shards, "--shard", "first"), exitUsage, "like 0/16"},
		{"a recipe of a part", append(flags, "--out", shards, "--shard", "0/3", "--save-recipe", recipe), exitUsage, "of the whole take"},
		{"nothing to do", flags, exitUsage, "--out is missing"},
	} {
		if code, _, errs := twinplate(t, test.args...); code != test.code || !strings.Contains(errs, test.want) {
			t.Errorf("%s: exit code %d, %q; want %d and %q", test.name, code, errs, test.code, test.want)
		}
	}
}
