// Package objects reads and writes small files of JSON that people edit, and whose paths are
// relative to them.
package objects

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"unicode/utf8"

	"example.com/twinplate/plate"
)

// Read returns what a file of at most so many bytes has. What says in the error of a longer one
// what it should be.
func Read(path string, most int64, what string) ([]byte, error) {
	// Before it is opened: to open a pipe that nobody writes to would wait forever.
	if info, err := os.Stat(path); err != nil {
		return nil, err
	} else if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: not a file of text but a folder, a pipe or a device", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(data)) > most {
		err = fmt.Errorf("%s: more than %d bytes: this is no %s", path, most, what)
	}
	return data, err
}

// Strict reads an object that has no other fields than v's.
func Strict(data []byte, v any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	return d.Decode(v)
}

// Line puts the line before the error that data has in its syntax, if that is what it is.
func Line(err error, data []byte) error {
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) {
		return fmt.Errorf("line %d: %w", 1+bytes.Count(data[:min(int(syntax.Offset), len(data))], []byte("\n")), err)
	}
	return err
}

// Resolve makes paths that a file has, which are relative to it, relative to the working folder.
// Empty ones stay.
func Resolve(file string, paths []*string) {
	for _, p := range paths {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(filepath.Dir(file), filepath.FromSlash(*p))
		}
	}
}

// Save writes an object to a file, whole or not at all, after its paths were made relative to the
// file where they can be. v is a pointer to the object that the paths are fields of.
func Save(file string, v any, paths []*string) error {
	dir, err := filepath.Abs(filepath.Dir(file))
	if err != nil {
		return err
	}
	for _, p := range paths {
		if *p == "" {
			continue
		}
		abs, err := filepath.Abs(*p)
		if err != nil {
			return err
		}
		if !utf8.ValidString(abs) {
			return fmt.Errorf("%s: it cannot name %q, which is not UTF-8: rename that file or folder", file, *p)
		}
		if rel, err := filepath.Rel(dir, abs); err == nil {
			abs = rel
		}
		*p = filepath.ToSlash(abs)
	}
	return plate.WriteAtomic(file, func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		if err := e.Encode(v); err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
		return nil
	})
}
