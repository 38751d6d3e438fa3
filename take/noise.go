package take

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

const (
	noiseSamples = 4  // frames of the take that a camera's noise is estimated from
	maxFlats     = 64 // flat frames of a camera
)

// A leftNoise is what Job.Noise goes on from: the frames of a preparation, and those that
// registration has read; and how many warnings there were.
type leftNoise struct {
	frames  []matte.Sample
	sampled []FilePair
	asked   int
	kept    map[FilePair]matte.Sample
	warned  int
}

var errNoiseLeft = errors.New("the cameras' noise, which error bars are made from, is not known yet: Job.Noise finds it")

// NoiseLeft reports whether Take.NoiseLater has left the noise to Noise.
func (j *Job) NoiseLeft() bool { return j.left != nil }

// Noise returns the job with the cameras' noise that Take.NoiseLater has left: it is then the one
// that Prepare gives without that. Until then the recipe has no noise, and what is made of it is an
// error: Run where the recipe asks for sigma, Scrubber.Sigma and Scrubber.Pixel. Where nothing was
// left it returns the job itself.
func (j *Job) Noise(ctx context.Context) (*Job, error) {
	if j.left == nil {
		return j, nil
	}
	defer j.files.Rest()
	start := time.Now()
	next, t := *j, *j.take
	t.kept = j.left.kept
	next.take, next.left, next.Notes = &t, nil, slices.Clone(j.prepared)
	told, warned := len(t.warnings), j.left.warned
	next.Warnings = slices.Clone(j.Warnings[:warned])
	p := &preparation{Job: &next, frames: j.left.frames, sampled: j.left.sampled, asked: j.left.asked}
	if err := p.noise(ctx); err != nil {
		return nil, err
	}
	t.kept = nil
	next.prepared = next.Notes
	next.Notes = slices.Concat(next.prepared, j.Notes[len(j.prepared):])
	next.Warnings = slices.Concat(next.Warnings, j.Warnings[warned:], t.warnings[told:])
	next.Estimated = p.estimated()
	next.Seconds += time.Since(start).Seconds()
	return &next, nil
}

// noise finds the cameras' noise: as the cameras made their frames, given, from flat frames, or
// from the take; that of the reference plates; and what the frames really scatter beyond.
func (j *preparation) noise(ctx context.Context) error {
	t := j.take
	t.stage("the cameras' noise")
	for _, c := range []struct {
		what, flat  string
		given, to   *matte.Noise
		dark, clean []*plate.Gray
		read        func(FilePair) (*plate.Gray, error)
	}{
		{"color", t.recipe.FlatColor, t.recipe.ColorNoise, &j.ColorNoise, greenOf(j.lens.ofColor(t.darkColor)), greenOf(j.lens.ofColor(t.cleanColor)), j.readGreen},
		{"band", t.recipe.FlatBand, t.recipe.BandNoise, &j.BandNoise, someOf(j.lens.ofBand(t.darkBand)), someOf(j.lens.ofBand(t.cleanBand)), func(p FilePair) (*plate.Gray, error) {
			shot, ok := j.registered(p)
			if !ok {
				var err error
				if shot.Band, err = j.finiteBand(p); err != nil {
					return nil, err
				}
			}
			return less(shot.Band, someOf(j.lens.ofBand(t.darkBand))), nil
		}},
	} {
		if c.given != nil {
			*c.to = *c.given
			continue
		}
		var err error
		from := "flat frames"
		if c.flat != "" {
			*c.to, err = noiseOfFlats(ctx, c.what, c.flat, c.read)
		} else {
			from = "the take"
			var frames []*plate.Gray
			if _, frames, err = sampled(ctx, t, t.whole, noiseSamples, c.read); err == nil {
				*c.to, err = matte.NoiseOfTake(frames, nil)
			}
		}
		if errors.Is(err, matte.ErrNoNoise) && c.flat == "" {
			j.Notes = append(j.Notes, fmt.Sprintf("the %s camera's noise could not be told (%v): taken as none", c.what, err))
		} else if err != nil {
			return err
		} else {
			j.Notes = append(j.Notes, fmt.Sprintf("the %s camera's noise, from %s: %s", c.what, from, electrons(*c.to)))
		}
		if err := referenceNoise(c.to, c.dark, c.clean); err != nil {
			return err
		}
	}
	if t.recipe.BandNoise != nil {
		return nil
	}
	return j.boundNoise(ctx)
}

// greenOf returns the green of a plate, or nothing where there is none.
func greenOf(f *plate.RGB) []*plate.Gray {
	if f == nil {
		return nil
	}
	return []*plate.Gray{{W: f.W, H: f.H, Pix: f.Pix[1]}}
}

func someOf(f *plate.Gray) []*plate.Gray {
	if f == nil {
		return nil
	}
	return []*plate.Gray{f}
}

// referenceNoise puts the noise of a dark and a clean plate into n: as it is in the plate, however
// many frames that is the mean of. A plate that is too small or too plain to measure counts as
// without noise.
func referenceNoise(n *matte.Noise, dark, clean []*plate.Gray) error {
	var none *plate.Gray
	if len(dark) > 0 {
		none = dark[0]
		found, err := matte.NoiseOfTake(dark, nil)
		if err != nil && !errors.Is(err, matte.ErrNoNoise) {
			return err
		}
		n.Dark = math.Sqrt(found.Variance(mean(none)))
	}
	if len(clean) > 0 {
		found, err := matte.NoiseOfTake(clean, none)
		if err != nil && !errors.Is(err, matte.ErrNoNoise) {
			return err
		}
		level := mean(clean[0])
		if none != nil {
			level -= mean(none)
		}
		if level > 0 {
			n.Clean = min(found.Variance(level)/level, 1)
		}
	}
	return nil
}

func mean(f *plate.Gray) float64 { return sum(f.Pix) / float64(max(len(f.Pix), 1)) }

func sum(rest []float32) (sum float64) {
	for ; len(rest) >= 8; rest = rest[8:] {
		v := (*[8]float32)(rest)
		if v[0] == 0 && v[1] == 0 && v[2] == 0 && v[3] == 0 && v[4] == 0 && v[5] == 0 && v[6] == 0 && v[7] == 0 {
			continue // as most of a frame's marks are
		}
		sum = sum + float64(v[0]) + float64(v[1]) + float64(v[2]) + float64(v[3]) + float64(v[4]) + float64(v[5]) + float64(v[6]) + float64(v[7])
	}
	for _, v := range rest {
		sum += float64(v)
	}
	return sum
}

// boundNoise adds to the band camera's noise what resampling makes of it and what the frames
// scatter beyond.
func (j *preparation) boundNoise(ctx context.Context) error {
	j.BandNoise.Kept = j.kept()
	frames, err := j.sample(ctx, noiseSamples)
	if err != nil {
		return err
	}
	bound, found, err := j.solver.Bound(list.Spread(frames, noiseSamples), j.ColorNoise, j.BandNoise)
	if err != nil {
		return err
	}
	if j.take.recipe.FlatBand != "" { // they tell the camera's noise better than the performer's core
		bound.Read, bound.PerSignal = j.BandNoise.Read, j.BandNoise.PerSignal
	} else if bound.Read < j.BandNoise.Read {
		j.Notes = append(j.Notes, "the performer's core, where the band plate is dark, has less noise than that, and counts: "+electrons(bound))
	}
	j.BandNoise = bound
	j.BandNoise.Crosstalk = j.CrosstalkCovariance
	geometry := j.edgeSigma()
	j.BandNoise.Edge = math.Hypot(bound.Edge, geometry)
	if bound.CorrelatedRead+math.Sqrt(bound.CorrelatedPerSignal) > bound.Read+math.Sqrt(bound.PerSignal) {
		j.Notes = append(j.Notes, "most of the band plate's noise hangs together over several pixels, as compression and the mosaic of a color sensor leave it: sigma has it, and averaging takes little of it out")
	}
	if math.IsNaN(found.Open) && math.IsNaN(found.Core) {
		j.Warnings = append(j.Warnings, "neither open screen nor a plain performer is seen to measure what the plates really scatter: the error may be larger than stated")
	}
	if w := j.take.weights; w != nil && slices.Max(w[:])-slices.Min(w[:]) > colorSensor {
		j.Warnings = append(j.Warnings, "the band camera has a color sensor, and what its mosaic of filters does to an edge depends on where the edge lies in it: at edges the error may be larger than stated; a monochrome camera does not have this")
	}
	if e := j.Estimate; e != nil && j.Softness == 0 && e.Softness.Told(leastTold) {
		switch {
		case e.Softness.Difference > 0:
			j.Warnings = append(j.Warnings, "the band camera is the softer one, and the matte is softer than the picture: at edges the error may be larger than stated")
		case found.Edge > geometry:
			j.Warnings = append(j.Warnings, "the color camera is the softer one, and where its edges are not the band camera's counts as an error of the matte: at edges the error may be smaller than stated")
		}
	}
	if geometry > sharedEdge*j.BandNoise.Edge {
		j.Notes = append(j.Notes, fmt.Sprintf("at edges much of sigma is what the geometry may be off by, %.2f pixels across the edge, which all edges have in common: in a take that is closer than that the error is smaller than stated, all along the outline; texture of the costume near the edges, more frames or a chart would tell", geometry))
	}
	switch {
	case math.IsNaN(found.Edge):
		j.Warnings = append(j.Warnings, "no edge of the performer is plain enough to measure the matte's error there: at edges the error may be larger than stated")
	case found.Edge > edgeError:
		j.Warnings = append(j.Warnings, fmt.Sprintf("at edges the matte and the color plate are %.2f pixels apart beyond noise, as by compression, a color sensor's mosaic, focus or the geometry: sigma has that much, and the error may be larger than stated", found.Edge))
	}
	return nil
}

// sharedEdge is the part of sigma at edges from which the geometry's share is told: a take is
// closer than the geometry's stated error more often than not, and sigma is then too large by a
// seventh and more all along the outline.
const sharedEdge = 0.5

// colorSensor is by how much the weights of the band camera's channels differ at least where it has
// a color sensor. Those of a monochrome camera's files are equal but for a codec's rounding.
const colorSensor = 0.1

// edgeError is how many pixels the matte's edges may be from the color plate's before there is a
// warning: three times what resampling leaves of a lens's blur of 0.7 pixels.
const edgeError = 0.23

// kept returns the part of white noise's variance that the resampled band plate has, from noise
// that is resampled.
func (j *preparation) kept() float64 {
	white := plate.NewGray(j.Geometry.BandW, j.Geometry.BandH)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range white.Pix {
		white.Pix[i] = random.Float32() - 0.5
	}
	sum, n := 0.0, 0.0
	valid := j.resampler.Valid().Pix
	for i, v := range j.resampler.Gray(nil, white).Pix {
		if valid[i] > 0 {
			sum += float64(v) * float64(v)
			n++
		}
	}
	// The variance of numbers that are alike between -1/2 and 1/2 is 1/12.
	return min(12*sum/max(n, 1), 1)
}

// edgeSigma returns the expected error of the geometry across the performer's edges, in color
// pixels, should the place be right: what the plates agree on, where both are wrong, is not seen in
// what they differ by. No geometry follows what displaces each frame otherwise, as a rolling
// shutter does.
func (j *preparation) edgeSigma() float64 {
	square, n := 0.0, 0.0
	add := func(s float64) { square, n = square+s*s, n+1 }
	switch {
	case j.Estimate != nil:
		for _, p := range j.Estimate.Pieces {
			add(math.Hypot(j.Estimate.SigmaHere(p.Color[0], p.Color[1]), j.Estimate.Rolling.Edges))
		}
	case j.Chart != nil:
		for _, p := range j.Geometry.Grid(9) {
			add(j.Chart.Sigma(p.Color[0], p.Color[1]))
		}
	}
	sx, sy := j.Geometry.Density()
	// Half of a displacement's variance is along the edge, and does nothing.
	return math.Sqrt(square/2/max(n, 1)) / math.Sqrt(sx*sy)
}

// readGreen reads the green of a color plate, less its dark plate: it stands for the color camera's
// noise.
func (j *preparation) readGreen(p FilePair) (*plate.Gray, error) {
	shot, ok := j.registered(p)
	if !ok {
		var err error
		if shot.Color, err = j.finiteColor(p); err != nil {
			return nil, err
		}
	}
	return less(greenOf(shot.Color)[0], greenOf(j.take.darkColor)), nil
}

// less returns a plate less its dark one, where there is one. The plate stays as it is: others may
// have it too.
func less(f *plate.Gray, dark []*plate.Gray) *plate.Gray {
	if len(dark) == 0 {
		return f
	}
	return matte.SubtractGray(nil, f, dark[0])
}

// noiseOfFlats measures a camera's noise from the flat frames that path stands for: each two that
// follow each other are a pair of one light.
func noiseOfFlats(ctx context.Context, what, path string, read func(FilePair) (*plate.Gray, error)) (matte.Noise, error) {
	seq, err := Find(path)
	if err != nil {
		return matte.Noise{}, fmt.Errorf("flat %s frames: %w", what, err)
	}
	if len(seq)%2 != 0 || len(seq) > maxFlats {
		return matte.Noise{}, fmt.Errorf("%s: there are %d flat %s frames: it must be pairs, each of the same light, and at most %d frames", path, len(seq), what, maxFlats)
	}
	var pairs [][2]*plate.Gray
	for i := 0; i < len(seq); i += 2 {
		var p [2]*plate.Gray
		for k := range p {
			if err := ctx.Err(); err != nil {
				return matte.Noise{}, err
			}
			if p[k], err = read(FilePair{Color: seq[i+k].Path, Band: seq[i+k].Path}); err != nil {
				return matte.Noise{}, err
			}
		}
		pairs = append(pairs, p)
	}
	n, err := matte.PhotonTransfer(pairs, nil)
	if err != nil {
		return n, fmt.Errorf("%s: flat %s frames: %w", path, what, err)
	}
	return n, nil
}

// mostElectrons is a full well that no camera's pixel has: common practice is some hundred
// thousand.
const mostElectrons = 1e7

// electrons says a camera's noise as EMVA 1288 does: in the dark, and the full-well capacity.
func electrons(n matte.Noise) string {
	s := fmt.Sprintf("%.3f %% of full scale in the dark", 100*n.Read)
	switch {
	case n.PerSignal > 1/mostElectrons:
		s += fmt.Sprintf(" (%.0f electrons), full scale is %.0f electrons", n.Read/n.PerSignal, math.Round(1/n.PerSignal))
	case n.PerSignal > 0:
		s += ", and none to speak of comes with the light: denoised, or drawn"
	}
	return s
}
