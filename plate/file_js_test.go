package plate

import (
	"image/png"
	"io"
	"os"
	"path/filepath"
	"slices"
	"syscall/js"
	"testing"
)

// What a file system gives out without a copy is the file, and where it has to wait it is asked in the ordinary way.
func TestView(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.png")
	content := encodedPNG(t, quickKinds(61, 33)["color, 16 bits"], png.NoCompression)
	if err := os.WriteFile(path, content, 0o666); err != nil {
		t.Fatal(err)
	}
	want, err := ReadRGB(path, SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	fs := js.Global().Get("fs")
	given, waits := 0, 0
	view := js.FuncOf(func(_ js.Value, args []js.Value) any {
		if (given+waits)%3 == 1 {
			waits++
			return nil
		}
		given++
		from, to := args[1].Int(), args[2].Int()
		to = min(to, from+1000) // a piece
		b := js.Global().Get("Uint8Array").New(to - from)
		n := fs.Call("readSync", args[0], b, 0, to-from, from).Int()
		return b.Call("subarray", 0, n)
	})
	fs.Set("view", view)
	defer func() {
		fs.Delete("view")
		view.Release()
	}()
	got, err := ReadRGB(path, SRGB, nil)
	if err != nil {
		t.Fatal(err)
	}
	for c := range 3 {
		if !slices.Equal(got.Pix[c], want.Pix[c]) {
			t.Errorf("channel %d differs", c)
		}
	}
	if given == 0 || waits == 0 {
		t.Errorf("%d views were given out, and %d had to wait", given, waits)
	}
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	b := make([]byte, 10)
	for range 3 {
		if n, err := readerOf(file).ReadAt(b, int64(len(content))-4); n != 4 || err != io.EOF {
			t.Errorf("at the end: %d bytes, %v", n, err)
		}
	}
}
