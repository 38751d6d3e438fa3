//go:build !js

package align

import (
	"fmt"
	"math"
	"testing"

	"example.com/twinplate/internal/test/outside"
)

// Plates that are moved against each other and nothing else, against scikit-image's phase_cross_correlation
// (Guizar-Sicairos et al. 2008, to 1/100 of a pixel), which is given what FromFootage has to find out: that there is only
// a shift, and the color plate's channels weighted as their light, with the band plate upside down in brightness.
func TestShiftAgainstPhaseCorrelation(t *testing.T) {
	const dx, dy, noise = 3.37, -1.81, 0.02
	pair := shifted(dx, dy, noise, 1)
	e, err := FromFootage(t.Context(), []Pair{pair}, &FootageOptions{Model: Shift})
	if err != nil {
		t.Fatal(err)
	}
	light := make([]float32, shiftW*shiftH)
	for i := range light {
		for c, v := range shiftColor {
			light[i] += float32(v) * pair.Color.Pix[c][i]
		}
	}
	var ref struct{ Phase, Plain [2]float64 }
	outside.Python(t, `
import sys, json, numpy as np
from skimage.registration import phase_cross_correlation
h, w = int(sys.argv[3]), int(sys.argv[4])
color = np.fromfile(sys.argv[1], '<f4').reshape(h, w)
band = np.fromfile(sys.argv[2], '<f4').reshape(h, w)
band = band.max() - band
out = {}
for name, norm in (('Phase', 'phase'), ('Plain', None)):
    shift, _, _ = phase_cross_correlation(color, band, upsample_factor=100, normalization=norm)
    out[name] = [-float(shift[1]), -float(shift[0])]
print(json.dumps(out))
`, &ref, writePlate(t, "color", light), writePlate(t, "band", pair.Band.Pix), fmt.Sprint(shiftH), fmt.Sprint(shiftW))
	off := func(x, y float64) float64 { return math.Hypot(x-dx, y-dy) }
	ours := off(e.Geometry.Homography[2], e.Geometry.Homography[5])
	t.Logf("off the truth by: FromFootage %.4f, phase_cross_correlation %.4f, the same without normalization %.4f pixels", ours, off(ref.Phase[0], ref.Phase[1]), off(ref.Plain[0], ref.Plain[1]))
	if theirs := off(ref.Phase[0], ref.Phase[1]); ours > theirs || ours > 0.06 || theirs > 0.5 {
		t.Errorf("FromFootage is %.4f pixels off, phase_cross_correlation %.4f; want at most that, and 0.06", ours, theirs)
	}
}
