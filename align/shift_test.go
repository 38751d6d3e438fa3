package align

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"example.com/twinplate/internal/test/tier"
	"example.com/twinplate/plate"
)

// discs is alpha at a place of a frame of 320x180: soft-edged discs, the edge blurred by sigma
// pixels.
func discs(x, y, sigma float64) float64 {
	open := 1.0
	for _, d := range [][3]float64{{70, 60, 38}, {160, 110, 45}, {250, 60, 30}, {275, 135, 22}, {40, 145, 18}} {
		open *= 1 - 0.5*math.Erfc((math.Hypot(x-d[0], y-d[1])-d[2])/(math.Sqrt2*sigma))
	}
	return 1 - open
}

const shiftW, shiftH, shiftBlur = 320, 180, 1.2

var shiftColor, shiftScreen = [3]float64{0.5, 0.4, 0.3}, 0.8

// shifted returns a pair of plates of the discs, the band plate moved by (dx, dy), with this noise
// in both.
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

// cramerRao returns the least standard deviation that an unbiased estimate of the shift can have
// along x and y (Robinson and Milanfar 2004): the noise of the difference of the two plates'
// alphas, over the root of the sum of alpha's squared slopes, here with neither plate free of noise
// and the performer's color known.
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

// bentFactor returns by how much the bound's standard deviation rises where the performer's color
// is not known and may bend within each tile, as FromFootage has it: what is left of an edge's
// slope, in one straight edge in the middle of a tile, when the columns of the model of color have
// taken their part.
func bentFactor() float64 {
	const half = largest / 2.
	v := shiftBlur*shiftBlur + 0.25 // what a level is smoothed by besides
	m := newNormal(shades)
	whole := 0.0
	for j := range largest {
		for i := range largest {
			x, y := float64(i)-largest/2, float64(j)-largest/2
			g := math.Exp(-x*x/(2*v)) / math.Sqrt(2*math.Pi*v)
			row := shape(0.5*math.Erfc(-x/math.Sqrt(2*v)), x/half, y/half, v*g/half, 0)
			m.add(row[:shades], g, 1)
			whole += g * g
		}
	}
	taken := slices.Clone(m.b)
	x, _ := m.solve()
	left := whole
	for i, t := range taken {
		left -= t * x[i]
	}
	return math.Sqrt(whole / left)
}

// A pure shift under known noise, against the bound for plates of which all else is known, and
// against the bound where the performer's color is to be found as well, anew in every small window,
// as FromFootage must, which knows neither that the light on the performer does not vary, nor that
// a shift is all.
func TestShiftBound(t *testing.T) {
	tier.InTest(t)
	tries, noises := 5, []float64{0.0025, 0.04}
	if tier.All() {
		tries, noises = 12, []float64{0.0025, 0.005, 0.01, 0.02, 0.04}
	}
	unknown := bentFactor()
	for _, noise := range noises {
		square := 0.0
		r := rand.New(rand.NewPCG(5, uint64(1e4*noise)))
		for i := range tries {
			dx, dy := 8*r.Float64()-4, 6*r.Float64()-3
			e, err := FromFootage(t.Context(), []Pair{shifted(dx, dy, noise, uint64(i))}, &FootageOptions{Model: Shift, Mirror: MirrorNo})
			if err != nil {
				t.Fatal(err)
			}
			ex, ey := e.Geometry.Homography[2]-dx, e.Geometry.Homography[5]-dy
			square += (ex*ex + ey*ey) / float64(tries)
		}
		bound := math.Hypot(cramerRao(noise))
		ratio := math.Sqrt(square) / bound
		t.Logf("noise %.4f: %.4f px RMS; %.2f times the bound of %.4f, %.2f times that with the color unknown", noise, math.Sqrt(square), ratio, bound, ratio/unknown)
		if ratio > 1.5*unknown || ratio < 0.7 {
			t.Errorf("noise %.4f: %.1f times the bound of %.4f px, want at most 1.5 times %.1f, the bound with the color unknown, and no less than the bound", noise, ratio, bound, unknown)
		}
	}
}
