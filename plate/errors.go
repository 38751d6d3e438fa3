package plate

import (
	"errors"
	"io/fs"
	"os"
)

// A FileError is the error of reading or writing a file. errors.Is and errors.As look through it,
// so that errors.Is(err, fs.ErrNotExist) reports whether the file is missing.
type FileError struct {
	Path string
	Err  error
}

// Error returns the path and what went wrong with it.
func (e *FileError) Error() string { return e.Path + ": " + e.Err.Error() }

// Unwrap returns Err.
func (e *FileError) Unwrap() error { return e.Err }

// fileError says that err is of the file at path. It takes from the errors of package os the path
// that they repeat, and which may be that of a temporary file.
func fileError(path string, err error) error {
	var file *FileError
	if err == nil || errors.As(err, &file) {
		return err
	}
	var pathErr *fs.PathError
	var linkErr *os.LinkError
	switch {
	case errors.As(err, &pathErr):
		err = pathErr.Err
	case errors.As(err, &linkErr):
		err = linkErr.Err
	}
	return &FileError{Path: path, Err: err}
}
