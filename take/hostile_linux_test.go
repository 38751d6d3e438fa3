package take_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
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

// A pipe as a recipe or a geometry is refused at once: to open one would wait forever.
func TestPipesAsSettings(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe.json")
	if err := syscall.Mkfifo(path, 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := take.ReadRecipe(path); err == nil || !strings.Contains(err.Error(), "a pipe") {
		t.Errorf("a recipe: %v", err)
	}
	if _, err := take.ReadGeometry(path); err == nil || !strings.Contains(err.Error(), "a pipe") {
		t.Errorf("a geometry: %v", err)
	}
}

// Patterns that would walk the whole machine are refused before they do.
func TestWidePatterns(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "scene 1", "color", "c_0001.png"), plate.NewGray(4, 4), nil)
	for pattern, ok := range map[string]bool{
		"/*/*/*.png": false, "/*/a.png": false, "*/*/*/*": false, "/h?me/x/*.png": false,
		filepath.Join(dir, "scene*", "color", "*.png"): true, filepath.Join(dir, "scene 1", "*", "c*.png"): true,
	} {
		seq, err := take.Find(pattern)
		if ok && (err != nil || len(seq) != 1) || !ok && (err == nil || !strings.Contains(err.Error(), "too many folders")) {
			t.Errorf("%s: %v, %v", pattern, seq, err)
		}
	}
}

// What is said of a file that is no recipe shows little of it.
func TestErrorsShowLittle(t *testing.T) {
	secret := strings.Repeat("secret", 10)
	for _, text := range []string{secret, `{"version": 1, "` + secret + `": 1}`, `{"version": "` + secret + `"}`} {
		path := filepath.Join(t.TempDir(), "shadow.json")
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := take.ReadRecipe(path); err == nil || strings.Contains(err.Error(), secret[:17]) {
			t.Errorf("%v", err)
		}
		if _, err := take.ReadGeometry(path); err == nil || strings.Contains(err.Error(), secret[:17]) {
			t.Errorf("%v", err)
		}
		curve := path + ".csv"
		if err := os.Rename(path, curve); err != nil {
			t.Fatal(err)
		}
		if _, err := plate.FindCurve(curve); err == nil || strings.Contains(err.Error(), secret[:17]) {
			t.Errorf("%v", err)
		}
	}
}
