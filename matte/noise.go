package matte

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"sort"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A Noise is how noisy a camera is. Read and PerSignal are EMVA 1288's linear model (release 4.0,
// section 2): the variance of a pixel is that of the dark plus one in proportion to the light. The
// other fields say what that model leaves out of the plates as they are solved; Solver.Bound
// measures them. Full scale is 1, and the light is linear. The zero value is a camera without
// noise, and a field that is 0 adds nothing.
type Noise struct {
	Read      float64 `json:"read"`       // standard deviation in the dark
	PerSignal float64 `json:"per_signal"` // variance for each unit of light: 1 over the full-well capacity in electrons

	// Kept is the part, above 0 to 1, of that variance which is left when the plate has been
	// resampled, since that averages neighbors; 0: all of it.
	Kept float64 `json:"kept,omitempty"`

	// What hangs together over several pixels, as a codec or a mosaic of filters leaves it, and
	// what the model is too small by: it comes on top, resampling does not lower it, and a mean
	// over a few pixels hardly does.
	CorrelatedRead      float64 `json:"correlated_read,omitempty"`       // standard deviation in the dark
	CorrelatedPerSignal float64 `json:"correlated_per_signal,omitempty"` // variance for each unit of light

	// Edge is how far the plate's edges are from where they should be, in pixels: the standard
	// deviation of an error in proportion to the local slope. It has in it the geometry's error,
	// resampling, a codec's and a mosaic's.
	Edge float64 `json:"edge,omitempty"`

	// Dark and Clean are the noise of the reference plates themselves, before resampling.
	Dark  float64 `json:"dark,omitempty"`  // standard deviation of the dark plate
	Clean float64 `json:"clean,omitempty"` // variance of the clean plate for each unit of its light

	Level float64 `json:"level,omitempty"` // standard deviation of the level of black: a pedestal or spill that is not known

	// Crosstalk is the covariance of the errors of m, for red, green and blue, and of the light that
	// the performer has in the band beside it: the performer lets so much of their own light
	// through. Solver.Crosstalk measures it.
	Crosstalk [4][4]float64 `json:"crosstalk,omitzero"`
}

// Variance returns the variance of a pixel of a frame whose light, less the dark plate, is signal.
// Light below 0 counts as none.
func (n Noise) Variance(signal float64) float64 {
	signal = max(signal, 0)
	return n.kept()*(n.Read*n.Read+n.PerSignal*signal) + n.CorrelatedRead*n.CorrelatedRead + n.CorrelatedPerSignal*signal
}

func (n Noise) kept() float64 {
	return cmp.Or(n.Kept, 1)
}

// Grain returns n without what is no noise of pixels: the error at edges, and those of the level of
// black and of m. It is what Tidy's sigma is made from.
func (n Noise) Grain() Noise {
	n.Edge, n.Level, n.Crosstalk = 0, 0, [4][4]float64{}
	return n
}

// maxEdge is the largest Edge that is taken, in pixels: plates that are further off are not
// registered.
const maxEdge = 100

// check returns an error where n cannot be a camera's noise.
func (n Noise) check(what string) error {
	for _, v := range []float64{n.Read, n.PerSignal, n.Kept, n.CorrelatedRead, n.CorrelatedPerSignal, n.Dark, n.Clean, n.Level} {
		if !(v >= 0 && v <= 1) {
			return fmt.Errorf("matte: the %s camera's noise has %v: it must be 0 to 1, with full scale as 1", what, v)
		}
	}
	for i, row := range n.Crosstalk {
		for k, v := range row {
			if !(math.Abs(v) <= 1) || i == k && v < 0 {
				return fmt.Errorf("matte: the %s camera's noise has a covariance of the crosstalk of %v: variances must be 0 to 1, covariances -1 to 1", what, v)
			}
		}
	}
	if !(n.Edge >= 0 && n.Edge <= maxEdge) {
		return fmt.Errorf("matte: the %s camera's noise has an error at edges of %v pixels: it must be 0 to %d", what, n.Edge, maxEdge)
	}
	return nil
}

// ErrNoNoise says that too few pixels are plain enough to tell noise from picture.
var ErrNoNoise = errors.New("too little of the picture is plain enough to tell its noise")

// PhotonTransfer measures a camera's noise by EMVA 1288's photon-transfer method: from pairs of
// flat frames, both frames of a pair of the same light, which is best at a different level in each
// pair. One pair of an uneven screen serves too, since it holds many levels; so does a pair of dark
// frames beside it. For pixels of like level the variance is half the mean square of the two
// frames' difference, less half the square of the difference of their means, and a straight line
// through variance against level is the camera. The dark plate may be nil. An error says which size
// is wrong; fewer than 500 pixels in all give ErrNoNoise.
func PhotonTransfer(pairs [][2]*plate.Gray, dark *plate.Gray) (Noise, error) {
	var points []transfer
	for k, p := range pairs {
		if err := plate.CheckSize(fmt.Sprintf("second frame of pair %d", k), p[1].Size(), "first", p[0].Size()); err != nil {
			return Noise{}, err
		}
		if dark != nil {
			if err := plate.CheckSize("dark plate", dark.Size(), fmt.Sprintf("pair %d", k), p[0].Size()); err != nil {
				return Noise{}, err
			}
		}
		for _, f := range p {
			if err := f.CheckFinite(); err != nil {
				return Noise{}, fmt.Errorf("pair %d: %w", k, err)
			}
		}
		points = append(points, transferOfPair(p, dark)...)
	}
	return fitNoise(points)
}

// A transfer is one point of the photon-transfer curve.
type transfer struct {
	level, variance float64
	n               float64 // how many differences it was taken from
}

// Of photon transfer. Where no reason stands beside one, these are chosen by hand; not measured by
// itself.
const (
	transferBins   = 24    // levels of light
	transferReach  = 3     // of the mean that tells a pixel's level, in pixels along each axis
	leastInBin     = 100   // differences of a bin, for a variance that is known to a seventh
	leastTransfer  = 400   // differences in all
	leastBinWidth  = 1e-9  // of full scale: flat frames have one level
	leastSquared   = 1e-24 // the least square of a variance, of frames without noise
	transferPasses = 8     // after which the weights no longer matter
)

func transferOfPair(p [2]*plate.Gray, dark *plate.Gray) []transfer {
	// The levels come from means over 7x7 pixels: sorted by its own noise, a pixel would look
	// quiet.
	sum := plate.NewGray(p[0].W, p[0].H)
	for i := range sum.Pix {
		sum.Pix[i] = (p[0].Pix[i] + p[1].Pix[i]) / 2
		if dark != nil {
			sum.Pix[i] -= dark.Pix[i]
		}
	}
	level := boxMean(sum, transferReach)
	low, high := quantile(level.Pix, 0), quantile(level.Pix, 1)
	width := max((high-low)/transferBins, leastBinWidth)
	var bins [transferBins]struct{ n, level, d, d2 float64 }
	for i, v := range level.Pix {
		b := &bins[min(max(int((v-low)/width), 0), transferBins-1)]
		d := float64(p[0].Pix[i]) - float64(p[1].Pix[i])
		b.n++
		b.level += float64(v)
		b.d += d
		b.d2 += d * d
	}
	var out []transfer
	for _, b := range bins {
		if b.n >= leastInBin {
			mean := b.d / b.n
			out = append(out, transfer{b.level / b.n, (b.d2/b.n - mean*mean) / 2, b.n})
		}
	}
	return out
}

// Of NoiseOfTake. Where no reason stands beside one, these are chosen by hand; not measured by
// itself.
const (
	// Pixels of the side of the squares that it looks at.
	noiseBlock  = 12
	laplacians  = (noiseBlock / 3) * (noiseBlock / 3) // of a square, which share no pixel
	leastPlains = 100                                 // squares in all, as NoiseOfTake states it
	leastPer    = 40                                  // squares of like level, for their quartile
	// The lower quartile of chi-squared with 16 degrees of freedom.
	quiet = 11.912
	// Times the line's variance from which a point has texture in it.
	textured    = 1.3
	cleanings   = 6 // of the points
	leastPoints = 3 // that are left
)

// NoiseOfTake estimates a camera's noise from frames of a take, by photon transfer without flat
// frames. In squares of 12 pixels, the second difference both ways, which takes out whatever is
// smooth, gives a variance; among squares of like level, the quietest quarter are taken as plain. A
// picture with texture everywhere reads as noisier than it is. The frames are as the camera made
// them, not resampled; each channel of a color camera is a frame. The dark plate may be nil. Fewer
// than 100 plain squares give ErrNoNoise.
func NoiseOfTake(frames []*plate.Gray, dark *plate.Gray) (Noise, error) {
	type block struct{ level, variance float64 }
	var blocks []block
	for k, f := range frames {
		if dark != nil {
			if err := plate.CheckSize("dark plate", dark.Size(), fmt.Sprintf("frame %d", k), f.Size()); err != nil {
				return Noise{}, err
			}
		}
		for y := 0; y+noiseBlock <= f.H; y += noiseBlock {
			for x := 0; x+noiseBlock <= f.W; x += noiseBlock {
				var level, d2 float64
				for dy := 1; dy < noiseBlock; dy += 3 {
					for dx := 1; dx < noiseBlock; dx += 3 {
						i := (y+dy)*f.W + x + dx
						up, at, down := f.Pix[i-f.W-1:i-f.W+2], f.Pix[i-1:i+2], f.Pix[i+f.W-1:i+f.W+2]
						d := float64(4*at[1] - 2*(at[0]+at[2]+up[1]+down[1]) + up[0] + up[2] + down[0] + down[2])
						d2 += d * d / 36 // the squares of the nine factors add up to 36
						v := at[1]
						if dark != nil {
							v -= dark.Pix[i]
						}
						level += float64(v)
					}
				}
				if d2 > 0 { // exactly plain is clipped, not quiet
					blocks = append(blocks, block{level / laplacians, d2 / laplacians})
				}
			}
		}
	}
	if len(blocks) < leastPlains {
		return Noise{}, ErrNoNoise
	}
	sort.Slice(blocks, func(i, j int) bool { return blocks[i].level < blocks[j].level })
	var points []transfer
	per := max(len(blocks)/transferBins, leastPer)
	for from := 0; from < len(blocks); from += per {
		some := blocks[from:min(from+per, len(blocks))]
		if len(some) < leastPer {
			break
		}
		variances := make([]float64, len(some))
		level := 0.0
		for i, b := range some {
			variances[i] = b.variance
			level += b.level
		}
		points = append(points, transfer{level / float64(len(some)), robust.Nth(variances, len(variances)/4) * laplacians / quiet, float64(4 * len(some))})
	}
	// Texture only adds: what is far above the line is taken out.
	n, err := fitNoise(points)
	for range cleanings {
		if err != nil {
			break
		}
		kept := list.Where(points, func(p transfer) bool { return p.variance < textured*n.Variance(p.level) })
		if len(kept) < leastPoints {
			break
		}
		n, err = fitNoise(kept)
	}
	return n, err
}

// fitNoise fits the line of the camera, neither of whose coefficients can be negative. Points count
// by how many differences they stand for, and by the square of their variance, to which the error
// of a variance is in proportion.
func fitNoise(points []transfer) (Noise, error) {
	total := 0.0
	for _, p := range points {
		total += p.n
	}
	if total < leastTransfer {
		return Noise{}, ErrNoNoise
	}
	var n Noise
	for pass := range transferPasses {
		var a [2][2]float64
		var b [2]float64
		for _, p := range points {
			expected := p.variance
			if pass > 0 {
				expected = n.Variance(p.level)
			}
			w := p.n / max(expected*expected, leastSquared)
			x := [2]float64{1, max(p.level, 0)}
			for i := range x {
				b[i] += w * x[i] * p.variance
				for j := range x {
					a[i][j] += w * x[i] * x[j]
				}
			}
		}
		x := nonNegative([][]float64{a[0][:], a[1][:]}, b[:])
		n = Noise{Read: math.Sqrt(x[0]), PerSignal: x[1]}
	}
	return n, nil
}
