package clip

import (
	"bytes"
	"cmp"
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

// A Format is a kind of video file that can be written.
type Format int

const (
	// Archive is FFV1 (RFC 9043) in Matroska: R'G'B' without loss, with checksums, each frame on
	// its own. It may have alpha.
	Archive Format = iota
	// H264 is H.264 in MP4, at 8 bits and 4:2:0.
	H264
	// HEVC is H.265 in MP4, at 10 bits and 4:2:0.
	HEVC
	// ProRes422 is Apple ProRes 422 HQ in QuickTime, at 10 bits and 4:2:2, which editors take.
	ProRes422
	// ProRes4444 is Apple ProRes 4444 in QuickTime, at 10 bits and 4:4:4. It may have alpha.
	ProRes4444
	// VP9 is VP9 in WebM, at 8 bits and 4:2:0, for the web. It may have alpha.
	VP9
)

// A kind is how FFmpeg is asked for a Format.
type kind struct {
	extension, container string
	alpha                bool     // it may have alpha
	pixels, withAlpha    string   // pixel formats of Y'CbCr; "": R'G'B' as it comes
	codec                []string // and its options
	sound                string   // the codec that sound becomes
}

// tv asks for Y'CbCr by BT.709 at the narrow range, with chroma from all of its pixels.
const tv = "scale=out_color_matrix=bt709:out_range=tv:flags=bicubic+accurate_rnd+full_chroma_int"

// H.264 and HEVC lose less by these settings than by the preset fast at crf 18 and 16, and take
// half the processor time for some more bytes (docs/measured.md, "What a clip's settings cost").
// Quicker presets of x264 are coarser with chroma, by what the offset takes back.
var kinds = map[Format]kind{
	Archive: {extension: ".mkv", container: "matroska", alpha: true, sound: "flac",
		codec: []string{"-c:v", "ffv1", "-level", "3", "-g", "1", "-slices", "4", "-slicecrc", "1", "-colorspace", "rgb", "-color_range", "pc"}},
	H264: {extension: ".mp4", container: "mp4", pixels: "yuv420p", sound: "aac",
		codec: []string{"-c:v", "libx264", "-preset", "veryfast", "-crf", "16.6", "-x264-params", "chroma-qp-offset=-1", "-movflags", "+faststart"}},
	HEVC: {extension: ".mp4", container: "mp4", pixels: "yuv420p10le", sound: "aac",
		codec: []string{"-c:v", "libx265", "-preset", "ultrafast", "-crf", "12.9", "-tag:v", "hvc1", "-x265-params", "log-level=error", "-movflags", "+faststart"}},
	ProRes422: {extension: ".mov", container: "mov", pixels: "yuv422p10le", sound: "pcm_s24le",
		codec: []string{"-c:v", "prores_ks", "-profile:v", "3", "-vendor", "apl0"}},
	ProRes4444: {extension: ".mov", container: "mov", alpha: true, pixels: "yuv444p10le", withAlpha: "yuva444p10le", sound: "pcm_s24le",
		codec: []string{"-c:v", "prores_ks", "-profile:v", "4", "-alpha_bits", "16", "-vendor", "apl0"}},
	VP9: {extension: ".webm", container: "webm", alpha: true, pixels: "yuv420p", withAlpha: "yuva420p", sound: "libopus",
		codec: []string{"-c:v", "libvpx-vp9", "-b:v", "0", "-crf", "18", "-deadline", "good", "-cpu-used", "4", "-row-mt", "1", "-auto-alt-ref", "0"}},
}

// Extension returns the ending that names of such files have by custom, such as ".mov".
func (k Format) Extension() string { return kinds[k].extension }

// HasAlpha reports whether such files can have alpha.
func (k Format) HasAlpha() bool { return kinds[k].alpha }

// WriterOptions say how frames become a video file.
type WriterOptions struct {
	Kind      Format
	W, H      int
	Depth     int             // of an archive's values, 8 or 16; 0 means 16
	Rate      [2]int          // frames a second, as a fraction
	Curve     plate.Curve     // of the code values, which is stated
	Primaries plate.Primaries // likewise; the zero value means PrimariesBT709
	TimeCode  string          // of the first frame, such as 01:02:03:04; "" for none
	Alpha     string          // what color is to alpha, which is stated: "premultiplied" or "straight"; "": there is none
	Sound     *Track          // nil: none
}

// A Track is sound that goes along with frames. It is kept without loss where the kind of file can,
// which are Archive and those of ProRes.
type Track struct {
	Path   string  // a file with sound; one without gives none
	From   float64 // seconds from the file's first instant to the first frame; below 0 the sound begins later
	Frames int     // how many frames there will be, to end with them; 0: the sound goes to its own end
}

// A Writer writes a video file, which gets its name when it is whole.
type Writer struct {
	path, beside string
	opt          WriterOptions
	ffmpeg       *exec.Cmd
	pipe         io.WriteCloser
	errs         bytes.Buffer
	encoder      *encoder
	buffer       *Buffer // for Add
}

// Create begins a video file: beside its name, under which it appears when Close has returned nil.
// One of Close and Abort must be called.
func Create(path string, opt WriterOptions) (*Writer, error) {
	w := &Writer{path: path, opt: opt}
	if err := w.start(); err != nil {
		return nil, w.fail(err)
	}
	return w, nil
}

func (w *Writer) fail(err error) error { return ofFile(w.path, err) }

func (w *Writer) start() error {
	o := &w.opt
	o.Depth = cmp.Or(o.Depth, 16)
	k, known := kinds[o.Kind]
	switch {
	case !known:
		return fmt.Errorf("a clip of the kind %d: it must be one from %d to %d", o.Kind, Archive, VP9)
	case o.Alpha != "" && o.Alpha != "premultiplied" && o.Alpha != "straight":
		return fmt.Errorf("alpha is %.40q: it must be premultiplied, straight or empty", o.Alpha)
	case o.Alpha != "" && !k.alpha:
		return errors.New("this kind of clip has no alpha: Archive, ProRes4444 and VP9 have")
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
	pixels := "gbr"
	if o.Alpha != "" {
		pixels += "a"
	}
	if pixels += "p"; o.Depth == 16 {
		pixels += "16le"
	}
	rate := fmt.Sprintf("%d/%d", o.Rate[0], o.Rate[1])
	w.encoder = newEncoder(o, k.pixels)
	piped, size := pixels, fmt.Sprintf("%dx%d", o.W, o.H)
	if w.encoder.video() {
		piped, size = k.pixels, fmt.Sprintf("%dx%d", w.encoder.wide, w.encoder.high)
	}
	args := []string{"-nostdin", "-v", "error", "-f", "rawvideo", "-pix_fmt", piped, "-s", size, "-r", rate, "-i", "pipe:0"}
	args = append(args, o.Sound.input(o.Rate)...)
	args = append(args, "-map", "0:v:0")
	if o.Sound != nil {
		args = append(args, "-map", "1:a?", "-c:a", k.sound)
		if k.sound == "aac" || k.sound == "libopus" {
			args = append(args, "-b:a", "256k")
		}
	}
	stated := o.Primaries
	if stated == (plate.Primaries{}) {
		stated = plate.PrimariesBT709
	}
	tags := "" // for the frames, from which ProRes has them
	for name, p := range primaries {
		if p.Near(stated) && !o.Curve.Coded() {
			args = append(args, "-color_primaries", name)
			tags += ":color_primaries=" + name
		}
	}
	for _, name := range []string{"bt709", "iec61966-2-1", "linear", "smpte2084", "arib-std-b67"} {
		if transfers[name] == o.Curve.Name() {
			args = append(args, "-color_trc", name)
			tags += ":color_trc=" + name
		}
	}
	args = append(args, k.codec...)
	switch to := k.pixels; {
	case to == "":
		args = append(args, "-pix_fmt", pixels)
	case w.encoder.video():
		args = append(args, "-vf", "setparams=colorspace=bt709:range=tv"+tags, "-pix_fmt", to, "-colorspace", "bt709", "-color_range", "tv")
	default: // with alpha
		filter := tv + ",format=" + k.withAlpha + ",setparams=colorspace=bt709" + tags
		if strings.Contains(to, "420") {
			filter += ",pad=ceil(iw/2)*2:ceil(ih/2)*2"
		}
		args = append(args, "-vf", filter, "-colorspace", "bt709", "-color_range", "tv")
	}
	// In words too: not every curve and triangle has a code point.
	words := "comment=Transfer curve: " + o.Curve.Name()
	if !o.Curve.Coded() {
		words += fmt.Sprintf("; primaries: %v", stated)
	}
	if o.Alpha != "" {
		words += "; alpha: " + o.Alpha
	}
	args = append(args, "-metadata", words)
	if o.TimeCode != "" {
		if k.container == "matroska" || k.container == "webm" {
			args = append(args, "-metadata", "timecode="+o.TimeCode)
		} else {
			args = append(args, "-timecode", o.TimeCode)
		}
	}
	args = append(args, "-f", k.container, "-y", "file:"+w.beside)
	w.ffmpeg = exec.Command(program, args...)
	w.ffmpeg.Stderr = &w.errs
	if w.pipe, err = w.ffmpeg.StdinPipe(); err != nil {
		return err
	}
	widen(w.pipe)
	w.buffer = w.NewBuffer()
	return w.ffmpeg.Start()
}

// input names the sound's file to FFmpeg, and the part of it that is taken.
func (t *Track) input(rate [2]int) []string {
	if t == nil {
		return nil
	}
	var args []string
	length := float64(t.Frames) * float64(rate[1]) / float64(rate[0])
	switch {
	case t.From > 0:
		args = append(args, "-ss", seconds(t.From))
	case t.From < 0:
		args = append(args, "-itsoffset", seconds(-t.From))
		length += t.From
	}
	if t.Frames > 0 {
		args = append(args, "-t", seconds(max(length, 0)))
	}
	return append(args, source(t.Path)...)
}

// Add adds a frame of linear light in the options' primaries, of the options' size: it becomes code
// values of the curve and, where the kind of clip has that, Y'CbCr, on all cores. Light that a code
// of the curve stands for becomes that code. Alpha must be there where the clip has it, and nil
// where it has none.
func (w *Writer) Add(f *plate.RGB, alpha *plate.Gray) error {
	want := image.Pt(w.opt.W, w.opt.H)
	switch {
	case f.Size() != want:
		return w.fail(plate.CheckSize("frame", f.Size(), "clip", want))
	case (alpha != nil) != (w.opt.Alpha != ""):
		return w.fail(errors.New("a frame has alpha and the clip has none, or the other way around"))
	case alpha != nil && alpha.Size() != want:
		return w.fail(plate.CheckSize("alpha", alpha.Size(), "clip", want))
	}
	w.encoder.fill(w.buffer.data, f, alpha)
	return w.AddBuffer(w.buffer)
}

// A Buffer is memory for a frame of a Writer's clip that becomes code values row by row, as Add
// makes them. Several goroutines may each make one at the same time.
type Buffer struct {
	encoder *encoder
	data    []byte
	scratch *scratch
}

// NewBuffer returns a buffer for frame after frame: it may be filled and added again and again.
func (w *Writer) NewBuffer() *Buffer {
	return &Buffer{w.encoder, make([]byte, w.encoder.bytes()), w.encoder.newScratch()}
}

// Row makes row y of linear light, in the options' primaries. All rows must come, each once, from
// the top; they are as wide as the clip, and alpha is nil where that has none.
func (b *Buffer) Row(y int, light [3][]float32, alpha []float32) {
	b.encoder.row(b.data, y, light, alpha, b.scratch)
}

// AddBuffer adds the frame in a buffer of the Writer's own whose rows are all there, and is done
// with it when it returns.
func (w *Writer) AddBuffer(b *Buffer) error {
	if _, err := w.pipe.Write(b.data); err != nil {
		err := w.end(err)
		os.Remove(w.beside)
		return w.fail(err)
	}
	return nil
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
