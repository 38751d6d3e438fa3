package take_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/take"
)

// A take is done wherever it lies and whatever its files are called; through links too.
func TestOddPlaces(t *testing.T) {
	r := record(t, 1, 2)
	base := r.recipe
	links := runtime.GOOS != "js" && runtime.GOOS != "windows"
	for _, place := range []string{"Aufnahme 7, Kamera A", "съёмка/№ 12", "夜の桟橋", "100% [best] {take} *", "a\\b\"c'd;e$f", "line\nbreak", "-o", "é decomposed: é"} {
		dir := t.TempDir()
		to := filepath.Join(dir, place)
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			t.Fatal(err)
		}
		if links {
			if err := os.Symlink(r.dir, to); err != nil {
				t.Fatal(err)
			}
		} else if err := os.CopyFS(to, os.DirFS(r.dir)); err != nil {
			t.Fatalf("%q cannot be a name here: %v", place, err)
		}
		q := base
		q.Color, q.Band, q.Background = filepath.Join(to, "color"), filepath.Join(to, "band"), filepath.Join(to, "sea.png")
		q.CleanBand, q.CleanColor = filepath.Join(to, "clean_band.png"), filepath.Join(to, "clean_color.png")
		q.DarkBand, q.DarkColor = filepath.Join(to, "dark_band.png"), filepath.Join(to, "dark_color.png")
		job := prepare(t, q)
		out := filepath.Join(dir, "out of "+filepath.Base(place))
		report, err := job.Run(context.Background(), &take.RunOptions{Out: out})
		if err != nil || report.Frames != 2 {
			t.Errorf("%q: %+v, %v", place, report, err)
			continue
		}
		saved := filepath.Join(dir, filepath.Base(place)+".json")
		if err := job.Recipe(nil).Save(saved); err != nil {
			t.Errorf("%q: %v", place, err)
		}
		again, err := take.ReadRecipe(saved)
		if err != nil {
			t.Errorf("%q: %v", place, err)
			continue
		}
		if _, err := take.Open(again); err != nil {
			t.Errorf("%q, from its recipe: %v", place, err)
		}
	}
}

// A folder of 100,000 files is found and paired.
func TestManyFiles(t *testing.T) {
	tier.InTest(t)
	const n = 100_000
	dir := t.TempDir()
	for i := range n {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("frame %d.dpx", i)), nil, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	seq, err := take.Find(dir)
	if err != nil || len(seq) != n {
		t.Fatalf("%d frames, %v", len(seq), err)
	}
	for i, f := range seq { // 9 before 10
		if f.Number != i {
			t.Fatalf("frame %d at place %d", f.Number, i)
		}
	}
	p, err := take.MatchOffset(seq, seq, 3)
	if err != nil || len(p.Pairs) != n-3 || take.Ranges(p.NoBand) != "99997-99999" || take.Ranges(p.NoColor) != "0-2" {
		t.Errorf("%d pairs, %s and %s without partners, %v", len(p.Pairs), take.Ranges(p.NoBand), take.Ranges(p.NoColor), err)
	}
}

// Nothing is written beside the inputs, and they may be read-only.
func TestReadOnlyInputs(t *testing.T) {
	r := record(t, 1, 2)
	list := func() (all []string) {
		err := filepath.WalkDir(r.dir, func(path string, d fs.DirEntry, err error) error {
			if err == nil {
				info, e := d.Info()
				all, err = append(all, fmt.Sprint(path, info.Mode(), info.Size(), info.ModTime())), e
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	set := func(file, folder fs.FileMode) {
		err := filepath.WalkDir(r.dir, func(path string, d fs.DirEntry, err error) error {
			if d.IsDir() {
				return os.Chmod(path, folder)
			}
			return os.Chmod(path, file)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	set(0o444, 0o555)
	t.Cleanup(func() { set(0o666, 0o777) })
	before := list()
	out := t.TempDir()
	report, err := prepare(t, r.recipe).Run(context.Background(), &take.RunOptions{Out: out})
	if err != nil || report.Frames != 2 {
		t.Fatalf("%+v, %v", report, err)
	}
	if after := list(); !slices.Equal(before, after) {
		t.Errorf("the inputs' folder was\n%v\nand is\n%v", before, after)
	}
}

// Files that are no recipe or geometry are refused before they fill the memory.
func TestGiganticSettings(t *testing.T) {
	path := filepath.Join(t.TempDir(), "take.json")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(f.Truncate(1<<40), f.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := take.ReadRecipe(path); err == nil || !strings.Contains(err.Error(), "more than 67108864 bytes") {
		t.Errorf("a recipe of a terabyte: %v", err)
	}
	if _, err := take.ReadGeometry(path); err == nil || !strings.Contains(err.Error(), "more than 67108864 bytes") {
		t.Errorf("a geometry of a terabyte: %v", err)
	}
}
