package take_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// A name that is not UTF-8 is read; a recipe, being JSON, cannot hold it, and says so instead of
// naming another file.
func TestNameThatIsNotUTF8(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a\xff_0001.png")
	if err := os.WriteFile(path, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if seq, err := take.Find(filepath.Dir(path)); err != nil || len(seq) != 1 || seq[0].Path != path {
		t.Errorf("%v, %v", seq, err)
	}
	saved := filepath.Join(t.TempDir(), "take.json")
	err := take.Recipe{Color: path, Band: "b"}.Save(saved)
	if _, there := os.Stat(saved); err == nil || !strings.Contains(err.Error(), `a\xff_0001.png`) || there == nil {
		t.Errorf("%v; the file: %v", err, there)
	}
}

func TestLinks(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	frame := plate.NewGray(8, 6)
	write(t, in("real/0001.png"), frame, nil)
	write(t, in("real/0002.png"), frame, nil)
	for _, link := range [][2]string{
		{"real", "folder"}, {"folder", "twice"}, {"nothing.png", "dangling.png"}, {"loop-b.png", "loop-a.png"}, {"loop-a.png", "loop-b.png"},
		{"here", "here"}, {"../real", "real/self"}, {"../dangling.png", "real/0003.png"},
	} {
		if err := os.Symlink(link[0], in(link[1])); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"folder", "twice", "real/self", "real/self/self/self"} {
		seq, err := take.Find(in(name))
		if err != nil || !slices.Equal(numbers(seq), []int{1, 2, 3}) {
			t.Errorf("%s: frames %v, %v", name, numbers(seq), err)
			continue
		}
		if _, err := plate.ReadGray(seq[0].Path, plate.SRGB, nil, nil); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := plate.ReadGray(seq[2].Path, plate.SRGB, nil, nil); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), seq[2].Path) {
			t.Errorf("%s, a link to nothing: %v", name, err)
		}
	}
	for _, name := range []string{"dangling.png", "loop-a.png", "here"} {
		if seq, err := take.Find(in(name)); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v, %v", name, seq, err)
		}
	}
}
