package take

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
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
