package matte

import (
	"errors"
	"fmt"
	"math"

	"example.com/twinplate/plate"
)

// A Sample is one frame of a take from which an estimate is made: both plates as photographed, the band
// plate in the color plate's frame.
type Sample struct {
	Color *plate.RGB
	Band  *plate.Gray
}

// A Gain is how bright the lamps were in one frame, relative to the clean band plate.
type Gain struct {
	Value  float64 // g
	Sigma  float64 // its standard error, from the scatter of the pixels that it was taken from
	Pixels int     // how many pixels that were: certainly screen
}

// ErrNoScreen says that a frame has no pixel that is certainly screen: the performer fills it, the lamps were
// off, or the two plates are not of one take.
var ErrNoScreen = errors.New("no part of the frame is certainly screen")

// Gain estimates the lamps' gain in one frame from the pixels that are certainly screen: those where the
// quotient of band and clean plate stands in its topmost peak, with neighbors that stand there too. At
// least one pixel in 500 must be such, or the error is ErrNoScreen.
func (s *Solver) Gain(frame Sample) (Gain, error) {
	u, err := s.quotient(frame)
	if err != nil {
		return Gain{}, err
	}
	return gainOf(u)
}

// quotient returns g t: the solution before it is divided by the gain. It is -1 where there is no screen.
func (s *Solver) quotient(frame Sample) (*plate.Gray, error) {
	free := *s
	free.clamp, free.screen = ClampNone, nil
	one, err := free.Solve(nil, frame.Color, frame.Band, 1)
	if err != nil {
		return nil, err
	}
	u := one.Transmission
	for i, inv := range s.inverse.Pix {
		if inv == 0 {
			u.Pix[i] = -1
		}
	}
	return u, nil
}

func gainOf(u *plate.Gray) (Gain, error) {
	// The histogram spans 0 to twice the 99.9th percentile, in steps well below the noise of one pixel. A
	// mean over 3x3 pixels sharpens the peak.
	smooth := boxMean(u, 1)
	top := quantile(smooth.Pix, 0.999)
	if !(top > 0.02) {
		return Gain{}, ErrNoScreen
	}
	const bins = 800
	width := 2 * top / bins
	var count [bins]float64
	n := 0
	for _, v := range smooth.Pix {
		if b := int(v / width); v >= 0 && b < bins {
			count[b]++
			n++
		}
	}
	// The peak is looked for above half of the top, over a window of 2.5 %.
	best, at := 0.0, 0
	for b := bins / 4; b < bins-5; b++ {
		sum := 0.0
		for k := -5; k <= 5; k++ {
			sum += count[b+k]
		}
		// Where a veil and the screen both make a peak, the screen is the brighter one.
		if sum > 0 && sum >= best {
			best, at = sum, b
		}
	}
	if best < float64(len(u.Pix))/500 {
		return Gain{}, ErrNoScreen
	}
	center := (float64(at) + 0.5) * float64(width)
	// From here on every pixel whose 3x3 mean is near the center counts, cut at three sigmas, both renewed.
	reach := 0.06 * center
	var mean, sd float64
	var used int
	for range 8 {
		var sum, sum2 float64
		used = 0
		for i, v := range smooth.Pix {
			if math.Abs(float64(v)-center) < reach {
				d := float64(u.Pix[i]) - center
				sum += d
				sum2 += d * d
				used++
			}
		}
		if used == 0 {
			return Gain{}, ErrNoScreen
		}
		mean = sum / float64(used)
		sd = math.Sqrt(max(sum2/float64(used)-mean*mean, 0))
		center += mean
		// A mean of nine has a third of the scatter, unless the lens has smeared the noise.
		reach = min(max(1.5*sd, 0.004*center), 0.06*center)
	}
	if used < len(u.Pix)/500 {
		return Gain{}, ErrNoScreen
	}
	return Gain{Value: center, Sigma: sd / math.Sqrt(float64(used)), Pixels: used}, nil
}

// quantile returns the value that the part q of pix does not exceed. It looks at 20000 values at the most,
// evenly spread.
func quantile(pix []float32, q float64) float32 {
	step := max(len(pix)/20000, 1)
	var some []float32
	for i := step / 2; i < len(pix); i += step {
		some = append(some, pix[i])
	}
	if len(some) == 0 {
		return 0
	}
	return nth(some, int(q*float64(len(some)-1)+0.5))
}

// A Crosstalk is what the band camera sees of the set light: m.
type Crosstalk struct {
	M      [3]float64 // for red, green and blue; none is negative
	Sigma  [3]float64 // the standard errors
	Pixels int        // how many pixels they were taken from: certainly performer
}

// ErrNoCore says that a take has too few pixels that are certainly performer and lit to tell the crosstalk.
var ErrNoCore = errors.New("too few pixels are certainly performer and lit")

// Crosstalk estimates m from frames of a take, by non-negative least squares over the pixels that are
// certainly performer: there the band plate has nothing but m . P, and what spill there is as a constant.
// Pixels that a little screen shines through are cut off as outliers. The solver's own crosstalk does not
// matter. Fewer than 500 pixels give ErrNoCore.
func (s *Solver) Crosstalk(frames []Sample) (Crosstalk, error) {
	free := *s
	free.m = [3]float32{} // inverse still has m.K in it, a difference of some 1e-3 that the threshold below forgives
	var rows [][4]float64 // r, g, b, band
	for k, f := range frames {
		u, err := free.quotient(f)
		if err != nil {
			return Crosstalk{}, fmt.Errorf("sample %d: %w", k, err)
		}
		g, err := gainOf(u)
		if errors.Is(err, ErrNoScreen) {
			g.Value = 1
		} else if err != nil {
			return Crosstalk{}, err
		}
		// Only where nothing within three pixels lets more than a third through: set light in the band of a
		// bright costume may look like that much.
		high := boxMax(u, 3)
		stride := 1 + s.w*s.h*len(frames)/2_000_000
		for y := 3; y < s.h-3; y += stride {
			for x := 3; x < s.w-3; x += stride {
				i := y*s.w + x
				if high.Pix[i] > 0.35*float32(g.Value) || s.inverse.Pix[i] == 0 {
					continue
				}
				row := [4]float64{float64(f.Color.Pix[0][i]), float64(f.Color.Pix[1][i]), float64(f.Color.Pix[2][i]), float64(f.Band.Pix[i])}
				if s.darkColor != nil {
					for c := range 3 {
						row[c] -= float64(s.darkColor.Pix[c][i])
					}
				}
				if s.darkBand != nil {
					row[3] -= float64(s.darkBand.Pix[i])
				}
				rows = append(rows, row)
			}
		}
	}
	return crosstalkOf(rows)
}

func crosstalkOf(rows [][4]float64) (Crosstalk, error) {
	const least = 500
	if len(rows) < least {
		return Crosstalk{}, ErrNoCore
	}
	var x [4]float64 // m and the constant
	low, high := math.Inf(-1), math.Inf(1)
	var residuals []float32
	var used int
	var a [4][4]float64
	var sd float64
	for pass := range 12 {
		a = [4][4]float64{}
		var b [4]float64
		used = 0
		for _, r := range rows {
			v := [4]float64{r[0], r[1], r[2], 1}
			e := r[3] - (x[0]*v[0] + x[1]*v[1] + x[2]*v[2] + x[3])
			if pass > 0 && (e < low || e > high) {
				continue
			}
			w := 1.0
			if pass < 4 && e > 0 { // whatever shines through only adds: begin at the lower edge
				w = 0.2
			}
			used++
			for i := range 4 {
				b[i] += w * v[i] * r[3]
				for j := range 4 {
					a[i][j] += w * v[i] * v[j]
				}
			}
		}
		if used < least {
			return Crosstalk{}, ErrNoCore
		}
		x = nonNegative(a, b)
		residuals = residuals[:0]
		for _, r := range rows {
			e := r[3] - (x[0]*r[0] + x[1]*r[1] + x[2]*r[2] + x[3])
			if pass == 0 || (e >= low && e <= high) {
				residuals = append(residuals, float32(math.Abs(e)))
			}
		}
		// 1.4826: from the median of absolute deviations to a standard deviation, for normal noise.
		sd = max(1.4826*float64(quantile(residuals, 0.5)), 1e-7)
		low, high = -3*sd, 2.5*sd
	}
	if light := (a[0][0] + a[1][1] + a[2][2]) / float64(used); light < 1e-4 {
		return Crosstalk{}, ErrNoCore
	}
	out := Crosstalk{M: [3]float64(x[:3]), Pixels: used}
	for c := range 3 {
		out.Sigma[c] = sd * math.Sqrt(inverseDiagonal(a, c))
	}
	return out, nil
}
