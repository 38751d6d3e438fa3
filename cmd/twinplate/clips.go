package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/target"
	"example.com/twinplate/plate/clip"
	"example.com/twinplate/take"
)

// clips are the flags that ask for clips.
type clips struct {
	Clip           string `help:"A clip of the composites, through FFmpeg; its kind is by the name's ending: .mov is ProRes 422 HQ, .mp4 H.264, .mkv FFV1 (without loss), .webm VP9. Without --out it is made straight from the take, with no files between." placeholder:"F"`
	ForegroundClip string `name:"foreground-clip" help:"A clip of the foreground with its alpha: .mov is ProRes 4444, .webm VP9, .mkv FFV1." placeholder:"F"`
	MatteClip      string `name:"matte-clip" help:"A clip of the matte: .mov is ProRes 422 HQ, .mp4 H.264, .mkv FFV1." placeholder:"F"`
	Codec          string `help:"The codec of --clip, where its ending means another: h264, hevc (10 bits), prores422, prores4444, ffv1 or vp9." placeholder:"NAME"`
	ClipAlpha      string `name:"clip-alpha" help:"What the color of --foreground-clip is to its alpha: premultiplied (the default) or straight." placeholder:"KIND"`
	Sound          string `help:"The file that the clips' sound comes from, from its beginning on, or none. Default: the color plate's clip, from the first frame on." placeholder:"F|none"`
	Archive        string `help:"A clip of the composites without loss: FFV1 in Matroska." placeholder:"F.mkv"`
	Preview        string `help:"A clip for looking at: H.264 in MP4, sRGB." placeholder:"F.mp4"`
}

// codecs are the names of --codec, and what such files are in.
var codecs = map[string]struct {
	clip.Format
	endings []string
}{
	"h264": {clip.H264, []string{".mp4"}}, "hevc": {clip.HEVC, []string{".mp4"}}, "vp9": {clip.VP9, []string{".webm"}}, "ffv1": {clip.Archive, []string{".mkv"}},
	"prores422": {clip.ProRes422, []string{".mov"}}, "prores4444": {clip.ProRes4444, []string{".mov"}},
}

// asked reports whether any clip is asked for.
func (c *clips) asked() bool {
	return c.Clip+c.ForegroundClip+c.MatteClip+c.Archive+c.Preview != ""
}

// names lists the clips.
func (c *clips) names() string {
	return strings.Join(list.Of(c.orders(), func(o take.ClipOrder) string { return o.Path }), ", ")
}

// orders are what the flags ask for. They must have been checked.
func (c *clips) orders() []take.ClipOrder {
	comp, _ := c.format(c.Clip, c.Codec, clip.ProRes422)
	foreground, _ := c.format(c.ForegroundClip, "", clip.ProRes4444)
	alpha, _ := c.format(c.MatteClip, "", clip.ProRes422)
	return list.Where([]take.ClipOrder{
		{Path: c.Clip, Of: "comp", Format: comp}, {Path: c.ForegroundClip, Of: "foreground", Format: foreground, Alpha: c.ClipAlpha}, {Path: c.MatteClip, Of: "matte", Format: alpha},
		{Path: c.Archive, Of: "comp", Format: clip.Archive}, {Path: c.Preview, Of: "comp", Format: clip.H264, Look: true},
	}, func(o take.ClipOrder) bool { return o.Path != "" })
}

// format returns the kind of clip that a name's ending means, or the codec.
func (c *clips) format(path, codec string, mov clip.Format) (clip.Format, error) {
	ending := strings.ToLower(filepath.Ext(path))
	if codec != "" {
		k, ok := codecs[codec]
		switch {
		case !ok:
			return 0, fmt.Errorf("--codec %q: it must be h264, hevc, prores422, prores4444, ffv1 or vp9", codec)
		case !slices.Contains(k.endings, ending):
			return 0, fmt.Errorf("--clip %s with --codec %s: such a file ends in %s", path, codec, k.endings[0])
		}
		return k.Format, nil
	}
	k, ok := map[string]clip.Format{".mov": mov, ".mp4": clip.H264, ".mkv": clip.Archive, ".webm": clip.VP9}[ending]
	if !ok {
		return 0, fmt.Errorf("%s: the kind of clip is by its ending: .mov, .mp4, .mkv or .webm", path)
	}
	return k, nil
}

// check checks the flags for clips, before any work is done.
func (c *clips) check(all *comp, r take.Recipe) error {
	if !c.asked() {
		if c.Codec+c.ClipAlpha+c.Sound != "" {
			return usageError{errors.New("--codec, --clip-alpha and --sound are for clips, and none is asked for: --clip F")}
		}
		return nil
	}
	if all.Shard != "" {
		return usageError{errors.New("a clip with --shard: a clip is of all frames; when the shards are done, run comp without --shard, which finds them finished")}
	}
	written := r.Write
	if len(written) == 0 {
		written = []string{"comp", "matte"} // as Recipe.Write has it
	}
	for _, f := range []struct {
		flag, path, codec, of string
		made                  bool // its kind is by its ending
	}{
		{"--clip", c.Clip, c.Codec, "comp", true}, {"--foreground-clip", c.ForegroundClip, "", "foreground", true}, {"--matte-clip", c.MatteClip, "", "matte", true},
		{"--archive", c.Archive, "", "comp", false}, {"--preview", c.Preview, "", "comp", false},
	} {
		if f.path == "" {
			continue
		}
		if f.made {
			if _, err := c.format(f.path, f.codec, clip.ProRes422); err != nil {
				return usageError{err}
			}
		}
		if all.Out != "" && !slices.Contains(written, f.of) {
			return usageError{fmt.Errorf("%s with --out: the clip is made of the files there, and --write has no %s; add it, or leave --out away", f.flag, f.of)}
		}
		if all.Out != "" && f.of == "foreground" && r.Format != "exr" && !slices.Contains(written, "matte") {
			return usageError{fmt.Errorf("%s with --out: its alpha is that of the matte's files, and --write has no matte; add it, or leave --out away", f.flag)}
		}
	}
	return clip.Installed()
}

// targets tries the files of the clips, which those of the frames in out may be written over.
func (c *clips) targets(out string, outputs *target.Guard) error {
	made := target.Kind{Name: "a clip that this program made", Is: func(string) bool { return false }}
	if out != "" {
		made = target.Kind{Name: "a clip of the frames in " + out, Is: func(path string) bool { return take.MadeClip(out, path) }}
	}
	for _, o := range c.orders() {
		if err := outputs.Check(o.Path, made); err != nil {
			return err
		}
	}
	return nil
}
