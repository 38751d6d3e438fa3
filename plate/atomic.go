package plate

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// WriteAtomic writes a file that appears whole or not at all. What write puts out goes to a
// temporary file in the same folder, which takes the file's name, and replaces one of that name,
// when write has returned nil and all is written; upon any failure it is removed, and a file that
// was there before stays as it was. The permissions are those of any new file. The folder must
// exist.
//
// A crash of the program cannot leave half a file under the name; a failure of power can, for the
// system is not asked to wait for the disk. Errors are of type *FileError.
func WriteAtomic(path string, write func(io.Writer) error) error {
	return fileError(path, writeAtomic(path, write))
}

func writeAtomic(path string, write func(io.Writer) error) (err error) {
	file, err := createBeside(path)
	if err != nil {
		return err
	}
	done := false
	defer func() { // also when write panics
		if !done {
			file.Close()
			os.Remove(file.Name())
		}
	}()
	w := bufio.NewWriterSize(file, 1<<16)
	if err := write(w); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if err := file.Close(); err != nil {
		return err
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return err
	}
	done = true
	return nil
}

// createBeside makes a new file, hidden, of a name that is not taken, in the folder of path.
func createBeside(path string) (*os.File, error) {
	dir, base := filepath.Split(path)
	if base == "" {
		return nil, errors.New("the path of a folder, and there must be a file's name")
	}
	for try := 0; ; try++ {
		name := filepath.Join(dir, fmt.Sprintf(".%.100s.%08x.tmp", base, rand.Uint32()))
		file, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		if errors.Is(err, fs.ErrExist) && try < 100 {
			continue
		}
		return file, err
	}
}
