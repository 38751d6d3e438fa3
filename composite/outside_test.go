//go:build !js

package composite

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// straight16 writes f as unpremultiplied RGBA of 16 bits, little-endian, its values taken as code
// values, and sets f to what the file holds.
func straight16(t *testing.T, path string, f *plate.RGBA) {
	t.Helper()
	codes := make([]uint16, 0, 4*len(f.A))
	for i := range f.A {
		alpha := math.Round(float64(f.A[i]) * 0xffff)
		for c := range f.Pix {
			var code float64
			if f.A[i] > 0 {
				code = math.Round(min(float64(f.Pix[c][i]/f.A[i]), 1) * 0xffff)
			}
			codes = append(codes, uint16(code))
			f.Pix[c][i] = float32(code / 0xffff * alpha / 0xffff)
		}
		codes = append(codes, uint16(alpha))
		f.A[i] = float32(alpha / 0xffff)
	}
	var data bytes.Buffer
	if err := binary.Write(&data, binary.LittleEndian, codes); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
}

// ImageMagick's -compose on the same random pixels, alpha 0 and 1 among them. Its code values are
// taken for linear light: it composes numbers as they are.
func TestComposeAgainstImageMagick(t *testing.T) {
	convert := outside.Program(t, "convert")
	const w, h = 48, 40
	folder := t.TempDir()
	a, b := randomRGBA(11, w, h), randomRGBA(12, w, h)
	fileA, fileB := filepath.Join(folder, "a.rgba"), filepath.Join(folder, "b.rgba")
	straight16(t, fileA, a)
	straight16(t, fileB, b)
	for _, test := range []struct {
		op      Operator
		compose string // ImageMagick's name, from its manual of -compose
	}{
		{Clear, "Clear"}, {OnlyA, "Src"}, {OnlyB, "Dst"},
		{AOverB, "SrcOver"}, {BOverA, "DstOver"}, {AInB, "SrcIn"}, {BInA, "DstIn"}, {AOutB, "SrcOut"}, {BOutA, "DstOut"},
		{AAtopB, "SrcAtop"}, {BAtopA, "DstAtop"}, {AXorB, "Xor"}, {Plus, "Plus"},
	} {
		t.Run(test.op.String(), func(t *testing.T) {
			size := fmt.Sprintf("%dx%d", w, h)
			cmd := exec.Command(convert, "-size", size, "-depth", "16", "-endian", "LSB", "rgba:"+fileB, "rgba:"+fileA,
				"-set", "colorspace", "sRGB", "-compose", test.compose, "-composite", "-depth", "16", "-endian", "LSB", "rgba:-")
			out, err := cmd.Output()
			if err != nil {
				t.Fatal(err)
			}
			codes := make([]uint16, 4*w*h)
			if err := binary.Read(bytes.NewReader(out), binary.LittleEndian, codes); err != nil {
				t.Fatalf("%d bytes: %v", len(out), err)
			}
			got, err := Compose(nil, test.op, a, b)
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for i := range got.A {
				alpha := float64(codes[4*i+3])
				worst = max(worst, math.Abs(float64(got.A[i])*0xffff-alpha))
				for c := range got.Pix {
					v := float64(got.Pix[c][i])
					if test.op == Plus {
						v = min(v, 1) // Compose does not clamp color, and ImageMagick's integers do.
					}
					worst = max(worst, math.Abs(v*0xffff-float64(codes[4*i+c])*alpha/0xffff))
				}
			}
			if worst > 1.01 {
				t.Errorf("up to %.2f codes of 16 bits off ImageMagick's", worst)
			}
		})
	}
}

// The resampling scripts read a job and a picture, and print what a reference makes of one plane of
// it.
const resampling = `
import sys, json, numpy as np
job = json.loads(sys.argv[1])
src = np.fromfile(job['file'], '<f4').reshape(job['h'], job['w'])
W, H = job['to']
if job['with'] == 'pillow':
    from PIL import Image
    out = np.asarray(Image.fromarray(src).resize((W, H), Image.BICUBIC, box=job.get('box')))
elif job['with'] == 'area':
    import cv2
    out = cv2.resize(src, (W, H), interpolation=cv2.INTER_AREA)
elif job['with'] == 'numpy':
    # Keys's convolution as a matrix for either direction, a = -1/2, in float64.
    def matrix(n, m):
        at = (np.arange(m) + 0.5) * n / m - 0.5
        x = np.abs(np.arange(n)[None, :] - at[:, None]) / max(1, n / m)
        k = np.where(x < 1, 1.5*x**3 - 2.5*x**2 + 1, np.where(x < 2, -0.5*x**3 + 2.5*x**2 - 4*x + 2, 0))
        return k / k.sum(1, keepdims=True)
    out = matrix(job['h'], H) @ src.astype(float) @ matrix(job['w'], W).T
print(json.dumps([float(v) for v in out.ravel()]))
`

func TestFitterAgainstOthers(t *testing.T) {
	tier.InTest(t)
	const w, h = 60, 48
	noise := &randomRGBA(13, w, h).RGB
	for i := range noise.Pix[0] {
		noise.Pix[0][i] = 3*noise.Pix[0][i] - 1 // below 0 and above 1 too
	}
	smooth := plate.NewRGB(w, h)
	for i := range smooth.Pix[0] {
		x, y := float64(i%w), float64(i/w)
		smooth.Pix[0][i] = float32(0.5 + 0.3*math.Sin(x/9)*math.Cos(y/8) + x/300)
	}
	for _, test := range []struct {
		name      string
		with      string
		src       *plate.RGB
		w, h      int
		fit       Fit
		box       []float64 // the part of the picture that fills the frame, for Pillow
		margin    int       // pixels at the frame's edges to leave out
		tolerance float64
	}{
		// Pillow's bicubic has a = -1/2, widens when it shrinks and drops what is outside.
		{"Pillow, enlarged", "pillow", noise, 150, 77, Fit{Mode: Stretch}, nil, 0, 2e-6},
		{"Pillow, shrunk", "pillow", noise, 17, 23, Fit{Mode: Stretch}, nil, 0, 2e-6},
		{"Pillow, shrunk a little", "pillow", noise, 58, 47, Fit{Mode: Stretch}, nil, 0, 2e-6},
		{"Pillow, wider and lower", "pillow", noise, 90, 11, Fit{Mode: Stretch}, nil, 0, 2e-6},
		// To fill 40x48 at the same scale, 10 pixels go on either side. Pillow sees nothing outside
		// its box.
		{"Pillow, filled", "pillow", noise, 80, 96, Fit{}, []float64{10, 0, 50, 48}, 4, 2e-6},
		// A frame of 60x48 showing the picture at twice the size, moved right by 6 and down by 12
		// pixels.
		{"Pillow, magnified and moved", "pillow", noise, 60, 48, Fit{Scale: 2, OffsetX: 0.1, OffsetY: 0.25}, []float64{12, 6, 42, 30}, 4, 2e-6},
		{"numpy, enlarged", "numpy", noise, 133, 101, Fit{Mode: Stretch}, nil, 0, 2e-6},
		{"numpy, shrunk", "numpy", noise, 25, 19, Fit{Mode: Stretch}, nil, 0, 2e-6},
		// OpenCV's INTER_AREA is another filter, the plain mean of each block: on a smooth picture
		// the two are as close as the picture's own curvature allows.
		{"OpenCV, area, a half", "area", smooth, 30, 24, Fit{Mode: Stretch}, nil, 1, 3e-3},
		{"OpenCV, area, a third", "area", smooth, 20, 16, Fit{Mode: Stretch}, nil, 1, 6e-3},
	} {
		t.Run(test.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "picture")
			var data bytes.Buffer
			if err := binary.Write(&data, binary.LittleEndian, test.src.Pix[0]); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, data.Bytes(), 0o666); err != nil {
				t.Fatal(err)
			}
			job, err := json.Marshal(map[string]any{"with": test.with, "file": path, "w": w, "h": h, "to": []int{test.w, test.h}, "box": test.box})
			if err != nil {
				t.Fatal(err)
			}
			var want []float64
			outside.Python(t, resampling, &want, string(job))
			got := fitted(t, test.src, test.w, test.h, test.fit)
			worst := 0.0
			for y := test.margin; y < test.h-test.margin; y++ {
				for x := test.margin; x < test.w-test.margin; x++ {
					i := y*test.w + x
					worst = max(worst, math.Abs(float64(got.Pix[0][i])-want[i]))
				}
			}
			if worst > test.tolerance {
				t.Errorf("up to %v off", worst)
			}
			t.Logf("up to %.2g off", worst)
		})
	}
}
