package align

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/robust"
)

// SoundRate is the rate, in samples a second, at which SoundOffset wants recordings: enough for what
// is used of the sound, up to 3.4 kHz.
const SoundRate = 8000

// SoundMost is how many seconds of each recording, from its beginning, SoundOffset looks at: a second
// of work and 200 MB.
const SoundMost = 240

// A SoundEstimate is how far apart two recordings are in time by the sound that both cameras took.
type SoundEstimate struct {
	// Seconds is how much later than the color camera's the band camera's recording begins, and
	// Sigma its standard error. It is negative where the band camera was first.
	Seconds, Sigma float64

	// Drift is the part by which the band camera's clock is fast: what both cameras hear in a time T
	// the band camera takes for T * (1 + Drift). DriftSigma is its standard error. Both are 0 where
	// the recordings have too little in common to tell.
	Drift, DriftSigma float64

	// Peak is the height of the correlation at the offset, in standard deviations of the correlation
	// elsewhere; Rival that of the highest peak more than a tenth of a second away.
	Peak, Rival float64

	start   float64   // seconds: the offset by the whole of what was compared first
	at, off []float64 // of each part: seconds in the band camera's recording, and its offset less start
}

// ErrNoSound says that the recordings' sound does not tell how they lie in time.
var ErrNoSound = errors.New("the recordings have no sound in common")

// SoundOffset's decisions. Where no other reason stands beside one, it is chosen by hand.
const (
	soundLow  = 200.  // Hz: below it there are hum and handling noise
	soundHigh = 3400. // Hz: the telephone's band; above it rooms and microphones differ most

	// The cross spectrum's magnitude is raised to the power 1 - whiten: 1 would be the phase
	// transform (Knapp and Carter, 1976), which is sharp and gives noise the weight of sound; common
	// practice is a little less.
	whiten = 0.8

	soundLeast   = 1.  // seconds that the recordings must have
	soundShared  = 1.  // seconds that must overlap at an offset
	soundApart   = 0.1 // seconds from the best from which another peak is a rival: echoes are nearer
	soundPeak    = 10. // standard deviations: of a million lags' noise the highest is about 5
	soundPlainly = 1.3 // times the rival's height

	pieceSeconds = 6.   // of sound in each part that the drift is read from
	pieceCount   = 24   // parts at the most
	pieceReach   = 0.06 // seconds about the offset: 250 parts in a million over four minutes
	piecePeak    = 7.   // standard deviations
	pieceLeast   = 4    // parts from which a drift is told

	soundFloor = 0.1 / SoundRate // seconds: a tenth of a sample, by which a peak's place between samples may be wrong
)

// SoundOffset compares the sound of two recordings, one channel each, at SoundRate samples a second,
// the first sample at the instant of the recording's first frame. It looks at the first four minutes
// of each; Later adds what comes after.
//
// The offset is where the cross-correlation is highest, whitened within the voice's band, so that
// neither hum nor one room's echoes decide; its place between samples is a parabola's. Its error is
// from the scatter of the offsets of parts of the recordings, and so is the drift.
//
// The error wraps ErrNoSound where the recordings are the cause: one is silent or shorter than a
// second, or no offset stands out. It is ctx.Err() when ctx ends first.
func SoundOffset(ctx context.Context, color, band []float32) (*SoundEstimate, error) {
	for _, r := range []struct {
		name  string
		sound *[]float32
	}{{"color", &color}, {"band", &band}} {
		if len(*r.sound) < int(soundLeast*SoundRate) {
			return nil, fmt.Errorf("align: %w: the %s camera's is %.2f s long, and must be at least %v s", ErrNoSound, r.name, float64(len(*r.sound))/SoundRate, soundLeast)
		}
		*r.sound = (*r.sound)[:min(len(*r.sound), SoundMost*SoundRate)]
		loud := false
		for i, v := range *r.sound {
			if v != v || math.IsInf(float64(v), 0) {
				return nil, fmt.Errorf("align: sample %d of the %s camera's sound is %v, and must be finite", i, r.name, v)
			}
			loud = loud || v != (*r.sound)[0]
		}
		if !loud {
			return nil, fmt.Errorf("align: %w: the %s camera's is silent", ErrNoSound, r.name)
		}
	}
	shared := int(soundShared * SoundRate)
	c := correlate(color, band)
	lag, peak, rival := c.highest(shared-len(band), len(color)-shared)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	e := &SoundEstimate{Seconds: lag / SoundRate, Sigma: soundFloor, Peak: peak, Rival: rival, start: lag / SoundRate}
	if peak < soundPeak || peak < soundPlainly*rival {
		return nil, fmt.Errorf("align: %w: at the best offset, %.2f s, they agree by %.1f standard deviations, and at others by up to %.1f; a clap that both cameras hear would tell", ErrNoSound, e.Seconds, peak, rival)
	}
	if err := e.parts(ctx, 0, color, 0, band); err != nil {
		return nil, err
	}
	e.fit()
	return e, nil
}

// Later adds to an estimate what a later stretch of both recordings says, so that the drift is that
// of all, and not what the first minutes let expect: the sound of the color camera from so many
// seconds after its first frame, and of the band camera likewise, each SoundMost seconds at the
// most. A stretch in which nothing is heard in common changes nothing. The error is ctx.Err().
func (e *SoundEstimate) Later(ctx context.Context, colorFrom float64, color []float32, bandFrom float64, band []float32) error {
	color, band = color[:min(len(color), SoundMost*SoundRate)], band[:min(len(band), SoundMost*SoundRate)]
	if err := e.parts(ctx, colorFrom, color, bandFrom, band); err != nil {
		return err
	}
	e.fit()
	return nil
}

// parts reads the offset of parts of a stretch of both recordings, which begin so many seconds
// after their first frames.
func (e *SoundEstimate) parts(ctx context.Context, colorFrom float64, color []float32, bandFrom float64, band []float32) error {
	// Where color's sample of band's first lies by the offset and the drift that are known.
	late := e.start + bandFrom - colorFrom
	lag := int(math.Round((late - e.Drift*bandFrom) * SoundRate))
	from, to := max(0, -lag), min(len(band), len(color)-lag) // in the band camera's samples
	size := min(int(pieceSeconds*SoundRate), to-from)
	if size < int(soundShared*SoundRate) {
		return nil
	}
	count := min(pieceCount, (to-from)/size)
	reach := int(pieceReach * SoundRate)
	for i := range count {
		if err := ctx.Err(); err != nil {
			return err
		}
		j := from
		if count > 1 {
			j += i * (to - from - size) / (count - 1)
		}
		part := band[j : j+size]
		a, b := max(j+lag-reach, 0), min(j+lag+size+reach, len(color))
		c := correlate(color[a:b], part)
		center := j + lag - a
		l, peak, _ := c.highest(center-reach, center+reach)
		if peak < piecePeak {
			continue
		}
		e.at = append(e.at, bandFrom+(float64(j)+float64(size)/2)/SoundRate)
		e.off = append(e.off, (l-float64(center)+float64(lag))/SoundRate-late)
	}
	return nil
}

// fit makes of the parts' offsets the offset, the drift, and their errors.
func (e *SoundEstimate) fit() {
	at, off := e.at, e.off
	if len(at) < pieceLeast {
		return
	}
	slope := siegel(at, off)
	rest := list.By(len(at), func(i int) float64 { return off[i] - slope*at[i] })
	begin := robust.Median(slices.Clone(rest))
	for i := range rest {
		rest[i] = math.Abs(rest[i] - begin)
	}
	scatter := math.Hypot(robust.Sigma(rest), soundFloor)
	var mean, square float64
	for _, v := range at {
		mean += v / float64(len(at))
	}
	for _, v := range at {
		square += (v - mean) * (v - mean)
	}
	// The median's error is 1.25 times the mean's for normal scatter.
	const median = 1.2533
	e.Drift, e.DriftSigma = -slope, median*scatter/math.Sqrt(square)
	// The offset is that of the first frames, from which frames are counted.
	e.Seconds = e.start + begin
	e.Sigma = median * scatter * math.Sqrt(1/float64(len(at))+mean*mean/square)
}

// siegel returns the slope of a line by repeated medians (Siegel, 1982): up to half of the points
// may lie anywhere.
func siegel(x, y []float64) float64 {
	var slopes, of []float64
	for i := range x {
		of = of[:0]
		for j := range x {
			if x[j] != x[i] {
				of = append(of, (y[j]-y[i])/(x[j]-x[i]))
			}
		}
		if len(of) > 0 {
			slopes = append(slopes, robust.Median(of))
		}
	}
	if len(slopes) == 0 {
		return 0
	}
	return robust.Median(slopes)
}

// A soundCorrelation is the whitened cross-correlation of two recordings: at lag k the sum of b[i]
// a[i+k].
type soundCorrelation struct {
	values []float64 // by lag, negative ones from the end
}

func correlate(a, b []float32) soundCorrelation {
	n := 1 << bits.Len(uint(len(a)+len(b)-1))
	fft := fourier.NewFFT(n)
	padded := make([]float64, n)
	spectrum := func(s []float32) []complex128 {
		clear(padded)
		mean := 0.
		for _, v := range s {
			mean += float64(v) / float64(len(s))
		}
		for i, v := range s {
			padded[i] = float64(v) - mean
		}
		return fft.Coefficients(nil, padded)
	}
	x, y := spectrum(a), spectrum(b)
	low, high := int(soundLow/SoundRate*float64(n)), int(soundHigh/SoundRate*float64(n))
	for i := range x {
		v := x[i] * complex(real(y[i]), -imag(y[i]))
		size := math.Hypot(real(v), imag(v))
		if i < low || i > high || size == 0 {
			x[i] = 0
			continue
		}
		x[i] = v * complex(math.Pow(size, -whiten), 0)
	}
	return soundCorrelation{fft.Sequence(padded, x)}
}

func (c soundCorrelation) at(lag int) float64 {
	if lag < 0 {
		lag += len(c.values)
	}
	return c.values[lag]
}

// highest returns the lag, in samples and parts of them, at which the correlation is highest from
// one lag to another, its height in standard deviations of the correlation there, and that of the
// highest that is more than soundApart away, 0 where there is none.
func (c soundCorrelation) highest(from, to int) (lag, peak, rival float64) {
	var all []float64
	best := from
	for k := from; k <= to; k++ {
		all = append(all, math.Abs(c.at(k)))
		if c.at(k) > c.at(best) {
			best = k
		}
	}
	sigma := robust.Sigma(all)
	if sigma == 0 {
		return float64(best), 0, 0
	}
	apart := int(soundApart * SoundRate)
	for k := from; k <= to; k++ {
		if k < best-apart || k > best+apart {
			rival = max(rival, c.at(k)/sigma)
		}
	}
	lag = float64(best)
	if best > from && best < to {
		l, m, r := c.at(best-1), c.at(best), c.at(best+1)
		if d := l - 2*m + r; d < 0 {
			lag += (l - r) / (2 * d)
		}
	}
	return lag, c.at(best) / sigma, rival
}
