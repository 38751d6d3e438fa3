// Package stop has work end in its middle, for tests of what it does then.
package stop

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
)

// stopping is a context that ends when it is asked for the n-th time whether it has.
type stopping struct {
	context.Context
	end  context.CancelFunc
	left atomic.Int64
}

func (c *stopping) asked() context.Context {
	if c.left.Add(-1) <= 0 {
		c.end()
	}
	return c.Context
}

func (c *stopping) Err() error            { return c.asked().Err() }
func (c *stopping) Done() <-chan struct{} { return c.asked().Done() }

// Everywhere calls do with contexts that end ever later, until one does not end. It fails the test
// unless do returns the error of each that ends, and no error of the last, and where there is hardly
// a place to stop at.
func Everywhere(t *testing.T, name string, do func(ctx context.Context) error) {
	const least = 5 // calls
	t.Helper()
	calls := 0
	for n := int64(1); ; n *= 2 { // all questions would take too long
		c := &stopping{}
		c.Context, c.end = context.WithCancel(t.Context())
		c.left.Store(n)
		err := do(c)
		c.end()
		calls++
		last := c.left.Load() > 0
		if last && err != nil || !last && !errors.Is(err, context.Canceled) {
			t.Errorf("%s, stopped at question %d, ended %v: %v", name, n, !last, err)
		}
		if last {
			break
		}
	}
	if calls < least {
		t.Errorf("%s: it was called %d times, want %d at least", name, calls, least)
	}
}
