package take

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"slices"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// readAhead is how many frames of clips are read at once where several are wanted: more would be read
// out of order further than is kept of them.
const readAhead = 4

// sampled reads up to n frames, evenly spread over those of the take, by read: what is estimated
// from a take is estimated from these. In the place of a frame that cannot be read, which fails
// alone when it is made, comes the nearest one that can, and the take warns of it once. Where there
// are fewer than n that can be read there are fewer; where there is none the error is that of the
// first. Read is called from several goroutines.
func sampled[T any](ctx context.Context, t *Take, frames []FilePair, n int, read func(FilePair) (T, error)) (pairs []FilePair, all []T, err error) {
	n = min(n, len(frames))
	choice := func(k int) int { return (2*k + 1) * len(frames) / (2 * n) }
	// The first choices are read some at a time.
	type result struct {
		v   T
		err error
	}
	ahead := make(map[int]*result, n)
	for k := range n {
		if i := choice(k); t.damaged[frames[i].Number] == nil {
			ahead[i] = &result{}
		}
	}
	most := runtime.GOMAXPROCS(0)
	if t.ofClip(frames[0].Color) || t.ofClip(frames[0].Band) {
		most = min(most, readAhead)
	}
	if err := parallel.Try(ctx, n, most, func(k int) error {
		if r := ahead[choice(k)]; r != nil {
			r.v, r.err = read(frames[choice(k)])
		}
		return nil
	}); err != nil {
		return nil, nil, err
	}
	tried := make([]bool, len(frames))
	var first error
	one := func(i int) bool {
		p := frames[i]
		err := t.damaged[p.Number]
		if err == nil {
			r := ahead[i]
			if r == nil {
				r = &result{}
				r.v, r.err = read(p)
			}
			if err = r.err; err == nil {
				pairs, all = append(pairs, p), append(all, r.v)
				return true
			}
			if ctx.Err() == nil {
				t.damage(p.Number, err)
			}
		}
		first = cmp.Or(first, err)
		return false
	}
	for k := range n {
		at := choice(k)
		for d := range 2 * len(frames) { // at, and then by turns after and before it
			i := at + (d+1)/2
			if d%2 == 0 {
				i = at - d/2
			}
			if i < 0 || i >= len(tried) || tried[i] {
				continue
			}
			if err := ctx.Err(); err != nil {
				return nil, nil, err
			}
			tried[i] = true
			if one(i) {
				break
			}
		}
	}
	if len(all) == 0 {
		return nil, nil, fmt.Errorf("no frame of the take can be read, the first with: %w", first)
	}
	return pairs, all, nil
}

// damage notes that a frame cannot be read.
func (t *Take) damage(number int, err error) {
	t.damaged[number] = err
	t.lost(err)
}

// lost warns once of a frame that cannot be read; the error names its file.
func (t *Take) lost(err error) {
	text := fmt.Sprintf("a frame cannot be read, and the estimates are from others: %v", err)
	if !slices.Contains(t.warnings, text) {
		t.warnings = append(t.warnings, text)
	}
}

// readPair reads both plates of a frame, and returns an error where a value is not finite.
func (r *reader) readPair(p FilePair) (color *plate.RGB, band *plate.Gray, err error) {
	var errs [2]error
	parallel.Do(
		func() { color, errs[0] = r.finiteColor(p) },
		func() { band, errs[1] = r.finiteBand(p) },
	)
	return color, band, cmp.Or(errs[:]...)
}

// readSample is readPair as a matte.Sample, whose plates are still each in its own camera's frame.
func (r *reader) readSample(p FilePair) (s matte.Sample, err error) {
	s.Color, s.Band, err = r.readPair(p)
	return s, err
}

// finiteColor is readColor, and an error where a value is not finite; finiteBand is readBand
// likewise.
func (r *reader) finiteColor(p FilePair) (*plate.RGB, error) {
	f, err := r.readColor(nil, p)
	return finite(p.Color, f, err)
}

func (r *reader) finiteBand(p FilePair) (*plate.Gray, error) {
	f, err := r.readBand(nil, p)
	return finite(p.Band, f, err)
}

// finite returns a plate that was read, or nil and the error, or that of a value that is not
// finite.
func finite[F interface{ CheckFinite() error }](path string, f F, err error) (F, error) {
	if err == nil {
		if err = f.CheckFinite(); err == nil {
			return f, nil
		}
		err = fmt.Errorf("%s: %w", path, err)
	}
	return *new(F), err
}

// registrationPairs reads the pairs that registration looks at of these frames, and with look what
// there is to see of each as it was read. The color plates keep their level of black, which is
// nothing to registration.
func (t *Take) registrationPairs(ctx context.Context, frames []FilePair, look bool) (of []FilePair, pairs []align.Pair, seen []glance, err error) {
	type read struct {
		sample matte.Sample
		pair   align.Pair
		seen   glance
	}
	var all []read
	var errs [2]error
	parallel.Do(func() {
		errs[0] = t.readReferences(ctx)
	}, func() {
		of, all, errs[1] = sampled(ctx, t, frames, registrationSamples, func(p FilePair) (r read, err error) {
			if r.sample, err = t.readSample(p); err == nil && look {
				r.seen = t.newGlance(p, r.sample.Color, r.sample.Band)
			}
			return r, err
		})
	})
	if err := cmp.Or(errs[:]...); err != nil {
		return nil, nil, nil, err
	}
	field := screenField(t.darkBand, t.cleanBand)
	parallel.Each(len(all), func(i int) {
		s := all[i].sample
		all[i].pair = align.Pair{Color: s.Color, Band: flat(s.Band, t.darkBand, field)}
	})
	for i, r := range all {
		pairs, seen = append(pairs, r.pair), append(seen, r.seen)
		if look && t.kept != nil { // further ones may be many
			t.kept[of[i]] = r.sample
		}
	}
	return of, pairs, seen, nil
}

// sizeVotes is how many files of a camera must have a size before it is believed to be that of its
// frames: one of another kind does not decide. In a browser a file is fetched as a whole to be
// asked, and the first one decides.
func sizeVotes() int {
	if runtime.GOOS == "js" {
		return 1
	}
	return 2
}

// size returns the size that a camera's frames have, by a few spread over it, or by all where those
// disagree or cannot be asked; and the first of them that has it.
func (t *Take) size(frames Sequence) (plate.Info, FrameFile, error) {
	type seen struct {
		info  plate.Info
		frame FrameFile
		votes int
	}
	var all []seen
	var first error
	const spread = 3
	asked := make(map[int]bool, spread)
	ask := func(i int) (decided bool) {
		if asked[i] {
			return false
		}
		asked[i] = true
		info, err := t.probe(frames[i].Path)
		if err != nil {
			first = cmp.Or(first, err)
			return false
		}
		k := slices.IndexFunc(all, func(s seen) bool { return s.info.W == info.W && s.info.H == info.H })
		if k < 0 {
			k = len(all)
			all = append(all, seen{info: info, frame: frames[i]})
		}
		all[k].votes++
		return all[k].votes == sizeVotes()
	}
	decided := false
	for k := 0; k < spread && !decided; k++ {
		decided = ask(k * len(frames) / spread)
	}
	for i := 0; i < len(frames) && !decided; i++ {
		decided = ask(i)
	}
	if len(all) == 0 {
		return plate.Info{}, FrameFile{}, first
	}
	best := slices.MaxFunc(all, func(a, b seen) int { return a.votes - b.votes }) // the first of the largest
	return best.info, best.frame, nil
}

// firstProbed returns what the first frame that can be asked says of itself. An error is that of
// the very first.
func (t *Take) firstProbed(frames Sequence) (plate.Info, FrameFile, error) {
	var first error
	for _, f := range frames {
		info, err := t.probe(f.Path)
		if err == nil {
			return info, f, nil
		}
		first = cmp.Or(first, err)
	}
	return plate.Info{}, FrameFile{}, first
}
