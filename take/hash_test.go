package take

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// A large file's hash is that of its copy, and another where a 64th of it, its head, its tail or its
// length is another.
func TestHashParts(t *testing.T) {
	const size = 4 << 20
	dir := t.TempDir()
	data := make([]byte, size)
	for i := range data {
		data[i] = byte(i * 7 >> 3)
	}
	hash := func(name string, data []byte) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		h, err := hashParts(path, mostFrame)
		if err != nil || len(h) < 20 {
			t.Fatal(h, err)
		}
		return h
	}
	first := hash("a", data)
	if again := hash("b", data); again != first {
		t.Errorf("a copy has %s, and not %s", again, first)
	}
	for name, change := range map[string]func(d []byte) []byte{
		"the head":        func(d []byte) []byte { d[0]++; return d },
		"the tail":        func(d []byte) []byte { d[size-1]++; return d },
		"the length":      func(d []byte) []byte { return d[:size-4096] },
		"a 64th, halfway": func(d []byte) []byte { copy(d[size/2+999:], make([]byte, size/64)); return d },
	} {
		if other := hash("c", change(bytes.Clone(data))); other == first {
			t.Errorf("%s: the same hash", name)
		}
	}
}

// A device on which every write fails for want of space is a full disk, whatever wraps the error.
func TestFull(t *testing.T) {
	if full(os.ErrNotExist) || full(nil) {
		t.Error("not every error is a full disk")
	}
	f, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip(tier.Belongs + "systems with /dev/full")
	}
	defer f.Close()
	if _, err := f.WriteString("x"); !full(&plate.FileError{Path: "x", Err: err}) {
		t.Errorf("%v is a full disk", err)
	}
}
