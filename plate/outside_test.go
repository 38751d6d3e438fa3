//go:build !js

package plate_test

import (
	"fmt"
	"image"
	"image/color"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
)

// convert runs ImageMagick and returns what it prints.
func convert(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command(outside.Program(t, "convert"), args...).CombinedOutput()
	if err != nil {
		t.Fatalf("convert %v: %v\n%s", args, err, out)
	}
	return string(out)
}

var txtPixel = regexp.MustCompile(`(?m)^(\d+),(\d+): \(([\d,.]+)\)`)

// txt returns the pixels of a file as ImageMagick prints them, in 16 bits: red, green, blue, alpha.
func txt(t *testing.T, path string) map[image.Point][4]int {
	t.Helper()
	pixels := make(map[image.Point][4]int)
	space := []string{path, "-colorspace", "sRGB"}
	if filepath.Ext(path) == ".dpx" { // whose values ImageMagick would take to be linear light, and encode
		space = []string{path, "-set", "colorspace", "sRGB"}
	}
	for _, match := range txtPixel.FindAllStringSubmatch(convert(t, append(space, "-alpha", "set", "-type", "TrueColorAlpha", "-depth", "16", "txt:-")...), -1) {
		x, _ := strconv.Atoi(match[1])
		y, _ := strconv.Atoi(match[2])
		var v [4]int
		for i, s := range strings.Split(match[3], ",") {
			v[i], _ = strconv.Atoi(s)
		}
		pixels[image.Pt(x, y)] = v
	}
	return pixels
}

// Files that ImageMagick makes are read with the values that it prints for them.
func TestReadAgainstImageMagick(t *testing.T) {
	dir := t.TempDir()
	noise := []string{"-size", "23x17", "-seed", "5", "plasma:red-blue", "-attenuate", "0.4", "+noise", "Gaussian"}
	alpha := []string{"(", "-size", "23x17", "-seed", "6", "plasma:", "-colorspace", "Gray", ")", "-alpha", "off", "-compose", "CopyOpacity", "-composite"}
	gray := []string{"-colorspace", "Gray"}
	for _, row := range []struct {
		name   string
		args   []string
		want   plate.Info
		within int // in units of 1/65535
	}{
		{"rgb8.png", []string{"-depth", "8", "-define", "png:color-type=2"}, plate.Info{Format: "png", Depth: 8, Color: true}, 0},
		{"rgb16.png", []string{"-depth", "16", "-define", "png:color-type=2"}, plate.Info{Format: "png", Depth: 16, Color: true}, 0},
		{"interlaced.png", []string{"-depth", "16", "-interlace", "PNG", "-define", "png:color-type=2"}, plate.Info{Format: "png", Depth: 16, Color: true}, 0},
		{"gray8.png", append(gray, "-depth", "8", "-define", "png:color-type=0"), plate.Info{Format: "png", Depth: 8}, 0},
		{"gray16.png", append(gray, "-depth", "16", "-define", "png:color-type=0"), plate.Info{Format: "png", Depth: 16}, 0},
		{"palette.png", []string{"-colors", "16", "-define", "png:color-type=3"}, plate.Info{Format: "png", Depth: 8, Color: true}, 0},
		{"rgba8.png", append(alpha, "-depth", "8", "-define", "png:color-type=6"), plate.Info{Format: "png", Depth: 8, Color: true, Alpha: true}, 0},
		{"rgba16.png", append(alpha, "-depth", "16", "-define", "png:color-type=6"), plate.Info{Format: "png", Depth: 16, Color: true, Alpha: true}, 0},
		{"graya16.png", append(append(gray, alpha...), "-depth", "16", "-define", "png:color-type=4"), plate.Info{Format: "png", Depth: 16, Alpha: true}, 0},
		{"rgb8.tif", []string{"-depth", "8", "-compress", "None"}, plate.Info{Format: "tiff", Depth: 8, Color: true}, 0},
		{"rgb16.tif", []string{"-depth", "16", "-compress", "LZW"}, plate.Info{Format: "tiff", Depth: 16, Color: true}, 0},
		{"big-endian.tif", []string{"-depth", "16", "-endian", "MSB", "-compress", "Zip"}, plate.Info{Format: "tiff", Depth: 16, Color: true}, 0},
		{"gray16.tif", append(gray, "-depth", "16", "-compress", "None"), plate.Info{Format: "tiff", Depth: 16}, 0},
		{"rgba16.tif", append(alpha, "-depth", "16", "-define", "tiff:alpha=unassociated"), plate.Info{Format: "tiff", Depth: 16, Color: true, Alpha: true}, 0},
		{"rgb8.ppm", []string{"-depth", "8"}, plate.Info{Format: "pnm", Depth: 8, Color: true}, 0},
		{"rgb16.ppm", []string{"-depth", "16"}, plate.Info{Format: "pnm", Depth: 16, Color: true}, 0},
		{"rgb8.dpx", []string{"-depth", "8"}, plate.Info{Format: "dpx", Depth: 8, Color: true}, 0},
		{"rgb10.dpx", []string{"-depth", "10"}, plate.Info{Format: "dpx", Depth: 10, Color: true}, 0},
		{"rgb10le.dpx", []string{"-depth", "10", "-endian", "LSB"}, plate.Info{Format: "dpx", Depth: 10, Color: true}, 0},
		{"rgb12.dpx", []string{"-depth", "12"}, plate.Info{Format: "dpx", Depth: 12, Color: true}, 0},
		{"rgb16.dpx", []string{"-depth", "16"}, plate.Info{Format: "dpx", Depth: 16, Color: true}, 0},
		{"gray8.dpx", append(gray, "-depth", "8"), plate.Info{Format: "dpx", Depth: 8}, 0},
		{"gray10.dpx", append(gray, "-depth", "10"), plate.Info{Format: "dpx", Depth: 10}, 0},
		{"gray16.dpx", append(gray, "-depth", "16"), plate.Info{Format: "dpx", Depth: 16}, 0},
		{"rgba8.dpx", append(alpha, "-depth", "8"), plate.Info{Format: "dpx", Depth: 8, Color: true, Alpha: true}, 0},
		// ImageMagick reads this kind without filling the lower 6 of 16 bits.
		{"rgba10.dpx", append(alpha, "-depth", "10"), plate.Info{Format: "dpx", Depth: 10, Color: true, Alpha: true}, 63},
		{"rgba16.dpx", append(alpha, "-depth", "16"), plate.Info{Format: "dpx", Depth: 16, Color: true, Alpha: true}, 0},
		{"gray8.pgm", append(gray, "-depth", "8"), plate.Info{Format: "pnm", Depth: 8}, 0},
		{"gray16.pgm", append(gray, "-depth", "16"), plate.Info{Format: "pnm", Depth: 16}, 0},
		// Decoders of JPEG and WebP round in their own ways; 1/255 is 257.
		{"color.jpg", []string{"-quality", "95", "-sampling-factor", "1x1"}, plate.Info{Format: "jpeg", Depth: 8, Color: true}, 3 * 257},
		{"gray.jpg", append(gray, "-quality", "90"), plate.Info{Format: "jpeg", Depth: 8}, 2 * 257},
		{"progressive.jpg", []string{"-quality", "95", "-interlace", "JPEG", "-sampling-factor", "1x1"}, plate.Info{Format: "jpeg", Depth: 8, Color: true}, 3 * 257},
		{"lossless.webp", []string{"-define", "webp:lossless=true"}, plate.Info{Format: "webp", Depth: 8, Color: true}, 0},
		{"alpha.webp", append(alpha, "-define", "webp:lossless=true", "-define", "webp:exact=true"), plate.Info{Format: "webp", Depth: 8, Color: true, Alpha: true}, 0},
	} {
		path := filepath.Join(dir, row.name)
		convert(t, append(append(append([]string{}, noise...), row.args...), path)...)
		row.want.W, row.want.H = 23, 17
		got, err := plate.Probe(path)
		got.Curve, got.Primaries = "", plate.Primaries{} // which tags_outside_test.go is about
		if err != nil || got != row.want {
			t.Errorf("%s: %+v, %v, want %+v", row.name, got, err, row.want)
			continue
		}
		m, err := plate.ReadImage(path, nil)
		if err != nil {
			t.Error(err)
			continue
		}
		want := txt(t, path)
		if len(want) != 23*17 {
			t.Fatalf("%s: ImageMagick printed %d pixels", row.name, len(want))
		}
		// Straight codes, by way of linear light and back.
		straight := plate.Encode(plate.FromImage(m, plate.Linear), plate.Linear, 16).(*image.NRGBA64)
		worst := 0
		for p, v := range want {
			c := straight.NRGBA64At(p.X, p.Y)
			if v[3] == 0 {
				v = [4]int{}
			}
			for i, g := range [4]uint16{c.R, c.G, c.B, c.A} {
				worst = max(worst, abs(int(g)-v[i]))
			}
		}
		if worst > row.within {
			t.Errorf("%s: differs by up to %d/65535, want %d", row.name, worst, row.within)
		}
	}
}

func abs(v int) int { return max(v, -v) }

// What is written holds the same codes for ImageMagick and for OpenCV, with and without alpha.
func TestWriteAgainstOutside(t *testing.T) {
	const script = `
import cv2, json, sys
out = []
for path in sys.argv[1:]:
    m = cv2.imread(path, cv2.IMREAD_UNCHANGED)
    channels = 1 if m.ndim == 2 else m.shape[2]
    if channels > 1:
        m = m[..., [2, 1, 0, 3][:channels]]
    out.append({"type": str(m.dtype), "channels": channels, "values": m.reshape(-1).tolist()})
print(json.dumps(out))`
	random := rand.New(rand.NewPCG(3, 3))
	const w, h = 19, 11
	frame := plate.NewRGBA(w, h)
	gray := plate.NewGray(w, h)
	for i := range frame.A {
		frame.A[i] = 0.1 + 0.9*random.Float32()
		gray.Pix[i] = random.Float32()
		for c := range frame.Pix {
			frame.Pix[c][i] = frame.A[i] * random.Float32()
		}
	}
	dir := t.TempDir()
	type file struct {
		path  string
		depth int
		frame image.Image
		kind  int // channels
	}
	var files []file
	var paths []string
	for _, extension := range []string{"png", "tif"} {
		for _, depth := range []int{8, 16} {
			for kind, f := range map[int]image.Image{1: gray, 3: &frame.RGB, 4: frame} {
				for _, compression := range []plate.Effort{plate.FastCompression, plate.SmallCompression} {
					path := filepath.Join(dir, fmt.Sprintf("%d-%d-%d.%s", kind, depth, compression, extension))
					opt := &plate.WriteOptions{Curve: plate.BT709, Depth: depth, Compression: compression}
					if err := plate.Write(path, f, opt); err != nil {
						t.Fatal(err)
					}
					files, paths = append(files, file{path, depth, f, kind}), append(paths, path)
				}
			}
		}
	}
	var opencv []struct {
		Type     string
		Channels int
		Values   []int
	}
	outside.Python(t, script, &opencv, paths...)
	for i, f := range files {
		m := plate.Encode(f.frame, plate.BT709, f.depth)
		if got, want := opencv[i].Type, fmt.Sprintf("uint%d", f.depth); got != want || opencv[i].Channels != f.kind {
			t.Errorf("%s: OpenCV finds %s, %d channels, want %s, %d", f.path, got, opencv[i].Channels, want, f.kind)
			continue
		}
		printed := txt(t, f.path)
		for y := range h {
			for x := range w {
				c := color.NRGBA64Model.Convert(m.At(x, y)).(color.NRGBA64)
				codes := [4]int{int(c.R), int(c.G), int(c.B), int(c.A)}
				if v, ok := m.(*image.NRGBA); ok { // the color model is not exact here
					c := v.NRGBAAt(x, y)
					codes = [4]int{int(c.R) * 257, int(c.G) * 257, int(c.B) * 257, int(c.A) * 257}
				}
				if printed[image.Pt(x, y)] != codes {
					t.Fatalf("%s: ImageMagick prints %v at (%d, %d), want %v", f.path, printed[image.Pt(x, y)], x, y, codes)
				}
				for k := range f.kind {
					want := codes[k]
					if f.depth == 8 {
						want /= 257
					}
					within := 0
					if f.depth == 8 && f.kind == 4 && k < 3 && filepath.Ext(f.path) == ".tif" {
						// OpenCV reads this kind by libtiff's RGBA interface, which multiplies
						// alpha in (not checked against the source; ImageMagick above shows that
						// the file is straight).
						want, within = want*codes[3]/0xffff, 1
					}
					if got := opencv[i].Values[(y*w+x)*f.kind+k]; abs(got-want) > within {
						t.Fatalf("%s: OpenCV reads %d at (%d, %d), channel %d, want %d", f.path, got, x, y, k, want)
					}
				}
			}
		}
	}
}
