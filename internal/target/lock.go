//go:build !js

package target

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/gofrs/flock"
)

// A Lock keeps others from writing the same frames into a folder. The system gives it up when the
// program ends, however it ends.
type Lock struct{ held *flock.Flock }

// A HeldError says that another run writes some of the same frames into the folder.
type HeldError struct {
	Dir         string
	Host        string
	PID         int
	First, Last int // the frames that it makes
	Since       time.Time
}

func (e *HeldError) Error() string {
	return fmt.Sprintf("%s: the program with the process number %d on %s has been writing the frames %d to %d into this folder since %s: wait until it is done, stop it, or choose another folder",
		e.Dir, e.PID, e.Host, e.First, e.Last, e.Since.Format(time.DateTime))
}

// Names of the files: that of who holds which frames, so that others need not read what is locked;
// and one that is held while the others are looked at.
var heldName = regexp.MustCompile(`^\.running\.(-?\d+)-(-?\d+)\.(\d+)\.([^/\\]*)\.lock$`)

const (
	turnName = ".running.lock"
	turnWait = 10 * time.Second // for another run to have looked at the folder, which takes an instant
)

// NewLock takes the frames from first to last in a folder, which must be there. The error is a
// *HeldError where another holds one of them. On a file system that knows no locks there is none.
func NewLock(dir string, first, last int) (*Lock, error) {
	turn := flock.New(filepath.Join(dir, turnName))
	ctx, cancel := context.WithTimeout(context.Background(), turnWait)
	defer cancel()
	if _, err := turn.TryLockContext(ctx, 20*time.Millisecond); unsupported(err) {
		return &Lock{}, nil
	} else if err != nil {
		return nil, fmt.Errorf("%s: whether another run writes into this folder cannot be told: %w", dir, err)
	}
	defer turn.Close() // the file stays: whoever waits for it has it open, and a new one would be another lock
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		m := heldName.FindStringSubmatch(e.Name())
		if m == nil {
			continue
		}
		path := filepath.Join(dir, e.Name())
		other := flock.New(path, flock.SetFlag(os.O_RDWR)) // which makes no file
		if free, err := other.TryLock(); free || errors.Is(err, os.ErrNotExist) {
			other.Close()
			os.Remove(path) // of a run that is dead
			continue
		}
		from, _ := strconv.Atoi(m[1])
		to, _ := strconv.Atoi(m[2])
		if from > last || to < first {
			continue
		}
		held := &HeldError{Dir: dir, First: from, Last: to, Host: m[4]}
		held.PID, _ = strconv.Atoi(m[3])
		if info, err := e.Info(); err == nil {
			held.Since = info.ModTime()
		}
		return nil, held
	}
	host, err := os.Hostname()
	if err != nil || host == "" {
		host = "this machine"
	}
	host = strings.Map(func(r rune) rune {
		if r < ' ' || strings.ContainsRune(`/\:*?"<>|`, r) {
			return '-'
		}
		return r
	}, host)
	l := &Lock{flock.New(filepath.Join(dir, fmt.Sprintf(".running.%d-%d.%d.%.100s.lock", first, last, os.Getpid(), host)))}
	if ok, err := l.held.TryLock(); err != nil || !ok {
		return nil, fmt.Errorf("%s: the folder cannot be locked: %w", dir, errors.Join(err))
	}
	return l, nil
}

// Release gives the frames up.
func (l *Lock) Release() {
	if l == nil || l.held == nil {
		return
	}
	os.Remove(l.held.Path())
	l.held.Close()
	os.Remove(l.held.Path()) // where a file that is open cannot be removed
}

func unsupported(err error) bool {
	return errors.Is(err, syscall.ENOSYS) || errors.Is(err, errors.ErrUnsupported) || errors.Is(err, syscall.ENOLCK)
}
