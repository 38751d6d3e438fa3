//go:build !js

package target_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/target"
)

// Frames are one run's at a time: those of others are free, and so is what a dead run has left.
func TestLock(t *testing.T) {
	dir := t.TempDir()
	take := func(first, last int) *target.Lock {
		t.Helper()
		l, err := target.NewLock(dir, first, last)
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	a, b := take(1, 10), take(11, 20)
	_, err := target.NewLock(dir, 10, 12)
	var held *target.HeldError
	if !errors.As(err, &held) || held.PID != os.Getpid() || !strings.Contains(err.Error(), "has been writing the frames") {
		t.Fatalf("frames of two others: %v", err)
	}
	a.Release()
	if _, err := target.NewLock(dir, 20, 30); !errors.As(err, &held) || held.First != 11 || held.Last != 20 {
		t.Errorf("frames of another: %v", err)
	}
	take(1, 10).Release()
	b.Release()
	// The file of a run that was killed: nobody has it locked.
	left := filepath.Join(dir, ".running.5-9.4711.host.lock")
	if err := os.WriteFile(left, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	take(1, 10).Release()
	names, err := filepath.Glob(filepath.Join(dir, ".running.?*.lock"))
	if err != nil || len(names) != 0 {
		t.Errorf("left over: %q, %v", names, err)
	}
}
