package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
)

func TestDataset(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	flags := smallTake(t, dir, 2)
	one := filepath.Join(dir, "one.json")
	object(t, append(flags, "--save-recipe", one, "--json")...)
	set := filepath.Join(dir, "set")
	args := []string{"dataset", one, "two=" + one, "three=" + one, "--out", set, "--every", "2"}
	code, out, errs := twinplate(t, args...)
	if code != exitDone || !strings.Contains(out, "1 frames for training, 1 for validation, 1 for test") {
		t.Fatalf("exit code %d, %q, %q", code, out, errs)
	}
	for _, name := range []string{"manifest.jsonl", "card.md", "takes/one/alpha/0001.png", "takes/two/comp/background/0001.png"} {
		if _, err := os.Stat(filepath.Join(set, name)); err != nil {
			t.Error(err)
		}
	}
	if got := object(t, append(args, "--json")...); got["kept"] != 3.0 {
		t.Errorf("run again, it kept %v of 3", got["kept"])
	}

	ctx, stop := context.WithCancel(context.Background())
	stop()
	var stdout, stderr bytes.Buffer
	if code := run(ctx, append(args, "--depth", "8"), &stdout, &stderr); code != exitStopped {
		t.Errorf("interrupted: exit code %d, %s", code, stderr.String())
	}

	missing := filepath.Join(dir, "nothing.json")
	for _, test := range []struct {
		name string
		args []string
		code int
		want string
	}{
		{"a split with too few takes", []string{one, "two=" + one}, exitFailed, "2 takes cannot be split"},
		{"two of one name", []string{one, one}, exitUsage, "another take is called one"},
		{"a recipe that is not there", []string{missing}, exitFailed, missing},
		{"no recipe", nil, exitUsage, "expected"},
		{"shares and names", []string{one, "--split", "1,0,0", "--test", "one"}, exitUsage, "--split"},
		{"a split in words", []string{one, "--split", "most"}, exitUsage, "80,10,10"},
		{"a depth", []string{one, "--depth", "12"}, exitUsage, "depth 12"},
	} {
		all := append([]string{"dataset", "--out", filepath.Join(dir, "new")}, test.args...)
		if code, _, errs := twinplate(t, all...); code != test.code || !strings.Contains(errs, test.want) {
			t.Errorf("%s: exit code %d, %q; want %d and %q", test.name, code, errs, test.code, test.want)
		}
	}
}
