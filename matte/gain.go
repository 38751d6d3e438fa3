package matte

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"sync/atomic"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A Sample is one frame of a take from which an estimate is made: both plates as photographed, the
// band plate in the color plate's frame.
type Sample struct {
	Color *plate.RGB
	Band  *plate.Gray
}

// A Gain is how bright the lamps were in one frame, relative to the clean band plate.
type Gain struct {
	Value  float64 // g
	Sigma  float64 // its standard error, from the scatter of the places that it was taken from, with Veil in it
	Veil   float64 // how far a veil that cannot be told from the screen may take it down: a part of Sigma
	Pixels int     // how many pixels that were: certainly screen, of all of a small frame, or of strips of a large one
}

// ErrNoScreen says that a frame has no pixel that is certainly screen: the performer fills it, the
// lamps were off, or the two plates are not of one take.
var ErrNoScreen = errors.New("no part of the frame is certainly screen")

// ErrNotFinite says that a plate has a value that is not finite; NotFinite says which.
var ErrNotFinite = errors.New("a value is not finite")

// Gain estimates the lamps' gain in one frame from the pixels that are certainly screen: those
// where the quotient of band and clean plate stands in its topmost peak, with neighbors that stand
// there too. At least one pixel in 500 must be such, or the error is ErrNoScreen. Of frames from a
// million pixels on it looks at strips that are half a million together.
func (s *Solver) Gain(frame Sample) (Gain, error) {
	if err := plate.CheckSize("band plate", frame.Band.Size(), "color plate", frame.Color.Size()); err != nil {
		return Gain{}, err
	}
	g, err := s.GainByRows(frame.Color, GainPixels, func(row []float32, y int) {
		copy(row, frame.Band.Pix[y*frame.Band.W:])
	})
	if errors.Is(err, ErrNotFinite) {
		err = NotFinite(frame.Color, frame.Band)
	}
	return g, err
}

// GainPixels is about how many pixels of a large frame Gain looks at: they tell the gain as well as
// all, since what a thin veil adds is more than their noise.
const GainPixels = 1 << 19

// GainByRows is Gain for a band plate that need not be there as a whole: band puts row y of it, in
// the color plate's frame, into row. It is asked for rows, in strips spread over the frame, that
// have about so many pixels together, and for no others. The error for a value that is not finite
// is ErrNotFinite.
func (s *Solver) GainByRows(color *plate.RGB, pixels int, band func(row []float32, y int)) (Gain, error) {
	if err := s.check(color, 1); err != nil {
		return Gain{}, err
	}
	free := s.unclamped()
	model := free.model(1)
	rows := strips(s.w, s.h, pixels)
	u := plate.NewGray(s.w, len(rows))
	row, p := make([]float32, s.w), plate.NewRGB(s.w, 1).Row(0)
	for k, y := range rows {
		band(row, y)
		in, t := free.row(color.Row(y), row, y), u.Pix[k*s.w:(k+1)*s.w]
		if !model.Row(t, &p, &in) {
			return Gain{}, ErrNotFinite
		}
		uncover(t, in.Inverse)
	}
	return gainOf(u)
}

// unclamped returns a Solver for g t alone.
func (s *Solver) unclamped() *Solver {
	free := *s
	free.clamp, free.screen = ClampNone, nil
	return &free
}

// uncover sets u to -1 where there is no screen.
func uncover(u, inverse []float32) {
	for i, inv := range inverse {
		if inv == 0 {
			u[i] = -1
		}
	}
}

// quotient returns g t: the solution before it is divided by the gain. It is -1 where there is no
// screen.
func (s *Solver) quotient(frame Sample) (*plate.Gray, error) {
	free := s.unclamped()
	if err := free.checkSample(frame); err != nil {
		return nil, err
	}
	u := plate.NewGray(s.w, s.h)
	of := Frame{free, free.model(1)}
	var infinite atomic.Bool
	parallel.Rows(s.w, s.h, func(y0, y1 int) {
		foreground := plate.NewRGB(s.w, 1).Row(0)
		for y := y0; y < y1; y++ {
			i, j := y*s.w, (y+1)*s.w
			if !of.Row(u.Pix[i:j], foreground, frame.Color.Row(y), frame.Band.Pix[i:j], y) {
				infinite.Store(true)
			}
		}
	})
	if infinite.Load() {
		return nil, NotFinite(frame.Color, frame.Band)
	}
	uncover(u.Pix, s.inverse.Pix)
	return u, nil
}

// open returns the quotient and the gain of sample k. The error is ErrNoScreen where it has no open
// screen.
func (s *Solver) open(k int, frame Sample) (*plate.Gray, Gain, error) {
	u, err := s.quotient(frame)
	if err != nil {
		return nil, Gain{}, fmt.Errorf("sample %d: %w", k, err)
	}
	g, err := gainIn(u)
	return u, g, err
}

// framesAtOnce is how many frames are looked at at the same time, each of which has some planes: what
// Prepare estimates from.
const framesAtOnce = prepareSamples

// eachFrame calls do for the numbers of n frames, some at the same time, and returns its errors.
func eachFrame(n int, do func(k int) error) []error {
	errs := make([]error, n)
	parallel.Try(context.Background(), n, min(framesAtOnce, runtime.GOMAXPROCS(0)), func(k int) error {
		errs[k] = do(k)
		return nil
	})
	return errs
}

// strips returns rows of a frame that have about so many pixels, or all, in strips spread over it.
func strips(w, h, pixels int) []int {
	const rows = 16
	n := max(w*h/max(pixels, 1), 1)
	some := make([]int, 0, h/n+2*rows)
	for y := n / 2 * rows; y < h; y += n * rows {
		for k := y; k < min(y+rows, h); k++ {
			some = append(some, k)
		}
	}
	return some
}

// gainIn returns the gain that the quotient u of a whole frame has.
func gainIn(u *plate.Gray) (Gain, error) {
	rows := strips(u.W, u.H, GainPixels)
	thin := plate.NewGray(u.W, len(rows))
	parallel.EachRow(u.W, len(rows), func(k int) { copy(thin.Pix[k*u.W:(k+1)*u.W], u.Pix[rows[k]*u.W:]) })
	return gainOf(thin)
}

// The gain is between these, or nothing of the frame is screen: lamps a fiftieth as bright as in
// the clean plate leave noise, and a million times as bright are none.
const (
	leastGain = 0.02
	mostGain  = 1e6
)

// How far from the gain, in parts of it, the mean over 3x3 pixels of a place may be that is
// certainly screen: at most, since a veil beyond it has a peak of its own; at least, where the
// noise is less than what the reference plates leave; and between these, in standard deviations of
// it. Chosen by hand; not measured by itself.
const (
	widestReach = 0.06
	leastReach  = 0.01
	reachSigmas = 4
)

// gainOf returns the gain of the quotient in strips.
func gainOf(u *plate.Gray) (Gain, error) {
	// Where no reason stands beside one, these are chosen by hand; not measured by itself.
	const (
		bins = 800
		// The quantile that the histogram has in its middle: what is above glints or clips.
		brighter = 0.999
		// Bins to either side, over which the peak is looked for: of 2 top / bins each, 2.5 %.
		window = 5
		fewest = 500 // one pixel in so many must be screen, as Gain states it

		// The narrowest reach; the reach in standard deviations of a pixel, five of a mean over 3x3
		// whose noise is white; how often it is renewed at most; and the parts by which the center
		// and the reach still change where renewing ends.
		narrowest   = 0.004
		pixelSigmas = 1.7
		rounds      = 8
		still       = 1e-7
		stillReach  = 1e-4
	)
	// The histogram spans 0 to twice the 99.9th percentile, in steps well below the noise of one
	// pixel. A mean over 3x3 pixels sharpens the peak.
	smooth := boxMean(u, 1)
	top := quantile(smooth.Pix, brighter)
	if !(top > leastGain && top < mostGain) {
		return Gain{}, ErrNoScreen
	}
	width := 2 * top / bins
	var count [bins]float64
	for _, v := range smooth.Pix {
		if b := v / width; b >= 0 && b < bins { // before it is an int, which cannot hold every float32
			count[int(b)]++
		}
	}
	// The peak is looked for above half of the top, over a window of 2.5 %.
	best, at := 0.0, 0
	for b := bins / 4; b < bins-window; b++ {
		sum := 0.0
		for k := -window; k <= window; k++ {
			sum += count[b+k]
		}
		// Where a veil and the screen both make a peak, the screen is the brighter one.
		if sum > 0 && sum >= best {
			best, at = sum, b
		}
	}
	if best < float64(len(u.Pix))/fewest {
		return Gain{}, ErrNoScreen
	}
	center := (float64(at) + 0.5) * float64(width)
	// From here on every pixel counts whose 3x3 mean is near the center, and those of its neighbors
	// too; the center and what is near are renewed.
	reach := widestReach * center
	var mean, sd float64
	var used int
	// The errors of pixels hang together, by resampling and by whatever veil is taken for screen:
	// the mean's own error comes from the scatter of the sums over the cells of a grid.
	open := newOpenScreen(u, smooth)
	for range rounds {
		var sum, sum2 float64
		sum, sum2, used = open.near(center, reach)
		if used == 0 {
			return Gain{}, ErrNoScreen
		}
		mean = sum / float64(used)
		sd = math.Sqrt(max(sum2/float64(used)-mean*mean, 0))
		center = float64(float32(center)) + mean
		// A mean of nine has a third of the scatter, unless the lens has smeared the noise.
		before := reach
		reach = min(max(pixelSigmas*sd, narrowest*center), widestReach*center)
		// The rest would change the center by less than 1e-6 of itself.
		if math.Abs(mean) < still*center && math.Abs(reach-before) < stillReach*reach {
			break
		}
	}
	if used < len(u.Pix)/fewest {
		return Gain{}, ErrNoScreen
	}
	var scatter, seen, between, noise float64
	for c, n := range open.counts {
		if n > 0 {
			d := open.sums[c] - n*mean
			scatter += d * d
			between += d * d / n
			noise += meanCorrelation * sd * sd
			seen++
		}
	}
	sigma := max(math.Sqrt(scatter*seen/max(seen-1, 1))/float64(used), sd/math.Sqrt(float64(used)))
	veil := max(math.Sqrt(max(between-noise, 0)/float64(used)), thinVeil*center)
	return Gain{Value: center, Sigma: math.Hypot(sigma, veil), Veil: veil, Pixels: used}, nil
}

// meanCorrelation is by how much the variance of a mean over many pixels is larger than if each had
// noise of its own: resampling leaves half of the variance and all of the mean's.
const meanCorrelation = 2

// An openScreen finds the pixels of a quotient that are certainly screen.
type openScreen struct {
	u, smooth    *plate.Gray
	cells        cells
	sums, counts []float64   // of every cell
	rows         []openCells // of cells
}

// openCells are the sums of a row of cells, by columns, and what they take.
type openCells struct {
	kernel.Tally
	barred, inside []int32
}

func newOpenScreen(u, smooth *plate.Gray) *openScreen {
	c := newCells(u.W, u.H)
	o := &openScreen{u, smooth, c, make([]float64, c.n), make([]float64, c.n), make([]openCells, c.n/c.across)}
	for i := range o.rows {
		o.rows[i] = openCells{kernel.Tally{Sum: make([]float32, u.W), Sum2: make([]float32, u.W), Count: make([]int32, u.W)}, make([]int32, u.W), kernel.Inside(u.W)}
	}
	return o
}

// near returns the sums of the distances from center, as a float32, and of their squares, and how
// many there are, of the pixels that have only smoothed values within reach of the center up to
// kernel.Reach pixels around them.
func (o *openScreen) near(center, reach float64) (sum, sum2 float64, used int) {
	parallel.Each(len(o.rows), func(i int) { o.count(i, center, reach) })
	clear(o.sums)
	clear(o.counts)
	for i := range o.rows {
		t := &o.rows[i]
		first := i * o.cells.across
		for x, n := range t.Count {
			s := float64(t.Sum[x])
			sum += s
			sum2 += float64(t.Sum2[x])
			used += int(n)
			o.sums[first+x/o.cells.side] += s
			o.counts[first+x/o.cells.side] += float64(n)
		}
	}
	return sum, sum2, used
}

// count is near for a row of cells.
func (o *openScreen) count(i int, center, reach float64) {
	const r = kernel.Reach
	w, h := o.u.W, o.u.H
	t := &o.rows[i]
	clear(t.barred)
	clear(t.Sum)
	clear(t.Sum2)
	clear(t.Count)
	y0, y1 := i*o.cells.side, min((i+1)*o.cells.side, h)
	// A row bars its columns by its number and 2 r + 1 more, so that row y is open where nothing
	// from row y - r on does.
	for y := max(y0-r, 0); y < y1+r; y++ {
		if y < h {
			kernel.Bar(t.barred, t.inside, o.smooth.Pix[y*w:(y+1)*w], float32(center-reach), float32(center+reach), int32(y+2*r+1))
		}
		if y := y - r; y >= y0 {
			t.Add(o.u.Pix[y*w:(y+1)*w], t.barred, int32(y+r+1), float32(center))
		}
	}
}

// thinVeil is the least part of the gain that a veil may take: below, a few million pixels cannot
// show it. What it may take beyond is measured. A veil of transmission 1 - v over half of the
// screen, thinner than the noise, is in no histogram; it lowers the gain by v / 2, and the means of
// the cells of a grid scatter by v / 2 about it. So what these means scatter beyond the noise of
// their pixels is how far a veil may take the gain down. Over less of the screen it does less, and
// a veil that is alike all over is a change of the lamps, to this and to any estimate.
const thinVeil = 1e-4

// quantile returns the value that the part q of pix does not exceed. It looks at fewer than 40000
// values, evenly spread: the median's own error is then below a hundredth of the standard
// deviation.
func quantile(pix []float32, q float64) float32 {
	const enough = 20000
	return robust.Quantile(robust.Sampled(pix, enough), q)
}

// cells are a grid over the frame, some cellsAcross across: errors of one cell may hang together,
// those of two cells hardly.
type cells struct{ side, across, n int }

const cellsAcross = 24 // chosen by hand

func newCells(w, h int) cells {
	side := max((w+cellsAcross-1)/cellsAcross, 1)
	across := (w + side - 1) / side
	return cells{side, across, across * ((h + side - 1) / side)}
}

func (c cells) of(x, y int) int { return y/c.side*c.across + x/c.side }
