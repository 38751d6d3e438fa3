package plate

import (
	"io"
	"os"
	"path/filepath"
	"testing"
)

// What a decoder does with a damaged file, a panic included, becomes an error.
func TestDecoderPanics(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.tif")
	if err := os.WriteFile(path, make([]byte, 10), 0o666); err != nil {
		t.Fatal(err)
	}
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	p := &picture{file: file, bytes: 10, format: format{name: "tiff"}}
	err = p.run(func(io.Reader) error { var none []int; _ = none[p.bytes]; return nil })
	if want := "damaged: the tiff decoder stopped with: runtime error: index out of range [10] with length 0"; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}
