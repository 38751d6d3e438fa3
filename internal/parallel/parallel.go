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
func Rows(w, h int, do func(y0, y1 int)) { parts(h, min(h, w*h>>14), few, do) }

// Parts is Rows for n things that are worth a processor each.
func Parts(n int, do func(from, to int)) { parts(n, n, few, do) }

// EachRow is Rows for what needs nothing but the number of its row.
func EachRow(w, h int, do func(y int)) {
	Rows(w, h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			do(y)
		}
	})
}

// Each is Parts for what needs nothing but its number, and may take unlike times.
func Each(n int, do func(i int)) {
	parts(n, n, many, func(from, to int) {
		for i := from; i < to; i++ {
			do(i)
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

// How many parts there are for a processor at the most: few where some of the work is done anew for
// each, and many where it is unlike. Chosen by hand.
const few, many = 3, 16

// parts calls do for at most so many parts of n things, and so many for each processor: who is done
// with one has the next. Processors are woken one after the other, which takes a while, and the
// first would wait for what the last one does.
func parts(n, most, each int, do func(from, to int)) {
	k := min(runtime.GOMAXPROCS(0), most)
	if k <= 1 {
		do(0, n)
		return
	}
	of := min(each*k, most)
	var next atomic.Int64
	panics := make(chan any, k)
	work := func() {
		defer caught(panics)
		for i := int(next.Add(1)); i <= of; i = int(next.Add(1)) {
			do((i-1)*n/of, i*n/of)
		}
	}
	var wg sync.WaitGroup
	for range k - 1 {
		wg.Go(work)
	}
	work()
	wg.Wait()
	pass(panics)
}
