package day

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.com/twinplate/align"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
	"example.com/twinplate/plate/clip"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// What tells one geometry from another; chosen by hand.
const (
	sameRig   = 0.3 // band pixels, the root of the mean square, within which two geometries are the same
	sameError = 3   // standard errors of both, likewise
	// A geometry fits a take as its own does where the residual is larger by no more than this part
	// and these pixels.
	fitsPart, fitsPixels = 0.25, 0.1
	weak                 = 0.5 // band pixels: a take whose geometry's expected error is larger says nothing of the rig
)

// A Rig is how the two cameras stood to each other over some of the takes.
type Rig struct {
	Name     string         `json:"name"`
	From     string         `json:"from"`     // the pair that the geometry is from
	Sigma    float64        `json:"sigma_px"` // its expected error over the frame, in band pixels
	Pairs    []string       `json:"pairs"`    // whose own geometry agrees
	Apart    float64        `json:"apart_px"` // from the first rig's geometry, in the root of the mean square over the frame
	Geometry align.Geometry `json:"geometry"`
}

// A registered pair is one with a geometry of its own.
type registered struct {
	pair     *ClipPair
	geometry align.Geometry
	sigma    float64
	residual float64
	rig      int // index; -1: none yet
}

// mean returns the root of the mean square of f over the frame of a geometry.
func mean(g align.Geometry, f func(p align.PointPair) float64) float64 {
	sum := 0.
	grid := g.Grid(9)
	for _, p := range grid {
		v := f(p)
		sum += v * v / float64(len(grid))
	}
	return math.Sqrt(sum)
}

// apart returns how far two geometries are apart, in band pixels; infinitely where they are of
// other sizes.
func apart(g, h align.Geometry) float64 {
	if g.ColorW != h.ColorW || g.ColorH != h.ColorH || g.BandW != h.BandW || g.BandH != h.BandH {
		return math.Inf(1)
	}
	return mean(g, func(p align.PointPair) float64 {
		x, y := h.Map(p.Color[0], p.Color[1])
		return math.Hypot(x-p.Band[0], y-p.Band[1])
	})
}

// register finds the geometry that each take and each chart shows by itself.
func (d *Day) register(ctx context.Context, opt *ReadOptions) ([]*registered, error) {
	opt.stage("the rig's geometry")
	var all []*registered
	for i, p := range d.Pairs {
		opt.progress(i, len(d.Pairs))
		switch p.Kind {
		case Chart:
			if e := d.chart(ctx, p); e != nil {
				all = append(all, &registered{p, e.Geometry, mean(e.Geometry, func(q align.PointPair) float64 { return e.Sigma(q.Color[0], q.Color[1]) }), e.Residual, -1})
			} else if ctx.Err() == nil {
				p.wrong(reading.Watch, "Chart", "No chart is found in it.", "Shoot it again in even light, or leave the pair out.")
			}
		case Take:
			r := d.base(p)
			if r.Geometry.Mode != "" && r.Geometry.Mode != "auto" {
				continue // somebody has given it
			}
			t, err := take.OpenFiles(ctx, d.files, r)
			if err == nil {
				p.sync(t.Timing())
				var found take.Registration
				if found, err = t.Register(ctx); err == nil && found.Estimate != nil {
					e := found.Estimate
					all = append(all, &registered{p, e.Geometry, mean(e.Geometry, func(q align.PointPair) float64 { return e.Sigma(q.Color[0], q.Color[1]) }), e.Residual, -1})
				}
				t.Close()
			}
			if err != nil && ctx.Err() == nil && !errors.Is(err, align.ErrNoSilhouettes) && !errors.Is(err, align.ErrNoMatch) {
				p.wrong(reading.Bad, "Plates", sentence(err.Error()), "Mend that, or leave the take out (kind \"out\" in the day's file).")
			}
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// rigs finds which geometries the takes have in common: the surest is the first one's, and those
// that agree with it are of one rig. A take disagrees where its own geometry is elsewhere and fits
// its plates better.
func (d *Day) rigs(ctx context.Context, all []*registered) error {
	d.Rigs = nil
	sure := slices.Clone(all)
	slices.SortStableFunc(sure, func(a, b *registered) int { return cmp.Compare(a.sigma, b.sigma) })
	for _, lead := range sure {
		if lead.rig >= 0 || lead.sigma > weak {
			continue
		}
		lead.rig = len(d.Rigs)
		rig := Rig{From: lead.pair.Name, Sigma: lead.sigma, Geometry: lead.geometry}
		for _, r := range all {
			if r.rig < 0 && apart(lead.geometry, r.geometry) <= max(sameRig, sameError*math.Hypot(lead.sigma, r.sigma)) {
				r.rig = lead.rig
			}
		}
		for _, r := range all {
			if r.rig >= 0 || r.pair.Kind != Take || math.IsInf(apart(lead.geometry, r.geometry), 1) {
				continue
			}
			fits, err := d.residual(ctx, r.pair, lead.geometry)
			if err != nil {
				return err
			}
			if fits <= r.residual*(1+fitsPart)+fitsPixels {
				r.rig = lead.rig
			}
		}
		d.Rigs = append(d.Rigs, rig)
	}
	for _, r := range all {
		if r.rig >= 0 {
			d.Rigs[r.rig].Pairs = append(d.Rigs[r.rig].Pairs, r.pair.Name)
		}
	}
	// In the order of the day, the one of most pairs first.
	order := list.To(len(d.Rigs))
	slices.SortStableFunc(order, func(a, b int) int { return len(d.Rigs[b].Pairs) - len(d.Rigs[a].Pairs) })
	sorted := make([]Rig, len(order))
	for to, from := range order {
		sorted[to] = d.Rigs[from]
		sorted[to].Name = fmt.Sprintf("rig%d", to+1)
		if to > 0 {
			if v := apart(sorted[0].Geometry, sorted[to].Geometry); !math.IsInf(v, 1) {
				sorted[to].Apart = v
			}
		}
		for _, r := range all {
			if r.rig == from {
				r.pair.Found.Rig = sorted[to].Name
			}
		}
	}
	d.Rigs = sorted
	d.bumps()
	return nil
}

// residual returns how far a take's outlines are apart by a geometry.
func (d *Day) residual(ctx context.Context, p *ClipPair, g align.Geometry) (float64, error) {
	t, err := take.OpenFiles(ctx, d.files, d.base(p))
	if err != nil {
		return math.NaN(), ctx.Err()
	}
	defer t.Close()
	return t.Residual(ctx, g)
}

// bumps gives the takes that tell no geometry that of their neighbors, and tells where somebody
// moved the rig.
func (d *Day) bumps() {
	if len(d.Rigs) == 0 {
		return
	}
	for _, p := range d.Takes() {
		if p.Found.Rig != "" {
			continue
		}
		near := d.nearest(p, Take, func(o *ClipPair) bool { return o.Found.Rig != "" })
		if near == nil {
			near = d.named(d.Rigs[0].From)
		}
		p.borrowed = near.Name
		p.Found.Rig = near.Found.Rig
	}
	var last *ClipPair
	for _, p := range d.Pairs {
		if p.borrowed != "" || p.Found.Rig == "" {
			continue
		}
		if last != nil && last.Found.Rig != p.Found.Rig {
			what := "the cameras stand otherwise to each other"
			if a := apart(d.rig(last.Found.Rig).Geometry, d.rig(p.Found.Rig).Geometry); !math.IsInf(a, 1) {
				what = fmt.Sprintf("the geometry is %.1f px from that before", a)
			}
			p.wrong(reading.Watch, "Rig", fmt.Sprintf("Between %s and %s somebody moved a camera or the splitter: %s, and from here on that of %s is used.", last.Name, p.Name, what, d.rig(p.Found.Rig).From), "Lock the rig again, and shoot a new clean plate. If nobody touched it, look at this take's composite: its own geometry may be what is wrong.")
		}
		last = p
	}
}

func (d *Day) rig(name string) *Rig {
	if i := slices.IndexFunc(d.Rigs, func(r Rig) bool { return r.Name == name }); i >= 0 {
		return &d.Rigs[i]
	}
	return nil
}

// references chooses the clean and dark plates of each take: the nearest in time, and a clean one
// with no bump between.
func (d *Day) references() {
	for _, p := range d.Takes() {
		if p.Dark == "" {
			p.Dark = "none"
			if dark := d.nearest(p, Dark, func(*ClipPair) bool { return true }); dark != nil {
				p.Dark = dark.Name
			}
		}
		if p.Clean == "" {
			p.Clean = "none"
			if clean := d.nearest(p, Clean, func(c *ClipPair) bool { return d.sameRigBetween(p, c) }); clean != nil {
				p.Clean = clean.Name
			} else if len(d.of(Clean)) > 0 {
				p.wrong(reading.Watch, "Clean plate", "No clean plate was shot after the rig was moved: it is rebuilt from the take.", "Shoot one whenever the rig was touched.")
			}
		}
	}
}

// sameRigBetween reports whether all takes from one pair to another have the first one's geometry.
func (d *Day) sameRigBetween(p, c *ClipPair) bool {
	i, j := slices.Index(d.Pairs, p), slices.Index(d.Pairs, c)
	return !slices.ContainsFunc(d.Pairs[min(i, j):max(i, j)+1], func(o *ClipPair) bool { return o.Kind == Take && o.Found.Rig != p.Found.Rig })
}

// sync notes how the frames were brought together: they are found once.
func (p *ClipPair) sync(t take.Timing) {
	p.Found.Offset, p.Found.OffsetBy = t.Offset, t.From
	for _, w := range t.Warnings {
		p.wrong(reading.Watch, "Frames in time", sentence(w), "")
	}
	if p.color.Sound && p.band.Sound && t.From == "motion" {
		p.wrong(reading.Watch, "Pairing", "Both clips have sound, and none in common: they may not be of the same take.", "Listen to both; pair them otherwise in the day's file if they differ.")
	}
}

// sentence makes a sentence of an error.
func sentence(s string) string { return strings.ToUpper(s[:1]) + s[1:] + "." }

// A TakeReading is what was read of a take.
type TakeReading struct {
	Readings reading.List  // the worst first: the day's own, and those of take.Take.Check
	Checkup  *take.Checkup // nil where the plates could not be read at all
	Comp     *plate.RGB    // a frame of the composite, in linear light; nil where there is no background
}

// wrong adds what is wrong with a pair.
func (p *ClipPair) wrong(v reading.Verdict, title, meaning, advice string) {
	if slices.ContainsFunc(p.readings, func(r reading.Reading) bool { return strings.EqualFold(r.Meaning, meaning) }) {
		return
	}
	p.readings = append(p.readings, reading.Reading{Name: "day", Title: title, Verdict: v, Meaning: meaning, Advice: advice})
}

// Read tells what the pairs are, finds the rig's geometry, and reads each take: what the day's file
// says stands, and the rest is found. An error means that nothing could be made of the day; what is
// wrong with a take is in its Found.
func (d *Day) Read(ctx context.Context, opt *ReadOptions) error {
	opt = cmp.Or(opt, &ReadOptions{})
	if err := d.Check(); err != nil {
		return err
	}
	if d.files == nil {
		d.files = clip.NewMediaFiles()
	}
	defer d.files.Rest()
	if err := d.clips(ctx, opt); err != nil {
		return err
	}
	if err := d.kinds(ctx, opt); err != nil {
		return err
	}
	if len(d.Takes()) == 0 {
		return fmt.Errorf("%s and %s: %w", d.ColorCard, d.BandCard, errNoTake)
	}
	all, err := d.register(ctx, opt)
	if err != nil {
		return err
	}
	if err := d.rigs(ctx, all); err != nil {
		return err
	}
	d.references()
	opt.stage("the takes")
	for i, p := range d.Takes() {
		if err := d.read(ctx, p, opt); err != nil {
			return err
		}
		opt.progress(i+1, len(d.Takes()))
	}
	for _, p := range d.Pairs {
		if p.Kind != Take {
			p.Found.tell(p.readings)
		}
	}
	return nil
}

// tell puts what readings say into the day's file; the worst must be the first.
func (f *Findings) tell(readings []reading.Reading) {
	for i, r := range readings {
		if i == 0 {
			f.Verdict = r.Verdict
		}
		if r.Verdict.Wrong() {
			f.Wrong = append(f.Wrong, strings.TrimSpace(r.Title+": "+r.Meaning+" "+r.Advice))
		}
	}
}

// clips asks the clips of the pairs what they are, where that is not known.
func (d *Day) clips(ctx context.Context, opt *ReadOptions) error {
	var paths []string
	for _, p := range d.Pairs {
		p.readings, p.borrowed = nil, ""
		if p.color == nil {
			paths = append(paths, p.Color, p.Band)
		}
	}
	if len(paths) > 0 {
		if len(paths) > 2*maxClips {
			return fmt.Errorf("%d pairs: a day has %d at the most", len(paths)/2, maxClips)
		}
		clips, err := probe(ctx, d.files, paths, opt)
		if err != nil {
			return err
		}
		i := 0
		for _, p := range d.Pairs {
			if p.color == nil {
				p.color, p.band = clips[i], clips[i+1]
				i += 2
				if err := cmp.Or(p.color.Err, p.band.Err); err != nil {
					return fmt.Errorf("%s: %w", p.Name, err)
				}
			}
		}
	}
	for _, p := range d.Pairs {
		c, b := p.color, p.band
		p.Found = Findings{By: cmp.Or(p.Found.By, "the day's file"), Seconds: math.Round(100*min(c.seconds(), b.seconds())) / 100}
		if !c.Info.Recorded.IsZero() {
			p.Found.Recorded = c.Info.Recorded.Format("2006-01-02 15:04:05")
		}
		if a, b := c.Info.FPS(), b.Info.FPS(); math.Abs(a-b) > sameRate*a {
			p.wrong(reading.Bad, "Frame rate", fmt.Sprintf("The color camera made %.4g frames a second, and the band camera %.4g: they are not of the same instants.", a, b), "Set both cameras to one rate.")
		}
	}
	return nil
}

// sameRate is the part by which two frame rates may differ: half of what 23.976 is from 24.
const sameRate = 0.0005

// read reads one take, and makes its recipe.
func (d *Day) read(ctx context.Context, p *ClipPair, opt *ReadOptions) error {
	r := d.base(p)
	if rig := d.rig(p.Found.Rig); rig != nil {
		r.Geometry = take.Given(rig.Geometry)
	}
	out := &TakeReading{}
	t, err := take.OpenFiles(ctx, d.files, r)
	if err == nil {
		defer t.Close()
		if p.Found.OffsetBy == "" {
			p.sync(t.Timing())
		}
		p.Found.Frames = len(t.Pairs)
		if p.borrowed != "" {
			p.wrong(reading.Watch, "Geometry", fmt.Sprintf("This take does not tell the rig's geometry: that of %s is used.", p.borrowed), "Look at the composite's edges.")
		}
		out.Checkup, err = t.Check(ctx, &take.CheckOptions{FPS: t.FPS()})
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		p.wrong(reading.Bad, "Plates", sentence(err.Error()), "Mend that, or leave the take out (kind \"out\" in the day's file).")
	}
	out.Readings = p.readings
	if c := out.Checkup; c != nil {
		out.Readings = slices.Concat(p.readings, c.Readings)
		if c.Job != nil {
			p.recipe, p.Found.Recipe = c.Job.Recipe(nil), p.Name+".json"
			if d.Settings.Background != "" && c.Color != nil {
				if f, err := c.Job.NewScrubber().Frame(c.Frame, nil); err == nil {
					out.Comp = f.Comp
				}
			}
		}
	}
	out.Readings = out.Readings.WorstFirst()
	p.Found.tell(out.Readings)
	if opt.Each != nil {
		opt.Each(p, out)
	}
	return nil
}
