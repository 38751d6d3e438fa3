//go:build unix

package take_test

import (
	"syscall"
	"testing"
	"time"
)

// processorTime returns what reports the time that the processors have worked from now on, for each
// turn of a benchmark's loop.
func processorTime(b *testing.B) func() {
	used := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	from := used()
	return func() { b.ReportMetric(1000*(used()-from).Seconds()/float64(b.N), "cpu-ms/op") }
}
