package align

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.com/twinplate/plate"
)

// discs is alpha at a place of a frame of 320x180: soft-edged discs, the edge blurred by sigma pixels.
func discs(x, y, sigma float64) float64 {
	open := 1.0
	for _, d := range [][3]float64{{70, 60, 38}, {160, 110, 45}, {250, 60, 30}, {275, 135, 22}, {40, 145, 18}} {
		open *= 1 - 0.5*math.Erfc((math.Hypot(x-d[0], y-d[1])-d[2])/(math.Sqrt2*sigma))
	}
	return 1 - open
}

const shiftW, shiftH, shiftBlur = 320, 180, 1.2

var shiftColor, shiftScreen = [3]float64{0.5, 0.4, 0.3}, 0.8

// shifted returns a pair of plates of the discs, the band plate moved by (dx, dy), with this noise in both.
func shifted(dx, dy, noise float64, seed uint64) Pair {
	r := rand.New(rand.NewPCG(seed, 77))
	p := Pair{plate.NewRGB(shiftW, shiftH), plate.NewGray(shiftW, shiftH)}
	for y := range shiftH {
		for x := range shiftW {
			i := y*shiftW + x
			a := discs(float64(x), float64(y), shiftBlur)
			for c := range 3 {
				p.Color.Pix[c][i] = float32(shiftColor[c]*a + noise*r.NormFloat64())
			}
			p.Band.Pix[i] = float32(shiftScreen*(1-discs(float64(x)-dx, float64(y)-dy, shiftBlur)) + noise*r.NormFloat64())
		}
	}
	return p
}

// cramerRao returns the least standard deviation that an unbiased estimate of the shift can have along x and y
// (Robinson and Milanfar 2004): the noise of the difference of the two plates' alphas, over the root of the sum of
// alpha's squared slopes, here with neither plate free of noise and the performer's color known.
func cramerRao(noise float64) (x, y float64) {
	light := 0.0
	for _, c := range shiftColor {
		light += c * c
	}
	v := noise * noise * (1/light + 1/(shiftScreen*shiftScreen))
	var xx, xy, yy float64
	const h = 0.5
	for j := range shiftH {
		for i := range shiftW {
			x, y := float64(i), float64(j)
			gx := (discs(x+h, y, shiftBlur) - discs(x-h, y, shiftBlur)) / (2 * h)
			gy := (discs(x, y+h, shiftBlur) - discs(x, y-h, shiftBlur)) / (2 * h)
			xx, xy, yy = xx+gx*gx, xy+gx*gy, yy+gy*gy
		}
	}
	det := xx*yy - xy*xy
	return math.Sqrt(v * yy / det), math.Sqrt(v * xx / det)
}

// A pure shift under known noise, against the bound for plates of which all else is known. FromFootage stays well above
// it, since it knows neither that the light on the performer does not vary, nor the performer's color: it fits both anew
// in every small window. This holds what it reaches, and says by how much it falls short.
func TestShiftBound(t *testing.T) {
	if testing.Short() {
		t.Skip("slow under the race detector")
	}
	const tries = 6
	for _, row := range []struct{ noise, most float64 }{{0.005, 0.03}, {0.01, 0.05}, {0.04, 0.1}} {
		square := 0.0
		r := rand.New(rand.NewPCG(5, uint64(1e4*row.noise)))
		for i := range tries {
			dx, dy := 8*r.Float64()-4, 6*r.Float64()-3
			e, err := FromFootage(t.Context(), []Pair{shifted(dx, dy, row.noise, uint64(i))}, &Options{Model: Shift, Mirror: MirrorNo})
			if err != nil {
				t.Fatal(err)
			}
			ex, ey := e.Geometry.Homography[2]-dx, e.Geometry.Homography[5]-dy
			square += (ex*ex + ey*ey) / tries
		}
		bound := math.Hypot(cramerRao(row.noise))
		t.Logf("noise %.3f: %.4f px RMS; the bound is %.4f, %.1f times less", row.noise, math.Sqrt(square), bound, math.Sqrt(square)/bound)
		if got := math.Sqrt(square); got > row.most || got < bound/2 {
			t.Errorf("noise %.3f: %.4f px RMS, want at most %.2f, and not half the bound of %.4f", row.noise, got, row.most, bound)
		}
	}
}
