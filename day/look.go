package day

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"example.com/twinplate/align"
	"example.com/twinplate/reading"
	"example.com/twinplate/take"
)

// What tells clean and dark plates from takes; chosen by hand.
const (
	lookFrames = 6     // of each pair, over its middle
	lookWide   = 64    // squares across that a frame is reduced to
	darkPart   = 0.06  // of the light of the day's brightest, below which a plate is dark
	open       = 0.8   // of the screen's light, above which it is open
	cleanPart  = 0.004 // of the squares that may be otherwise in a clean plate: dust, a stand's tip
	moving     = 0.06  // of the frame's light, from which a square has changed
	bright     = 0.05  // of the day's brightest color, above the darkest that a place is in all clips
)

// A look is what a pair's clips show, reduced to squares: linear light, the mean of each.
type look struct {
	pair        *ClipPair
	color, band [][]float32 // by frame
}

// reduce returns the means over squares of planes, summed.
func reduce(w, h int, planes ...[]float32) []float32 {
	side := max(w/lookWide, 1)
	cols, rows := w/side, max(h/side, 1)
	high := min(side, h)
	out := make([]float32, cols*rows)
	for _, pix := range planes {
		for y := range rows * high {
			for x := range cols * side {
				out[y/high*cols+x/side] += pix[y*w+x]
			}
		}
	}
	for i := range out {
		out[i] /= float32(side * high)
	}
	return out
}

// see reads a few frames of a pair.
func (d *Day) see(ctx context.Context, p *ClipPair) (*look, error) {
	r := d.Settings
	r.Color, r.Band, r.Offset = p.Color, p.Band, take.Given(0) // nothing is compared between the two
	r.CleanColor, r.CleanBand, r.DarkColor, r.DarkBand = "", "", "", ""
	t, err := take.OpenFiles(ctx, d.files, r)
	if err != nil {
		return nil, err
	}
	defer t.Close()
	l := &look{pair: p}
	for i := range lookFrames {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		pair := t.Pairs[len(t.Pairs)/4+(2*i+1)*len(t.Pairs)/(4*lookFrames)]
		c, err := t.ReadColor(pair)
		if err != nil {
			return nil, err
		}
		b, err := t.ReadBand(pair)
		if err != nil {
			return nil, err
		}
		l.color = append(l.color, reduce(c.W, c.H, c.Pix[:]...))
		l.band = append(l.band, reduce(b.W, b.H, b.Pix))
	}
	return l, nil
}

// level returns the light of the brightest squares but a hundredth, in the brightest frame.
func level(frames [][]float32) float32 {
	var most float32
	for _, f := range frames {
		sorted := slices.Sorted(slices.Values(f))
		most = max(most, sorted[len(sorted)*99/100])
	}
	return most
}

// still reports whether nothing moves.
func still(frames [][]float32) bool {
	limit := moving * level(frames)
	changed := 0
	for i := range frames[0] {
		low, high := frames[0][i], frames[0][i]
		for _, f := range frames[1:] {
			low, high = min(low, f[i]), max(high, f[i])
		}
		if high-low > limit {
			changed++
		}
	}
	return float64(changed) <= cleanPart*float64(len(frames[0]))
}

// kinds tells what the pairs are that nobody has said.
func (d *Day) kinds(ctx context.Context, opt *ReadOptions) error {
	opt.stage("what the clips show")
	var looks []*look
	for i, p := range d.Pairs {
		l, err := d.see(ctx, p)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			p.Kind = cmp.Or(p.Kind, Take)
			p.wrong(reading.Bad, "Clips", err.Error()+".", "Copy both clips from the cards again.")
		} else {
			looks = append(looks, l)
		}
		opt.progress(i+1, len(d.Pairs))
	}
	var color, band float32 // the day's brightest
	for _, l := range looks {
		color, band = max(color, level(l.color)), max(band, level(l.band))
	}
	lit := slices.DeleteFunc(slices.Clone(looks), func(l *look) bool {
		dark := level(l.color) < darkPart*color && level(l.band) < darkPart*band
		if dark && l.pair.Kind == "" {
			l.pair.Kind = Dark
		}
		return dark
	})
	// The screen is as bright in each place as it ever is, and the open set as dark.
	for _, l := range lit {
		if l.pair.Kind != "" {
			continue
		}
		l.pair.Kind = Take
		if !still(l.color) || !still(l.band) {
			continue
		}
		var screen, set []float32
		for _, o := range lit {
			if len(o.color[0]) != len(l.color[0]) || len(o.band[0]) != len(l.band[0]) {
				continue
			}
			for k := range o.color {
				screen, set = fold(screen, o.band[k], func(a, b float32) float32 { return max(a, b) }), fold(set, o.color[k], func(a, b float32) float32 { return min(a, b) })
			}
		}
		off := 0
		for i, v := range l.band[0] {
			if v < open*screen[i] {
				off++
			}
		}
		lightOff := 0
		for i, v := range l.color[0] {
			if v > set[i]+bright*color {
				lightOff++
			}
		}
		// One pair alone shows only itself.
		clean := len(lit) > 1 && float64(off) <= cleanPart*float64(len(screen)) && float64(lightOff) <= cleanPart*float64(len(set))
		switch {
		case clean:
			l.pair.Kind = Clean
		case d.chart(ctx, l.pair) != nil:
			l.pair.Kind = Chart
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
	d.name()
	return nil
}

// fold combines b into a, which may be nil.
func fold(a, b []float32, with func(a, b float32) float32) []float32 {
	if a == nil {
		return slices.Clone(b)
	}
	for i, v := range b {
		a[i] = with(a[i], v)
	}
	return a
}

// chart returns the geometry of a pair that shows a chart, or nil.
func (d *Day) chart(ctx context.Context, p *ClipPair) *align.ChartEstimate {
	r := d.Settings
	r.Color, r.Band, r.Offset = p.Color, p.Band, take.Given(0)
	t, err := take.OpenFiles(ctx, d.files, r)
	if err != nil {
		return nil
	}
	defer t.Close()
	e, err := t.FromChart(ctx)
	if err != nil {
		return nil
	}
	return e
}

// name gives the pairs without a name one, by their kind and order.
func (d *Day) name() {
	count := map[Role]int{}
	for _, p := range d.Pairs {
		for p.Name == "" {
			count[p.Kind]++
			if name := fmt.Sprintf("%s%02d", p.Kind, count[p.Kind]); d.named(name) == nil {
				p.Name = name
			}
		}
	}
}

// nearest returns the pair of a kind that was recorded nearest to p and may be used, or nil.
func (d *Day) nearest(p *ClipPair, k Role, may func(*ClipPair) bool) *ClipPair {
	at := slices.Index(d.Pairs, p)
	for step := 1; step < len(d.Pairs); step++ {
		for _, i := range []int{at - step, at + step} {
			if i >= 0 && i < len(d.Pairs) && d.Pairs[i].Kind == k && may(d.Pairs[i]) {
				return d.Pairs[i]
			}
		}
	}
	return nil
}

// errNoTake says that a day has no take in it.
var errNoTake = errors.New("no pair of clips shows a performer before the lit screen")
