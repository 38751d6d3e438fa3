//go:build !js

package take

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"

	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
)

// ClipOptions say which clips WriteClips makes of a job's composites.
type ClipOptions struct {
	Archive  string // file name of a clip without loss, or ""; by custom it ends in .mkv
	Preview  string // file name of a clip for looking at, or ""; by custom it ends in .mp4
	Progress func(done, total int)
}

// archiveRate is the frame rate of clips where nobody has said one.
const archiveRate = 24

// WriteClips makes clips of the composites that Run has written into out, all frames of the take in their order. An
// archive has the code values of the files, bit for bit; of OpenEXR it has those of the output curve, of 16 bits. A preview has
// the curve sRGB and the primaries of BT.709. FFmpeg makes them: see package clip. Without a frame rate in the recipe or the color
// plate, they have 24 frames a second. A clip gets its name when it is whole, and replaces one of that name.
func (j *Job) WriteClips(ctx context.Context, out string, opt ClipOptions) error {
	t := j.take
	o := &output{job: j, dir: out, extension: extensions[t.recipe.Format]}
	if j.backdrop == nil {
		return errors.New("a clip is of the composites, and there is no background")
	}
	common := clip.WriterOptions{W: t.colorSize.X, H: t.colorSize.Y, Rate: rateFraction(t.recipe.FPS), Depth: 16}
	if common.Rate == [2]int{} {
		common.Rate = [2]int{archiveRate, 1}
	}
	if t.timecode != nil {
		common.TimeCode = t.timecode.Add(t.Pairs[0].Number - t.color[0].Number).String()
	}
	inputs := j.inputs()
	var writers []*clip.Writer
	defer func() {
		for _, w := range writers {
			w.Abort()
		}
	}()
	for _, c := range []struct {
		path string
		kind clip.Format
	}{{opt.Archive, clip.Archive}, {opt.Preview, clip.Preview}} {
		if c.path == "" {
			continue
		}
		if err := inputs.Check(c.path); err != nil {
			return err
		}
		own := common
		own.Kind, own.Curve, own.Primaries = c.kind, t.outputCurve, t.primaries
		if c.kind == clip.Preview {
			own.Curve, own.Primaries = plate.SRGB, plate.PrimariesBT709
		} else if t.recipe.Depth == 8 {
			own.Depth = 8
		}
		w, err := clip.Create(c.path, own)
		if err != nil {
			return err
		}
		writers = append(writers, w)
	}
	for i, p := range t.Pairs {
		if err := ctx.Err(); err != nil {
			return err
		}
		m, err := plate.ReadImage(o.path("comp", p.Number), nil)
		if errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("a clip is of all frames, and frame %d is not done: %w", p.Number, err)
		} else if err != nil {
			return err
		}
		for k, w := range writers {
			if err := w.Add(t.clipFrame(m, k > 0 || opt.Archive == "")); err != nil {
				return err
			}
		}
		if opt.Progress != nil {
			opt.Progress(i+1, len(t.Pairs))
		}
	}
	for len(writers) > 0 {
		w := writers[0]
		writers = writers[1:]
		if err := w.Close(); err != nil {
			return err
		}
	}
	for _, path := range []string{opt.Archive, opt.Preview} {
		if path != "" {
			if err := logClip(out, path); err != nil {
				return err
			}
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

// clipFrame returns the picture of a composite's file as a clip takes it.
func (t *Take) clipFrame(m image.Image, preview bool) image.Image {
	switch m.(type) {
	case *plate.RGB, *plate.RGBA: // linear light of an OpenEXR file
		if !preview {
			return plate.Encode(plate.RGBFromImage(m, plate.Linear), t.outputCurve, 16)
		}
	default:
		if !preview || t.outputCurve == plate.SRGB && t.primaries.Near(plate.PrimariesBT709) {
			return m
		}
	}
	f := plate.RGBFromImage(m, t.outputCurve)
	if !t.primaries.Near(plate.PrimariesBT709) {
		f.Multiply(t.primaries.To(plate.PrimariesBT709))
	}
	return plate.Encode(f, plate.SRGB, 16)
}
