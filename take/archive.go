//go:build !js

package take

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// A ClipOrder asks for a clip of all frames of a job.
type ClipOrder struct {
	Path   string // its name; a file of that name is replaced when the clip is whole
	Of     string // a product: "comp", "foreground" or "matte"; a foreground has its alpha with it
	Format clip.Format
	Look   bool   // for looking at: with the curve sRGB and the primaries of BT.709, whatever the composites have, but for an output transform
	Alpha  string // what a foreground is to its alpha: "premultiplied" (or empty) or "straight"
}

// ClipOptions say which clips are made of a job.
type ClipOptions struct {
	Orders   []ClipOrder
	Sound    string // the file that sound comes from, from its beginning on; "": the color plate's, where that is a clip with sound; "none"
	Progress func(done, total int)
}

// clipRate is the frame rate of clips where nobody has said one.
const clipRate = 24

// clipProducts are what clips are made of.
var clipProducts = []string{"comp", "foreground", "matte"}

// Check returns an error where the orders cannot be carried out, before any frame is made.
func (o *ClipOptions) Check(j *Job) error {
	inputs := j.inputs()
	for _, c := range o.Orders {
		switch {
		case !slices.Contains(clipProducts, c.Of):
			return fmt.Errorf("%s: a clip of %q: it must be of %s", c.Path, c.Of, strings.Join(clipProducts, ", "))
		case c.Of == "comp" && j.backdrop == nil:
			return fmt.Errorf("%s: a clip of the composites, and there is no background", c.Path)
		case c.Of == "foreground" && !c.Format.HasAlpha():
			return fmt.Errorf("%s: a clip of the foreground has alpha, and this kind of clip cannot: choose one that ends in .mov (ProRes 4444), .webm (VP9) or .mkv (FFV1)", c.Path)
		case c.Alpha != "" && c.Alpha != "premultiplied" && c.Alpha != "straight":
			return fmt.Errorf("%s: alpha %q: it must be premultiplied or straight", c.Path, c.Alpha)
		}
		if err := inputs.Check(c.Path); err != nil {
			return err
		}
	}
	return clip.Installed()
}

// RunClips is Run whose results go straight into clips, in the frames' order, with no files between
// but those that opt.Out asks for. A frame that fails leaves no clip.
func (j *Job) RunClips(ctx context.Context, opt *RunOptions, clips ClipOptions) (*Report, error) {
	own := *opt
	w, err := j.openClips(ctx, clips)
	if err != nil {
		return nil, err
	}
	defer w.abort()
	if opt.Out == "" && opt.Each == nil && !w.wants("foreground") {
		own.taker = w.taker
	} else {
		own.InOrder = func(r *Result) error { return w.add(r.Comp, r.Foreground, r.Transmission) }
		own.Foreground = w.wants("foreground")
	}
	report, err := j.Run(ctx, &own)
	if err == nil && len(report.Failed) == 0 {
		err = w.close()
	}
	return report, err
}

// WriteClips makes clips of what Run has written into out, all frames of the take in their order. A
// clip without loss has the code values of the files, bit for bit. The alpha of a foreground is
// that of the matte's files, which must be there too unless they are OpenEXR.
func (j *Job) WriteClips(ctx context.Context, out string, clips ClipOptions) error {
	t := j.take
	o := &output{job: j, dir: out, extension: extensions[t.recipe.Format]}
	for _, c := range clips.Orders {
		if c.Alpha == "straight" && t.outputVia != nil {
			return fmt.Errorf("%s: the files are premultiplied code values of %s, of which no straight ones can be made: make the clip straight from the take, or premultiplied", c.Path, t.recipe.OutputTransform)
		}
	}
	w, err := j.openClips(ctx, clips)
	if err != nil {
		return err
	}
	defer w.abort()
	w.coded = true
	for i, p := range t.Pairs {
		if err := ctx.Err(); err != nil {
			return err
		}
		frame := func(product string, c plate.Curve) (f *plate.RGBA, err error) {
			if !w.wants(product) && !(product == "matte" && w.wants("foreground") && t.recipe.Format != "exr") {
				return nil, nil
			}
			f, err = plate.ReadRGBA(o.path(product, p.Number), c, nil)
			if errors.Is(err, fs.ErrNotExist) {
				err = fmt.Errorf("a clip is of all frames, and the %s of frame %d is not there: %w", product, p.Number, err)
			}
			return f, err
		}
		var comp, foreground *plate.RGB
		var transmission *plate.Gray
		if f, err := frame("comp", t.outputCurve); err != nil {
			return err
		} else if f != nil {
			comp = &f.RGB
		}
		if f, err := frame("foreground", t.outputCurve); err != nil {
			return err
		} else if f != nil {
			foreground, transmission = &f.RGB, matte.Alpha(nil, &plate.Gray{W: f.W, H: f.H, Pix: f.A})
		}
		if f, err := frame("matte", plate.Linear); err != nil {
			return err
		} else if f != nil { // pictures of the foreground have no alpha, but in OpenEXR
			transmission = matte.Alpha(nil, &plate.Gray{W: f.W, H: f.H, Pix: f.Pix[0]})
		}
		if err := w.add(comp, foreground, transmission); err != nil {
			return err
		}
		if clips.Progress != nil {
			clips.Progress(i+1, len(t.Pairs))
		}
	}
	if err := w.close(); err != nil {
		return err
	}
	for _, o := range clips.Orders {
		if err := logClip(out, o.Path); err != nil {
			return err
		}
	}
	return nil
}

// logClip adds to a folder's log that a clip of its frames has been made.
func logClip(dir, path string) error {
	hash, err := hashParts(path, mostFrame)
	if err != nil {
		return err
	}
	data, err := json.Marshal(logLine{Clip: &outputFile{filepath.Base(path), hash}})
	if err != nil {
		return err
	}
	name := filepath.Join(dir, logName(Shard{}))
	if isLink(name) {
		return nil // which Run has refused
	}
	file, err := os.OpenFile(name, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o666)
	if err != nil {
		return err
	}
	_, err = file.Write(append(data, '\n'))
	return errors.Join(err, file.Close())
}

// MadeClip reports whether the file at path is a clip that WriteClips has made of the frames in the
// folder out, and nobody has changed since.
func MadeClip(out, path string) bool {
	name := filepath.Join(out, logName(Shard{}))
	if isLink(name) {
		return false
	}
	hash, err := hashParts(path, mostFrame)
	if err != nil {
		return false
	}
	file, err := os.Open(name)
	if err != nil {
		return false
	}
	defer file.Close()
	lines := bufio.NewScanner(file)
	lines.Buffer(nil, 16<<20)
	made := false
	for lines.Scan() {
		var line logLine
		if bytes.Contains(lines.Bytes(), []byte(`"clip"`)) && json.Unmarshal(lines.Bytes(), &line) == nil && line.Clip != nil {
			made = made || *line.Clip == (outputFile{filepath.Base(path), hash})
		}
	}
	return made
}

// clipWriters are the clips that are being written.
type clipWriters struct {
	job   *Job
	list  []*clip.Writer // nil once they are closed
	order []ClipOrder
	coded bool // what comes has gone through the output's transform already
	own   clipPlanes
}

// clipPlanes are what frames, or rows, become on their way into clips.
type clipPlanes struct {
	alpha *plate.Gray
	light *plate.RGB // straight, or in a preview's primaries
	codes *plate.RGB // by the output's transform
}

func (w *clipWriters) wants(product string) bool {
	return slices.ContainsFunc(w.order, func(o ClipOrder) bool { return o.Of == product })
}

func (j *Job) openClips(ctx context.Context, opt ClipOptions) (*clipWriters, error) {
	if err := opt.Check(j); err != nil {
		return nil, err
	}
	t := j.take
	common := clip.WriterOptions{W: t.colorSize.X, H: t.colorSize.Y, Rate: rateFraction(t.recipe.FPS), Depth: 16}
	if common.Rate == [2]int{} {
		common.Rate = [2]int{clipRate, 1}
	}
	if t.timecode != nil {
		common.TimeCode = t.timecode.Add(t.Pairs[0].Number - t.color[0].Number).String()
	}
	var err error
	if common.Sound, err = t.soundTrack(ctx, opt.Sound); err != nil {
		return nil, err
	}
	w := &clipWriters{job: j, order: opt.Orders}
	for _, c := range opt.Orders {
		own := common
		own.Kind, own.Curve, own.Primaries = c.Format, t.outputCurve, t.primaries
		switch {
		case c.Of == "matte":
			own.Curve = plate.Linear // alpha is no light
		case c.Of == "foreground":
			if own.Alpha = c.Alpha; own.Alpha == "" {
				own.Alpha = "premultiplied"
			}
		case c.Look && t.outputVia == nil:
			own.Curve, own.Primaries = plate.SRGB, plate.PrimariesBT709
		}
		if c.Format == clip.Archive && t.recipe.Depth == 8 {
			own.Depth = 8
		}
		writer, err := clip.Create(c.Path, own)
		if err != nil {
			w.abort()
			return nil, err
		}
		w.list = append(w.list, writer)
	}
	return w, nil
}

// add adds a frame to every clip. Planes that no clip wants may be nil.
func (w *clipWriters) add(comp, foreground *plate.RGB, transmission *plate.Gray) error {
	for i, c := range w.order {
		f, alpha := w.frame(c, &w.own, comp, foreground, transmission)
		if err := w.list[i].Add(f, alpha); err != nil {
			return err
		}
	}
	return nil
}

// frame returns what of a frame, or of a row, goes into a clip, and its alpha where that has one.
func (w *clipWriters) frame(c ClipOrder, p *clipPlanes, comp, foreground *plate.RGB, transmission *plate.Gray) (f *plate.RGB, alpha *plate.Gray) {
	switch c.Of {
	case "matte":
		p.alpha = matte.Alpha(p.alpha, transmission)
		return &plate.RGB{W: p.alpha.W, H: p.alpha.H, Pix: [3][]float32{p.alpha.Pix, p.alpha.Pix, p.alpha.Pix}}, nil
	case "foreground":
		p.alpha = matte.Alpha(p.alpha, transmission)
		if f, alpha = foreground, p.alpha; c.Alpha == "straight" {
			f = p.straight(f)
		}
	case "comp":
		f = comp
		if from := w.job.take.primaries; c.Look && w.job.take.outputVia == nil && !from.Near(plate.PrimariesBT709) {
			p.light = copied(p.light, f)
			p.light.Multiply(from.To(plate.PrimariesBT709))
			f = p.light
		}
	}
	if !w.coded {
		p.codes = w.job.take.written(p.codes, f)
		f = p.codes
	}
	return f, alpha
}

// taker returns what makes a worker's composites and mattes into the clips' code values while each
// row is at hand.
func (w *clipWriters) taker() taker {
	buffers := list.Of(w.list, (*clip.Writer).NewBuffer)
	own := make([]clipPlanes, len(buffers))
	return taker{
		row: func(y int, row *StationRow) {
			transmission := &plate.Gray{W: len(row.Transmission), H: 1, Pix: row.Transmission}
			comp := &plate.RGB{W: transmission.W, H: 1, Pix: row.Sum}
			for i, c := range w.order {
				f, _ := w.frame(c, &own[i], comp, nil, transmission)
				buffers[i].Row(y, f.Row(0), nil)
			}
		},
		inOrder: func(*Result) error {
			for i, b := range buffers {
				if err := w.list[i].AddBuffer(b); err != nil {
					return err
				}
			}
			return nil
		},
	}
}

// straight returns the foreground divided by its alpha, and black where there is none.
func (p *clipPlanes) straight(f *plate.RGB) *plate.RGB {
	p.light = copied(p.light, f)
	for _, pix := range p.light.Pix {
		for i, a := range p.alpha.Pix {
			if a > 0 {
				pix[i] /= min(a, 1)
			} else {
				pix[i] = 0
			}
		}
	}
	return p.light
}

func (w *clipWriters) close() error {
	for len(w.list) > 0 {
		first := w.list[0]
		w.list = w.list[1:]
		if err := first.Close(); err != nil {
			return err
		}
	}
	return nil
}

// abort gives up the clips that are not closed.
func (w *clipWriters) abort() {
	for _, c := range w.list {
		c.Abort()
	}
	w.list = nil
}

// soundTrack returns the sound that goes along with the take's frames, or nil.
func (t *Take) soundTrack(ctx context.Context, from string) (*clip.Track, error) {
	track := &clip.Track{Path: from, Frames: len(t.Pairs)}
	switch from {
	case "none":
		return nil, nil
	case "":
		file, index, ok := clip.Split(t.Pairs[0].Color)
		if !ok {
			return nil, nil
		}
		info, err := t.media().Probe(ctx, file)
		if err != nil {
			return nil, err
		}
		track.Path, track.From = file, info.Shown(index)
	default:
		abs, err := filepath.Abs(from)
		if err != nil {
			return nil, err
		}
		if err := clip.HasSound(ctx, abs); err != nil {
			return nil, err
		}
		track.Path = abs
	}
	return track, nil
}
