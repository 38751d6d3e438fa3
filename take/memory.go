package take

import (
	"runtime"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
)

// DefaultMemory is RunOptions.Memory where that is 0.
const DefaultMemory = 4 << 30

// PrepareMemory returns about how many bytes Prepare and a run of one frame at a time take, at the
// least: of a machine that has fewer it is no use to begin.
func (t *Take) PrepareMemory() int64 {
	frame, band := int64(t.colorSize.X)*int64(t.colorSize.Y), int64(t.bandSize.X)*int64(t.bandSize.Y)
	// The pairs that the geometry is found from, the samples, and the solver's planes; the reference
	// plates; all of float32.
	values := registrationSamples*(3*frame+band) + 8*frame + band
	return 4*values + plate.ReadMemory(max(frame, band))
}

// jobs returns how many frames are worked on at once.
func (j *Job) jobs(opt *RunOptions) int {
	n, memory := opt.Jobs, opt.Memory
	if n <= 0 {
		n = runtime.GOMAXPROCS(0)
		if memory <= 0 {
			memory = DefaultMemory
		}
	}
	if memory > 0 {
		n = min(n, int(max(memory/j.frameMemory(opt), 1)))
	}
	return n
}

// frameMemory returns about how many bytes a frame takes that is worked on: its planes, a quarter
// more for what has not been collected yet, and what it takes to read a plate. What all frames
// share, such as the reference plates, is not in it.
func (j *Job) frameMemory(opt *RunOptions) int64 {
	t := j.take
	frame, band := int64(j.colorSize.X)*int64(j.colorSize.Y), int64(j.Geometry.BandW)*int64(j.Geometry.BandH)
	values := 7*frame + band // color, the resampled band plate, transmission, alpha, sigma; and the band plate
	if j.runPlan(opt.Each != nil).foreground {
		values += 6 * frame // foreground and composite
		if t.recipe.Operator != composite.AOverB {
			values += 2 * frame // the alpha of both
		}
	}
	if j.unmeasured(j.plan()) {
		values += 2 * frame // the matte as it was measured, and where it is not
	}
	if t.recipe.needsNoise() {
		values += 4 * frame // on the way to sigma's slopes
	}
	back := int64(0)
	if j.backdrop != nil && (len(t.background) > 1 || j.backdrop.end != nil) {
		size := j.backdrop.size
		back = int64(size.X) * int64(size.Y)
		values += 3 * frame // a background as it is fitted
		if !j.backdrop.same() {
			values += 3 * back // and as it is read
		}
		if j.backdrop.grade != nil {
			values += 3 * back // and as it is graded
		}
	}
	return 5*values + plate.ReadMemory(max(frame, band, back))
}
