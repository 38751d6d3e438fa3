package matte

import (
	"math"
	"sort"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/robust"
)

// A Flicker is how the lamps' gain moved over a take.
type Flicker struct {
	PeakToPeak float64 // largest gain less smallest, over their mean
	Frequency  float64 // of the beat with the shutter, in cycles a frame, up to 0.5; 0: there is no beat
	Amplitude  float64 // of the beat, over the mean gain
	Chance     float64 // how often noise alone would make so plain a beat, 0 to 1
}

// FindFlicker looks for a beat in the gains of frames with the numbers given, which may have holes:
// the sinusoid that takes away the most of what is left of the gains when a slow drift, a parabola,
// is taken out (the Lomb-Scargle periodogram, by least squares). A beat counts where its chance is
// below 0.001 and its amplitude above 0.1 % and three standard errors of a gain; and where it is
// not so slow that the take has less than two of it. Of a longer take it looks at the 4096 frames
// in a row of which it has the most gains. Of fewer than 12 frames it finds only PeakToPeak; of
// gains whose mean is not a positive number, nothing.
func FindFlicker(numbers []int, gains []Gain) Flicker {
	// FindFlicker states the first five; chosen by hand, as common practice has it.
	const (
		leastFrames    = 12
		mostChance     = 0.001
		leastAmplitude = 0.001 // of the gain
		sure           = 3     // standard errors
		leastBeats     = 2     // in the take

		drift, beat = 3, 5 // terms of a parabola, and of it with a sinusoid
		// Steps to the width of a peak of the periodogram: one in five is independent.
		finer = 5
	)
	var f Flicker
	if len(gains) == 0 {
		return f
	}
	low, high, mean := math.Inf(1), math.Inf(-1), 0.0
	for _, g := range gains {
		low, high = min(low, g.Value), max(high, g.Value)
		mean += g.Value / float64(len(gains))
	}
	if !(mean > 0) || math.IsInf(mean, 0) {
		return f
	}
	f.PeakToPeak = (high - low) / mean
	order := densest(numbers)
	n := len(order)
	if n < leastFrames {
		return f
	}
	span := float64(numbers[order[n-1]] - numbers[order[0]] + 1)
	value, t, sigma := make([]float64, n), make([]float64, n), make([]float64, n)
	for i, k := range order {
		value[i], sigma[i] = gains[k].Value/mean, gains[k].Sigma
		t[i] = float64(numbers[k] - numbers[order[0]])
	}
	rss := func(frequency float64) (sum, amplitude float64) {
		terms := drift
		if frequency > 0 {
			terms = beat
		}
		a, b := list.Rows[float64](terms, terms), make([]float64, terms)
		signed := []int{0, 1, 2, 3, 4}
		row := func(i int) [5]float64 {
			u := 2*t[i]/span - 1
			s, c := math.Sincos(2 * math.Pi * frequency * t[i])
			return [5]float64{1, u, u * u, s, c}
		}
		for i := range n {
			r := row(i)
			for j := range terms {
				b[j] += r[j] * value[i]
				for k := range terms {
					a[j][k] += r[j] * r[k]
				}
			}
		}
		// Only the full set of terms matters here, which is the least of all.
		x := nonNegative(a, b, signed...)
		for i := range n {
			r := row(i)
			e := value[i]
			for j := range terms {
				e -= x[j] * r[j]
			}
			sum += e * e
		}
		if terms == beat {
			amplitude = math.Hypot(x[3], x[4])
		}
		return sum, amplitude
	}
	flat, _ := rss(0)
	best, at, amplitude := flat, 0.0, 0.0
	step := 1 / (finer * span)
	tried := 0
	for v := leastBeats / span; v <= 0.5; v += step {
		tried++
		if r, a := rss(v); r < best {
			best, at, amplitude = r, v, a
		}
	}
	if at == 0 {
		return f
	}
	// For noise alone the quotient of the two sums of squares has the chance (best/flat)^((n-5)/2)
	// at one frequency; a fifth of those tried are independent.
	single := math.Pow(best/flat, float64(n-beat)/2)
	f.Chance = min(1, single*max(float64(tried)/finer, 1))
	if f.Chance < mostChance && amplitude > max(leastAmplitude, sure*robust.Median(sigma)) {
		f.Frequency, f.Amplitude = at, amplitude
	}
	return f
}

// beatFrames bounds the frames in which a beat is looked for, and with them the time that it takes:
// the frequencies to try grow with their square.
const beatFrames = 4096

// densest returns where in numbers those of the beatFrames frames are that hold the most of them,
// in rising order.
func densest(numbers []int) []int {
	order := list.To(len(numbers))
	sort.SliceStable(order, func(i, j int) bool { return numbers[order[i]] < numbers[order[j]] })
	var most []int
	from := 0
	for to := range order {
		for numbers[order[to]]-numbers[order[from]] >= beatFrames {
			from++
		}
		if to+1-from > len(most) {
			most = order[from : to+1]
		}
	}
	return most
}

// Alias returns the frequency, in hertz, at which a light that pulses at pulse hertz beats with a
// camera of fps frames a second: their difference to the nearest multiple of fps. Lamps on a
// magnetic ballast pulse at twice the mains frequency.
func Alias(pulse, fps float64) float64 {
	return math.Abs(pulse - fps*math.Round(pulse/fps))
}
