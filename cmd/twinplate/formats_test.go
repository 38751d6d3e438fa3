package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

func TestFormatsAndColor(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	flags := slices.Clip(smallTake(t, dir, 2))
	out := filepath.Join(dir, "exr")
	code, text, errs := twinplate(t, append(flags, "--out", out, "--format", "exr", "--depth", "32", "--layers", "matte,sigma", "--primaries", "ap1", "--fps", "24", "--geometry", "none")...)
	if code != exitDone || !strings.Contains(text, "output       exr, 32 bits of floating point; color has the curve linear and the primaries ap1, mattes are linear") {
		t.Fatalf("exit code %d, %s%s", code, text, errs)
	}
	if info, err := plate.Probe(filepath.Join(out, "comp", "0002.exr")); err != nil || info.Depth != 32 || !info.Alpha || info.Primaries.Name() != "ap1" {
		t.Errorf("%+v, %v", info, err)
	}
	got := object(t, append(flags, "--out", filepath.Join(dir, "png"), "--geometry", "none", "--primaries", "p3-d65", "--json")...)
	if o := got["output"].(map[string]any); o["format"] != "png" || o["depth"] != 16.0 || o["curve"] != "srgb" || o["primaries"] != "p3-d65" {
		t.Errorf("output: %v", o)
	}

	// Tags that say something else than the flags, wherever plates are read.
	const conflict = "its tags say that its transfer curve is srgb, and it is read as linear"
	linear := []string{"--color-curve", "linear", "--color", filepath.Join(dir, "demo", "color"), "--band", filepath.Join(dir, "demo", "band")}
	for _, args := range [][]string{
		append(flags, "--color-curve", "linear", "--out", filepath.Join(dir, "linear"), "--geometry", "none"),
		append([]string{"check"}, linear...),
		append([]string{"register", "--out", filepath.Join(dir, "g.json")}, linear...),
	} {
		if code, text, errs := twinplate(t, args...); code != exitDone || !strings.Contains(text, "0001.png: "+conflict) {
			t.Errorf("%s: exit code %d, %s%s", args[0], code, text, errs)
		}
	}

	for _, test := range []struct {
		name string
		add  []string
		code int
		want string
	}{
		{"a curve for OpenEXR", []string{"--format", "exr", "--output-curve", "srgb"}, exitUsage, "OpenEXR is linear light"},
		{"a transform for OpenEXR", []string{"--format", "exr", "--output-transform", "look.clf"}, exitUsage, "OpenEXR is linear light"},
		{"layers in PNG", []string{"--layers", "matte"}, exitUsage, "only OpenEXR"},
		{"primaries that are none", []string{"--primaries", "rec709"}, exitUsage, "bt709"},
		{"other settings in the same folder", []string{"--clamp", "none", "--geometry", "none", "--out", filepath.Join(dir, "png")}, exitFailed, "(--replace)"},
		{"other settings, to be replaced", []string{"--clamp", "none", "--geometry", "none", "--out", filepath.Join(dir, "png"), "--replace"}, exitDone, ""},
	} {
		if code, _, errs := twinplate(t, slices.Concat(flags, []string{"--out", out}, test.add)...); code != test.code || !strings.Contains(errs, test.want) {
			t.Errorf("%s: exit code %d, %q; want %d and %q", test.name, code, errs, test.code, test.want)
		}
	}
}

func TestClips(t *testing.T) {
	tier.InTest(t)
	dir := t.TempDir()
	flags := slices.Clip(append(smallTake(t, dir, 3), "--geometry", "none", "--out", filepath.Join(dir, "out")))
	archive, preview := filepath.Join(dir, "a.mkv"), filepath.Join(dir, "p.mp4")
	clips := slices.Clip(append(flags, "--archive", archive, "--preview", preview))
	for _, test := range []struct {
		name string
		args []string
		want string
	}{
		{"of a shard", append(clips, "--shard", "0/2"), "a clip is of all frames"},
		{"of a product that is not written", append(clips, "--foreground-clip", filepath.Join(dir, "f.mov")), "--write has no foreground"},
		{"of a foreground whose matte is not written", append(clips, "--foreground-clip", filepath.Join(dir, "f.mov"), "--write", "comp,foreground"), "--write has no matte"},
		{"of no kind that there is", append(clips, "--clip", filepath.Join(dir, "c.avi")), ".mov, .mp4, .mkv or .webm"},
		{"of another ending", append(clips, "--clip", filepath.Join(dir, "c.mov"), "--codec", "hevc"), "such a file ends in .mp4"},
		{"of no codec that there is", append(clips, "--clip", filepath.Join(dir, "c.mov"), "--codec", "mpeg2"), "it must be h264"},
		{"that nobody asks for", append(flags, "--sound", "none"), "none is asked for"},
	} {
		if code, _, errs := twinplate(t, test.args...); code != exitUsage || !strings.Contains(errs, test.want) {
			t.Errorf("%s: exit code %d, %q", test.name, code, errs)
		}
	}
	t.Run("without FFmpeg", func(t *testing.T) {
		t.Setenv("PATH", dir)
		if code, _, errs := twinplate(t, clips...); code != exitFailed || !strings.Contains(errs, "install FFmpeg") {
			t.Errorf("exit code %d, %q", code, errs)
		}
		if entries, _ := os.ReadDir(filepath.Join(dir, "out")); len(entries) > 0 {
			t.Error("work was done before that was found out")
		}
	})
	outside.Program(t, "ffmpeg")
	object(t, append(clips, "--json")...)
	for _, path := range []string{archive, preview} {
		if _, err := os.Stat(path); err != nil {
			t.Error(err)
		}
	}
	// The same run goes on, and makes its own clips anew; one that somebody has changed stays.
	if again := object(t, append(clips, "--json")...); again["kept"] != 3.0 {
		t.Errorf("again: %v frames kept", again["kept"])
	}
	changed := filepath.Join(dir, "changed.mkv")
	if err := os.WriteFile(changed, []byte("somebody's"), 0o666); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := twinplate(t, append(flags, "--archive", changed)...); code != exitFailed || !strings.Contains(errs, changed+": there already") || !strings.Contains(errs, "--replace overwrites it") {
		t.Errorf("a clip of somebody else: exit code %d, %q", code, errs)
	}
	// Straight from the take, with no files between: the archive has the same frames, to the code
	// value, and the foreground has its alpha.
	straight := slices.DeleteFunc(slices.Clone(flags), func(s string) bool { return s == "--out" || s == filepath.Join(dir, "out") })
	direct, cutout := filepath.Join(dir, "direct.mkv"), filepath.Join(dir, "cutout.mov")
	matte, web := filepath.Join(dir, "matte.mp4"), filepath.Join(dir, "cutout.webm")
	if got := object(t, append(straight, "--clip", direct, "--foreground-clip", cutout, "--matte-clip", matte, "--json")...); got["frames"] != 3.0 {
		t.Errorf("straight: %v frames", got["frames"])
	}
	object(t, append(straight, "--clip", filepath.Join(dir, "long.mp4"), "--codec", "hevc", "--foreground-clip", web, "--matte-clip", filepath.Join(dir, "matte.mov"), "--json")...)
	// Each clip is what ffprobe says that it must be: codec, pixels, size, rate and frames.
	for path, want := range map[string]string{
		archive: "ffv1,320,180,gbrp16le,24/1,3", preview: "h264,320,180,yuv420p,24/1,3", direct: "ffv1,320,180,gbrp16le,24/1,3",
		cutout: "prores,320,180,yuva444p12le,24/1,3", web: "vp9,320,180,yuv420p,24/1,3", filepath.Join(dir, "long.mp4"): "hevc,320,180,yuv420p10le,24/1,3",
		matte: "h264,320,180,yuv420p,24/1,3", filepath.Join(dir, "matte.mov"): "prores,320,180,yuv422p10le,24/1,3",
	} {
		out, err := exec.Command("ffprobe", "-v", "error", "-count_frames", "-select_streams", "v", "-show_entries", "stream=codec_name,width,height,pix_fmt,r_frame_rate,nb_read_frames", "-of", "csv=p=0", path).Output()
		if got := strings.TrimSpace(string(out)); err != nil || got != want {
			t.Errorf("%s is %q by ffprobe, want %q, %v", filepath.Base(path), got, want, err)
		}
	}
	var sums [2]string
	for i, path := range []string{archive, direct} {
		out, err := exec.Command("ffmpeg", "-v", "error", "-i", path, "-f", "framemd5", "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		sums[i] = string(out)
	}
	if sums[0] != sums[1] {
		t.Errorf("frames of the archive by way of files:\n%s\nand straight:\n%s", sums[0], sums[1])
	}
	// The clip is a plate like any other.
	if got := object(t, append(flags, "--background", archive, "--out", filepath.Join(dir, "again"), "--json")...); got["frames"] != 3.0 {
		t.Errorf("with a clip behind: %v frames", got["frames"])
	}
}
