package take_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sync/errgroup"

	"example.com/twinplate/take"
)

func TestShardRange(t *testing.T) {
	for _, frames := range []int{0, 1, 2, 7, 16, 100, 1001} {
		for _, n := range []int{1, 2, 3, 7, 16, 100, 5000} {
			next, least, most := 0, frames, 0
			for i := range n {
				s := take.Shard{I: i, N: n}
				if err := s.Check(); err != nil {
					t.Fatal(err)
				}
				first, end := s.Range(frames)
				if first != next || end < first {
					t.Fatalf("%d frames, shard %v: %d to %d, and the shard before ends at %d", frames, s, first, end, next)
				}
				next = end
				least, most = min(least, end-first), max(most, end-first)
			}
			if next != frames || most > least+1 {
				t.Errorf("%d frames in %d shards: they end at %d, and have %d to %d frames", frames, n, next, least, most)
			}
		}
	}
	if first, end := (take.Shard{}).Range(5); first != 0 || end != 5 {
		t.Errorf("the zero shard is %d to %d of 5 frames", first, end)
	}
	last := take.Shard{I: take.MaxShards - 1, N: take.MaxShards}
	if _, end := last.Range(1 << 31); end != 1<<31 {
		t.Errorf("the last of very many shards ends at %d", end)
	}
}

func TestParseShard(t *testing.T) {
	for _, test := range []struct{ text, want string }{
		{"0/1", ""},
		{"15/16", ""},
		{"16/16", "the last of 16 is 15"},
		{"-1/4", "counted from 0"},
		{"0/0", "one part at least"},
		{"0/-3", "1 to 1000000"},
		{"0/9999999", "1 to 1000000"},
		{"3", "like 0/16"},
		{"a/b", "like 0/16"},
		{"1/2/3", "like 0/16"},
		{"", "like 0/16"},
	} {
		s, err := take.ParseShard(test.text)
		if test.want == "" {
			if err != nil || s.String() != test.text {
				t.Errorf("%q: %v, %v", test.text, s, err)
			}
		} else if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%q: error %v, want one with %q", test.text, err, test.want)
		}
	}
}

// Shards that run at once into one folder make the files of a single run, byte for byte, with estimates of a recipe.
func TestShardsMakeTheWhole(t *testing.T) {
	r := record(t, 1, 2, 3, 5, 8)
	whole := prepare(t, r.recipe)
	if len(whole.Estimated) == 0 {
		t.Fatal("nothing was estimated")
	}
	if _, err := whole.Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "whole")}); err != nil {
		t.Fatal(err)
	}
	job := prepare(t, whole.Recipe(nil))
	if len(job.Estimated) != 0 {
		t.Errorf("with the recipe of a job, there is still estimated: %v", job.Estimated)
	}
	const n = 6 // more than frames
	frames := make([]int, n)
	var shards errgroup.Group
	for i := range n {
		shards.Go(func() error {
			report, err := job.Run(context.Background(), &take.RunOptions{Out: filepath.Join(r.dir, "shards"), Shard: take.Shard{I: i, N: n}})
			if err == nil {
				frames[i] = report.Frames
			}
			return err
		})
	}
	if err := shards.Wait(); err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(frames) != "[0 1 1 1 1 1]" {
		t.Errorf("the shards did %v frames", frames)
	}
	sameFiles(t, filepath.Join(r.dir, "whole"), filepath.Join(r.dir, "shards"))
}

// sameFiles compares the products in two folders.
func sameFiles(t *testing.T, want, got string) {
	t.Helper()
	list := func(dir string) []string {
		names, err := filepath.Glob(filepath.Join(dir, "*", "*"))
		if err != nil || len(names) == 0 {
			t.Fatalf("%s: %d files, %v", dir, len(names), err)
		}
		for i, n := range names {
			names[i], _ = filepath.Rel(dir, n)
		}
		return names
	}
	a, b := list(want), list(got)
	if fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("%s has %v, want %v", got, b, a)
		return
	}
	for _, name := range a {
		x, err := os.ReadFile(filepath.Join(want, name))
		if err != nil {
			t.Fatal(err)
		}
		y, err := os.ReadFile(filepath.Join(got, name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(x, y) {
			t.Errorf("%s differs", name)
		}
	}
}
