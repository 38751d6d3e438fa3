// Package target keeps what a program writes from destroying what is there: its own inputs, and
// files of another kind than the one it writes.
package target

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
)

// Inputs are files that must not be written over. They may be many: they are looked at the first
// time that something of a target's name is there already.
type Inputs struct {
	paths []string
	index func() map[stamp][]input
}

type input struct {
	path string
	info fs.FileInfo
}

// A stamp tells most files apart. os.SameFile, which is sure, compares two at a time.
type stamp struct{ size, modified int64 }

func stampOf(info fs.FileInfo) stamp { return stamp{info.Size(), info.ModTime().UnixNano()} }

// NewInputs returns the files of these paths. One that is not there is no input.
func NewInputs(paths []string) *Inputs {
	in := &Inputs{paths: slices.Compact(paths)} // the frames of a clip are of one file
	in.index = sync.OnceValue(func() map[stamp][]input {
		index := map[stamp][]input{}
		for _, path := range in.paths {
			if info, err := os.Stat(path); err == nil {
				index[stampOf(info)] = append(index[stampOf(info)], input{path, info})
			}
		}
		return index
	})
	return in
}

// Check returns an error where path is one of the inputs, by whatever name or link.
func (in *Inputs) Check(path string) error {
	info, err := os.Stat(path)
	if err != nil || in == nil {
		return nil // writing it destroys nothing
	}
	for _, other := range in.index()[stampOf(info)] {
		if os.SameFile(info, other.info) {
			return fmt.Errorf("%s: the output would overwrite the input %s: choose another name or folder", path, other.path)
		}
	}
	return nil
}

// A Kind is a kind of file that a program writes.
type Kind struct {
	Name string                 // in an error: "a recipe"
	Is   func(path string) bool // reports whether a file that is there is of the kind; nil: none is known to be
}

// headLength is how much of a file tells its kind, in bytes; chosen by hand.
const headLength = 1 << 16

// Marked returns a Kind's Is: all the marks are in the first 64 KB of the file.
func Marked(marks ...string) func(path string) bool {
	return func(path string) bool {
		file, err := os.Open(path)
		if err != nil {
			return false
		}
		defer file.Close()
		head, err := io.ReadAll(io.LimitReader(file, headLength))
		return err == nil && !slices.ContainsFunc(marks, func(m string) bool { return !bytes.Contains(head, []byte(m)) })
	}
}

// A Guard looks at all that a command is about to write. Its zero value has no inputs.
type Guard struct {
	Inputs  *Inputs
	Replace bool // files of another kind may be written over; inputs never

	taken map[string]bool
}

// Check returns an error where writing the file at path would destroy an input, another target of
// the same command, or, without Replace, a file that has something in it and is not of the kind; or
// where it cannot be written. It leaves nothing behind. Of no path there is none.
func (g *Guard) Check(path string, kind Kind) error {
	if path == "" {
		return nil
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	if g.taken[abs] {
		return fmt.Errorf("%s: two outputs have this one name", path)
	}
	if g.taken == nil {
		g.taken = map[string]bool{}
	}
	g.taken[abs] = true
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Writable(filepath.Dir(path))
	case err != nil:
		return err
	case info.IsDir():
		return fmt.Errorf("%s: a folder, and %s is to be written there: give the name of a file", path, kind.Name)
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s: a pipe or a device, and %s is to be written there: give the name of a file", path, kind.Name)
	}
	if err := g.Inputs.Check(path); err != nil {
		return err
	}
	if !g.Replace && info.Size() > 0 && (kind.Is == nil || !kind.Is(path)) {
		return fmt.Errorf("%s: there already, and not %s that this program wrote: choose another name (--replace overwrites it)", path, kind.Name)
	}
	return Writable(filepath.Dir(path))
}

// Writable returns an error where no file can be made in a folder.
func Writable(dir string) error {
	probe, err := os.CreateTemp(dir, ".twinplate.*.tmp")
	if err != nil {
		var path *fs.PathError
		if errors.As(err, &path) {
			err = path.Err
		}
		return fmt.Errorf("%s: the folder cannot be written to: %w", dir, err)
	}
	return errors.Join(probe.Close(), os.Remove(probe.Name()))
}
