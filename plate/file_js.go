package plate

import (
	"io"
	"os"
	"syscall/js"
)

// readerOf returns what reads an open file. A file system that has a method view(fd, from, to), as
// the playground's has, gives out bytes that it holds without a copy, as a Uint8Array: as many as
// it has in one piece, none at the end of the file, or null where it has to wait for them. Package
// os would have it fill an array that is made for every read.
func readerOf(file *os.File) io.ReaderAt {
	fs := js.Global().Get("fs")
	if fs.Get("view").Type() != js.TypeFunction {
		return file
	}
	return &viewed{file, fs, int(file.Fd())}
}

type viewed struct {
	*os.File
	fs js.Value
	fd int
}

func (f *viewed) ReadAt(b []byte, at int64) (n int, err error) {
	for n < len(b) {
		from := at + int64(n)
		view := f.fs.Call("view", f.fd, from, at+int64(len(b)))
		if view.IsNull() { // package os waits for one
			if _, err := f.File.ReadAt(b[n:n+1], from); err != nil {
				return n, err
			}
			n++
			continue
		}
		m := js.CopyBytesToGo(b[n:], view)
		if m == 0 {
			return n, io.EOF
		}
		n += m
	}
	return n, nil
}
