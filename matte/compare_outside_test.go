//go:build !js

package matte

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"example.com/twinplate/internal/test/outside"
	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// comparison computes the four measures with numpy, scipy.ndimage and skimage.measure, on mattes
// derived from the photographs that come with scikit-image, and prints them with the mattes'
// places. The gradient filters are built in two dimensions, and the sources labeled by skimage:
// nothing is shared with Compare.
const comparison = `
import sys, json, numpy as np, scipy.ndimage as nd
from skimage import data, filters
from skimage.measure import label
folder = sys.argv[1]

def kernels(s):
    r = int(np.ceil(s * np.sqrt(-2 * np.log(np.sqrt(2 * np.pi) * s * 0.01))))
    y, x = np.mgrid[-r:r+1, -r:r+1].astype(float)
    k = -x * np.exp(-(x*x + y*y) / (2*s*s))
    k /= np.sqrt((k*k).sum())
    return k, k.T

def length(a, s):
    kx, ky = kernels(s)
    return np.hypot(nd.convolve(a, kx, mode='nearest'), nd.convolve(a, ky, mode='nearest'))

def levels(a, b, step):
    l = np.zeros(a.shape); open_ = np.ones(a.shape, bool)
    n = int(round(1/step))
    for k in range(1, n+1):
        t = k/n - 1e-6
        names = label((a >= t) & (b >= t), connectivity=1)
        sizes = np.bincount(names.ravel()); sizes[0] = 0
        source = (names == sizes.argmax()) & (names > 0)
        open_ &= source
        l[open_] = k/n
    return l

def phi(a, l, theta):
    d = a - l
    return 1 - d * (d >= theta - 1e-6)

def measure(a, b, region, s, theta, step):
    a, b = a.astype(float), b.astype(float)
    l = levels(a, b, step)
    return [float(np.abs(a-b)[region].sum()), float(((a-b)**2)[region].mean()),
            float(((length(a, s)-length(b, s))**2)[region].sum()),
            float(np.abs(phi(a, l, theta) - phi(b, l, theta))[region].sum())]

rng = np.random.default_rng(1)
out = []
for name, picture in [('camera', data.camera()[::2, ::2]), ('coins', data.coins()), ('page', data.page())]:
    p = picture.astype(float) / 255
    soft = nd.gaussian_filter(p, 1.0)
    truth = np.clip((filters.threshold_otsu(soft) - soft) * 6 + 0.5, 0, 1)
    results = {
        'blurred': nd.gaussian_filter(truth, 1.5),
        'noisy': truth + rng.normal(0, 0.03, truth.shape),
        'shifted': np.roll(truth, (1, 2), (0, 1)),
        'stepped': np.round(truth * 20) / 20,
        'torn': truth * (rng.random(truth.shape) > 0.02),
    }
    for how, r in results.items():
        for s, theta, step, part in [(1.4, 0.15, 0.1, False), (2.0, 0.1, 0.05, True)]:
            a, b = r.astype('<f4'), truth.astype('<f4')
            region = (np.abs(truth - 0.5) < 0.5) if part else np.ones(truth.shape, bool)
            i = len(out)
            for what, m in [('a', a), ('b', b), ('region', region.astype('<f4'))]:
                m.tofile('%s/%d.%s' % (folder, i, what))
            out.append(dict(name=name + ', ' + how, w=truth.shape[1], h=truth.shape[0], sigma=s, theta=theta, step=step,
                            want=measure(a, b, region, s, theta, step)))
print(json.dumps(out))
`

func TestCompareAgainstSciPy(t *testing.T) {
	tier.InTest(t)
	folder := t.TempDir()
	var tests []struct {
		Name               string
		W, H               int
		Sigma, Theta, Step float64
		Want               [4]float64
	}
	outside.Python(t, comparison, &tests, folder)
	for i, test := range tests {
		t.Run(fmt.Sprintf("%s, step %v", test.Name, test.Step), func(t *testing.T) {
			read := func(what string) *plate.Gray {
				data, err := os.ReadFile(filepath.Join(folder, fmt.Sprintf("%d.%s", i, what)))
				if err != nil {
					t.Fatal(err)
				}
				f := plate.NewGray(test.W, test.H)
				if err := binary.Read(bytes.NewReader(data), binary.LittleEndian, f.Pix); err != nil {
					t.Fatal(err)
				}
				return f
			}
			got, err := Compare(read("b"), read("a"), &CompareOptions{Region: read("region"), Sigma: test.Sigma, Theta: test.Theta, Step: test.Step})
			if err != nil {
				t.Fatal(err)
			}
			for k, v := range []float64{got.SAD, got.MSE, got.Gradient, got.Connectivity} {
				measure := []string{"SAD", "MSE", "gradient", "connectivity"}[k]
				// The filters here are float32; the rest is float64 on both sides.
				tolerance := map[string]float64{"gradient": 1e-4}[measure] + 1e-9
				if math.Abs(v-test.Want[k]) > tolerance*test.Want[k]+1e-9 {
					t.Errorf("%s is %v, and scipy's %v", measure, v, test.Want[k])
				}
			}
		})
	}
}
