// Package stop has contexts that end in the middle of work, for tests of what work does then.
package stop

import (
	"context"
	"sync/atomic"
)

// A Context ends when it is asked for the n-th time whether it has.
type Context struct {
	context.Context
	end  context.CancelFunc
	left atomic.Int64
}

// At returns a context that ends at the n-th question, n being 1 or more.
func At(parent context.Context, n int64) *Context {
	c := &Context{}
	c.Context, c.end = context.WithCancel(parent)
	c.left.Store(n)
	return c
}

// Stopped reports whether it has ended by a question.
func (c *Context) Stopped() bool { return c.left.Load() <= 0 }

func (c *Context) asked() context.Context {
	if c.left.Add(-1) <= 0 {
		c.end()
	}
	return c.Context
}

func (c *Context) Err() error            { return c.asked().Err() }
func (c *Context) Done() <-chan struct{} { return c.asked().Done() }

// Everywhere calls do with contexts that end ever later, until one does not end, and returns what do
// returned each time. The last is that of the call that came to its end.
func Everywhere(parent context.Context, do func(ctx context.Context) error) (errs []error) {
	const closer = 2 // each time half as many questions again: all would take too long
	for n := int64(1); ; n += 1 + n/closer {
		c := At(parent, n)
		errs = append(errs, do(c))
		c.end()
		if !c.Stopped() {
			return errs
		}
	}
}
