//go:build unix

package plate_test

import (
	"errors"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"example.com/twinplate/plate"
)

// A pipe or a device is refused at once, and not waited for.
func TestPipes(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "0001.png")
	if err := syscall.Mkfifo(pipe, 0o666); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{pipe, "/dev/zero"} {
		_, err := plate.ReadImage(path, nil)
		var file *plate.FileError
		if !errors.As(err, &file) || !strings.Contains(err.Error(), "not a file of pixels but a folder, a pipe or a device") {
			t.Errorf("%s: %v", path, err)
		}
	}
}
