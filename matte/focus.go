package matte

import (
	"math"
	"slices"

	"example.com/twinplate/plate"
)

// A Focus is how much softer one camera's picture is than the other's.
type Focus struct {
	// Difference is the blur, as the sigma of a Gaussian in color pixels, that would make the sharper plate as soft
	// as the other: positive where the band plate is the softer one, negative where the color plate is.
	Difference float64
	Sigma      float64 // standard error of Difference
	Edges      int     // how many pieces of edge it was measured at
}

// FocusDifference measures the softness of the two plates against each other where the performer's outline
// crosses the rows and columns of pixels: both plates go there from nothing to full, the transmission from 1 to
// 0 and the color plate, less its dark plate and the screen's color, from black to the costume. At each such
// place the distance from a fifth to a half of the way is a sigma, times 0.8416 by the normal distribution; the
// result is the median of the differences of their squares. Places where either plate is not plain to both sides
// are passed over; fewer than 30 of them give a Focus without Edges.
func FocusDifference(foreground []*plate.RGB, transmission []*plate.Gray) Focus {
	var found []float64
	for k, t := range transmission {
		luma := plate.NewGray(t.W, t.H)
		for i := range luma.Pix {
			luma.Pix[i] = (foreground[k].Pix[0][i] + 2*foreground[k].Pix[1][i] + foreground[k].Pix[2][i]) / 4
		}
		// The same mean for both softens both alike, and the difference of squares stays.
		t, luma = boxMean(t, 1), boxMean(luma, 1)
		reach := max(t.W/70, 8)
		found = acrossEdges(found, t, luma, reach, 1, t.W)
		found = acrossEdges(found, t, luma, reach, t.W, t.H)
	}
	if len(found) < 30 {
		return Focus{}
	}
	slices.Sort(found)
	n := len(found)
	v := found[n/2]
	// The interquartile range of a normal distribution is 1.349 sigma; a median's error is 1.2533 that of a mean.
	// Neighboring lines see the same piece of edge: about four of them are one.
	spread := (found[n*3/4] - found[n/4]) / 1.349 * 1.2533 / math.Sqrt(float64(n)/4)
	f := Focus{Edges: n, Difference: math.Copysign(math.Sqrt(math.Abs(v)), v)}
	f.Sigma = spread / max(2*math.Abs(f.Difference), 2*math.Sqrt(spread))
	return f
}

// acrossEdges adds the differences of the squared softnesses, band less color, at the edges along one axis:
// pixels are step apart, and a line has length of them.
func acrossEdges(found []float64, t, luma *plate.Gray, reach, step, length int) []float64 {
	other := t.W // from one line to the next
	if step != 1 {
		other = 1
	}
	lines := len(t.Pix) / length
	for line := 1; line < lines-1; line++ {
		start := line * other
		for x := reach + 4; x < length-reach-5; x++ {
			i := start + x*step
			a, b := t.Pix[i], t.Pix[i+step]
			if (a-0.5)*(b-0.5) > 0 {
				continue
			}
			// The edge must lie across the line, not along it.
			along := math.Abs(float64(t.Pix[i+other] - t.Pix[i-other]))
			if across := math.Abs(float64(t.Pix[i+step] - t.Pix[i-step])); along > 0.5*across {
				continue
			}
			inward := step // toward the performer
			if a < b {
				inward = -step
				i += step
			}
			if v, ok := edgeSoftness(t, luma, i, inward, reach); ok {
				found = append(found, v)
			}
		}
	}
	return found
}

// edgeSoftness measures one edge: pixel i is the last on the screen's side of its middle.
func edgeSoftness(t, luma *plate.Gray, i, inward, reach int) (float64, bool) {
	full := 0.0
	plain := reach * 3 / 4 // from here on both sides must be plain
	for k := -reach; k <= reach; k++ {
		j := i + k*inward
		switch {
		case k <= -plain && (t.Pix[j] < 0.93 || t.Pix[j] > 1.1):
			return 0, false
		case k >= plain:
			if t.Pix[j] > 0.07 {
				return 0, false
			}
			full += float64(luma.Pix[j]) / float64(reach-plain+1)
		}
	}
	if full < 0.03 {
		return 0, false
	}
	alpha := func(k int) float64 { return 1 - float64(t.Pix[i+k*inward]) }
	light := func(k int) float64 { return float64(luma.Pix[i+k*inward]) / full }
	// From the outside inward: the first crossings of a fifth and of a half.
	crossing := func(f func(int) float64, level float64) (float64, bool) {
		for k := -reach; k < reach; k++ {
			if u, v := f(k), f(k+1); u < level && v >= level {
				return float64(k) + (level-u)/(v-u), true
			}
		}
		return 0, false
	}
	// The costume must be plain enough inside: within a quarter of its level over the last part.
	for k := reach / 2; k <= reach; k++ {
		if v := light(k); v < 0.75 || v > 1.25 {
			return 0, false
		}
	}
	var width [2]float64
	for n, f := range []func(int) float64{alpha, light} {
		low, ok := crossing(f, 0.2)
		mid, ok2 := crossing(f, 0.5)
		if !ok || !ok2 || mid <= low {
			return 0, false
		}
		width[n] = (mid - low) / 0.8416
	}
	return width[0]*width[0] - width[1]*width[1], true
}
