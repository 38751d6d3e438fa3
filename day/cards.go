package day

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
	"example.com/twinplate/take"
)

// Bounds of what is read of a card; chosen by hand.
const (
	maxClips   = 1000      // on a card
	maxEntries = 100_000   // files and folders on it
	probeMost  = time.Hour // that asking one clip may take: of one of 4 GB all packets are read
)

// A Clip is one file of a card.
type Clip struct {
	Path  string
	Info  clip.Stream
	Sound bool
	Err   error // that it cannot be read
}

func (c *Clip) seconds() float64 { return float64(c.Info.Frames) / c.Info.FPS() }

// ReadOptions are what a day is read with. A nil pointer and the zero value mean the defaults.
type ReadOptions struct {
	Settings take.Recipe                       // of all takes
	Stage    func(what string)                 // called as a part of the work begins
	Progress func(done, total int)             // called after each clip or take of that part
	Each     func(p *ClipPair, r *TakeReading) // called with what was read of each take, in their order
}

func (o *ReadOptions) stage(what string) {
	if o.Stage != nil {
		o.Stage(what)
	}
}

func (o *ReadOptions) progress(done, total int) {
	if o.Progress != nil {
		o.Progress(done, total)
	}
}

// Cards finds the clips in the folders of two cards, in their folders too, and pairs them: by time
// code, by the time of recording, each allowing for clocks that are apart, and by sound. Symbolic
// links to folders are not followed. A clip that cannot be read, or has no partner, is in the day's
// Left.
func Cards(ctx context.Context, color, band string, opt *ReadOptions) (*Day, error) {
	opt = cmp.Or(opt, &ReadOptions{})
	if err := cmp.Or(opt.Settings.Check(), clip.Installed()); err != nil {
		return nil, err
	}
	d := &Day{Version: Version, ColorCard: color, BandCard: band, Settings: opt.Settings, files: clip.NewMediaFiles()}
	var paths [2][]string
	for i, card := range []string{color, band} {
		var err error
		if paths[i], err = clips(card); err != nil {
			return nil, err
		}
	}
	if slices.ContainsFunc(paths[0], func(p string) bool { return slices.Contains(paths[1], p) }) {
		return nil, fmt.Errorf("%s and %s have clips in common: give one folder for each camera", color, band)
	}
	all, err := probe(ctx, d.files, slices.Concat(paths[0], paths[1]), opt)
	if err != nil {
		return nil, err
	}
	m := &matching{ctx: ctx, opt: opt, files: d.files, sounds: map[string][]float32{}}
	for i, c := range all {
		switch {
		case c.Err != nil:
			d.Left = append(d.Left, Left{c.Path, why(c.Err), "Copy it from the card again; if that does not help, the recording was cut off: look for the camera maker's way to restore it."})
		case i < len(paths[0]):
			m.color = append(m.color, c)
		default:
			m.band = append(m.band, c)
		}
	}
	if err := m.match(d); err != nil {
		return nil, err
	}
	return d, nil
}

// why returns an error's text without the file's name.
func why(err error) string {
	if of := (*plate.FileError)(nil); errors.As(err, &of) {
		err = of.Err
	}
	return err.Error()
}

// clips returns the video files of a card, by their names.
func clips(card string) ([]string, error) {
	var all []string
	entries := 0
	err := filepath.WalkDir(card, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entries++; entries > maxEntries {
			return fmt.Errorf("%s: more than %d files: this is no card of clips", card, maxEntries)
		}
		if strings.HasPrefix(e.Name(), ".") && path != card {
			if e.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		if e.Type().IsRegular() && slices.Contains(clip.Extensions, strings.ToLower(filepath.Ext(path))) {
			if all = append(all, path); len(all) > maxClips {
				return fmt.Errorf("%s: more than %d clips: give a folder of one day", card, maxClips)
			}
		}
		return nil
	})
	if err == nil && len(all) == 0 {
		err = fmt.Errorf("%s: no clip is in it: they end in %s", card, strings.Join(clip.Extensions, ", "))
	}
	return all, err
}

// probe asks each clip what it is.
func probe(ctx context.Context, files *clip.MediaFiles, paths []string, opt *ReadOptions) ([]*Clip, error) {
	opt.stage("the clips")
	all := make([]*Clip, len(paths))
	var mu sync.Mutex
	done := 0
	return all, parallel.Try(ctx, len(paths), 0, func(i int) error {
		one, stop := context.WithTimeout(ctx, probeMost)
		defer stop()
		c := &Clip{Path: paths[i]}
		all[i] = c
		if !utf8.ValidString(c.Path) { // it cannot be written into a file of JSON
			c.Err = errors.New("its name is not UTF-8")
		} else {
			c.Info, c.Err = files.Probe(one, c.Path)
		}
		if c.Err == nil {
			err := clip.HasSound(one, c.Path)
			c.Sound = err == nil
			if !errors.Is(err, clip.ErrNoSound) {
				c.Err = err
			}
		}
		mu.Lock()
		defer mu.Unlock()
		done++
		opt.progress(done, len(paths))
		return ctx.Err()
	})
}

// Pairing's decisions; chosen by hand.
const (
	slack     = 2.  // seconds by which clips may miss each other: recording times are whole seconds, and cameras are started by hand
	together  = 0.2 // of the time that either of two clips is of, which both must be of
	sameClock = 3.  // seconds within which differences are of the same two clocks
	contender = 0.7 // of the best clocks' score, from which others are asked by sound
	shifts    = 24  // differences of clocks that are tried
	askSound  = 3   // pairs by which sound decides between clocks
	mostSound = 100 // comparisons of sound at the most
	listen    = 60  // seconds of it
	dayLong   = 86400.
)

// A matching pairs clips.
type matching struct {
	ctx         context.Context
	opt         *ReadOptions
	files       *clip.MediaFiles
	color, band []*Clip // without a partner yet
	sounds      map[string][]float32
	compared    int
}

// A clock is a way to know when a clip was recorded.
type clock struct {
	name string
	wrap float64 // seconds after which it begins again; 0: never
	at   func(*Clip) (seconds float64, ok bool)
}

var clocks = []clock{
	{"time code", dayLong, func(c *Clip) (float64, bool) {
		if c.Info.TimeCode == "" {
			return 0, false
		}
		code, err := take.ParseTimecode(c.Info.TimeCode, int(math.Round(c.Info.FPS())))
		return float64(code.Number()) / c.Info.FPS(), err == nil
	}},
	{"recording time", 0, func(c *Clip) (float64, bool) {
		return float64(c.Info.Recorded.UnixMilli()) / 1000, !c.Info.Recorded.IsZero()
	}},
}

func (m *matching) match(d *Day) error {
	m.opt.stage("the pairs")
	for _, k := range clocks {
		pairs, apart, err := m.byClock(k)
		if err != nil {
			return err
		}
		if len(pairs) > 0 {
			d.Clocks = append(d.Clocks, ClockGap{k.name, math.Round(100*apart) / 100, len(pairs)})
		}
		m.take(d, pairs, k.name)
	}
	pairs, err := m.bySound()
	if err != nil {
		return err
	}
	m.take(d, pairs, "sound")
	slices.SortStableFunc(d.Pairs, func(a, b *ClipPair) int {
		return cmp.Or(a.color.Info.Recorded.Compare(b.color.Info.Recorded), cmp.Compare(a.Color, b.Color))
	})
	for _, side := range []struct {
		clips []*Clip
		other string
	}{{m.color, "band"}, {m.band, "color"}} {
		for _, c := range side.clips {
			d.Left = append(d.Left, Left{c.Path,
				fmt.Sprintf("no clip of the %s camera was recorded with it, by time code, recording time or sound (%.1f s long)", side.other, c.seconds()),
				fmt.Sprintf("See whether the %s camera ran, or its clip is among those that cannot be read; if they belong together all the same, add the two to the day's file.", side.other)})
		}
	}
	return nil
}

// take moves pairs of clips into the day.
func (m *matching) take(d *Day, pairs [][2]*Clip, by string) {
	for _, p := range pairs {
		d.Pairs = append(d.Pairs, &ClipPair{Color: p[0].Path, Band: p[1].Path, Found: Findings{By: by}, color: p[0], band: p[1]})
		m.color = slices.DeleteFunc(m.color, func(c *Clip) bool { return c == p[0] })
		m.band = slices.DeleteFunc(m.band, func(c *Clip) bool { return c == p[1] })
	}
}

// A span is when a clip was recorded, in seconds.
type span struct {
	*Clip
	from, to float64
}

func spans(clips []*Clip, k clock) (all []span) {
	early, late := false, false
	for _, c := range clips {
		if at, ok := k.at(c); ok {
			all = append(all, span{c, at, at + c.seconds()})
			early, late = early || at < k.wrap/4, late || at > k.wrap*3/4
		}
	}
	for i := range all { // past midnight
		if early && late && all[i].from < k.wrap/2 {
			all[i].from, all[i].to = all[i].from+k.wrap, all[i].to+k.wrap
		}
	}
	return all
}

// common returns which part of the time that either is of both are of, for clocks that are apart,
// with some slack.
func (a span) common(b span, apart float64) float64 {
	from, to := b.from-apart-slack, b.to-apart+slack
	both := min(a.to+slack, to) - max(a.from-slack, from)
	return max(both, 0) / (max(a.to+slack, to) - min(a.from-slack, from))
}

// byClock pairs the clips that were recorded together by one kind of clock, whose difference it
// finds: it is the one by which most clips are brought together. Where several do about as well, as
// where takes follow each other in one rhythm, sound decides.
func (m *matching) byClock(k clock) (best [][2]*Clip, apart float64, err error) {
	colors, bands := spans(m.color, k), spans(m.band, k)
	var diffs []float64
	for _, a := range colors {
		for _, b := range bands {
			diffs = append(diffs, b.from-a.from)
		}
	}
	type found struct {
		pairs        [][2]*Clip
		apart, score float64
	}
	var all []found
	for _, apart := range densest(diffs) {
		pairs, mean, score := pairUp(colors, bands, apart)
		if len(pairs) > 0 && !slices.ContainsFunc(all, func(f found) bool { return math.Abs(f.apart-mean) < sameClock }) {
			all = append(all, found{pairs, mean, score})
		}
	}
	slices.SortStableFunc(all, func(a, b found) int { return cmp.Compare(b.score, a.score) })
	if len(all) == 0 {
		return nil, 0, nil
	}
	all = slices.DeleteFunc(all, func(f found) bool { return f.score < contender*all[0].score })
	choice, most := 0, 0
	for i, f := range all {
		if len(all) == 1 {
			break
		}
		agree := 0
		for _, p := range f.pairs[:min(len(f.pairs), askSound)] {
			e, err := m.hear(p[0], p[1])
			if err != nil {
				return nil, 0, err
			}
			if e != nil {
				agree++
			}
		}
		if agree > most {
			choice, most = i, agree
		}
	}
	apart = all[choice].apart
	if k.wrap > 0 { // to the nearest
		apart -= k.wrap * math.Round(apart/k.wrap)
	}
	return all[choice].pairs, apart, nil
}

// densest returns the differences about which most others lie, that of most first.
func densest(diffs []float64) []float64 {
	slices.Sort(diffs)
	type place struct {
		at    float64
		count int
	}
	var all []place
	to := 0
	for i, v := range diffs {
		for to < len(diffs) && diffs[to] <= v+sameClock {
			to++
		}
		all = append(all, place{diffs[(i+to-1)/2], to - i})
	}
	slices.SortStableFunc(all, func(a, b place) int { return cmp.Compare(b.count, a.count) })
	var out []float64
	for _, p := range all {
		if len(out) < shifts && !slices.ContainsFunc(out, func(v float64) bool { return math.Abs(v-p.at) < sameClock }) {
			out = append(out, p.at)
		}
	}
	return out
}

// pairUp pairs the clips that have most in common, each once, and returns by how much the clocks
// are apart in their median and how much of their times the pairs have in common, summed.
func pairUp(colors, bands []span, apart float64) (pairs [][2]*Clip, median, score float64) {
	type candidate struct {
		a, b   span
		common float64
	}
	var all []candidate
	for _, a := range colors {
		for _, b := range bands {
			if c := a.common(b, apart); c > together {
				all = append(all, candidate{a, b, c})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(b.common, a.common) })
	used := map[*Clip]bool{}
	var diffs []float64
	for _, c := range all {
		if used[c.a.Clip] || used[c.b.Clip] {
			continue
		}
		used[c.a.Clip], used[c.b.Clip] = true, true
		pairs = append(pairs, [2]*Clip{c.a.Clip, c.b.Clip})
		diffs = append(diffs, c.b.from-c.a.from)
		score += c.common
	}
	if len(diffs) > 0 {
		slices.Sort(diffs)
		median = diffs[len(diffs)/2]
	}
	return pairs, median, score
}

// hear compares two clips by their sound; nil where it does not tell, or there is none.
func (m *matching) hear(color, band *Clip) (*align.SoundEstimate, error) {
	if !color.Sound || !band.Sound || m.compared == mostSound {
		return nil, nil
	}
	m.compared++
	var both [2][]float32
	for i, c := range []*Clip{color, band} {
		s, ok := m.sounds[c.Path]
		if !ok {
			var err error
			if s, err = m.files.Sound(m.ctx, c.Path, align.SoundRate, 0, listen*time.Second); err != nil && m.ctx.Err() != nil {
				return nil, err
			}
			m.sounds[c.Path] = s
		}
		both[i] = s
	}
	e, err := align.SoundOffset(m.ctx, both[0], both[1])
	if err != nil && m.ctx.Err() == nil {
		return nil, nil
	}
	return e, err
}

// bySound pairs what the clocks have left: those that agree most first.
func (m *matching) bySound() ([][2]*Clip, error) {
	type heard struct {
		pair [2]*Clip
		peak float64
	}
	var all []heard
	for _, a := range m.color {
		for _, b := range m.band {
			e, err := m.hear(a, b)
			if err != nil {
				return nil, err
			}
			if e != nil {
				all = append(all, heard{[2]*Clip{a, b}, e.Peak})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b heard) int { return cmp.Compare(b.peak, a.peak) })
	var pairs [][2]*Clip
	for _, h := range all {
		if !slices.ContainsFunc(pairs, func(p [2]*Clip) bool { return p[0] == h.pair[0] || p[1] == h.pair[1] }) {
			pairs = append(pairs, h.pair)
		}
	}
	return pairs, nil
}
