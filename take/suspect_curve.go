package take

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sort"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// Files of linear light that are read as coded, and the reverse, show in the noise. A camera's
// variance is that of its read noise and of the photons, which grows in proportion to the light
// (EMVA 1288, the photon-transfer method): over the bright part of a plate it goes with the light
// to a power between 0 and 1. Read by a wrong curve it does not. With light v and a curve that is
// roughly its power 2.2, that of v^p0 is taken for one of the power (p0 + 2.4) / 2.2, some 1.5,
// where linear files are read as coded, and of 2.2 p0 - 2.4, some -1.3, the other way round. A
// camera's log footage that is read as coded for a display shows some -1. Files that are read as
// log are not judged so: what a codec adds, alike over all codes, has a power of 2 there. Codecs
// and cameras that remove noise leave none that goes with a power of the light, and are not judged.
const (
	grainSide   = 8    // pixels: squares that are mostly flat, with 48 differences in each
	grainMost   = 8000 // squares of a plane: more would change the power by less than its error
	grainBins   = 12   // levels of light
	grainLeast  = 20   // squares to a level
	grainFlat   = 0.1  // of the squares of a level, those of the least variance: what texture adds to counts little
	grainDark   = 0.15 // of the brightest: below, a pedestal and the read noise bend the power
	grainBright = 0.97 // of full scale: above, the plate may clip
	grainNoise  = 1e-4 // of full scale: noise that is smaller may be rounding
	grainSpread = 0.15 // standard deviation of the levels' logarithm: light within 15 % tells no power
	powerError  = 0.25 // of the power: what the noise of cameras stays below, and codecs hardly ever do
	powerSure   = 3    // standard errors that a power must be beyond its limit by
	powerMost   = 1.3  // the largest power of linear light, 1, and what is left of texture and pedestal
	powerLeast  = -0.2 // and the smallest, 0, with what softening of highlights takes off
)

// A grain is the noise of one square of pixels.
type grain struct{ level, variance float64 }

// grains returns the noise of small squares of a plane, from second differences along the rows, in
// which a slope of the light does not count.
func grains(pix []float32, w, h int) []grain {
	var out []grain
	skip := max(w/grainSide*(h/grainSide)/grainMost, 1)
	for y := 0; y+grainSide <= h; y += grainSide * skip {
		for x := 0; x+grainSide <= w; x += grainSide {
			var sum, squares float32
			for v := y; v < y+grainSide; v++ {
				row := pix[v*w+x : v*w+x+grainSide]
				for i := 1; i < grainSide-1; i++ {
					d := row[i-1] - 2*row[i] + row[i+1]
					squares += d * d
					sum += row[i]
				}
			}
			// The variance of a - 2 b + c is 6 times that of each.
			const n = grainSide * (grainSide - 2)
			out = append(out, grain{float64(sum) / n, float64(squares) / (6 * n)})
		}
	}
	return out
}

// recoded returns what the noise would be had the files been read by another curve.
func recoded(all []grain, used, other plate.Curve) []grain {
	const e = 1e-4 // in code values, along which the curves are taken for straight
	out := make([]grain, 0, len(all))
	for _, g := range all {
		code := used.FromLinear(g.level)
		slope := (other.ToLinear(code+e) - other.ToLinear(code-e)) / (used.ToLinear(code+e) - used.ToLinear(code-e))
		out = append(out, grain{other.ToLinear(code), g.variance * slope * slope})
	}
	return out
}

// bright returns those that are of the bright part of a plate which full scale does not limit.
func bright(all []grain, full float64) []grain {
	levels := list.Of(all, func(g grain) float32 { return float32(g.level) })
	if len(levels) == 0 {
		return nil
	}
	least := grainDark * float64(percentile(levels, brightest))
	out := list.Where(all, func(g grain) bool { return g.level > max(least, 0) && g.level < grainBright*full })
	sort.Slice(out, func(i, j int) bool { return out[i].level < out[j].level })
	return out
}

// power returns the power of the light that the noise goes with, from levels in increasing order,
// and its standard error, which is infinite where nothing is known: the median over all pairs of
// levels (Theil and Sen).
func power(all []grain) (p, sigma float64) {
	unknown := math.Inf(1)
	var x, y []float64
	mean, square := 0.0, 0.0
	for b := range grainBins {
		some := all[b*len(all)/grainBins : (b+1)*len(all)/grainBins]
		if len(some) < grainLeast {
			return 0, unknown
		}
		level := 0.0
		variances := make([]float64, len(some))
		for i, g := range some {
			level += g.level / float64(len(some))
			variances[i] = g.variance / g.level // so that those of the lower light are not taken for the flatter ones
		}
		v := robust.Nth(variances, int(grainFlat*float64(len(some)))) * level
		if !(v > grainNoise*grainNoise) {
			return 0, unknown
		}
		x, y = append(x, math.Log(level)), append(y, math.Log(v))
		mean += x[b] / grainBins
		square += x[b] * x[b] / grainBins
	}
	if !(square-mean*mean > grainSpread*grainSpread) {
		return 0, unknown
	}
	var slopes []float64
	for i := range x {
		for j := range i {
			if d := x[i] - x[j]; d > grainSpread/grainBins {
				slopes = append(slopes, (y[i]-y[j])/d)
			}
		}
	}
	slices.Sort(slopes)
	n := len(slopes)
	if n == 0 {
		return 0, unknown
	}
	return slopes[n/2], (slopes[n*3/4] - slopes[n/4]) / 2 / math.Sqrt(grainBins/2)
}

// curves looks whether the files are coded as they are read. Files of one take are mostly of one
// kind: it speaks of the color camera too where its noise alone is not certain and the band
// camera's is, and of both where neither alone is certain and the two together are, of files that
// are read as linear light. (Of files that are read as coded, what codecs leave of the noise would
// be told too.) It reports whether any are suspect.
func (s *suspect) curves(seen []glance) bool {
	t := s.t
	var all [2][]grain
	for _, g := range seen {
		all[0], all[1] = append(all[0], g.bandGrain...), append(all[1], g.colorGrain...)
	}
	alike := t.colorCurve == t.bandCurve
	both := false
	if alike && t.bandCurve == plate.Linear {
		weights, mean := 0.0, 0.0
		for _, g := range all {
			p, sigma := power(bright(g, 1))
			weights += 1 / (sigma * sigma)
			mean += p / (sigma * sigma)
		}
		sigma := 1 / math.Sqrt(weights)
		both = sigma < powerError && powerLeast-mean/weights > powerSure*sigma
	}
	if s.crushed(seen) {
		return true
	}
	band := s.curve("--band", t.recipe.Band, t.bandCurve, all[0], t.ofClip(t.Pairs[0].Band), both)
	color := s.curve("--color", t.recipe.Color, t.colorCurve, all[1], t.ofClip(t.Pairs[0].Color), both || band && alike)
	return band || color
}

// belowBlack is the light, of full scale, below which a plate's darkest hundredth is not black by
// its curve: what codecs and 8 bits do stays above (darkSlack), and the black of S-Log3, whose
// codes count over the whole signal, is at -0.0087 where they are read as of the narrow range.
const belowBlack = -0.005

// crushed looks whether the dark parts of clips are below their curve's black, and reports whether
// they are.
func (s *suspect) crushed(seen []glance) bool {
	t := s.t
	found := false
	for _, c := range []struct {
		flag, path, span string
		curve            plate.Curve
		of               func(glance) (string, *coarse)
	}{
		{"--color", t.recipe.Color, t.recipe.ColorRange, t.colorCurve, func(g glance) (string, *coarse) { return g.pair.Color, g.color }},
		{"--band", t.recipe.Band, t.recipe.BandRange, t.bandCurve, func(g glance) (string, *coarse) { return g.pair.Band, g.band }},
	} {
		below := 0
		for _, g := range seen {
			name, plates := c.of(g)
			// The sum: other primaries may make one of the colors negative.
			if t.ofClip(name) && float64(percentile(plates.sum(), darkestPart)) < belowBlack*float64(len(plates.planes)) {
				below++
			}
		}
		if c.span != "full" && 2*below > len(seen) {
			s.say("the dark parts of %s (%s) are below black by the curve %s: where its codes count over the whole signal, as those of many cameras' log curves do, give %[2]s-range full; else it was recorded with another curve", c.path, c.flag, c.curve.Name())
			found = true
		}
	}
	return found
}

// curve looks at one camera's files, which may be a clip's, and reports whether they are suspect.
// Likely says that they are where they are not certain to be otherwise.
func (s *suspect) curve(flag, path string, used plate.Curve, all []grain, clip, likely bool) bool {
	if isLog(used) {
		return false
	}
	all = bright(all, used.ToLinear(1))
	p, sigma := power(all)
	above := p - powerMost
	if clip { // what a codec leaves of a texture goes with the light's square; and no camera's clips are of linear light
		above = 0
	}
	wrong := sigma < powerError && max(above, powerLeast-p) > powerSure*sigma
	if !wrong && (!likely || math.IsInf(sigma, 1)) {
		return false
	}
	const middle = 0.5 // of what a camera can do
	others := otherCurves(used)
	i := slices.IndexFunc(others, func(c plate.Curve) bool {
		q, _ := power(recoded(all, used, c))
		return q >= powerLeast && q <= powerMost && math.Abs(q-middle) <= math.Abs(p-middle)
	})
	if i < 0 {
		return false
	}
	other := others[i]
	way := "grows"
	if p < middle {
		way = "falls"
	}
	s.say("the files of %s (%s) look %s but are read as %s: their noise %s with the light as no camera's does; give %s; as they are read, errors may be larger than stated, or smaller",
		path, flag, kindOf(other), used.Name(), way, curveFlag(flag, other))
	return true
}

// kindOf returns in words what files of a curve are.
func kindOf(c plate.Curve) string {
	switch {
	case c == plate.Linear:
		return "like linear light"
	case isLog(c):
		return "like a camera's log footage"
	}
	return "coded for a display, by srgb or the like,"
}

// curveFlag returns the flag that is right for files of a curve's kind.
func curveFlag(flag string, c plate.Curve) string {
	switch {
	case c == plate.Linear:
		return flag + "-curve linear"
	case !isLog(c):
		return flag + "-curve srgb, or the curve that they were made with"
	case flag == "--color":
		return "--color-camera, or --color-curve, by the camera's name, such as slog3 (twinplate curves lists them)"
	}
	return flag + "-curve by the name of the camera's, such as slog3 (twinplate curves lists them)"
}

// settled reports whether the noise of one camera's files, of which bright has returned all, says that
// they are coded as they are read: it is a camera's as it is, and could be none by the other curve.
func settled(all []grain, used, other plate.Curve) bool {
	if isLog(used) {
		return false // see above: a codec's could be any
	}
	p, sigma := power(all)
	if !(sigma < powerError && p > powerLeast && p < powerMost) {
		return false
	}
	// The power by the other curve, from what that makes of two levels: their noise may be too close
	// to tell one by itself.
	low, high := all[len(all)/4].level, all[3*len(all)/4].level
	two := recoded([]grain{{low, 1}, {high, 1}}, used, other)
	q := (p*math.Log(high/low) + math.Log(two[1].variance/two[0].variance)) / math.Log(two[1].level/two[0].level)
	return q < powerLeast-sigma || q > powerMost+sigma
}

// otherCurves returns curves that files may be of which are not of the one that is used, one of
// each kind, the likelier first: of linear light, for a display, and a camera's log, which are
// alike enough for one to stand for all. It returns none for a curve that is not mistaken for
// another.
func otherCurves(used plate.Curve) []plate.Curve {
	switch {
	case used == plate.Linear:
		return []plate.Curve{plate.SRGB, plate.SLog3}
	case used == plate.SRGB || used == plate.BT709 || used == plate.BT1886:
		return []plate.Curve{plate.Linear, plate.SLog3}
	case isLog(used):
		return []plate.Curve{plate.SRGB, plate.Linear}
	}
	return nil
}

// isLog reports whether a curve is a camera's.
func isLog(c plate.Curve) bool {
	return slices.ContainsFunc(plate.Cameras(), func(e plate.CameraEncoding) bool { return e.Curve == c })
}

// Files that are read by a wrong curve fit worse: where the performer covers a part of a pixel,
// only in linear light is the color plate as much of the performer as the band plate lacks of the
// screen. Codecs leave that as it is.
const (
	// Residual in pixels from which other curves are tried: a take whose edges are closer gives no
	// reason to ask.
	misfitAsked = 0.1

	// The part of it that another reading must leave at most: takes that were read wrong had 0.21
	// to 0.72, and sound ones, rolling, soft and through codecs, 1.0 and more.
	misfitLeft = 0.8

	// Frames that are looked at, which bounds the work, and the most pixels of their width, as the
	// takes had by which these limits were found: most readings are of one frame.
	misfitFrames = 2
	misfitWidth  = 1000
)

// misread looks whether the edges fit clearly better with the files of one camera, or of both, read
// by another curve, and says so. It looks only where they do not fit well as they are, and at the
// files of a camera only where their noise leaves the question open.
func (t *Take) misread(ctx context.Context, seen []glance, e *align.Estimate) ([]string, error) {
	if e.Residual < misfitAsked {
		return nil, nil
	}
	var colorGrain, bandGrain []grain
	for _, g := range seen {
		colorGrain, bandGrain = append(colorGrain, g.colorGrain...), append(bandGrain, g.bandGrain...)
	}
	type reading struct{ color, band plate.Curve }
	usual := reading{t.colorCurve, t.bandCurve}
	parallel.Do(
		func() { colorGrain = bright(colorGrain, usual.color.ToLinear(1)) },
		func() { bandGrain = bright(bandGrain, usual.band.ToLinear(1)) },
	)
	ways := []reading{usual}
	for _, other := range []plate.Curve{plate.Linear, plate.SRGB, plate.SLog3} {
		colorMay := slices.Contains(otherCurves(usual.color), other) && !settled(colorGrain, usual.color, other)
		bandMay := slices.Contains(otherCurves(usual.band), other) && !settled(bandGrain, usual.band, other)
		if colorMay {
			ways = append(ways, reading{other, usual.band})
		}
		if bandMay {
			ways = append(ways, reading{usual.color, other})
		}
		if colorMay && bandMay {
			ways = append(ways, reading{other, other})
		}
	}
	if len(ways) == 1 {
		return nil, nil
	}
	// The color camera's own channels: those of other primaries are mixed already, and how they are
	// mixed again changes no edge.
	own := t.primaries.To(t.colorPrimaries)
	mixed := !t.colorPrimaries.Near(t.primaries)
	dark := t.darkColor
	if mixed && dark != nil {
		dark = dark.Clone()
		dark.Multiply(own)
	}
	sample := func(g glance) (matte.Sample, error) {
		s, ok := t.kept[g.pair]
		if !ok {
			var err error
			if s, err = t.readSample(g.pair); err != nil {
				return s, err
			}
		}
		if mixed {
			s.Color = s.Color.Clone()
			s.Color.Multiply(own)
		}
		return s, nil
	}
	// apart is how far the edges are apart in some of the frames, read in one way; infinitely where
	// they show none.
	apart := func(way reading, samples []matte.Sample) (float64, error) {
		color, band := reread(usual.color, way.color), reread(usual.band, way.band)
		bandDark := eachGray(t.darkBand, band)
		field := screenField(bandDark, eachGray(t.cleanBand, band))
		var pairs []align.Pair
		for _, s := range samples {
			f := eachRGB(s.Color, color)
			if dark != nil {
				f = matte.Subtract(nil, f, eachRGB(dark, color))
			}
			pairs = append(pairs, align.Pair{Color: f, Band: flat(eachGray(s.Band, band), bandDark, field)})
		}
		v, err := align.ResidualReduced(ctx, pairs, e.Geometry, misfitWidth)
		if err != nil {
			return math.Inf(1), ctx.Err()
		}
		return v, nil
	}
	// One frame is asked about all ways, and all of them about the best.
	one, err := sample(seen[0])
	if err != nil {
		return nil, err
	}
	samples := []matte.Sample{one}
	var first, least float64
	best := usual
	for i, way := range ways {
		v, err := apart(way, samples)
		switch {
		case err != nil:
			return nil, err
		case i == 0:
			if first, least = v, v; math.IsInf(v, 1) || v < misfitAsked {
				return nil, nil
			}
		case v < least:
			least, best = v, way
		}
	}
	if least > misfitLeft*first {
		return nil, nil
	}
	for _, g := range seen[1:min(len(seen), misfitFrames)] {
		s, err := sample(g)
		if err != nil {
			return nil, err
		}
		samples = append(samples, s)
	}
	if first, err = apart(usual, samples); err == nil {
		least, err = apart(best, samples)
	}
	if err != nil || math.IsInf(first, 1) || least > misfitLeft*first {
		return nil, err
	}
	var said []string
	say := func(flag, path string, used, other plate.Curve) {
		if used == other {
			return
		}
		as := other.Name()
		if isLog(other) {
			as = "a camera's log footage"
		}
		said = append(said, fmt.Sprintf("the files of %s (%s) are read as %s, and the performer's edges in the two plates fit better where they are read as %s (%.2f pixels apart instead of %.2f): if they were made with that, give %s; as they are read, errors may be larger than stated, or smaller",
			path, flag, used.Name(), as, least, first, curveFlag(flag, other)))
	}
	say("--color", t.recipe.Color, usual.color, best.color)
	say("--band", t.recipe.Band, usual.band, best.band)
	return said, nil
}

// reread returns what a value that was read by one curve is by another; nil where that is the same.
func reread(used, other plate.Curve) func(float32) float32 {
	if used == other {
		return nil
	}
	const steps = 1 << 14 // from 0 to 1, between which the curves are straight to 1e-4
	var table [steps + 1]float32
	for i := range table {
		table[i] = float32(other.ToLinear(used.FromLinear(float64(i) / steps)))
	}
	return func(v float32) float32 {
		at := v * steps
		if !(at >= 0 && at < steps) {
			return float32(other.ToLinear(used.FromLinear(float64(v))))
		}
		i := int(at)
		return table[i] + (at-float32(i))*(table[i+1]-table[i])
	}
}

// eachRGB returns a plate of what each of f's values becomes, f itself where becomes is nil, and
// nil for none.
func eachRGB(f *plate.RGB, becomes func(float32) float32) *plate.RGB {
	if f == nil || becomes == nil {
		return f
	}
	out := &plate.RGB{W: f.W, H: f.H}
	for c, pix := range f.Pix {
		out.Pix[c] = list.Of(pix, becomes)
	}
	return out
}

// eachGray is eachRGB for one plane.
func eachGray(f *plate.Gray, becomes func(float32) float32) *plate.Gray {
	if f == nil || becomes == nil {
		return f
	}
	return &plate.Gray{W: f.W, H: f.H, Pix: list.Of(f.Pix, becomes)}
}
