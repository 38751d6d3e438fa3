package parallel_test

import (
	"context"
	"errors"
	"runtime"
	"sync/atomic"
	"testing"

	"example.com/twinplate/internal/parallel"
)

// A panic in any of the goroutines is one that the caller can recover.
func TestPanicsReachTheCaller(t *testing.T) {
	fail := func(i int) {
		if i == 3 {
			panic("three")
		}
	}
	for name, run := range map[string]func(){
		"Each": func() { parallel.Each(8, fail) },
		"Do":   func() { parallel.Do(func() {}, func() { fail(3) }) },
		"Try": func() {
			parallel.Try(context.Background(), 8, 2, func(i int) error { fail(i); return nil })
		},
	} {
		func() {
			defer func() {
				if v := recover(); v != "three" {
					t.Errorf("%s: recovered %v", name, v)
				}
			}()
			run()
		}()
	}
}

// After an error nothing more begins, and it is what is returned.
func TestTryEndsAtAnError(t *testing.T) {
	wrong, begun := errors.New("wrong"), 0
	err := parallel.Try(context.Background(), 100, 1, func(i int) error {
		if begun++; i == 4 {
			return wrong
		}
		return nil
	})
	if !errors.Is(err, wrong) || begun != 5 {
		t.Errorf("%v after %d, want %v after 5", err, begun, wrong)
	}
}

// Each number is there once, however unlike the times are.
func TestEachOnce(t *testing.T) {
	const n = 1000
	var seen [n]atomic.Int32
	parallel.Each(n, func(i int) {
		if i%100 == 0 {
			runtime.Gosched()
		}
		seen[i].Add(1)
	})
	for i := range seen {
		if c := seen[i].Load(); c != 1 {
			t.Fatalf("%d is there %d times", i, c)
		}
	}
}
