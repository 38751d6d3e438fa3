// Package parallel shares the rows of a frame out among the processors.
package parallel

import (
	"runtime"
	"sync"
)

// Rows calls do for bands of rows that together make 0 to h, at the same time on all processors, and
// returns when all are done. Small frames are one band. A panic of do becomes one of the caller, who can recover.
func Rows(w, h int, do func(y0, y1 int)) {
	n := min(runtime.GOMAXPROCS(0), h, w*h>>14)
	if n <= 1 {
		do(0, h)
		return
	}
	var wg sync.WaitGroup
	panics := make(chan any, n)
	for i := range n {
		wg.Go(func() {
			defer func() {
				if r := recover(); r != nil {
					panics <- r
				}
			}()
			do(i*h/n, (i+1)*h/n)
		})
	}
	wg.Wait()
	if len(panics) > 0 {
		panic(<-panics)
	}
}
