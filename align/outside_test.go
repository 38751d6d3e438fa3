//go:build !js

package align

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/plate"
)

// Hartley and Zisserman's algorithm 4.2 is what OpenCV's findHomography does with method 0, before it
// refines by Levenberg and Marquardt: for exact points the two agree, but for what findHomography loses by
// rounding the points to 32 bits.
func TestFitHomographyOpenCV(t *testing.T) {
	for _, row := range rigs {
		if row.g.Radial != [2]float64{} {
			continue
		}
		var from, to [][2]float64
		for _, p := range row.g.Grid(4) {
			from, to = append(from, p.Color), append(to, p.Band)
		}
		arg, err := json.Marshal([][][2]float64{from, to, {{12.25, 30.5}, {-40, 900}, {600, 300}}})
		if err != nil {
			t.Fatal(err)
		}
		var ref struct {
			H    [9]float64
			Move [][2]float64
		}
		outside.Python(t, `
import sys, json, numpy as np, cv2
src, dst, more = [np.array(a, float) for a in json.loads(sys.argv[1])]
h, _ = cv2.findHomography(src, dst, 0)
print(json.dumps(dict(H=h.ravel().tolist(), Move=cv2.perspectiveTransform(more[None], h)[0].tolist())))
`, &ref, string(arg))
		h, err := FitHomography(from, to)
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
			continue
		}
		for i := range h {
			if math.Abs(h[i]-ref.H[i]) > 1e-5*math.Max(1, math.Abs(h[i])) {
				t.Errorf("%s: %v, findHomography has %v", row.name, h, ref.H)
				break
			}
		}
		g := with(Identity(10, 10), h, 0, 0)
		for i, p := range [][2]float64{{12.25, 30.5}, {-40, 900}, {600, 300}} {
			if x, y := g.Map(p[0], p[1]); math.Hypot(x-ref.Move[i][0], y-ref.Move[i][1]) > 1e-3 {
				t.Errorf("%s: %v goes to (%v, %v), perspectiveTransform has %v", row.name, p, x, y, ref.Move[i])
			}
		}
	}
}

// On a photograph that comes with scikit-image (skimage.data.camera), against Keys's formula written down anew in NumPy in
// double precision, and against OpenCV. OpenCV's cubic is another one (a = -0.75) with its places rounded to
// 1/32 of a pixel: it differs more, and only the mean is bounded.
func TestResamplePhotograph(t *testing.T) {
	const w, h = 128, 96
	for _, row := range []struct {
		name string
		h    [9]float64
	}{
		{"moved", [9]float64{1, 0, 3.3, 0, 1, -2.7, 0, 0, 1}},
		{"turned, in perspective", [9]float64{0.98, -0.05, 4.1, 0.05, 1.01, -3.2, 1e-4, -5e-5, 1}},
	} {
		arg, err := json.Marshal(row.h)
		if err != nil {
			t.Fatal(err)
		}
		var ref struct{ Photo, Keys, OpenCV []float64 }
		outside.Python(t, `
import sys, json, numpy as np, cv2, skimage.data
H = np.array(json.loads(sys.argv[1])).reshape(3, 3)
a = skimage.data.camera()[60:156, 180:308].astype(np.float32) / 255
h, w = a.shape
y, x = np.mgrid[0:h, 0:w].astype(float)
q = np.tensordot(H, np.stack([x, y, np.ones_like(x)]), 1)
bx, by = q[0] / q[2], q[1] / q[2]
def keys(s):
    s = abs(s)
    return np.where(s < 1, 1.5*s**3 - 2.5*s**2 + 1, np.where(s < 2, -0.5*s**3 + 2.5*s**2 - 4*s + 2, 0))
ix, iy = np.floor(bx).astype(int), np.floor(by).astype(int)
out = np.zeros((h, w))
for j in range(-1, 3):
    for i in range(-1, 3):
        out += keys(by-iy-j) * keys(bx-ix-i) * a[np.clip(iy+j, 0, h-1), np.clip(ix+i, 0, w-1)].astype(float)
cv = cv2.warpPerspective(a, H, (w, h), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
print(json.dumps(dict(Photo=a.ravel().tolist(), Keys=out.ravel().tolist(), OpenCV=cv.ravel().astype(float).tolist())))
`, &ref, string(arg))
		src := plate.NewGray(w, h)
		for i, v := range ref.Photo {
			src.Pix[i] = float32(v)
		}
		dst := NewResampler(with(Identity(w, h), row.h, 0, 0)).Gray(nil, src)
		worst, square := 0.0, 0.0
		for i, v := range dst.Pix {
			worst = math.Max(worst, math.Abs(float64(v)-ref.Keys[i]))
			square += (float64(v) - ref.OpenCV[i]) * (float64(v) - ref.OpenCV[i])
		}
		rms := math.Sqrt(square / (w * h))
		t.Logf("%s: at most %.1g from Keys in double precision, %.4f RMS from OpenCV", row.name, worst, rms)
		if worst > 1e-5 {
			t.Errorf("%s: up to %g from Keys in double precision, want 1e-5", row.name, worst)
		}
		if rms > 0.02 {
			t.Errorf("%s: %.4f RMS from OpenCV's cubic, want 0.02", row.name, rms)
		}
	}
}

// On the same photograph, against SciPy's map_coordinates (order 1 is exact bilinear, and mode "nearest" repeats the
// border), against OpenCV's remap (INTER_LINEAR, whose places are rounded to 1/32 of a pixel), and against the formula
// of Lanczos's kernel written down anew in NumPy in double precision, normalized.
func TestResampleKernelsOutside(t *testing.T) {
	const w, h = 128, 96
	g := with(Identity(w, h), [9]float64{0.98, -0.05, 14.1, 0.05, 1.01, -9.2, 1e-4, -5e-5, 1}, 0, 0)
	arg, err := json.Marshal(g.Homography)
	if err != nil {
		t.Fatal(err)
	}
	var ref struct{ Photo, SciPy, OpenCV, Lanczos []float64 }
	outside.Python(t, `
import sys, json, numpy as np, cv2, skimage.data
from scipy.ndimage import map_coordinates
H = np.array(json.loads(sys.argv[1])).reshape(3, 3)
a = skimage.data.camera()[60:156, 180:308].astype(np.float32) / 255
h, w = a.shape
y, x = np.mgrid[0:h, 0:w].astype(float)
q = np.tensordot(H, np.stack([x, y, np.ones_like(x)]), 1)
bx, by = q[0] / q[2], q[1] / q[2]
sp = map_coordinates(a.astype(float), [by, bx], order=1, mode='nearest')
cv = cv2.remap(a, bx.astype(np.float32), by.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
def lanczos(s):
    return np.where(abs(s) < 3, np.sinc(s) * np.sinc(s / 3), 0)
ix, iy = np.floor(bx).astype(int), np.floor(by).astype(int)
out, wx, wy = np.zeros((h, w)), 0, 0
for i in range(-2, 4):
    wx, wy = wx + lanczos(bx-ix-i), wy + lanczos(by-iy-i)
for j in range(-2, 4):
    for i in range(-2, 4):
        out += lanczos(by-iy-j) / wy * lanczos(bx-ix-i) / wx * a[np.clip(iy+j, 0, h-1), np.clip(ix+i, 0, w-1)].astype(float)
print(json.dumps(dict(Photo=a.ravel().tolist(), SciPy=sp.ravel().tolist(), OpenCV=cv.ravel().astype(float).tolist(), Lanczos=out.ravel().tolist())))
`, &ref, string(arg))
	src := plate.NewGray(w, h)
	for i, v := range ref.Photo {
		src.Pix[i] = float32(v)
	}
	for _, row := range []struct {
		name string
		k    Kernel
		want []float64
		most float64
	}{
		{"map_coordinates, order 1", Bilinear, ref.SciPy, 1e-6},
		{"remap, INTER_LINEAR", Bilinear, ref.OpenCV, 2. / 64 * 0.8}, // half of 1/32 along both axes, times the steepest edge
		{"Lanczos's formula", Lanczos3, ref.Lanczos, 1e-4},           // weights at 1/16384 of a pixel
	} {
		worst := 0.0
		for i, v := range row.k.NewResampler(g).Gray(nil, src).Pix {
			worst = math.Max(worst, math.Abs(float64(v)-row.want[i]))
		}
		t.Logf("%v: at most %.2g from %s", row.k, worst, row.name)
		if worst > row.most {
			t.Errorf("%v: up to %g from %s, want %g", row.k, worst, row.name, row.most)
		}
	}
}

// writePlate writes 32-bit floats, as numpy.fromfile reads them.
func writePlate(t *testing.T, name string, pix []float32) string {
	t.Helper()
	buf := make([]byte, 4*len(pix))
	for i, v := range pix {
		binary.LittleEndian.PutUint32(buf[4*i:], math.Float32bits(v))
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, buf, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// Two general methods on a pure shift, with nothing else wrong: OpenCV's findTransformECC (Evangelidis and
// Psarakis 2008), and scikit-image's phase_cross_correlation (Guizar-Sicairos et al. 2008), both given the
// band plate upside down in brightness, so that both plates are bright where the performer is.
func TestFootageAgainstECC(t *testing.T) {
	const w, h = 320, 180
	truth := moved(w, h, 4.37, -2.81)
	pair := cutoutPairs(truth, plainFaults, 5, 1)[0]
	e, err := FromFootage(t.Context(), []Pair{pair}, &FootageOptions{Model: Shift})
	if err != nil {
		t.Fatal(err)
	}
	light := make([]float32, w*h)
	for i := range light {
		light[i] = (pair.Color.Pix[0][i] + pair.Color.Pix[1][i] + pair.Color.Pix[2][i]) / 3
	}
	var ref struct{ ECC, Phase [2]float64 }
	outside.Python(t, `
import sys, json, numpy as np, cv2
from skimage.registration import phase_cross_correlation
h, w = int(sys.argv[3]), int(sys.argv[4])
color = np.fromfile(sys.argv[1], '<f4').reshape(h, w)
band = np.fromfile(sys.argv[2], '<f4').reshape(h, w)
band = band.max() - band
m = np.eye(2, 3, dtype=np.float32)
_, m = cv2.findTransformECC(color, band, m, cv2.MOTION_TRANSLATION, (3, 200, 1e-7), None, 5)
shift, _, _ = phase_cross_correlation(color, band, upsample_factor=100)
print(json.dumps(dict(ECC=[float(m[0,2]), float(m[1,2])], Phase=[-float(shift[1]), -float(shift[0])])))
`, &ref, writePlate(t, "color", light), writePlate(t, "band", pair.Band.Pix), fmt.Sprint(h), fmt.Sprint(w))
	off := func(v [2]float64) float64 { return math.Hypot(v[0]-4.37, v[1]+2.81) }
	ours := RMS(e.Geometry, truth)
	t.Logf("off the truth by: FromFootage %.4f, findTransformECC %.4f, phase_cross_correlation %.4f pixels", ours, off(ref.ECC), off(ref.Phase))
	if ours > 0.03 {
		t.Errorf("FromFootage is %.4f pixels off, want 0.03", ours)
	}
	if off(ref.ECC) > 0.5 {
		t.Errorf("findTransformECC found %v, too far from the truth to be a check", ref.ECC)
	}
	if ours > off(ref.ECC) {
		t.Errorf("FromFootage is %.4f pixels off, findTransformECC %.4f", ours, off(ref.ECC))
	}
}
