//go:build !js

// Package outside finds the programs that serve as independent references in tests: Debian's Python
// with OpenCV, scikit-image, SciPy and OpenColorIO, ImageMagick, FFmpeg.
//
// A test whose program is missing is skipped or fails as internal/tier has it.
package outside

import (
	"encoding/json"
	"os/exec"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/internal/tier"
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
	if !hasModules() {
		missing(t, "Debian's python3 lacks python3-opencv, python3-skimage, python3-scipy or python3-pyopencolorio")
	}
	cmd := exec.Command(python, append([]string{"-c", script}, args...)...)
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

const python = "/usr/bin/python3"

// hasModules reports whether Debian's Python has all that scripts import. To ask takes a second.
var hasModules = sync.OnceValue(func() bool {
	return exec.Command(python, "-c", "import cv2, skimage, scipy, PyOpenColorIO").Run() == nil
})

func missing(t testing.TB, what string) {
	t.Helper()
	tier.Missing(t, what+": `make deps` installs it")
}
