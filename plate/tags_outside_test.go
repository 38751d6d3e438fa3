//go:build !js

package plate_test

import (
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
)

// ImageMagick finds the primaries and the power that we state, and we find what it states.
func TestTagsAgainstImageMagick(t *testing.T) {
	dir := t.TempDir()
	identify := outside.Program(t, "identify")
	f := plate.NewRGB(8, 8)
	f.Fill(0.2, 0.5, 0.7)
	for _, row := range []struct {
		name  string
		opt   plate.WriteOptions
		wants []string
	}{
		{"srgb.png", plate.WriteOptions{Curve: plate.SRGB}, []string{"png:sRGB: intent=1", "gamma=0.45455", "png:cHRM: chunk was found", "red primary: (0.64,0.33)", "white point: (0.3127,0.329)"}},
		{"2020.png", plate.WriteOptions{Curve: plate.BT1886, Primaries: plate.PrimariesBT2020}, []string{"gamma=0.41667", "red primary: (0.708,0.292)", "green primary: (0.17,0.797)", "Comment: Transfer curve: bt1886"}},
		{"linear.png", plate.WriteOptions{}, []string{"gamma=1 "}},
		{"acescct.png", plate.WriteOptions{Curve: plate.ACEScct, Primaries: plate.PrimariesAP1}, []string{"Comment: Transfer curve: acescct", "Primaries: ap1"}},
		{"srgb.tif", plate.WriteOptions{Curve: plate.SRGB}, []string{"icc:description: srgb, bt709", "red primary: (0.64,0.33)", "white point: (0.3127,0.329)", "Transfer curve: srgb"}},
		{"pq.tif", plate.WriteOptions{Curve: plate.PQ, Primaries: plate.PrimariesBT2020}, []string{"red primary: (0.708,0.292)", "blue primary: (0.131,0.046)", "Transfer curve: pq"}},
	} {
		path := filepath.Join(dir, row.name)
		if err := plate.Write(path, f, &row.opt); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(identify, "-verbose", path).CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		for _, want := range row.wants {
			if !strings.Contains(string(out), want) {
				t.Errorf("%s: ImageMagick does not print %q:\n%s", row.name, want, out)
			}
		}
	}
	for _, row := range []struct {
		name      string
		args      []string
		curve     string
		primaries string
	}{
		{"a.png", []string{"-define", "png:color-type=2"}, "gamma 2.2", "bt709"},
		{"linear.png", []string{"-set", "colorspace", "RGB", "-define", "png:color-type=2"}, "linear", "not known"},
		{"a.tif", []string{"-red-primary", "0.68,0.32", "-green-primary", "0.265,0.69", "-blue-primary", "0.15,0.06", "-white-point", "0.3127,0.329"}, "", "p3-d65"},
	} {
		path := filepath.Join(dir, "theirs-"+row.name)
		convert(t, append(append([]string{"-size", "9x9", "-depth", "16", "gradient:red-blue"}, row.args...), path)...)
		info, err := plate.Probe(path)
		if err != nil || info.Curve != row.curve || info.Primaries.String() != row.primaries {
			t.Errorf("%s: %q, %v, %v, want %q, %s", row.name, info.Curve, info.Primaries, err, row.curve, row.primaries)
		}
	}
}

// LittleCMS takes our profiles for what they say: through them and its own sRGB profile colors
// become what our matrices and curves make of them, within two of its 255 steps.
func TestICCAgainstLittleCMS(t *testing.T) {
	const script = `
import io, json, sys
from PIL import Image, ImageCms
out = []
for path in sys.argv[1:]:
    m = Image.open(path)
    profile = ImageCms.ImageCmsProfile(io.BytesIO(m.info["icc_profile"]))
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    m = ImageCms.profileToProfile(m, profile, srgb, renderingIntent=1, outputMode="RGB")
    out.append([list(m.getpixel((x, 0))) for x in range(m.width)])
print(json.dumps(out))`
	dir := t.TempDir()
	f := plate.NewRGB(6, 1)
	colors := [][3]float32{{0.2, 0.2, 0.2}, {0.5, 0.4, 0.3}, {0.3, 0.45, 0.5}, {0.4, 0.3, 0.42}, {0.8, 0.8, 0.8}, {0.6, 0.62, 0.5}}
	for i, v := range colors {
		for c := range v {
			f.Pix[c][i] = v[c]
		}
	}
	var paths []string
	var want [][][3]int
	for _, c := range []plate.Curve{plate.SRGB, plate.BT709, plate.BT1886} { // 8 bits of linear light are too coarse to tell
		for _, p := range []plate.Primaries{plate.PrimariesBT709, plate.PrimariesP3D65, plate.PrimariesBT2020, plate.PrimariesAP1} {
			path := filepath.Join(dir, fmt.Sprintf("%s-%v.tif", c.Name(), p))
			if err := plate.Write(path, f, &plate.WriteOptions{Curve: c, Primaries: p, Depth: 8}); err != nil {
				t.Fatal(err)
			}
			paths = append(paths, path)
			g := f.Clone()
			g.Multiply(p.To(plate.PrimariesBT709))
			var list [][3]int
			for i := range colors {
				var v [3]int
				for k := range v {
					v[k] = int(math.Round(255 * plate.SRGB.FromLinear(float64(g.Pix[k][i]))))
				}
				list = append(list, v)
			}
			want = append(want, list)
		}
	}
	var got [][][3]int
	outside.Python(t, script, &got, paths...)
	for k, list := range want {
		for i, v := range list {
			for c := range v {
				if abs(got[k][i][c]-v[c]) > 2 {
					t.Errorf("%s: color %d becomes %v, want %v", filepath.Base(paths[k]), i, got[k][i], v)
					break
				}
			}
		}
	}
}

// The profile that LittleCMS makes for sRGB is found to be that, in a PNG file and in a TIFF file.
func TestICCOfLittleCMS(t *testing.T) {
	const script = `
import json, sys
from PIL import Image, ImageCms
profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
for path in sys.argv[1:]:
    Image.new("RGB", (4, 4)).save(path, icc_profile=profile)
print(json.dumps(len(profile)))`
	dir := t.TempDir()
	paths := []string{filepath.Join(dir, "a.png"), filepath.Join(dir, "a.tif")}
	var n int
	outside.Python(t, script, &n, paths...)
	for _, path := range paths {
		if info, err := plate.Probe(path); err != nil || info.Curve != "srgb" || info.Primaries.Name() != "bt709" {
			t.Errorf("%+v, %v", info, err)
		}
	}
}

// OpenEXR's own tools and OpenCV take what Write makes of a frame.
func TestEXRAgainstOpenCV(t *testing.T) {
	const script = `
import os, json, sys
os.environ["OPENCV_IO_ENABLE_OPENEXR"] = "1"
import cv2
out = []
for path in sys.argv[1:]:
    m = cv2.imread(path, cv2.IMREAD_UNCHANGED)
    out.append(m[..., [2, 1, 0, 3][:m.shape[2]]].reshape(-1).tolist())
print(json.dumps(out))`
	dir := t.TempDir()
	f := plate.NewRGBA(9, 6)
	for i := range f.A {
		f.A[i] = float32(i%8) / 8
		for c := range f.Pix {
			f.Pix[c][i] = float32(i*(c+1)-30) / 16
		}
	}
	var paths []string
	for _, depth := range []int{16, 32} {
		for _, compression := range []plate.Effort{plate.FastCompression, plate.NoCompression, plate.SmallCompression} {
			path := filepath.Join(dir, fmt.Sprintf("%d-%d.exr", depth, compression))
			if err := plate.Write(path, f, &plate.WriteOptions{Depth: depth, Compression: compression}); err != nil {
				t.Fatal(err)
			}
			paths = append(paths, path)
			of := map[int]string{16: "half", 32: "float"}[depth]
			outside.EXRInfo(t, path, "displayWindow: [ 0, 0 - 8 5 ] 9 x 6", "dataWindow: [ 0, 0 - 8 5 ] 9 x 6", "channels: 4 channels",
				"'A': "+of+" samp 1 1", "'B': "+of+" samp 1 1", "'G': "+of+" samp 1 1", "'R': "+of+" samp 1 1")
		}
	}
	var got [][]float32
	outside.Python(t, script, &got, paths...)
	for k, values := range got {
		for i := range f.A {
			for c, want := range []float32{f.Pix[0][i], f.Pix[1][i], f.Pix[2][i], f.A[i]} {
				if values[4*i+c] != want {
					t.Fatalf("%s: OpenCV reads %v, want %v", filepath.Base(paths[k]), values[4*i+c], want)
				}
			}
		}
	}
}
