package take

import (
	"image"
	"runtime"
	"testing"

	"example.com/twinplate/align"
)

// A frame of 1000x1000 pixels has 8 planes of 4 MB, and a quarter more; with Each, 6 more planes.
func TestFramesAtOnceWithinMemory(t *testing.T) {
	j := &Job{reader: reader{colorSize: image.Pt(1000, 1000)}, take: &Take{}, Registration: Registration{Geometry: align.Identity(1000, 1000)}}
	const frame = 14 * 5 * 1000 * 1000
	cores := runtime.GOMAXPROCS(0)
	for _, c := range []struct {
		what string
		opt  RunOptions
		want int
	}{
		{"the defaults", RunOptions{}, min(cores, DefaultMemory/frame)},
		{"a number alone", RunOptions{Jobs: 1000}, 1000},
		{"a number within the memory", RunOptions{Jobs: 3, Memory: 4 * frame}, 3},
		{"memory for fewer", RunOptions{Jobs: 3, Memory: 3*frame - 1}, 2},
		{"memory for none", RunOptions{Jobs: 3, Memory: 1}, 1},
		{"memory alone", RunOptions{Memory: frame}, 1},
		{"memory for all there is", RunOptions{Memory: 1 << 62}, cores},
	} {
		if got := j.jobs(&c.opt); got != c.want {
			t.Errorf("%s: %d frames at once, want %d", c.what, got, c.want)
		}
	}
}
