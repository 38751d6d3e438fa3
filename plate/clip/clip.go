// Package clip reads and writes video files through FFmpeg, where that is installed: the programs
// ffmpeg and ffprobe, of version 5.1 or later, are run and spoken with by pipes.
package clip

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.com/twinplate/plate"
)

// ErrNoFFmpeg says that FFmpeg is not installed, or not where programs are looked for.
var ErrNoFFmpeg = errors.New("a video file is read and written through FFmpeg, and its programs ffmpeg and ffprobe are not there: install FFmpeg 5.1 or later, or put its folder on the PATH; or turn the clip into a folder of frames")

// MaxFrames and MaxPixels are the most that a video file may have: frames, and pixels of one frame.
const (
	MaxFrames = 10_000_000
	MaxPixels = plate.MaxPixels
)

// A Stream describes a video file's first video stream.
type Stream struct {
	plate.Info           // Format is "clip", Depth that of the stream
	Frames     int       // how many there are, by its packets
	Rate       [2]int    // frames a second, as a fraction
	Codec      string    // as FFmpeg names it
	TimeCode   string    // of the first frame, such as 01:02:03:04; "" where there is none
	Turned     int       // degrees, clockwise, by which its frames are turned as they are read, for the file says so: 0, 90, 180 or 270
	Recorded   time.Time // when the recording began, by the camera's own clock; zero where the file does not say
	layout     layout    // of the values in the pipe
	first      float64   // when the first frame is shown, in seconds from the file's first instant
	seekable   bool      // ffmpeg finds the frame of a time: all frames are equally long, or times has them
	times      []float64
}

// at returns a time before which the frames up to, not including, index are shown, and the others
// from it on.
func (i Stream) at(index int) float64 {
	if i.times != nil {
		return i.first + (i.times[index-1]+i.times[index])/2
	}
	return i.first + (float64(index)-0.5)/i.FPS() // half a frame early, for times in files are rounded
}

// Shown returns when the frame at an index is shown, in seconds from the file's first instant.
func (i Stream) Shown(index int) float64 {
	if i.times != nil && index < len(i.times) {
		return i.first + i.times[index]
	}
	return i.first + float64(index)/i.FPS()
}

// Notes says in words what of the file its user should know.
func (i Stream) Notes() []string {
	var all []string
	if i.Turned != 0 {
		all = append(all, fmt.Sprintf("its frames are turned by %d degrees, as it says", i.Turned))
	}
	if i.times != nil {
		all = append(all, fmt.Sprintf("its frames are not equally long (variable frame rate): they are counted in their order, and held against time code and sound as if there were %.4g a second; record at a constant rate", i.FPS()))
	}
	return all
}

// FPS returns the frame rate as a number.
func (i Stream) FPS() float64 { return float64(i.Rate[0]) / float64(i.Rate[1]) }

// Installed returns ErrNoFFmpeg where FFmpeg is not there.
func Installed() error {
	_, _, err := find()
	return err
}

// find returns the paths of ffmpeg and ffprobe.
func find() (ffmpeg, ffprobe string, err error) {
	ffmpeg, err = exec.LookPath("ffmpeg")
	if err == nil {
		ffprobe, err = exec.LookPath("ffprobe")
	}
	if err != nil {
		return "", "", ErrNoFFmpeg
	}
	return ffmpeg, ffprobe, nil
}

// containers are those of FFmpeg's formats that are read, whatever a file's name says: they hold
// their own pictures. What else FFmpeg knows may name other files and servers (hls, dash, concat,
// sdp, imf, image2's patterns), or be a program (avisynth, vapoursynth).
const containers = "mov,matroska,avi,mxf,mpegts,mpeg,ogg,asf,flv,dv,gxf,nut,ivf,h264,hevc,av1,obu,m4v,mpegvideo,vc1,yuv4mpegpipe,gif,apng,wav"

// source names a file so that FFmpeg takes it for nothing else, and opens no other one. MOV's
// references to other files are not followed, which is FFmpeg's default.
func source(path string) []string {
	return []string{"-protocol_whitelist", "file", "-format_whitelist", containers, "-i", "file:" + path}
}

// Probe reads what a video file says of itself. Errors are of type *plate.FileError; ErrNoFFmpeg is
// one that errors.Is finds.
func Probe(ctx context.Context, path string) (Stream, error) {
	i, err := probe(ctx, path)
	return i, ofFile(path, err)
}

// ofFile says that an error is of the file at path.
func ofFile(path string, err error) error {
	if err == nil {
		return nil
	}
	return &plate.FileError{Path: path, Err: err}
}

// seconds writes a time for FFmpeg.
func seconds(v float64) string { return strconv.FormatFloat(v, 'f', 6, 64) }

// probed is what ffprobe prints.
type probed struct {
	Streams []struct {
		Codec      string `json:"codec_name"`
		Width      int    `json:"width"`
		Height     int    `json:"height"`
		Pixels     string `json:"pix_fmt"`
		Range      string `json:"color_range"`
		Matrix     string `json:"color_space"`
		Transfer   string `json:"color_transfer"`
		Primaries  string `json:"color_primaries"`
		Chroma     string `json:"chroma_location"`
		FieldOrder string `json:"field_order"`
		Rate       string `json:"r_frame_rate"`
		Mean       string `json:"avg_frame_rate"`
		Start      string `json:"start_time"`
		Frames     string `json:"nb_frames"`
		Duration   string `json:"duration"`
		Tags       tags   `json:"tags"`
		Side       []struct {
			Rotation float64 `json:"rotation"` // degrees, counterclockwise
		} `json:"side_data_list"`
	} `json:"streams"`
	Format struct {
		Name  string `json:"format_name"`
		Start string `json:"start_time"`
		Tags  tags   `json:"tags"`
	} `json:"format"`
	times   []float64 // of the frames as the packets come, in seconds; nil: it was not asked for
	untimed bool      // some packet says no time: 0 is in its place
}

type tags map[string]string

// named returns the tag of that name, however it is written.
func (t tags) named(name string) string {
	for k, v := range t {
		if strings.EqualFold(k, name) {
			return v
		}
	}
	return ""
}

// leastYear is the first in which anything can have been recorded into such a file: their kinds are
// of the 1990s. Chosen by hand.
const leastYear = 1990

func probe(ctx context.Context, path string) (Stream, error) {
	stat, err := os.Stat(path)
	if err != nil {
		return Stream{}, err
	}
	if !stat.Mode().IsRegular() {
		return Stream{}, errors.New("not a file but a folder or a device")
	}
	if stat.Size() == 0 {
		return Stream{}, errors.New("it is empty")
	}
	p, err := ffprobe(ctx, path, stat.Size() <= readAll)
	if err != nil {
		return Stream{}, err
	}
	if len(p.Streams) == 0 {
		return Stream{}, errors.New("FFmpeg finds no video in it")
	}
	s := p.Streams[0]
	i := Stream{Info: plate.Info{W: s.Width, H: s.Height, Format: "clip"}, Codec: s.Codec}
	if i.W <= 0 || i.H <= 0 || i.W > MaxPixels/i.H {
		return i, fmt.Errorf("%dx%d pixels: there must be one at least, and %d at most", i.W, i.H, MaxPixels)
	}
	switch s.Codec {
	case "ansi", "bintext", "xbin", "idf":
		return i, errors.New("text, and no video")
	}
	switch s.FieldOrder {
	case "tt", "bb", "tb", "bt":
		return i, fmt.Errorf("interlaced (%s): only progressive frames can be read; deinterlace it first", s.FieldOrder)
	}
	var ok bool
	if i.Rate, ok = fraction(s.Rate); !ok {
		return i, fmt.Errorf("the frame rate %q cannot be used", s.Rate)
	}
	i.TimeCode = cmp.Or(s.Tags.named("timecode"), p.Format.Tags.named("timecode"))
	// A clock that was never set is at its zero, such as 1904 in QuickTime's files.
	if at, err := time.Parse(time.RFC3339, cmp.Or(s.Tags.named("creation_time"), p.Format.Tags.named("creation_time"))); err == nil && at.Year() >= leastYear {
		i.Recorded = at
	}
	if i.layout, err = layoutOf(s.Pixels, s.Matrix, s.Range, s.Chroma, i.H); err != nil {
		return i, err
	}
	for _, side := range s.Side {
		if side.Rotation == 0 {
			continue
		}
		i.Turned = int(math.Round(360-side.Rotation)) % 360
		quarter := i.Turned == 90 || i.Turned == 270
		switch {
		case i.Turned%90 != 0:
			return i, fmt.Errorf("turned by %d degrees: quarter turns can be read; turn it upright first", i.Turned)
		case quarter && i.layout.half[0] != i.layout.half[1]:
			return i, errors.New("turned by a quarter, and its chroma has fewer columns than lines: turn it upright first")
		case quarter:
			i.W, i.H = i.H, i.W
		}
	}
	i.Depth, i.Color = i.layout.depth, !i.layout.gray
	i.Curve, i.Primaries = transfers[s.Transfer], primaries[s.Primaries]
	if i.layout.float {
		i.Curve = plate.Linear.Name()
	}
	if err := i.index(ctx, path, stat.Size(), p); err != nil {
		return i, err
	}
	if i.Frames <= 0 || i.Frames > MaxFrames {
		return i, fmt.Errorf("%d frames: there must be one at least, and %d at most", i.Frames, MaxFrames)
	}
	return i, nil
}

// ffprobe asks about the first video stream, and where that is wanted for the times of its frames,
// for which all of the file is read.
func ffprobe(ctx context.Context, path string, times bool) (p probed, err error) {
	args := []string{"-of", "json=compact=1", "-show_streams", "-show_format"}
	if times {
		args = append(args, "-show_entries", "packet=pts_time,flags")
	}
	err = probeStream(ctx, path, "v:0", p.read, args...)
	return p, err
}

// read reads what ffprobe prints.
func (p *probed) read(out io.Reader) error {
	d := json.NewDecoder(out)
	err := each(d, func() error {
		key, err := d.Token()
		switch {
		case err != nil:
			return err
		case key == "streams":
			return d.Decode(&p.Streams)
		case key == "format":
			return d.Decode(&p.Format)
		case key == "packets": // one by one, for there may be any number of them
			return each(d, func() error { return p.packet(d) })
		}
		return d.Decode(new(json.RawMessage))
	})
	if err != nil {
		return fmt.Errorf("what ffprobe says of it cannot be read: %w", err)
	}
	return nil
}

// each calls do for what is in the object or the list that comes next.
func each(d *json.Decoder, do func() error) error {
	_, err := d.Token()
	for err == nil && d.More() {
		err = do()
	}
	if err == nil {
		_, err = d.Token()
	}
	return err
}

// packet reads a packet, which is a frame.
func (p *probed) packet(d *json.Decoder) error {
	var packet struct {
		Time  string `json:"pts_time"`
		Flags string `json:"flags"`
	}
	if err := d.Decode(&packet); err != nil {
		return err
	}
	if strings.Contains(packet.Flags, "D") { // to be decoded, and not shown
		return nil
	}
	t, err := strconv.ParseFloat(packet.Time, 64)
	if err != nil {
		p.untimed = true
	}
	if p.times = append(p.times, t); len(p.times) > MaxFrames {
		return fmt.Errorf("more than %d frames", MaxFrames)
	}
	return nil
}

// probeStream runs ffprobe on a stream of FFmpeg's naming, and hands on what it prints.
func probeStream(ctx context.Context, path, stream string, read func(io.Reader) error, args ...string) error {
	_, program, err := find()
	if err != nil {
		return err
	}
	args = append([]string{"-v", "error", "-select_streams", stream}, args...)
	errs, err := run(exec.CommandContext(ctx, program, append(args, source(path)...)...), read)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errs != nil:
		return fmt.Errorf("FFmpeg cannot read it: %s", said(errs, path, err))
	}
	return err
}

// run runs a program, and hands on what it prints. The error is what read returns, or, where the
// program itself fails, the program's, with what it said.
func run(c *exec.Cmd, read func(io.Reader) error) (said *bytes.Buffer, err error) {
	var errs bytes.Buffer
	c.Stderr = &errs
	out, err := c.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := c.Start(); err != nil {
		return nil, err
	}
	readErr := read(out)
	io.Copy(io.Discard, out)
	if err := c.Wait(); err != nil {
		return &errs, err
	}
	return nil, readErr
}

// readAll is the size of file up to which all of it is read for the times of its frames, though its
// head says how many there are.
const readAll = 4 << 30

// index finds out how many frames there are, and when each is shown.
func (i *Stream) index(ctx context.Context, path string, size int64, p probed) error {
	s := p.Streams[0]
	formatStart, _ := strconv.ParseFloat(p.Format.Start, 64)
	// Other containers have no index that a time could be found by to the frame.
	i.seekable = strings.Contains(p.Format.Name, "mov") || strings.Contains(p.Format.Name, "matroska")
	i.Frames, _ = strconv.Atoi(s.Frames)
	length, _ := strconv.ParseFloat(s.Duration, 64)
	if mean, ok := fraction(s.Mean); ok && i.Frames > 0 && size > readAll && math.Abs(length*i.FPS()-float64(i.Frames)) < 0.25 && mean == i.Rate {
		start, _ := strconv.ParseFloat(s.Start, 64)
		i.first = start - formatStart
		return nil
	}
	if p.times == nil {
		var err error
		if p, err = ffprobe(ctx, path, true); err != nil {
			return err
		}
	}
	times := p.times
	i.seekable = i.seekable && !p.untimed
	i.Frames = len(times)
	if len(times) == 0 {
		return errors.New("no frame in it")
	}
	slices.Sort(times)
	i.first = times[0] - formatStart
	steady := true
	first := times[0]
	for k := range times {
		times[k] -= first
		steady = steady && math.Abs(times[k]*i.FPS()-float64(k)) < 0.25
	}
	if !steady {
		i.times = times
		if mean, ok := fraction(s.Mean); ok {
			i.Rate = mean
		}
	}
	return nil
}

// said returns the first line that a program has printed on its standard error, for those after it
// follow from it, or its own error.
func said(errs *bytes.Buffer, path string, err error) string {
	if strings.Contains(errs.String(), "Format not on whitelist") {
		return "it is a list of other files, or a kind of file that is not read: MOV, MP4, Matroska, WebM, AVI, MXF and the like are, which hold their own pictures"
	}
	first, _, _ := strings.Cut(strings.TrimSpace(errs.String()), "\n")
	first = strings.TrimSpace(strings.ReplaceAll(first, "file:"+path+": ", ""))
	if part, text, ok := strings.Cut(first, "] "); ok && strings.HasPrefix(part, "[") { // the part of FFmpeg, and where in memory
		first = strings.TrimSpace(text)
	}
	if first == "" {
		return err.Error()
	}
	return first
}

// fraction reads "24000/1001".
func fraction(s string) (f [2]int, ok bool) {
	n, d, cut := strings.Cut(s, "/")
	if !cut {
		d = "1"
	}
	var errN, errD error
	f[0], errN = strconv.Atoi(n)
	f[1], errD = strconv.Atoi(d)
	return f, errN == nil && errD == nil && f[0] > 0 && f[1] > 0 && f[0] <= 1<<30 && f[1] <= 1<<30
}

// The names that FFmpeg has for code points of ITU-T H.273.
var (
	transfers = map[string]string{
		"bt709": plate.BT709.Name(), "smpte170m": plate.BT709.Name(), "bt2020-10": plate.BT709.Name(), "bt2020-12": plate.BT709.Name(),
		"iec61966-2-1": plate.SRGB.Name(), "linear": plate.Linear.Name(), "smpte2084": plate.PQ.Name(), "arib-std-b67": plate.HLG.Name(),
	}
	primaries = map[string]plate.Primaries{
		"bt709": plate.PrimariesBT709, "bt2020": plate.PrimariesBT2020, "smpte432": plate.PrimariesP3D65,
	}
)
