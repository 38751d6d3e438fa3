//go:build !js

package site_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
	"example.com/twinplate/site"
)

var node sync.Once

// needNode gives the modules their packages, by the lock file, where they are not there yet.
func needNode(t testing.TB) {
	t.Helper()
	npm := outside.Program(t, "npm")
	node.Do(func() {
		if _, err := os.Stat("node_modules/.package-lock.json"); err == nil {
			return
		}
		if out, err := exec.Command(npm, "ci", "--no-audit", "--no-fund").CombinedOutput(); err != nil {
			t.Fatalf("npm ci: %v\n%s", err, out)
		}
	})
}

// A bench is a page with the modules for clips and archives, in a browser, under the site's own
// policy. Files go in by the name they are fetched under, and come out by the name they are sent
// to.
type bench struct {
	t   testing.TB
	tab context.Context
	in  string // folder

	mu  sync.Mutex
	out map[string][]byte
}

// The page's script. A clip's frames are decoded in a worker, as they are in the playground.
const benchPage = `
import { open } from %[1]q;
import * as decoder from %[2]q;
import * as clipout from %[3]q;
import * as archive from %[4]q;
const clips = { open: (file) => open(file, %[5]d), frame: decoder.frame };
const fetched = async (name) => new File([await (await fetch("in/" + name)).arrayBuffer()], name);
const send = async (name, body) => void (await fetch("out/" + name, { method: "POST", body }));
const worker = new Worker("worker.js", { type: "module" });
const waiting = new Map();
let calls = 0;
worker.onmessage = ({ data }) => {
  const { resolve, reject } = waiting.get(data.id);
  waiting.delete(data.id);
  data.error ? reject(new Error(data.error)) : resolve(data.bytes);
};
const frame = (clip, index) => new Promise((resolve, reject) => {
  waiting.set(++calls, { resolve, reject });
  worker.postMessage({ id: calls, clip, index });
});
const message = (promise) => promise.then(() => "no error", (error) => error.message);
Object.assign(globalThis, { clips, clipout, archive, fetched, send, frame, message });
document.title = "ready";
`

const benchWorker = `
import { frame } from %q;
self.onmessage = async ({ data: { id, clip, index } }) => {
  try {
    self.postMessage({ id, bytes: await frame(clip, index) });
  } catch (error) {
    self.postMessage({ id, error: error.message });
  }
};
`

func newBench(t testing.TB) *bench {
	t.Helper()
	needNode(t)
	b := &bench{t: t, tab: outside.Browser(t, 640, 480, 5*time.Minute), in: t.TempDir(), out: make(map[string][]byte)}
	dist := t.TempDir()
	module := func(name string) string {
		path, err := filepath.Abs(filepath.Join("js", "files", name))
		if err != nil {
			t.Fatal(err)
		}
		return path
	}
	for name, source := range map[string]string{
		"page.js":    fmt.Sprintf(benchPage, module("clips.js"), module("decoder.js"), module("clipout.js"), module("archive.js"), plate.MaxPixels),
		"worker.js":  fmt.Sprintf(benchWorker, module("decoder.js")),
		"index.html": `<!doctype html><link rel="icon" href="data:,"><script type="module" src="page.js"></script>`,
	} {
		if err := os.WriteFile(filepath.Join(dist, name), []byte(source), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"page.js", "worker.js"} {
		path := filepath.Join(dist, name)
		out, err := exec.Command("node_modules/.bin/esbuild", path, "--bundle", "--format=esm", "--outfile="+path, "--allow-overwrite", "--log-level=warning").CombinedOutput()
		if err != nil {
			t.Fatalf("esbuild: %v\n%s", err, out)
		}
	}

	mux := http.NewServeMux()
	mux.Handle("/", site.Handler(os.DirFS(dist)))
	mux.HandleFunc("/in/{name}", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		http.ServeFile(w, r, filepath.Join(b.in, r.PathValue("name")))
	})
	mux.HandleFunc("POST /out/{name}", func(_ http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		b.mu.Lock()
		b.out[r.PathValue("name")] = body
		b.mu.Unlock()
	})
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	if err := chromedp.Do(b.tab, chromedp.Navigate(server.URL)); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Run(b.tab, chromedp.Poll[bool](`document.title == "ready"`)); err != nil {
		t.Fatal(err)
	}
	return b
}

// do runs an async function's body in the page and decodes what it returns.
func do[T any](b *bench, body string, args ...any) T {
	b.t.Helper()
	list := make([]string, len(args))
	for i, arg := range args {
		text, err := json.Marshal(arg)
		if err != nil {
			b.t.Fatal(err)
		}
		list[i] = string(text)
	}
	v, err := chromedp.Run(b.tab, chromedp.Evaluate[T]("(async (...args) => {"+body+"\n})("+strings.Join(list, ", ")+")", chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%v\nin %s", err, body)
	}
	return v
}

// sent returns what the page sent to a name.
func (b *bench) sent(name string) []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.out[name]
}

// drawn returns frame n of a clip as R'G'B' in 16 bits, the lower byte first. Ten bars along its
// top are n in binary; below them are slopes of color that move.
func drawn(n, w, h int) []byte {
	out := make([]byte, 0, 6*w*h)
	for y := range h {
		for x := range w {
			v := [3]int{0x2000 + 0xa000*x/w, 0x3000 + 0x8000*y/h, 0x4000 + 0x6000*abs(2*((x+3*n)%w)-w)/w}
			if y < h/3 {
				bit := n >> (10 * x / w) & 1
				v = [3]int{0x1800 + bit*0xc000, 0x1800 + bit*0xc000, 0x1800 + bit*0xc000}
			}
			for _, c := range v {
				out = append(out, byte(c), byte(c>>8))
			}
		}
	}
	return out
}

func abs(v int) int { return max(v, -v) }

// number reads the bars of a frame.
func number(f *plate.RGB) int {
	n := 0
	for bit := range 10 {
		x, y := (2*bit+1)*f.W/20, f.H/6
		if f.Pix[1][y*f.W+x] > 0.5 {
			n |= 1 << bit
		}
	}
	return n
}

// ffmpeg runs it on what is given, and returns what it writes.
func ffmpeg(t testing.TB, input []byte, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(outside.Program(t, "ffmpeg"), append([]string{"-v", "error", "-y"}, args...)...)
	cmd.Stdin = bytes.NewReader(input)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("ffmpeg %s: %v\n%s", strings.Join(args, " "), err, stderr.String())
	}
	return out
}

// makeClip lays a clip of drawn frames where the page can fetch it.
func (b *bench) makeClip(name string, frames, w, h int, args string) {
	b.t.Helper()
	var input []byte
	for n := range frames {
		input = append(input, drawn(n, w, h)...)
	}
	rate := "24"
	if fields := strings.Fields(args); fields[0] == "-r" {
		rate, args = fields[1], strings.Join(fields[2:], " ")
	}
	command := []string{"-f", "rawvideo", "-pix_fmt", "rgb48le", "-s", fmt.Sprintf("%dx%d", w, h), "-r", rate, "-i", "-"}
	command = append(append(command, strings.Fields(args)...), filepath.Join(b.in, name))
	if !strings.Contains(args, "-pass") {
		ffmpeg(b.t, input, command...)
		return
	}
	for _, pass := range []string{"1", "2"} { // after -i
		ffmpeg(b.t, input, append([]string{}, append(command[:len(command)-1:len(command)-1], "-pass", pass, command[len(command)-1])...)...)
	}
}

type opened struct {
	Width, Height, Frames, BitDepth, Rotation int
	Format, Source, Codec, Matrix, Timecode   string
	FullRange, Hidden                         bool
	FPS                                       struct {
		Num, Den int
		Constant bool
	}
	Notes []string
}

// Every frame of a clip comes out under its own number, in any order, with the planes that FFmpeg
// decodes, to the last bit; and package plate makes of them what FFmpeg's zscale does, in floating
// point (tolerance: see package plate's own test).
func TestClipFrames(t *testing.T) {
	tier.InTestAll(t)
	b := newBench(t)
	for _, row := range []struct {
		what, name string
		w, h       int
		args       string
		planes     string // FFmpeg's name of the pixel format
		scale      string // what they are, as zscale's options
		format     string // the browser's name
		fps        [2]int
	}{
		{"VP9, lossless, odd size", "vp9.webm", 161, 91, "-c:v libvpx-vp9 -lossless 1 -g 12 -pix_fmt yuv420p", "yuv420p", "matrixin=170m:rangein=limited:chromalin=left", "I420", [2]int{24, 1}},
		{"VP9, 10 bits, 720 lines without a word on color", "vp9-10.webm", 160, 720, "-c:v libvpx-vp9 -lossless 1 -cpu-used 8 -g 12 -pix_fmt yuv420p10le", "yuv420p10le", "matrixin=709:rangein=limited:chromalin=left", "I420P10", [2]int{24, 1}},
		{"VP9, 10 bits of 4:2:2, BT.2020", "vp9-422.webm", 160, 90, "-c:v libvpx-vp9 -g 12 -pix_fmt yuv422p10le -colorspace bt2020nc -color_primaries bt2020 -color_trc bt709", "yuv422p10le", "matrixin=2020_ncl:rangein=limited:chromalin=left", "I422P10", [2]int{24, 1}},
		{"VP9, 4:4:4, in MP4", "vp9-444.mp4", 160, 90, "-r 24000/1001 -c:v libvpx-vp9 -lossless 1 -g 12 -pix_fmt yuv444p -colorspace bt709 -color_primaries bt709 -color_trc bt709", "yuv444p", "matrixin=709:rangein=limited", "I444", [2]int{24000, 1001}},
		{"VP9, planes of R'G'B'", "vp9-rgb.webm", 161, 91, "-c:v libvpx-vp9 -lossless 1 -g 12 -pix_fmt gbrp", "gbrp", "matrixin=gbr:rangein=full", "I444", [2]int{24, 1}},
		{"VP9, planes of R'G'B', 10 bits", "vp9-rgb10.webm", 160, 90, "-c:v libvpx-vp9 -lossless 1 -g 12 -pix_fmt gbrp10le", "gbrp10le", "matrixin=gbr:rangein=full", "I444P10", [2]int{24, 1}},
		{"VP8, with packets that show nothing", "vp8.webm", 160, 90, "-r 25 -c:v libvpx -b:v 300k -auto-alt-ref 1 -arnr-maxframes 7 -lag-in-frames 25 -passlogfile " + filepath.Join(t.TempDir(), "log") + " -pix_fmt yuv420p", "yuv420p", "matrixin=170m:rangein=limited:chromalin=left", "I420", [2]int{25, 1}},
		{"AV1, 10 bits", "av1.webm", 160, 90, "-r 30000/1001 -c:v libaom-av1 -cpu-used 8 -crf 10 -g 12 -pix_fmt yuv420p10le", "yuv420p10le", "matrixin=170m:rangein=limited:chromalin=left", "I420P10", [2]int{30000, 1001}},
		{"H.264 with B-frames, open groups, BT.709", "h264.mp4", 160, 90, "-r 25 -c:v libx264 -crf 4 -bf 3 -x264-params open-gop=1:b-adapt=0:keyint=12 -pix_fmt yuv420p -colorspace bt709 -color_primaries bt709 -color_trc bt709", "yuv420p", "matrixin=709:rangein=limited:chromalin=left", "I420", [2]int{25, 1}},
		{"H.264, full range", "h264-full.mov", 160, 90, "-r 60000/1001 -c:v libx264 -crf 4 -bf 2 -g 12 -vf scale=out_range=full -pix_fmt yuvj420p -color_range pc -colorspace smpte170m", "yuvj420p", "matrixin=170m:rangein=full:chromalin=left", "I420", [2]int{60000, 1001}},
		{"H.264, 10 bits of 4:2:2, in MOV", "h264-422.mov", 160, 90, "-c:v libx264 -crf 4 -bf 3 -g 12 -pix_fmt yuv422p10le", "yuv422p10le", "matrixin=170m:rangein=limited:chromalin=left", "I422P10", [2]int{24, 1}},
		{"H.264, uneven times, in MKV", "uneven.mkv", 160, 90, "-c:v libx264 -crf 4 -bf 3 -g 12 -pix_fmt yuv420p -vf settb=1/1000,setpts=N*40+11*mod(N\\,3) -vsync passthrough -enc_time_base 1/1000", "yuv420p", "matrixin=170m:rangein=limited:chromalin=left", "I420", [2]int{}},
	} {
		const frames = 40
		b.makeClip(row.name, frames, row.w, row.h, row.args)
		clip := do[opened](b, `
			const clip = globalThis.clip = await clips.open(await fetched(args[0]));
			return { ...clip, file: null, keys: [], timestamps: [], timecode: clip.timecode ?? "" };`, row.name)
		if clip.Width != row.w || clip.Height != row.h || clip.Frames != frames || clip.Format != row.format || clip.Source != "planes as decoded" {
			t.Errorf("%s: %+v", row.what, clip)
		}
		if got := [2]int{clip.FPS.Num, clip.FPS.Den}; row.fps[0] > 0 && got != row.fps || clip.FPS.Constant != (row.fps[0] > 0) {
			t.Errorf("%s: %v frames a second, constant %v", row.what, got, clip.FPS.Constant)
		}
		if want := strings.HasPrefix(row.what, "VP8"); clip.Hidden != want {
			t.Errorf("%s: packets that show nothing: %v", row.what, clip.Hidden)
		}
		do[any](b, `
			for (const i of args[1]) await send(args[0] + "-" + i, await frame(clip, i));`, row.name, rand.New(rand.NewPCG(1, 2)).Perm(frames))

		reference := ffmpeg(t, nil, "-i", filepath.Join(b.in, row.name), "-vsync", "passthrough", "-f", "rawvideo", "-pix_fmt", row.planes, "-")
		size := len(reference) / frames
		for n := range frames {
			file := b.sent(fmt.Sprintf("%s-%d", row.name, n))
			planes := reference[n*size:][:size]
			rgb := strings.HasPrefix(row.planes, "gbr")
			if !rgb && !bytes.Equal(file[len(file)-size:], planes) {
				t.Errorf("%s: frame %d has other planes than FFmpeg's", row.what, n)
			}
			name := fmt.Sprintf("%d.y4m", n)
			if rgb {
				name = fmt.Sprintf("%d.ppm", n)
			}
			path := filepath.Join(t.TempDir(), name)
			if err := os.WriteFile(path, file, 0o644); err != nil {
				t.Fatal(err)
			}
			picture, err := plate.ReadRGB(path, plate.Linear, nil)
			if err != nil {
				t.Fatalf("%s: %v", row.what, err)
			}
			if got := number(picture); got != n {
				t.Errorf("%s: frame %d has the number %d", row.what, n, got)
			}
			if n != 17 || row.w%2 != 0 { // zscale takes no odd size of 4:2:0
				continue
			}
			float := ffmpeg(t, planes, "-f", "rawvideo", "-pix_fmt", row.planes, "-s", fmt.Sprintf("%dx%d", row.w, row.h), "-i", "-",
				"-vf", "zscale=filter=bilinear:matrix=gbr:range=full:"+row.scale+",format=gbrpf32le", "-f", "rawvideo", "-pix_fmt", "gbrpf32le", "-")
			for c := range 3 {
				plane := float[[3]int{2, 0, 1}[c]*4*row.w*row.h:]
				worst := 0.0
				for i, v := range picture.Pix[c] {
					worst = max(worst, math.Abs(float64(v)-float64(math.Float32frombits(binary.LittleEndian.Uint32(plane[4*i:])))))
				}
				if worst > 0.52/0xffff {
					t.Errorf("%s: channel %d differs from FFmpeg's by up to %.2f/65535", row.what, c, 0xffff*worst)
				}
			}
		}
	}
}

// What clips say of themselves beside their frames.
func TestClipWords(t *testing.T) {
	tier.InTestAll(t)
	b := newBench(t)
	for _, row := range []struct{ what, name, args, want string }{
		{"HEVC", "hevc.mp4", "-c:v libx265 -x265-params log-level=none", "hevc.mp4: this browser cannot decode HEVC (H.265): convert the clip to VP9, AV1 or H.264, or drop its frames as PNG or TIFF"},
		{"ProRes", "prores.mov", "-c:v prores_ks", "prores.mov: this browser cannot decode ProRes: convert the clip to VP9, AV1 or H.264, or drop its frames as PNG or TIFF"},
		{"a codec that the library has no name for", "other.mov", "-c:v mjpeg -pix_fmt yuvj420p", "other.mov: this browser cannot decode its codec (jpeg): convert the clip to VP9, AV1 or H.264, or drop its frames as PNG or TIFF"},
		{"another container", "other.avi", "-c:v mjpeg -pix_fmt yuvj420p", "other.avi is no clip that can be read here: MP4, MOV, WebM and MKV can"},
	} {
		b.makeClip(row.name, 3, 160, 90, row.args)
		if got := do[string](b, `return message(clips.open(await fetched(args[0])))`, row.name); got != row.want {
			t.Errorf("%s: %s\nwant %s", row.what, got, row.want)
		}
	}
	ffmpeg(t, nil, "-f", "lavfi", "-i", "sine=d=1", "-c:a", "aac", filepath.Join(b.in, "sound.mp4"))
	if got, want := do[string](b, `return message(clips.open(await fetched("sound.mp4")))`), "sound.mp4 has no pictures in it: drop a clip with a video track"; got != want {
		t.Errorf("sound alone: %s", got)
	}

	for _, row := range []struct{ what, name, args, want string }{
		{"time code in MOV", "a.mov", "-c:v libx264 -pix_fmt yuv420p -timecode 01:02:03:04", "01:02:03:04"},
		{"time code in MP4", "a.mp4", "-r 25 -c:v libx264 -pix_fmt yuv420p -timecode 10:59:59:24", "10:59:59:24"},
		{"frames dropped, the first of a minute", "b.mov", "-r 30000/1001 -c:v libx264 -pix_fmt yuv420p -timecode 00:01:00;02", "00:01:00;02"},
		{"frames dropped, before that", "c.mov", "-r 30000/1001 -c:v libx264 -pix_fmt yuv420p -timecode 00:00:59;29", "00:00:59;29"},
		{"frames dropped, the tenth minute", "d.mov", "-r 30000/1001 -c:v libx264 -pix_fmt yuv420p -timecode 12:10:00;00", "12:10:00;00"},
		{"frames dropped, 59.94", "e.mov", "-r 60000/1001 -c:v libx264 -pix_fmt yuv420p -timecode 07:59:00;04", "07:59:00;04"},
		{"time code in MKV", "a.mkv", "-c:v libx264 -pix_fmt yuv420p -metadata timecode=02:03:04:05", "02:03:04:05"},
		{"none", "f.mp4", "-c:v libx264 -pix_fmt yuv420p", ""},
	} {
		b.makeClip(row.name, 3, 160, 90, row.args)
		if got := do[string](b, `return (await clips.open(await fetched(args[0]))).timecode ?? ""`, row.name); got != row.want {
			t.Errorf("%s: %q, want %q", row.what, got, row.want)
		}
	}

	// A player would turn these; the frames stay as they are stored.
	b.makeClip("upright.mp4", 3, 160, 90, "-c:v libx264 -pix_fmt yuv420p")
	ffmpeg(t, nil, "-i", filepath.Join(b.in, "upright.mp4"), "-c", "copy", "-metadata:s:v:0", "rotate=90" /* FFmpeg 5 counts the other way round */, filepath.Join(b.in, "turned.mp4"))
	turned := do[opened](b, `return { ...await clips.open(await fetched("turned.mp4")), file: null, keys: [], timestamps: [], timecode: "" }`)
	if turned.Rotation != 270 || turned.Width != 160 || turned.Height != 90 || !strings.Contains(strings.Join(turned.Notes, " "), "turn this clip by 270 degrees") {
		t.Errorf("a turned clip: %+v", turned)
	}
}

// Decoding is no more than it must be, and goes on when the browser takes the decoder away.
func TestClipDecoder(t *testing.T) {
	tier.InTestAll(t)
	b := newBench(t)
	const frames, group = 60, 20
	b.makeClip("a.webm", frames, 160, 90, "-c:v libvpx-vp9 -b:v 1M -g 20 -keyint_min 20 -pix_fmt yuv420p")
	do[any](b, `
		const decode = VideoDecoder.prototype.decode;
		globalThis.decodes = 0;
		globalThis.lose = false;
		VideoDecoder.prototype.decode = function (chunk) {
			decodes++;
			if (lose) {
				lose = false;
				this.close();
			}
			return decode.call(this, chunk);
		};
		globalThis.clip = await clips.open(await fetched("a.webm"));
		decodes = 0;
		globalThis.cost = async (...list) => {
			const before = decodes;
			for (const i of list) await clips.frame(clip, i);
			return decodes - before;
		};`)
	// A frame by itself costs no more than what it hangs on. Where frames are asked for in their order
	// the first few cost that, too; then the library decodes up to 40 packets ahead of the first and 8
	// ahead of a later one.
	for _, row := range []struct {
		what, list string
		from, to   int
	}{
		{"one by itself", "30", 1 + 30 - group, 1 + 30 - group},
		{"the one before it, which is kept", "29", 0, 0},
		{"all frames in order", "...Array.from({ length: 60 }, (_, i) => i)", frames + 1 + 2 + 3 + 4, frames + 1 + 2 + 3 + 4},
		{"the last, which is kept", "59", 0, 0},
		{"those before it, which are kept too", "58, 57, 56, 55, 54, 53, 52, 51", 0, 0},
	} {
		if got := do[int](b, "return cost("+row.list+")"); got < row.from || got > row.to {
			t.Errorf("%s: %d packets decoded, want %d to %d", row.what, got, row.from, row.to)
		}
	}
	if keys := do[[]float64](b, `return [...clip.keys]`); len(keys) != frames/group {
		t.Errorf("key frames at %v s", keys)
	}
	for n := range 3 {
		lost := do[bool](b, `
			const again = await clips.open(clip.file);
			lose = true;
			await send("lost", await clips.frame(again, args[0]));
			await send("kept", await clips.frame(clip, args[0]));
			return lose;`, 7+20*n)
		if lost || len(b.sent("lost")) == 0 || !bytes.Equal(b.sent("lost"), b.sent("kept")) {
			t.Errorf("frame %d is another after the decoder was lost (lost: %v)", 7+20*n, !lost)
		}
	}
	got := do[[]string](b, `
		const bytes = new Uint8Array(await clip.file.arrayBuffer()).fill(0x55, clip.file.size >> 1, (clip.file.size >> 1) + 3000);
		return [await message(clips.frame(clip, 60)), await message(frame({ ...clip, id: "damaged", file: new File([bytes.subarray(0, bytes.length >> 1)], "cut.webm") }, 59))];`)
	if got[0] != "a.webm has no frame 60: it has 0 to 59" || !strings.HasPrefix(got[1], "cut.webm: frame 59 cannot be decoded: ") {
		t.Errorf("errors: %q", got)
	}
}

// Chromium's software decoders give planes one by one. What other decoders give is made of them
// here: pairs of chroma, planes with alpha, R'G'B'; and a frame that only the canvas can read.
func TestClipFormats(t *testing.T) {
	tier.InTestAll(t)
	b := newBench(t)
	const w, h = 162, 90 // even, as NV12 needs
	b.makeClip("a.webm", 3, w, h, "-c:v libvpx-vp9 -lossless 1 -pix_fmt yuv420p -colorspace bt709 -color_primaries bt709 -color_trc bt709")
	do[any](b, `
		globalThis.clip = await clips.open(await fetched("a.webm"));
		await send("planes", await clips.frame(clip, 1));
		const Real = VideoDecoder;
		globalThis.VideoDecoder = class extends Real {
			constructor({ output, error }) {
				super({ output: (frame) => remake(frame).then(output, error), error });
			}
		};
		const remake = async (frame) => {
			const { width: codedWidth, height: codedHeight } = frame.visibleRect;
			const n = codedWidth * codedHeight, m = n / 4;
			const init = { codedWidth, codedHeight, timestamp: frame.timestamp, colorSpace: frame.colorSpace };
			const rgb = format === "RGBX" || format === "BGRX";
			const data = new Uint8Array(rgb ? 4 * n : n + 2 * m);
			await frame.copyTo(data, rgb ? { format } : {});
			frame.close();
			let all = data;
			if (format === "NV12") {
				all = data.slice();
				for (let i = 0; i < m; i++) [all[n + 2 * i], all[n + 2 * i + 1]] = [data[n + i], data[n + m + i]];
			} else if (format === "I420A") {
				all = new Uint8Array(2 * n + 2 * m).fill(200);
				all.set(data);
			}
			return new VideoFrame(all, { format, ...init, colorSpace: rgb ? undefined : init.colorSpace });
		};
		for (globalThis.format of ["NV12", "I420A", "RGBX", "BGRX"]) await send(format, await clips.frame({ ...clip, id: format }, 1));
		format = "NV12";
		await send("canvas", await clips.frame({ ...clip, id: "canvas", colorSpace: { matrix: "rgb" }, fullRange: false }, 1));`)
	for _, format := range []string{"NV12", "I420A"} {
		if !bytes.Equal(b.sent(format), b.sent("planes")) {
			t.Errorf("the file of %s is another than that of its planes", format)
		}
	}
	path := filepath.Join(t.TempDir(), "a.y4m")
	if err := os.WriteFile(path, b.sent("planes"), 0o644); err != nil {
		t.Fatal(err)
	}
	want, err := plate.ReadRGB(path, plate.Linear, nil)
	if err != nil {
		t.Fatal(err)
	}
	for name, head := range map[string]string{"RGBX": "8 bits, RGB", "BGRX": "8 bits, RGB", "canvas": "8 bits by canvas"} {
		head = fmt.Sprintf("P6\n# %s\n%d %d\n255\n", head, w, h)
		if !strings.HasPrefix(string(b.sent(name)), head) {
			t.Errorf("%s begins with %.40q, want %q", name, b.sent(name), head)
		}
		path := filepath.Join(t.TempDir(), "a.ppm")
		if err := os.WriteFile(path, b.sent(name), 0o644); err != nil {
			t.Fatal(err)
		}
		got, err := plate.ReadRGB(path, plate.Linear, nil)
		if err != nil {
			t.Fatal(err)
		}
		// The browser's conversion to 8 bits, its matrix, and its own way to spread chroma over the
		// pixels.
		sum := 0.0
		for c := range 3 {
			for i, v := range want.Pix[c] {
				d := float64(v - got.Pix[c][i])
				sum += d * d
			}
		}
		if rms := math.Sqrt(sum / (3 * w * h)); rms > 3./255 {
			t.Errorf("%s: %.2f/255 (root mean square) from the planes", name, 255*rms)
		} else {
			t.Logf("%s: %.2f/255", name, 255*rms)
		}
	}
}

// What the browser encodes, FFmpeg decodes: as many frames, at their times, and alike.
func TestClipOut(t *testing.T) {
	tier.InTestAll(t)
	b := newBench(t)
	able := do[[]struct{ Container, Codec string }](b, `return clipout.possible()`)
	if len(able) == 0 {
		t.Fatal("the browser can write no clip at all")
	}
	containers := make(map[string]bool)
	for _, a := range able {
		containers[a.Container] = true
	}
	const frames = 30
	for _, row := range []struct {
		what, container string
		w, h            int
		fps             string
		rate            string
		video           bool // VideoFrames go in
		note            string
	}{
		{"WebM", "webm", 320, 180, "24", "24/1", false, ""},
		{"MP4", "mp4", 320, 180, "{ num: 30000, den: 1001 }", "30000/1001", false, ""},
		{"an odd size", "mp4", 161, 91, "25", "25/1", false, "The clip has 162x92 pixels, for it needs even numbers: the last column and line is there twice."},
		{"an odd width", "webm", 161, 90, "25", "25/1", false, "The clip has 162x90 pixels, for it needs even numbers: the last column is there twice."},
		{"VideoFrames", "webm", 320, 180, "24", "24/1", true, ""},
		{"VideoFrames of an odd height", "mp4", 160, 91, "24", "24/1", true, "The clip has 160x92 pixels, for it needs even numbers: the last line is there twice."},
	} {
		if !containers[row.container] {
			t.Logf("%s: this browser cannot write %s", row.what, row.container)
			continue
		}
		var rgba []byte
		for n := range frames {
			for i, v := range drawn(n, row.w, row.h) {
				if i%2 == 1 { // the higher byte
					rgba = append(rgba, v)
				}
				if i%6 == 5 {
					rgba = append(rgba, 255)
				}
			}
		}
		if err := os.WriteFile(filepath.Join(b.in, "rgba"), rgba, 0o644); err != nil {
			t.Fatal(err)
		}
		got := do[struct {
			Done []int
			Note string
			Type string
		}](b, `
			const [width, height, container, video] = args;
			const all = new Uint8Array(await (await fetched("rgba")).arrayBuffer());
			const size = 4 * width * height;
			async function* frames() {
				for (let i = 0; i < all.length; i += size) {
					const rgba = all.subarray(i, i + size);
					yield video ? new VideoFrame(rgba, { format: "RGBX", codedWidth: width, codedHeight: height, timestamp: 5 }) : { rgba };
				}
			}
			const done = [];
			let note = "";
			const blob = await clipout.encode({ width, height, fps: `+row.fps+`, frames: frames(), container, onProgress: (n) => done.push(n), onNote: (text) => (note = text) });
			await send("clip", blob);
			return { done, note, type: blob.type };`, row.w, row.h, row.container, row.video)
		if len(got.Done) != frames || got.Done[frames-1] != frames || got.Note != row.note || got.Type != "video/"+row.container {
			t.Errorf("%s: %+v", row.what, got)
		}
		path := filepath.Join(t.TempDir(), "clip")
		if err := os.WriteFile(path, b.sent("clip"), 0o644); err != nil {
			t.Fatal(err)
		}
		probe, err := exec.Command(outside.Program(t, "ffprobe"), "-v", "error", "-select_streams", "v", "-count_frames", "-of", "default=nw=1:nk=1",
			"-show_entries", "stream=width,height,color_range,color_space,color_transfer,color_primaries,r_frame_rate,nb_read_frames", path).Output()
		if err != nil {
			t.Fatal(err)
		}
		w, h := row.w+row.w%2, row.h+row.h%2
		if got, want := strings.Join(strings.Fields(string(probe)), " "), fmt.Sprintf("%d %d tv bt709 bt709 bt709 %s %d", w, h, row.rate, frames); got != want {
			t.Errorf("%s: FFmpeg sees %s, want %s", row.what, got, want)
		}
		decoded := ffmpeg(t, nil, "-i", path, "-vsync", "passthrough", "-vf", "zscale=filter=bilinear:matrixin=709:matrix=gbr:rangein=limited:range=full,format=gbrp,format=rgba", "-f", "rawvideo", "-")
		sum, n := 0.0, 0
		for f := range frames {
			for y := range row.h {
				for x := range row.w {
					for c := range 3 {
						d := float64(decoded[4*(f*w*h+y*w+x)+c]) - float64(rgba[4*(f*row.w*row.h+y*row.w+x)+c])
						sum += d * d
						n++
					}
				}
			}
		}
		psnr := 10 * math.Log10(255*255*float64(n)/sum)
		t.Logf("%s: %.1f dB, %d bytes", row.what, psnr, len(b.sent("clip")))
		// Chromium's encoder of H.264 has no more to give: 37.0 to 38.6 dB at any bit rate. That of
		// VP9 gave 44.2 and more.
		if least := map[string]float64{"webm": 42, "mp4": 36}[row.container]; psnr < least {
			t.Errorf("%s: %.1f dB, want %v at least", row.what, psnr, least)
		}
	}

	// An end by signal, before the start, in between, and as the last frame goes in.
	for _, at := range []int{0, 1, 17, frames} {
		got := do[[]string](b, `
			const [at, count, container] = args;
			const stop = new AbortController();
			let made = 0, returned = "frames are still being made", open = new Set();
			const frames = {
				[Symbol.asyncIterator]() { return this; },
				async next() { return made++ === count ? { done: true } : { value: { rgba: new Uint8Array(4 * 64 * 64).fill(made) } }; },
				async return() { returned = "ended"; return { done: true }; },
			};
			const configure = VideoEncoder.prototype.configure;
			VideoEncoder.prototype.configure = function (config) { open.add(this); return configure.call(this, config); };
			if (at === 0) stop.abort(new Error("moved on"));
			const text = await message(clipout.encode({ width: 64, height: 64, fps: 24, frames, container, onProgress: (n) => n === at && stop.abort(new Error("moved on")), signal: stop.signal }));
			VideoEncoder.prototype.configure = configure;
			return [text, made === 0 || made > count ? "ended" : returned, [...open].every((e) => e.state === "closed") ? "closed" : "an encoder is open"];`, at, frames, able[0].Container)
		if want := []string{"moved on", "ended", "closed"}; !slices.Equal(got, want) {
			t.Errorf("ended at frame %d: %q", at, got)
		}
	}
	if got := do[string](b, `return message(clipout.encode({ width: 64, height: 64, fps: 24, frames: [], container: "webm" }))`); got != "no frames: a clip needs one at least" {
		t.Errorf("no frames: %s", got)
	}
}

// Archives that the page writes, archive/zip reads, and the other way round.
func TestArchive(t *testing.T) {
	tier.InTestAll(t)
	b := newBench(t)
	do[any](b, `
		async function* entries() {
			for (let i = 0; i < 50; i++) yield { name: "comp/frame" + i + ".png", bytes: new Uint8Array(1000 * i).fill(i) };
		}
		await send("zip", await archive.zip(entries()));`)
	z, err := zip.NewReader(bytes.NewReader(b.sent("zip")), int64(len(b.sent("zip"))))
	if err != nil {
		t.Fatal(err)
	}
	if len(z.File) != 50 {
		t.Fatalf("%d files in the archive, want 50", len(z.File))
	}
	for i, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		got, err := io.ReadAll(r) // which holds it against its CRC
		if err != nil || f.Name != fmt.Sprintf("comp/frame%d.png", i) || f.Method != zip.Store || !bytes.Equal(got, bytes.Repeat([]byte{byte(i)}, 1000*i)) {
			t.Errorf("%s: method %d, %d bytes, %v", f.Name, f.Method, len(got), err)
		}
	}
	// Its own archives are read back.
	b.lay("own.zip", b.sent("zip"))
	if got := do[int](b, `
		const files = await archive.unzip(await fetched("own.zip"));
		const bytes = new Uint8Array(await files[49].file.arrayBuffer());
		return bytes.length === 49000 && bytes.every((v) => v === 49) ? files.length : -1;`); got != 50 {
		t.Errorf("read back: %d files", got)
	}

	noise := make([]byte, 300000)
	random := rand.NewChaCha8([32]byte{1})
	random.Read(noise)
	b.lay("frames.zip", archived(t, "hello",
		packed{"take/", zip.Store, nil}, packed{"take/color/a.png", zip.Deflate, noise}, packed{"take/color/ä b.tif", zip.Store, []byte("two")}, packed{"./take/b.exr", zip.Deflate, nil},
		packed{"__MACOSX/take/color/._a.png", zip.Store, []byte("x")}, packed{"take/.DS_Store", zip.Store, []byte("x")}, packed{".hidden/c.png", zip.Store, []byte("x")}))
	got := do[[]string](b, `
		const files = await archive.unzip(await fetched("frames.zip"));
		await send("noise", files[0].file);
		return Promise.all(files.map(async ({ path, file }) => path + " " + file.name + " " + file.size));`)
	if want := []string{"take/color/a.png a.png 300000", "take/color/ä b.tif ä b.tif 3", "take/b.exr b.exr 0"}; !slices.Equal(got, want) || !bytes.Equal(b.sent("noise"), noise) {
		t.Errorf("unpacked %q, want %q", got, want)
	}

	zeros := make([]byte, 2<<20)
	good := archived(t, "", packed{"a.png", zip.Deflate, zeros})
	lying := bytes.Clone(good)
	at := bytes.LastIndex(lying, []byte("PK\x01\x02"))
	binary.LittleEndian.PutUint32(lying[at+24:], 1000) // the size that the list says
	for _, row := range []struct {
		what string
		zip  []byte
		most string
		want string
	}{
		{"many files", archived(t, "", packed{"a", 0, nil}, packed{"b", 0, nil}, packed{"c", 0, nil}), "{ files: 2 }", "it has 3 files, and the limit is 2: unpack it and drop the folder"},
		{"many bytes", good, "{ bytes: 1e6 }", "its files have 2.1 MB, and the limit is 1.0 MB: unpack it and drop the folder"},
		{"much from little", good, "{ free: 1e6 }", "its 2.1 MB come from 0.0 MB, more than 200 times as much: that is no archive of pictures"},
		{"more than it says", lying, "{}", "a.png has more than the 1000 bytes that its list says"},
		{"a path outside", archived(t, "", packed{"a/../../b.png", 0, nil}), "{}", `the path "a/../../b.png" leads out of it`},
		{"an absolute path", archived(t, "", packed{"/b.png", 0, nil}), "{}", `the path "/b.png" leads out of it`},
		{"a path of Windows", archived(t, "", packed{`..\b.png`, 0, nil}), "{}", `the path "..\\b.png" leads out of it`},
		{"cut off", good[:len(good)-30], "{}", "it is no ZIP archive, or it is cut off"},
		{"no archive", []byte("not at all"), "{}", "it is no ZIP archive, or it is cut off"},
		{"damaged", slices.Concat(good[:40], bytes.Repeat([]byte{0xff}, 40), good[80:]), "{}", "a.png is damaged ("},
	} {
		b.lay("bad.zip", row.zip)
		got := do[string](b, `return message(archive.unzip(await fetched("bad.zip"), `+row.most+`))`)
		if want := "bad.zip cannot be unpacked: " + row.want; !strings.HasPrefix(got, want) {
			t.Errorf("%s: %s\nwant %s", row.what, got, want)
		}
	}

	for _, row := range []struct{ what, body, want string }{
		{"one name twice", `archive.zip([{ name: "a", bytes: new Uint8Array(1) }, { name: "./a", bytes: new Uint8Array(1) }])`, "two files called a: each needs a name of its own"},
		{"a name that leads out", `archive.zip([{ name: "../a", bytes: new Uint8Array(1) }])`, `"../a" cannot be a file's name in an archive: it must be like folder/name.png`},
		{"ended by signal", `archive.zip([{ name: "a", bytes: new Uint8Array(1) }], { signal: AbortSignal.abort(new Error("moved on")) })`, "moved on"},
	} {
		if got := do[string](b, "return message("+row.body+")"); got != row.want {
			t.Errorf("%s: %s, want %s", row.what, got, row.want)
		}
	}
}

// The browser's own folder stands in for one that the user opens: it is of the same kind.
func TestIntoFolder(t *testing.T) {
	tier.InTestAll(t)
	b := newBench(t)
	got := do[[]string](b, `
		const folder = await navigator.storage.getDirectory();
		const list = async (at, path = "") => {
			const out = [];
			for await (const [name, h] of at.entries()) out.push(...(h.kind === "file" ? [path + name + " " + (await (await h.getFile()).text())] : await list(h, path + name + "/")));
			return out.sort();
		};
		const text = (s) => new TextEncoder().encode(s);
		const steps = [];
		const n = await archive.intoFolder(folder, [{ name: "comp/a.png", bytes: text("one") }, { name: "b.png", bytes: text("two") }], { onProgress: (n) => steps.push(n) });
		const stop = new AbortController();
		const ended = await message(archive.intoFolder(folder, (function* () {
			yield { name: "b.png", bytes: text("three") };
			stop.abort(new Error("moved on"));
			yield { name: "c.png", bytes: text("four") };
		})(), { signal: stop.signal }));
		const outside = await message(archive.intoFolder(folder, [{ name: "../d.png", bytes: text("five") }]));
		return [String(n), steps.join(), ended, outside, ...(await list(folder))];`)
	want := []string{"2", "1,2", "moved on", `"../d.png" cannot be a file's name in a folder: it must be like folder/name.png`, "b.png three", "comp/a.png one"}
	if !slices.Equal(got, want) {
		t.Errorf("%q\nwant %q", got, want)
	}
}

// lay puts a file where the page can fetch it.
func (b *bench) lay(name string, data []byte) {
	b.t.Helper()
	if err := os.WriteFile(filepath.Join(b.in, name), data, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

type packed struct {
	name   string
	method uint16
	data   []byte
}

func archived(t testing.TB, comment string, files ...packed) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	if err := z.SetComment(comment); err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		w, err := z.CreateHeader(&zip.FileHeader{Name: f.name, Method: f.method})
		if err == nil && len(f.data) > 0 {
			_, err = w.Write(f.data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
