//go:build !js

package take_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"example.com/twinplate/take"
)

// Two runs that would make the same frames do not run into one folder at once, and shards do.
func TestOneWriterAtATime(t *testing.T) {
	r := record(t, 1, 2, 3, 4)
	job := prepare(t, r.recipe)
	out := filepath.Join(r.dir, "out")
	var once sync.Once
	_, err := job.Run(t.Context(), &take.RunOptions{Shard: take.Shard{I: 0, N: 2}, Out: out, Each: func(*take.Result) error {
		once.Do(func() {
			if report, err := job.Run(t.Context(), &take.RunOptions{Shard: take.Shard{I: 1, N: 2}, Out: out}); err != nil || report.Frames != 2 {
				t.Errorf("the other shard: %+v, %v", report, err)
			}
			if _, err := job.Run(t.Context(), &take.RunOptions{Out: out}); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("process number %d on ", os.Getpid())) || !strings.Contains(err.Error(), "frames 1 to 2") {
				t.Errorf("all of the take: %v", err)
			}
		})
		return nil
	}})
	if err != nil {
		t.Error(err)
	}
	if report, err := job.Run(t.Context(), &take.RunOptions{Out: out}); err != nil || report.Kept != 4 {
		t.Errorf("when they are done: %+v, %v", report, err)
	}
}
