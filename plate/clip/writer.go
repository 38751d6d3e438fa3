package clip

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"example.com/twinplate/plate"
)

// A Kind is a kind of video file that can be written.
type Kind int

const (
	// Archive is FFV1 (RFC 9043) in Matroska: R'G'B' without loss, with checksums, each frame on
	// its own.
	Archive Kind = iota
	// Preview is H.264 in MP4, at 8 bits and 4:2:0, for looking at.
	Preview
)

// Options say how frames become a video file.
type Options struct {
	Kind      Kind
	W, H      int
	Depth     int             // of an archive's values, 8 or 16; 0 means 16. A preview takes 8 or 16, and has 8
	Rate      [2]int          // frames a second, as a fraction
	Curve     plate.Curve     // of the code values, which is stated
	Primaries plate.Primaries // likewise; the zero value means PrimariesBT709
	TimeCode  string          // of the first frame, such as 01:02:03:04; "" for none
}

// A Writer writes a video file, which gets its name when it is whole.
type Writer struct {
	path, beside string
	opt          Options
	ffmpeg       *exec.Cmd
	pipe         io.WriteCloser
	errs         bytes.Buffer
	frame        []byte
}

// Create begins a video file: beside its name, under which it appears when Close has returned nil.
// One of Close and Abort must be called.
func Create(path string, opt Options) (*Writer, error) {
	w := &Writer{path: path, opt: opt}
	if err := w.start(); err != nil {
		return nil, w.fail(err)
	}
	return w, nil
}

func (w *Writer) fail(err error) error { return &plate.FileError{Path: w.path, Err: err} }

func (w *Writer) start() error {
	o := &w.opt
	if o.Depth == 0 {
		o.Depth = 16
	}
	switch {
	case o.Kind != Archive && o.Kind != Preview:
		return fmt.Errorf("a clip of the kind %d: it must be Archive or Preview", o.Kind)
	case o.Depth != 8 && o.Depth != 16:
		return fmt.Errorf("a depth of %d bits: it must be 8 or 16", o.Depth)
	case o.W < 1 || o.H < 1 || o.W > MaxPixels/o.H:
		return fmt.Errorf("%dx%d pixels: there must be one at least, and %d at most", o.W, o.H, MaxPixels)
	case o.Rate[0] < 1 || o.Rate[1] < 1:
		return fmt.Errorf("a frame rate of %d/%d: both must be above 0", o.Rate[0], o.Rate[1])
	}
	program, _, err := find()
	if err != nil {
		return err
	}
	dir, base := filepath.Split(w.path)
	hidden := fmt.Sprintf(".%.100s.", base)
	entries, err := os.ReadDir(filepath.Join(dir, "."))
	if err != nil {
		return err
	}
	for _, e := range entries { // what a writer that was killed has left
		if strings.HasPrefix(e.Name(), hidden) && strings.HasSuffix(e.Name(), ".unfinished") {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
	w.beside = filepath.Join(dir, fmt.Sprintf("%s%08x.unfinished", hidden, rand.Uint32()))
	pixels := map[int]string{8: "gbrp", 16: "gbrp16le"}[o.Depth]
	args := []string{"-nostdin", "-v", "error", "-f", "rawvideo", "-pix_fmt", pixels, "-s", fmt.Sprintf("%dx%d", o.W, o.H),
		"-r", fmt.Sprintf("%d/%d", o.Rate[0], o.Rate[1]), "-i", "pipe:0"}
	if o.Kind == Archive {
		args = append(args, "-c:v", "ffv1", "-level", "3", "-g", "1", "-slices", "4", "-slicecrc", "1", "-pix_fmt", pixels, "-colorspace", "rgb", "-color_range", "pc")
	} else {
		args = append(args, "-vf", "scale=out_color_matrix=bt709:out_range=tv:flags=bicubic+accurate_rnd+full_chroma_int,format=yuv420p,pad=ceil(iw/2)*2:ceil(ih/2)*2",
			"-c:v", "libx264", "-preset", "fast", "-crf", "18", "-colorspace", "bt709", "-color_range", "tv", "-movflags", "+faststart")
	}
	stated := o.Primaries
	if stated == (plate.Primaries{}) {
		stated = plate.PrimariesBT709
	}
	for name, p := range primaries {
		if p.Near(stated) {
			args = append(args, "-color_primaries", name)
		}
	}
	for _, name := range []string{"bt709", "iec61966-2-1", "linear", "smpte2084", "arib-std-b67"} {
		if transfers[name] == o.Curve.Name() {
			args = append(args, "-color_trc", name)
		}
	}
	// In words too: not every curve and triangle has a code point.
	args = append(args, "-metadata", fmt.Sprintf("comment=Transfer curve: %s; primaries: %v", o.Curve.Name(), stated))
	if o.TimeCode != "" {
		if o.Kind == Archive {
			args = append(args, "-metadata", "timecode="+o.TimeCode)
		} else {
			args = append(args, "-timecode", o.TimeCode)
		}
	}
	args = append(args, "-f", map[Kind]string{Archive: "matroska", Preview: "mp4"}[o.Kind], "-y", "file:"+w.beside)
	w.ffmpeg = exec.Command(program, args...)
	w.ffmpeg.Stderr = &w.errs
	if w.pipe, err = w.ffmpeg.StdinPipe(); err != nil {
		return err
	}
	w.frame = make([]byte, 3*o.W*o.H*o.Depth/8)
	return w.ffmpeg.Start()
}

// Add adds a frame: a picture of code values without alpha, of the options' size. A value of 16
// bits is kept whole in an archive of 16 bits.
func (w *Writer) Add(m image.Image) error {
	size := m.Bounds().Size()
	if want := image.Pt(w.opt.W, w.opt.H); size != want {
		return w.fail(plate.CheckSize("frame", size, "clip", want))
	}
	w.fill(m)
	if _, err := w.pipe.Write(w.frame); err != nil {
		err := w.end(err)
		os.Remove(w.beside)
		return w.fail(err)
	}
	return nil
}

// fill puts a frame's values into planes, green, blue and red.
func (w *Writer) fill(m image.Image) {
	n := w.opt.W * w.opt.H
	min := m.Bounds().Min
	put := func(i int, r, g, b uint16) {
		if w.opt.Depth == 8 {
			w.frame[i], w.frame[n+i], w.frame[2*n+i] = byte(g>>8), byte(b>>8), byte(r>>8)
			return
		}
		for c, v := range [3]uint16{g, b, r} {
			binary.LittleEndian.PutUint16(w.frame[2*(c*n+i):], v)
		}
	}
	for y := range w.opt.H {
		for x := range w.opt.W {
			i := y*w.opt.W + x
			switch m := m.(type) {
			case *image.RGBA64:
				c := m.RGBA64At(min.X+x, min.Y+y)
				put(i, c.R, c.G, c.B)
			case *image.RGBA:
				c := m.RGBAAt(min.X+x, min.Y+y)
				put(i, 0x101*uint16(c.R), 0x101*uint16(c.G), 0x101*uint16(c.B))
			default:
				r, g, b, _ := m.At(min.X+x, min.Y+y).RGBA()
				put(i, uint16(r), uint16(g), uint16(b))
			}
		}
	}
}

// end waits for ffmpeg, and returns what it says where it has failed.
func (w *Writer) end(cause error) error {
	w.pipe.Close()
	err := w.ffmpeg.Wait()
	if err == nil {
		return cause
	}
	text := said(&w.errs, w.beside, err)
	if strings.Contains(text, "Unknown encoder") {
		text += ": this FFmpeg was built without it"
	}
	return errors.New("FFmpeg cannot write it: " + text)
}

// Close ends the file and gives it its name.
func (w *Writer) Close() error {
	err := w.end(nil)
	if err == nil {
		err = os.Rename(w.beside, w.path)
	}
	if err != nil {
		os.Remove(w.beside)
		return w.fail(err)
	}
	return nil
}

// Abort gives the file up.
func (w *Writer) Abort() {
	w.pipe.Close()
	w.ffmpeg.Process.Kill()
	w.ffmpeg.Wait()
	os.Remove(w.beside)
}
