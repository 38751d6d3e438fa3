// Package parallel shares work out among the processors.
package parallel

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"

	"golang.org/x/sync/errgroup"
)

// Rows calls do for bands of rows that together make 0 to h, at the same time on all processors,
// and returns when all are done. Small frames are one band. A panic of do becomes one of the
// caller, who can recover.
func Rows(w, h int, do func(y0, y1 int)) { parts(h, min(h, w*h>>14), do) }

// Parts is Rows for n things that are worth a processor each.
func Parts(n int, do func(from, to int)) { parts(n, n, do) }

// EachRow is Rows for what needs nothing but the number of its row.
func EachRow(w, h int, do func(y int)) {
	Rows(w, h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			do(y)
		}
	})
}

// Each is Parts for what needs nothing but its number, and may take unlike times: a processor that is
// done with some has the next ones.
func Each(n int, do func(i int)) {
	const turns = 16 // for each processor: more would have them wait for each other where do is short
	some := max(n/(turns*runtime.GOMAXPROCS(0)), 1)
	var next atomic.Int64
	Parts(n, func(_, _ int) {
		for {
			to := int(next.Add(int64(some)))
			if to-some >= n {
				return
			}
			for i := to - some; i < min(to, n); i++ {
				do(i)
			}
		}
	})
}

// Do calls functions, at the same time.
func Do(all ...func()) { Each(len(all), func(i int) { all[i]() }) }

// Try calls do for the numbers from 0 up to but not including n, at most so many at a time, of 0 as
// many as there are processors. It begins no more after an error or the end of ctx, and returns the
// first of those.
func Try(ctx context.Context, n, most int, do func(i int) error) error {
	group, ctx := errgroup.WithContext(ctx)
	if most <= 0 {
		most = runtime.GOMAXPROCS(0)
	}
	group.SetLimit(most)
	panics := make(chan any, n)
	for i := range n {
		group.Go(func() error {
			defer caught(panics)
			if err := ctx.Err(); err != nil {
				return err
			}
			return do(i)
		})
	}
	err := group.Wait()
	pass(panics)
	return err
}

// caught notes the panic of the function that defers it, and pass goes on with the first of those.
func caught(panics chan<- any) {
	if r := recover(); r != nil {
		panics <- r
	}
}

func pass(panics <-chan any) {
	if len(panics) > 0 {
		panic(<-panics)
	}
}

func parts(n, most int, do func(from, to int)) {
	k := min(runtime.GOMAXPROCS(0), most)
	if k <= 1 {
		do(0, n)
		return
	}
	var wg sync.WaitGroup
	panics := make(chan any, k)
	for i := range k {
		wg.Go(func() {
			defer caught(panics)
			do(i*n/k, (i+1)*n/k)
		})
	}
	wg.Wait()
	pass(panics)
}
