package matte

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A Screen is a smooth model of the lit screen in the band camera, for a take without a clean band
// plate: the exponential of a polynomial in x and y, both from -1 to 1 over the frame. It is small,
// and kept in a recipe as JSON.
type Screen struct {
	W, H         int
	Order        int       // the polynomial's total degree
	Coefficients []float64 // of 1, x, y, x^2, xy, y^2, x^3 ...: (Order+1)(Order+2)/2 of them
	Coverage     float64   // the part of the frame, 0 to 1, that was certainly screen in at least one sample
	Scatter      float64   // relative standard deviation of those parts from the model
}

// MaxScreenOrder is the largest degree that FitScreen takes: above, the terms of powers of x and y
// are too much alike for normal equations in double precision (chosen by hand).
const MaxScreenOrder = 8

// Where no reason stands beside one, these are chosen by hand; not measured by itself.
const (
	usualOrder    = 4     // the polynomial's degree where none is given
	screenBlocks  = 96    // blocks across the frame
	leastBlocks   = 100   // in all samples
	leastCoverage = 0.05  // part of the frame that must be seen
	leastLight    = 1e-4  // of a block in the band plate, in full scale; its logarithm is taken
	maxScreenSide = 65536 // pixels of a model's side
)

// FitScreen fits a screen of the given order (0: 4) to what is certainly screen in the samples, all
// of one take: dark in the color plate, and on the upper envelope of the band plate. Dark plates
// may be nil. The lamps' gain may differ from sample to sample; the model has that of the first. An
// error says that there is not enough screen to see.
func FitScreen(samples []Sample, darkColor *plate.RGB, darkBand *plate.Gray, order int) (*Screen, error) {
	order = cmp.Or(order, usualOrder)
	if order < 0 || order > MaxScreenOrder {
		return nil, fmt.Errorf("matte: a screen of order %d: it must be 1 to %d", order, MaxScreenOrder)
	}
	if len(samples) == 0 {
		return nil, fmt.Errorf("matte: no samples to fit a screen to")
	}
	size := samples[0].Color.Size()
	for k, s := range samples {
		ref := References{CleanColor: s.Color, CleanBand: s.Band}
		if k == 0 {
			ref.DarkColor, ref.DarkBand = darkColor, darkBand
		}
		if err := ref.check(size); err != nil {
			return nil, fmt.Errorf("matte: sample %d: %w", k, err)
		}
	}
	return newScreenFit(size.X, size.Y, order, samples, darkColor, darkBand).fit()
}

// Gray returns the model as a clean band plate without its dark level: W by H values, all positive.
// Far from where the screen was seen the polynomial may go anywhere: it is held to what a Solver
// takes.
func (s *Screen) Gray() *plate.Gray {
	// Up to here, a little below the logarithm of mostScreen and of 1 / leastScreen, nothing is held.
	const held = 27
	f := plate.NewGray(s.W, s.H)
	places, powers := placesOf(s.W), newPowersOf2()
	parallel.Rows(s.W, s.H, func(y0, y1 int) {
		row, logs := make([]float64, s.Order+1), make([]float64, s.W)
		for y := y0; y < y1; y++ {
			along(row, s.Coefficients, place(y, s.H))
			polynomials(logs, row, places)
			to := f.Pix[y*s.W : (y+1)*s.W]
			most := 0. // that a logarithm may be, since places are from -1 to 1
			for _, c := range row {
				most += math.Abs(c)
			}
			if most < held {
				powers.exp(to, logs)
				continue
			}
			for x, v := range logs {
				to[x] = float32(min(max(math.Exp(v), leastScreen), mostScreen))
			}
		}
	})
	return f
}

// A powersOf2 holds the powers of 2 from 1 to 2 in equal steps of the exponent.
type powersOf2 [1 << powersBits]float64

const powersBits = 6 // steps of 1 %, beside which six terms of the series for e^r leave 1e-16

func newPowersOf2() *powersOf2 {
	var t powersOf2
	for i := range t {
		t[i] = math.Exp2(float64(i) / float64(len(t)))
	}
	return &t
}

// exp sets dst, which has as many values, to e^v for each v of logs, from -300 to 300, to 1e-13 of
// itself before it is rounded. In WebAssembly, where a call for each number takes long, Gray takes
// an eighth of the time that it takes with math.Exp.
func (t *powersOf2) exp(dst []float32, logs []float64) {
	const (
		step   = math.Ln2 / (1 << powersBits)
		bias   = 1023               // of a float64's exponent, which makes the number of steps positive
		steps  = bias << powersBits // the same in steps
		digits = 52                 // of a float64's fraction
	)
	dst = dst[:len(logs)]
	for i, v := range logs {
		k := int(v*(1/step) + (steps + 0.5))
		r := v - float64(k-steps)*step
		series := 1 + r*(1+r*(1./2+r*(1./6+r*(1./24+r*(1./120)))))
		dst[i] = float32(math.Float64frombits(uint64(k>>powersBits)<<digits) * t[k&(len(t)-1)] * series)
	}
}

// CleanBand returns the model as a clean band plate that was shot: with the dark plate, which may
// be nil, added.
func (s *Screen) CleanBand(dark *plate.Gray) *plate.Gray {
	f := s.Gray()
	if dark != nil {
		parallel.Rows(f.W, f.H, func(y0, y1 int) {
			to := f.Pix[y0*f.W : y1*f.W]
			for i, d := range dark.Pix[y0*f.W : y1*f.W] {
				to[i] += d
			}
		})
	}
	return f
}

func place(i, n int) float64 { return (2*float64(i) + 1 - float64(n)) / float64(n) }

// placesOf returns the places of n pixels.
func placesOf(n int) []float64 { return list.By(n, func(i int) float64 { return place(i, n) }) }

// powers fills terms with 1, x, y, x^2, xy, y^2 and so on to the given order.
func powers(terms []float64, order int, x, y float64) {
	terms[0] = 1
	at := 1
	for d := 1; d <= order; d++ {
		// The terms of degree d are those of degree d-1 times x, and y to the d.
		for k := range d {
			terms[at+k] = terms[at-d+k] * x
		}
		terms[at+d] = terms[at-1] * y
		at += d + 1
	}
}

// along fills row with the coefficients of 1, x, x^2 and so on that the polynomial of powers has at y.
func along(row, coefficients []float64, y float64) {
	clear(row)
	at := 0
	for d := range row {
		p := 1. // y to the power of k
		for k := range d + 1 {
			row[d-k] += coefficients[at+k] * p
			p *= y
		}
		at += d + 1
	}
}

// polynomials sets dst to what the coefficients of 1, x, x^2 and so on make of each place x. It
// does one coefficient after the other for the whole row: in WebAssembly a loop for each place
// takes long.
func polynomials(dst, coefficients, places []float64) {
	dst = dst[:len(places)]
	last := len(coefficients) - 1
	for i := range dst {
		dst[i] = coefficients[last]
	}
	for _, c := range slices.Backward(coefficients[:last]) {
		i := 0
		for ; i <= len(dst)-4; i += 4 {
			to, x := (*[4]float64)(dst[i:]), (*[4]float64)(places[i:])
			to[0], to[1], to[2], to[3] = to[0]*x[0]+c, to[1]*x[1]+c, to[2]*x[2]+c, to[3]*x[3]+c
		}
		for ; i < len(dst); i++ {
			dst[i] = dst[i]*places[i] + c
		}
	}
}

func dot(a, b []float64) (sum float64) {
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

type screenFit struct {
	w, h, block, order int
	places             [][]float64 // terms of each square of block pixels a side, row by row
	blocks             []screenBlock
	gains              []float64 // logarithms, one a sample
	coef               []float64
	surface            []float64 // logarithms of the model at the places, once there is one
}

// A screenBlock is a square of pixels in one sample.
type screenBlock struct {
	sample, at int     // the latter among the places
	level      float64 // logarithm of its mean in the band plate
	color      float64 // its mean in the color plate, the brightest channel
	in         bool
}

func newScreenFit(w, h, order int, samples []Sample, darkColor *plate.RGB, darkBand *plate.Gray) *screenFit {
	f := &screenFit{w: w, h: h, block: max(w/screenBlocks, 1), order: order, gains: make([]float64, len(samples))}
	center := func(block, n int) float64 {
		return (2*(float64(block*f.block)+float64(f.block-1)/2) + 1 - float64(n)) / float64(n)
	}
	for by := range h / f.block {
		for bx := range w / f.block {
			terms := make([]float64, (order+1)*(order+2)/2)
			powers(terms, order, center(bx, w), center(by, h))
			f.places = append(f.places, terms)
		}
	}
	f.surface = make([]float64, len(f.places))
	dark := make([]float64, len(f.places))
	if darkBand != nil {
		dark = f.means(darkBand.Pix)
	}
	var darks [3][]float64
	for c := range darks {
		darks[c] = make([]float64, len(f.places))
		if darkColor != nil {
			darks[c] = f.means(darkColor.Pix[c])
		}
	}
	for k, s := range samples {
		band := f.means(s.Band.Pix)
		color := [3][]float64{f.means(s.Color.Pix[0]), f.means(s.Color.Pix[1]), f.means(s.Color.Pix[2])}
		for at := range f.places {
			if light := band[at] - dark[at]; light >= leastLight {
				f.blocks = append(f.blocks, screenBlock{sample: k, at: at, level: math.Log(light), in: true,
					color: max(color[0][at]-darks[0][at], color[1][at]-darks[1][at], color[2][at]-darks[2][at])})
			}
		}
	}
	return f
}

// means returns the means of a plane at the places.
func (f *screenFit) means(pix []float32) []float64 {
	across, down := f.w/f.block, f.h/f.block
	means := make([]float64, across*down)
	parallel.Parts(down, func(from, to int) {
		sums, ones := make([]float32, f.w), make([]float32, f.w)
		fill(ones, 1)
		for by := from; by < to; by++ {
			clear(sums)
			for y := by * f.block; y < (by+1)*f.block; y++ {
				kernel.Held(sums, sums, pix[y*f.w:(y+1)*f.w], ones)
			}
			for bx := range across {
				sum := 0.
				for _, v := range sums[bx*f.block : (bx+1)*f.block] {
					sum += float64(v)
				}
				means[by*across+bx] = sum / float64(f.block*f.block)
			}
		}
	})
	return means
}

// above returns by how much a block lies above the surface.
func (f *screenFit) above(b *screenBlock) float64 {
	return b.level - f.gains[b.sample] - f.surface[b.at]
}

func (f *screenFit) fit() (*Screen, error) {
	few := fmt.Errorf("matte: the screen is seen in too little of the frame to model it: shoot a clean band plate, or give more frames (%w)", ErrNoScreen)
	// Where no reason stands beside one, these are chosen by hand; not measured by itself.
	const (
		// What is a stop and a half below the brightest tenth is left out at first: a screen that
		// is uneven by more keeps its middle, and grows outward in the passes below.
		stops = 1.5

		passes      = 24
		perOrder    = 3 // passes after which the polynomial gets its next degree
		freeGains   = 6 // passes after which the samples' gains are renewed
		envelope    = 9 // passes in which what lies above the surface pulls harder
		belowWeight = 0.01
	)
	if len(f.blocks) < leastBlocks {
		return nil, few
	}
	levels := list.Of(f.blocks, func(b screenBlock) float64 { return b.level })
	start := robust.Nth(levels, len(levels)*9/10) - stops*math.Ln2
	for i := range f.blocks {
		f.blocks[i].in = f.blocks[i].level > start
	}
	var scatter float64
	for pass := range passes {
		order := min(1+pass/perOrder, f.order)
		// Screen is the upper envelope: at first what lies above the surface pulls a hundred times
		// harder.
		below := 1.0
		if pass < envelope {
			below = belowWeight
		}
		if !f.solve(order, below) {
			return nil, few
		}
		scatter = f.choose(pass, pass >= freeGains)
	}
	seen := make([]bool, len(f.places))
	for _, b := range f.blocks {
		seen[b.at] = seen[b.at] || b.in
	}
	s := &Screen{W: f.w, H: f.h, Order: f.order, Coefficients: f.coef, Scatter: scatter,
		Coverage: float64(list.Count(seen, func(is bool) bool { return is })) / float64(len(seen))}
	if s.Coverage < leastCoverage {
		return nil, few
	}
	return s, nil
}

// solve fits the terms up to the given order to the blocks that are in.
func (f *screenFit) solve(order int, below float64) bool {
	// A whiff of ridge keeps the corners quiet where nothing is seen of them: a part of what a term
	// has, and blocks' worth.
	const (
		ridge  = 1e-6
		little = 1e-9
	)
	n := (order + 1) * (order + 2) / 2
	// A place has the same terms in all samples.
	weights, levels := make([]float64, len(f.places)), make([]float64, len(f.places))
	for i := range f.blocks {
		b := &f.blocks[i]
		if !b.in {
			continue
		}
		w := 1.0
		if f.coef != nil && f.above(b) < 0 {
			w = below
		}
		weights[b.at] += w
		levels[b.at] += w * (b.level - f.gains[b.sample])
	}
	normal, rhs := list.Rows[float64](n, n), make([]float64, n) // of which the upper triangle is made
	parallel.Parts(n, func(from, to int) {
		for at, w := range weights {
			if w == 0 {
				continue
			}
			terms := f.places[at][:n]
			for i := from; i < to; i++ {
				p := terms[i]
				rhs[i] += levels[at] * p
				row := normal[i][i:]
				for j, q := range terms[i:] {
					row[j] += w * p * q
				}
			}
		}
	})
	for i := range n {
		normal[i][i] = normal[i][i]*(1+ridge) + little
	}
	sol, ok := settleAll(normal, rhs)
	if !ok {
		return false
	}
	f.coef = make([]float64, (f.order+1)*(f.order+2)/2)
	copy(f.coef, sol)
	for at, terms := range f.places {
		f.surface[at] = dot(terms, f.coef)
	}
	return true
}

// choose chooses the blocks that lie on the surface, renews the samples' gains when asked, and
// returns the scatter of the chosen.
func (f *screenFit) choose(pass int, gains bool) float64 {
	// Where no reason stands beside one, these are chosen by hand; not measured by itself. Light is
	// in natural logarithms.
	const (
		enough       = 20    // blocks of a sample that tell its gain
		far          = 0.3   // above the surface, where no screen is
		leastScatter = 0.005 // what is under a smooth screen's own pattern

		// How far from the surface a block may be: it begins wide and closes to three sigmas
		// (common practice).
		sigmas      = 3
		wide, close = 0.5, 0.05 // at first, and less in each pass

		// The color plate's light above the median on the screen, in sigmas and in full scale, from
		// which a block is the performer's.
		lit    = 6
		litTop = 0.002
	)
	if gains {
		var per = make([][]float64, len(f.gains))
		for i := range f.blocks {
			if b := &f.blocks[i]; b.in {
				per[b.sample] = append(per[b.sample], f.above(b))
			}
		}
		for k, r := range per {
			if k > 0 && len(r) > enough && len(per[0]) > enough {
				f.gains[k] += robust.Median(r) - robust.Median(per[0])
			}
		}
	}
	var above, colors []float64
	for i := range f.blocks {
		b := &f.blocks[i]
		if r := f.above(b); r > 0 && r < far {
			above = append(above, r)
		}
		if b.in {
			colors = append(colors, b.color)
		}
	}
	scatter := leastScatter
	if len(above) > 0 {
		scatter = max(robust.Sigma(above), scatter)
	}
	width := max(sigmas*scatter, wide-close*float64(pass))
	dark := math.Inf(1)
	if len(colors) > 0 {
		m := robust.Median(colors)
		for i, c := range colors {
			colors[i] = math.Abs(c - m)
		}
		dark = m + lit*robust.SigmaOfMAD*robust.Median(colors) + litTop
	}
	for i := range f.blocks {
		b := &f.blocks[i]
		b.in = math.Abs(f.above(b)) < width && b.color < dark
	}
	return scatter
}

type screenFile struct {
	Size         [2]int    `json:"size"`
	Order        int       `json:"order"`
	Coefficients []float64 `json:"coefficients"`
	Coverage     float64   `json:"coverage"`
	Scatter      float64   `json:"scatter"`
}

// MarshalJSON writes the model as an object with size, order, coefficients, coverage and scatter.
func (s Screen) MarshalJSON() ([]byte, error) {
	return json.Marshal(screenFile{[2]int{s.W, s.H}, s.Order, s.Coefficients, s.Coverage, s.Scatter})
}

// UnmarshalJSON reads what MarshalJSON writes, and checks it.
func (s *Screen) UnmarshalJSON(data []byte) error {
	var f screenFile
	if err := json.Unmarshal(data, &f); err != nil {
		return fmt.Errorf("screen: %w", err)
	}
	n := Screen{f.Size[0], f.Size[1], f.Order, f.Coefficients, f.Coverage, f.Scatter}
	if err := n.check(); err != nil {
		return err
	}
	*s = n
	return nil
}

// check returns an error where s's numbers do not fit together.
func (s *Screen) check() error {
	if s.W < 1 || s.H < 1 || s.W > maxScreenSide || s.H > maxScreenSide {
		return fmt.Errorf("screen: size is %dx%d, and must be 1x1 to %[3]dx%[3]d", s.W, s.H, maxScreenSide)
	}
	if s.Order < 0 || s.Order > MaxScreenOrder {
		return fmt.Errorf("screen: order is %d, and must be 0 to %d", s.Order, MaxScreenOrder)
	}
	if want := (s.Order + 1) * (s.Order + 2) / 2; len(s.Coefficients) != want {
		return fmt.Errorf("screen: %d coefficients, and order %d has %d", len(s.Coefficients), s.Order, want)
	}
	return nil
}

// BandWeights returns the weights of red, green and blue that give the best ratio of signal to
// noise at the screen's line when the band camera has a color sensor: each channel in proportion to
// how bright the screen is in it, as for a sum of signals with equal noise. They add up to 1. A
// gray plate gets equal thirds. The screen's brightness is read from the brightest tenth of the
// plate; a plate that is black, or has values there that are not finite, gets equal thirds too.
func BandWeights(band *plate.RGB) [3]float32 {
	// The quantile of the plate from which it is taken for screen; chosen by hand.
	const brightest = 0.9
	var bright [3]float64
	sum := plate.NewGray(band.W, band.H)
	for c := range 3 {
		for i, v := range band.Pix[c] {
			sum.Pix[i] += v
		}
	}
	limit := quantile(sum.Pix, brightest)
	for i, v := range sum.Pix {
		if v >= limit {
			for c := range 3 {
				bright[c] += max(float64(band.Pix[c][i]), 0)
			}
		}
	}
	total := bright[0] + bright[1] + bright[2]
	if !(total > 0) || math.IsInf(total, 0) {
		return [3]float32{1. / 3, 1. / 3, 1. / 3}
	}
	var w [3]float32
	for c := range 3 {
		w[c] = float32(bright[c] / total)
	}
	return w
}
