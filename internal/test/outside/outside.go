//go:build !js

// Package outside finds the programs that serve as independent references in tests: Debian's Python
// with OpenCV, scikit-image, SciPy and OpenColorIO, ImageMagick, FFmpeg.
//
// A test whose program is missing is skipped or fails as internal/test/tier has it.
package outside

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/internal/app/film"
	"example.com/twinplate/internal/test/tier"
)

// Program returns the path of the program called name, and fails or skips the test where there is
// none.
func Program(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, "no program called "+name)
	}
	return path
}

// Python runs a script under Debian's own Python with the arguments given, decodes the JSON that it
// prints into result, and fails the test where it cannot.
func Python(t testing.TB, script string, result any, args ...string) {
	t.Helper()
	needPython(t)
	cmd := exec.Command(film.Python, append([]string{"-c", script}, args...)...)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("the reference script failed: %v\n%s", err, stderr.String())
	}
	if err := json.Unmarshal(out, result); err != nil {
		t.Fatalf("the reference script printed %q: %v", out, err)
	}
}

// hasModules reports whether Debian's Python has all that scripts import. To ask takes a second.
var hasModules = sync.OnceValue(func() bool {
	return exec.Command(film.Python, "-c", "import cv2, skimage, scipy, PyOpenColorIO").Run() == nil
})

func needPython(t testing.TB) {
	t.Helper()
	if !hasModules() {
		missing(t, "Debian's python3 lacks python3-opencv, python3-skimage, python3-scipy or python3-pyopencolorio")
	}
}

// FilmScript returns the path of the script that Film runs, and fails or skips the test where what
// the script needs is missing.
func FilmScript(t testing.TB) string {
	t.Helper()
	needPython(t)
	Program(t, "ffmpeg")
	const script = "testdata/footage/film.py"
	for up := "."; ; up = filepath.Join(up, "..") {
		if _, err := os.Stat(filepath.Join(up, "go.mod")); err == nil {
			return filepath.Join(up, script)
		}
		if at, err := filepath.Abs(up); err != nil || at == filepath.Dir(at) {
			t.Fatalf("no folder above this one has the module's %s", script)
		}
	}
}

// Film draws a take into a folder of the test's own, by NumPy, OpenCV and FFmpeg: see package film
// for the arguments and for what is true of the take.
func Film(t testing.TB, args ...string) (dir string, truth film.Facts) {
	t.Helper()
	script := FilmScript(t)
	dir = t.TempDir()
	if err := film.Draw(t.Context(), film.Python, script, dir, args...); err != nil {
		t.Fatal(err)
	}
	truth, err := film.ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	return dir, truth
}

func missing(t testing.TB, what string) {
	t.Helper()
	tier.Missing(t, what+": `make deps` installs it")
}
