package take

import (
	"errors"
	"fmt"
	"math"

	"example.com/twinplate/align"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/reading"
)

// A Monitor looks at cameras that are running: each frame of a job has other pixels whenever its
// files are read again, and Next reads them again. What Check reads of a test shot it reads of one
// frame after the other, as far as one frame and the gains of those before it tell. It is not safe
// for concurrent use, and its memory does not grow.
type Monitor struct {
	*Scrubber
	free    *matte.Solver
	frame   *Scrubbed // the last
	count   int
	numbers []int
	gains   []matte.Gain
	noise   float64 // of the matte, in % of alpha; NaN: not known yet
	shared  float64 // error of the core's transmission, as checker.shared has it
	reads   int
}

// noiseEvery is how many readings share one of the matte's noise, which takes as long as all the
// rest and hardly changes. One that hides the performer is looked at anew: it may have been of a
// lamp that was out.
const noiseEvery = 60

// NewMonitor returns a Monitor of the job.
func (j *Job) NewMonitor() *Monitor {
	return &Monitor{Scrubber: j.NewScrubber(), free: j.solver.With(matte.ClampNone), noise: math.NaN()}
}

// Next does the frame of this number anew, from what its files have now; a background is kept.
// Errors are those of Scrubber.Frame.
func (m *Monitor) Next(number int) (*Scrubbed, error) {
	m.Forget(false)
	m.frame = nil
	f, err := m.Frame(number, nil)
	if err != nil {
		return nil, err
	}
	m.frame = f
	m.count++
	m.numbers, m.gains = append(m.numbers, m.count), append(m.gains, f.Gain)
	if n := len(m.gains) - checkGains; n > 0 {
		m.numbers, m.gains = append(m.numbers[:0], m.numbers[n:]...), append(m.gains[:0], m.gains[n:]...)
	}
	return f, nil
}

// Watch does the frame of this number anew, as Next does, for a picture alone and in a third of the
// time: it calls each with one row after the other, from the top, and there is nothing that Read
// could read. Its gain is found from a quarter of the pixels. Where each is nil the gain is all
// that is made. A take without a background is an error, as it is to Sum.
func (m *Monitor) Watch(number int, each func(y int, row *StationRow)) (matte.Gain, error) {
	m.Forget(false)
	m.frame = nil
	i, err := m.index(number)
	if err != nil {
		return matte.Gain{}, err
	}
	if m.w.job.backdrop == nil {
		return matte.Gain{}, noSum(number)
	}
	if each == nil {
		return m.w.gain(i)
	}
	r, err := m.w.frame(i, m.w.job.livePlan(), nil, each)
	return r.Gain, err
}

// An Arithmetic is all that the composite of live frames is made from, beside the plates themselves
// and the gain that Watch finds: for a graphics processor, which makes it as Watch does.
type Arithmetic struct {
	matte.Planes
	Geometry              align.Geometry // by the Bicubic kernel; t is clamped to 0 to 1 once the foreground is made
	ColorCurve, BandCurve plate.Curve
	Weights               [3]float64 // of the band camera's channels
	Background            *plate.RGB // fitted to the frame of the number
}

// Arithmetic returns the arithmetic of the frame of this number. The error says what of the recipe,
// or of the plates, asks for more than it has.
func (m *Monitor) Arithmetic(number int) (*Arithmetic, error) {
	i, err := m.index(number)
	if err != nil {
		return nil, err
	}
	j := m.w.job
	if j.backdrop == nil {
		return nil, noSum(number)
	}
	t, p := j.take, j.plan()
	for _, row := range []struct {
		asks bool
		what string
	}{
		{p.band || p.foreground || p.unspilled, "glare, tidy, limits, spill, regions, the screen's extent or an operator"},
		{j.foregroundGrade != nil, "a grade of the foreground"},
		{j.lens.ofFrame() || j.lens.band != 0, "a correction of the lenses"},
		{!t.colorPrimaries.Near(t.primaries) || t.colorVia != nil || t.bandVia != nil, "plates of other primaries, or transforms"},
		{!j.resampler.Plain(), "a resampler other than the bicubic one, or a band plate that is finer than the color one"},
		{t.weights == nil, "a band camera without color channels"},
		{clamps[t.recipe.Clamp] != matte.ClampTransmission, "a clamp other than transmission"},
	} {
		if row.asks {
			return nil, fmt.Errorf("the take has %s: a graphics processor makes none of these here", row.what)
		}
	}
	back, err := m.w.background(i, false, false)
	if err != nil {
		return nil, err
	}
	w := *t.weights
	return &Arithmetic{j.solver.Planes(), j.Geometry, t.colorCurve, t.bandCurve, [3]float64{float64(w[0]), float64(w[1]), float64(w[2])}, back.plane()}, nil
}

var errNoFrame = errors.New("there is no frame to read yet")

// Read reads the frame that Next returned last. The Checkup has those readings of Check's that one
// frame tells, and its planes but for Sigma.
func (m *Monitor) Read() (*Checkup, error) {
	f, j := m.frame, m.w.job
	if f == nil {
		return nil, errNoFrame
	}
	c := &checker{t: j.take, job: j, out: &Checkup{Frame: f.Number, Color: f.Color, Band: f.Band, Screen: j.solver.Screen()}}
	c.level(matte.Sample{Color: f.Color, Band: m.w.shot})
	c.evenness()
	s, spill, err := c.solid(m.free, matte.Sample{Color: f.Color, Band: f.Band}, f.Gain.Value)
	if err != nil {
		return nil, err
	}
	c.out.Alpha, c.out.Spill = matte.Alpha(nil, s.Transmission), spill.Map
	c.out.Leaky, c.leak = c.leaky(f.Color, spill.Map, f.Gain.Value)
	if m.reads%noiseEvery == 0 || m.noise > noiseHides {
		sigma, err := j.solver.Sigma(nil, matte.Sample{Color: f.Color, Band: f.Band}, f.Gain.Value, j.ColorNoise.Grain(), j.BandNoise.Grain())
		if err != nil {
			return nil, err
		}
		sum, n := variance(sigma)
		m.noise = 100 * math.Sqrt(sum/max(n, 1))
		if m.shared, err = c.shared(matte.Sample{Color: f.Color, Band: f.Band}, f.Gain.Value, spill.Map, sigma); err != nil {
			return nil, err
		}
	}
	m.reads++
	c.out.ThroughSigma, c.share = spillErrors(spill, f.Gain, m.shared, m.noise/100)
	core := spill.Core
	if m.noise > noiseHides {
		core = 0
	}
	c.spill(spill, core)
	c.crosstalk(spill.Mean)
	c.noise(m.noise)
	c.flicker(m.numbers, m.gains)
	c.out.Through = spill.Mean
	return c.out, nil
}

// A Trouble is what is wrong at a place of the frame.
type Trouble byte

// The troubles, each before those that it hides.
const (
	NoTrouble    Trouble = iota
	TroubleClips         // the band plate clips: its true level is lost
	TroubleSpill         // the performer lets more than 1 % through where they should be solid
	TroubleLeak          // set light in the band plate, worth as much, which is taken off
	TroubleDark          // open screen so dark that noise eats the matte
)

// TroubleMap is a frame's troubles by squares of Side pixels; those at the right and at the bottom
// may be cut.
type TroubleMap struct {
	Side, W, H int // pixels; squares across and down
	At         []Trouble
}

// Troubles maps what Read, which must have returned c, has found wrong: a square's troubles are
// those of its means, so that noise is none.
func (m *Monitor) Troubles(c *Checkup) TroubleMap {
	// Squares are an eightieth of the width: the soft light of spill is wider, and a mark that is
	// smaller cannot be told from another. Chosen by hand.
	const across = 80
	const solid = 0.1 // of alpha, from which a square is not open screen
	f, full := m.frame, m.w.job.take.fullBand()
	out := TroubleMap{Side: max(c.Color.W/across, 1)}
	out.W, out.H = (c.Color.W+out.Side-1)/out.Side, (c.Color.H+out.Side-1)/out.Side
	out.At = make([]Trouble, out.W*out.H)
	squares := func(p *plate.Gray) []float32 { return blocks(p, out) }
	spill, leaky, alpha, band := squares(c.Spill), squares(c.Leaky), squares(c.Alpha), squares(f.Band)
	const top = 0.998 // of full scale, from which a file clips
	for i := range out.At {
		const spillShows = 0.01 // as matte.FindSpill counts it
		switch {
		case float64(band[i]) >= top*full:
			out.At[i] = TroubleClips
		case spill[i] > spillShows:
			out.At[i] = TroubleSpill
		case leaky[i]-spill[i] > spillShows:
			out.At[i] = TroubleLeak
		case alpha[i] < solid && reading.Level.Judge(float64(band[i])/full) == reading.Bad:
			out.At[i] = TroubleDark
		}
	}
	return out
}

// blocks returns the means of a plane over the squares of m.
func blocks(p *plate.Gray, m TroubleMap) []float32 {
	out := make([]float32, m.W*m.H)
	for by := range m.H {
		for bx := range m.W {
			y1, x1 := min((by+1)*m.Side, p.H), min((bx+1)*m.Side, p.W)
			var sum float32
			for y := by * m.Side; y < y1; y++ {
				for _, v := range p.Pix[y*p.W+bx*m.Side : y*p.W+x1] {
					sum += v
				}
			}
			out[by*m.W+bx] = sum / float32((y1-by*m.Side)*(x1-bx*m.Side))
		}
	}
	return out
}

// A Shift is how far a geometry is from one that was found before, in band pixels, at the edges
// that the later one was found from.
type Shift struct {
	Pixels float64 // root of the mean square
	Sigma  float64 // the expected error of the later one there, likewise
}

// Certain reports whether the cameras have moved against each other, by more than the error
// explains and than a matte's edge forgives.
func (s Shift) Certain() bool {
	const (
		times = 4   // the error; it is found anew every few seconds, and must not cry wolf
		least = 0.5 // pixels: half of one is what edges begin to show (common practice)
	)
	return s.Pixels > max(times*s.Sigma, least)
}

// ShiftFrom returns how far the geometry of e is from that of before. Without edges it is 0.
func ShiftFrom(before align.Geometry, e *align.Estimate) Shift {
	var square, sigma float64
	for _, p := range e.Pieces {
		x, y := p.Color[0], p.Color[1]
		ax, ay := before.Map(x, y)
		bx, by := e.Geometry.Map(x, y)
		square += (ax-bx)*(ax-bx) + (ay-by)*(ay-by)
		s := e.Sigma(x, y)
		sigma += s * s
	}
	n := max(float64(len(e.Pieces)), 1)
	return Shift{math.Sqrt(square / n), math.Sqrt(sigma / n)}
}
