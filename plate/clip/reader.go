package clip

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// A Reader reads the frames of a video file in any order; it is quickest in theirs. One ffmpeg runs
// at a time, and a few frames are kept that it passed on the way to the one asked for, so several
// goroutines may share the frames of one stretch; of small frames the last are kept in any case. It
// is safe to use concurrently.
type Reader struct {
	path string
	info Stream

	mu     sync.Mutex
	ffmpeg *exec.Cmd
	pipe   io.ReadCloser
	errs   bytes.Buffer
	next   int // the frame that the pipe gives next
	passed []*passed
	most   int      // frames in passed
	free   [][]byte // of frames that nobody has any more
}

// A passed frame is in memory: among Reader.passed, in the hands of so many, or both.
type passed struct {
	index int
	data  []byte
	kept  bool
	users int
}

// How far ahead frames are read over rather than sought, and how many bytes of them are kept; as
// many as keepAlways, which are some frames of 640x360, are kept after they were asked for, too:
// whoever looks at a take reads the same ones several times, and to start FFmpeg takes longer.
const (
	readOver   = 32
	keepMost   = 192 << 20
	keepAlways = 32 << 20
)

// decoders is how many threads a decoder gets at most. One decodes 40 HD frames of ProRes a second,
// which is more than all else that is done to a frame leaves time for on sixteen cores; each that
// goes ahead of the frame that was asked for takes as long for nothing where there is no next one.
const decoders = 4

// sliced are codecs, by FFmpeg's names, whose frames several threads decode together, in slices:
// none goes ahead.
var sliced = []string{"prores", "dnxhd"}

// Open returns a Reader of a video file. Its Close must be called.
func Open(ctx context.Context, path string) (*Reader, error) {
	info, err := Probe(ctx, path)
	if err != nil {
		return nil, err
	}
	size := info.layout.bytes(info.W, info.H)
	most := min(keepMost/size, max(2*runtime.GOMAXPROCS(0), keepAlways/size))
	return &Reader{path: path, info: info, most: max(1, most)}, nil
}

// A Range says which code values of a clip of Y'CbCr or gray are black and white, where its tag is
// wrong, or where a curve counts in the codes of the whole signal.
type Range string

// The ranges of ITU-R BT.2100, table 9.
const (
	Tagged Range = ""       // as the file's tag says; narrow where it says nothing
	Narrow Range = "narrow" // at 10 bits 64 to 940
	Full   Range = "full"   // at 10 bits 0 to 1023
)

// SetRange has the frames read by a range. There is an error where the range is none of those
// above, or the clip is of R'G'B', which has the full range, or of floating point.
func (r *Reader) SetRange(span Range) error {
	l := &r.info.layout
	if l.y4m == "" && span != Tagged {
		return ofFile(r.path, fmt.Errorf("the range %.40q: the clip has no Y'CbCr, and its values are taken as they are", span))
	}
	switch span {
	case Tagged:
	case Narrow:
		l.y4m = strings.Replace(l.y4m, "=FULL", "=LIMITED", 1)
	case Full:
		l.y4m = strings.Replace(l.y4m, "=LIMITED", "=FULL", 1)
	default:
		return ofFile(r.path, fmt.Errorf("the range %.40q: it must be narrow or full", span))
	}
	return nil
}

// Info returns what the file says of itself.
func (r *Reader) Info() Stream { return r.info }

// Frame returns the frame at an index from 0 as code values, at the file's depth, or of floating
// point as a *plate.RGB or *plate.Gray in linear light. Errors are of type *plate.FileError.
func (r *Reader) Frame(index int) (image.Image, error) {
	m, _, err := r.lend(index)
	return m, err
}

// lend is Frame, with the memory that the picture is in, which giveBack may be given when nobody
// uses the picture any more.
func (r *Reader) lend(index int) (image.Image, *passed, error) {
	p, err := r.at(index)
	var m image.Image
	if err == nil {
		m, err = r.info.layout.picture(r.info.W, r.info.H, p.data)
	}
	if err != nil {
		return nil, nil, ofFile(r.path, fmt.Errorf("frame %d: %w", index, err))
	}
	return m, p, nil
}

// giveBack says that one who has a frame's memory uses it no more.
func (r *Reader) giveBack(p *passed) {
	r.mu.Lock()
	defer r.mu.Unlock()
	p.users--
	r.reuse(p)
}

// reuse keeps the memory of a frame that nobody has for another.
func (r *Reader) reuse(p *passed) {
	if p.users == 0 && !p.kept && len(r.free) < r.most {
		r.free = append(r.free, p.data)
	}
}

// forget takes frame i out of passed.
func (r *Reader) forget(i int) {
	p := r.passed[i]
	r.passed = slices.Delete(r.passed, i, i+1)
	p.kept = false
	r.reuse(p)
}

// at returns the memory of the frame at an index, which has one user more.
func (r *Reader) at(index int) (*passed, error) {
	if index < 0 || index >= r.info.Frames {
		return nil, fmt.Errorf("the clip has frames 0 to %d", r.info.Frames-1)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for i, p := range r.passed {
		if p.index == index {
			p.users++
			if !r.small(len(r.passed)) {
				r.forget(i)
			}
			return p, nil
		}
	}
	if r.ffmpeg == nil || index < r.next || index > r.next+readOver {
		if err := r.start(index); err != nil {
			return nil, err
		}
	}
	for {
		p := &passed{index: r.next}
		if n := len(r.free); n > 0 {
			p.data, r.free = r.free[n-1], r.free[:n-1]
		} else {
			p.data = make([]byte, r.info.layout.bytes(r.info.W, r.info.H))
		}
		if _, err := io.ReadFull(r.pipe, p.data); err != nil {
			at := r.next
			r.stop()
			if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
				err = errors.New("there is no more")
			}
			return nil, fmt.Errorf("FFmpeg ends before frame %d: %s", at, said(&r.errs, r.path, err))
		}
		r.next++
		found := r.next > index
		if !found || r.small(1) {
			if len(r.passed) == r.most {
				r.forget(0)
			}
			p.kept = true
			r.passed = append(r.passed, p)
		}
		if found {
			p.users++
			return p, nil
		}
	}
}

// small reports whether so many frames may be kept after they were asked for.
func (r *Reader) small(frames int) bool {
	return frames*r.info.layout.bytes(r.info.W, r.info.H) <= keepAlways
}

// start starts ffmpeg at a frame, or some before it.
func (r *Reader) start(index int) error {
	r.stop()
	program, _, err := find()
	if err != nil {
		return err
	}
	if index < runtime.GOMAXPROCS(0) {
		index = 0 // as many ask at once, and the first frame is seldom the first that is asked for
	}
	// FFmpeg turns the frames as the file says.
	args := []string{"-nostdin", "-v", "error", "-threads", strconv.Itoa(min(runtime.GOMAXPROCS(0), decoders))}
	if slices.Contains(sliced, r.info.Codec) {
		args = append(args, "-thread_type", "slice")
	}
	var filters []string
	switch {
	case index == 0:
	case r.info.seekable:
		args = append(args, "-ss", seconds(max(r.info.at(index), 0)))
	default:
		filters = append(filters, fmt.Sprintf(`select=gte(n\,%d)`, index))
	}
	if r.info.layout.full {
		filters = append(filters, "scale=in_range=full:out_range=full")
	}
	args = append(append(args, source(r.path)...), "-map", "0:v:0")
	if len(filters) > 0 {
		args = append(args, "-vf", strings.Join(filters, ","))
	}
	args = append(args, "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt", r.info.layout.pixels, "pipe:1")
	r.errs.Reset()
	c := exec.Command(program, args...)
	c.Stderr = &r.errs
	if r.pipe, err = c.StdoutPipe(); err != nil {
		return err
	}
	widen(r.pipe)
	if err := c.Start(); err != nil {
		return err
	}
	r.ffmpeg, r.next = c, index
	return nil
}

// stop ends ffmpeg.
func (r *Reader) stop() {
	if r.ffmpeg == nil {
		return
	}
	r.pipe.Close()
	r.ffmpeg.Process.Kill()
	r.ffmpeg.Wait()
	r.ffmpeg = nil
}

// Rest ends the program that is running, if one is. Frames can still be read: the next starts it
// again.
func (r *Reader) Rest() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stop()
	r.passed, r.free = nil, nil
}

// Close ends the program that is running.
func (r *Reader) Close() error {
	r.Rest()
	return nil
}
