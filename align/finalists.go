package align

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"sort"

	"example.com/twinplate/internal/parallel"
)

// A finalist is a geometry that the search found, fitted at one level, and how well it fits there.
type finalist struct {
	*fit
	tally
	score   float64 // the part of the color's change across edges that alpha explains where they agree, 0 to 1
	texture float64 // by how many standard errors the texture of the performer's core speaks for it; 0 where it is silent
}

// A contest is how the search ended.
type contest struct {
	level int        // of the finalists' fits
	list  []finalist // those that stood up to the end, the best first
	met   [2]float64 // the best score of each parity at the last level where both had one
	alone bool       // there was no such level
}

// mostFinalists is how many go on from each level, the coarsest first, and from all further ones;
// chosen by hand.
var mostFinalists = []int{6, 4, 3}

const (
	firstLook = 10 // starts that are looked at twice; chosen by hand
	// Levels above the finest from which the finalists can be told apart; chosen by hand.
	twiceFiner = 2

	// Rounds that a finalist's fit gets at most; it ends where it stands still. Chosen by hand.
	lookRounds   = 3  // at first
	roundsEach   = 5  // on a level
	secondRounds = 9  // on the second, which has more of the model
	restRounds   = 12 // where it must come to rest: the best of each level, and all on the last
)

// contend refines the starts of the search level by level, drops those that are surely worse, and
// puts what is left to a last test: on pieces of edge that it was not fitted to.
func (s *stack) contend(ctx context.Context, starts []Geometry, o FootageOptions) (*contest, error) {
	// The coarsest level with edges enough where any of the starts puts them: most starts are wrong.
	// And one with as much detail as it takes to tell the finalists apart.
	const enough = 3 * minEdges
	top := len(s.levels) - 1
	edged := func(g Geometry) bool { return len(s.levels[top].edges(g, sloping.size)) >= enough }
	for top > 0 && !slices.ContainsFunc(starts, edged) {
		top--
	}
	c := &contest{level: top, alone: true}
	last := min(top, max(0, len(s.levels)-1-twiceFiner))
	list := make([]finalist, len(starts))
	for i, g := range starts {
		list[i].fit = newFit(g, s.levels[top], Similarity)
	}
	// A first look, after which most starts are not worth a second.
	var err error
	if c.list, err = refined(ctx, list, s.levels[top], Similarity, lookRounds); err != nil {
		return nil, err
	}
	if len(c.list) > 0 {
		c.settle(firstLook)
	}
	for {
		model, rounds := o.Model, roundsEach
		switch {
		case c.level == top:
			model = Similarity
		case c.level == top-1:
			model, rounds = least(Affine, model), secondRounds
		case c.level > 1:
			model = least(Homography, model)
		}
		if c.level == top && top == last {
			rounds = restRounds // there is no finer level on which to come to rest
		}
		next, err := refined(ctx, c.list, s.levels[c.level], model, rounds)
		if err != nil {
			return nil, err
		}
		if len(next) == 0 {
			return nil, fmt.Errorf("align: %w: of %d starts none held on to %d pieces of edge, on plates of %d pixels' width (%s): frames help in which the performer has more edge before the screen", ErrNoMatch, len(starts), minEdges, s.levels[c.level].w, s.seen())
		}
		final := c.level <= last
		if err := parallel.Try(ctx, len(next), 0, func(i int) error {
			if final {
				if err := next[i].test(ctx); err != nil {
					return err
				}
			}
			if len(next) > 1 && (final || c.level < top) {
				return next[i].askTexture(ctx)
			}
			return nil
		}); err != nil {
			return nil, err
		}
		c.list = next
		c.settle(mostFinalists[min(top-c.level, len(mostFinalists)-1)])
		if _, err := c.list[0].run(ctx, restRounds); err != nil {
			return nil, err
		}
		if final { // or further, while they are close
			if _, rivals := c.decide(); len(rivals) == 0 || c.level == 0 {
				return c, nil
			}
		}
		c.level--
	}
}

// refined returns the fits that hold on to their edges on level l for the number of rounds given,
// with their scores.
func refined(ctx context.Context, list []finalist, l *level, model string, rounds int) ([]finalist, error) {
	all := make([]finalist, len(list))
	err := parallel.Try(ctx, len(list), 0, func(i int) error {
		f := newFit(list[i].g, l, model)
		ok, err := f.run(ctx, rounds)
		if ok {
			all[i].fit = f
			all[i].count(f.last)
		}
		return err
	})
	return slices.DeleteFunc(all, func(f finalist) bool { return f.fit == nil }), err
}

// settle sorts the list, the best first, and drops what is the same as a better one, surely worse
// than the best, or beyond the number given.
func (c *contest) settle(most int) {
	const (
		// Where no reason stands beside one, these are chosen by hand.
		// Standard errors by which a finalist must be behind to be surely worse: 0.997 (common
		// practice).
		sure = 3.
		gap  = 0.12 // and the part of the best score, for what is still to be fitted more closely
		same = 0.7  // pixels of the level apart that two fits of one place may be
	)
	list := c.list
	sort.SliceStable(list, func(i, j int) bool { return list[i].score > list[j].score })
	best := list[0]
	for _, f := range list {
		if f.g.Mirror != best.g.Mirror {
			c.met[parity(best.g.Mirror)], c.met[parity(f.g.Mirror)] = best.score, f.score
			c.alone = false
			break
		}
	}
	c.list = nil
	for _, f := range list {
		if by, spread := ahead(&best, &f); len(c.list) == most || by > gap*best.score && by > sure*spread && f.texture == 0 {
			continue
		}
		if !slices.ContainsFunc(c.list, func(k finalist) bool { return k.g.Mirror == f.g.Mirror && k.awayFrom(f.g) < same*f.l.fb }) {
			c.list = append(c.list, f)
		}
	}
}

// awayFrom returns how far g is from the fit's geometry, in band pixels: the root of the mean
// square over the pieces of edge that were measured last.
func (f *fit) awayFrom(g Geometry) float64 {
	sum := 0.0
	for _, m := range f.last {
		x, y := (m.x+0.5)*f.l.fc-0.5, (m.y+0.5)*f.l.fc-0.5
		x0, y0 := f.g.Map(x, y)
		x1, y1 := g.Map(x, y)
		sum += (x1-x0)*(x1-x0) + (y1-y0)*(y1-y0)
	}
	return math.Sqrt(sum / float64(max(1, len(f.last))))
}

// A tally is how much the color changes across edges, and how much of that alpha explains with
// edges that are where they should be, by block of each frame.
type tally []struct{ change, explained float64 }

// agrees is how far from where it should be, besides noise, an edge counts by a quarter, in pixels
// of the level; chosen by hand.
const agrees = 1.

// count takes over what was measured where the fit stands.
func (f *finalist) count(ms []measurement) {
	const side = 18 // pixels of the level, of a block: two tiles, which overlap or have the same texture
	across := f.l.w/side + 1
	blocks := across * (f.l.h/side + 1)
	f.tally = make(tally, len(f.l.frames)*blocks)
	for _, m := range ms {
		t := &f.tally[m.frame*blocks+int(m.y)/side*across+int(m.x)/side]
		t.change += m.energy
		e, _, _, info := m.across()
		if !(info > 0) {
			continue
		}
		off := 1 + math.Max(0, e*e-correlated/info)/(agrees*agrees)
		t.explained += m.energy * m.match / (off * off)
	}
	change, explained := f.sum()
	f.score = explained / math.Max(change, 1e-12)
}

func (t tally) sum() (change, explained float64) {
	for _, v := range t {
		change += v.change
		explained += v.explained
	}
	return change, explained
}

// ahead returns by how much a's score is above b's, and the standard error of that, by leaving out
// one block after another in both (the jackknife: Efron 1979): what is hard to explain in a block
// is so for both.
func ahead(a, b *finalist) (by, spread float64) {
	ac, ae := a.sum()
	bc, be := b.sum()
	var left []float64
	mean := 0.0
	for i := range a.tally {
		p, q := a.tally[i], b.tally[i]
		if p.change+q.change == 0 || ac-p.change <= 0 || bc-q.change <= 0 {
			continue
		}
		v := (ae-p.explained)/(ac-p.change) - (be-q.explained)/(bc-q.change)
		left = append(left, v)
		mean += v
	}
	n := float64(len(left))
	if n < 2 {
		return a.score - b.score, 1
	}
	mean /= n
	for _, v := range left {
		spread += (v - mean) * (v - mean)
	}
	return a.score - b.score, math.Sqrt(spread * (n - 1) / n)
}

// test takes the score over from pieces of edge that the fit has not seen: it is fitted to those in
// every other cell of the frame, as on a chessboard, and scored by the others; and the other way
// around.
func (f *finalist) test(ctx context.Context) error {
	var halves [2][]tile
	for _, t := range f.tiles() {
		c := f.cell(float64(t.x), float64(t.y))
		k := (c/cellsWide + c%cellsWide) % 2
		halves[k] = append(halves[k], t)
	}
	var unseen []measurement
	for k := range halves {
		h := *f.fit
		if len(halves[k]) >= minEdges {
			ms, err := f.l.measure(ctx, h.g, halves[k], h.shading, nil)
			if err != nil {
				return err
			}
			if next, st := h.solve(ms, h.model, h.theta); st.n >= minEdges {
				h.set(next)
			}
		}
		ms, err := f.l.measure(ctx, h.g, halves[1-k], h.shading, nil)
		if err != nil {
			return err
		}
		unseen = append(unseen, ms...)
	}
	f.count(unseen)
	return nil
}

// askTexture takes over what the performer's core says: set light leaks into the band plate, which
// there shows m . C, the costume's own texture. Each patch is explained with the m of all others,
// so that one place is no better than another by chance. It speaks for the right place and never
// against one: where there is no texture it is silent.
func (f *finalist) askTexture(ctx context.Context) error {
	// Standard errors above nothing, from which it counts: by chance once in 30,000 normal ones.
	const clear = 4
	s := newPatchSampler(leastPatch)
	var sums []patchSums
	total := newNormal(3)
	add := func(n *normal, q *patchSums, sign float64) {
		for c := range 3 {
			for d := range 3 {
				n.a[c*3+d] += sign * q.cc[c][d]
			}
			n.b[c] += sign * q.ca[c]
		}
	}
	for _, t := range f.l.corePatches(&f.g, leastPatch) {
		if s.readBand(f.l, &f.g, t) {
			s.readColor(f.l)
			sums = append(sums, s.sums())
			add(total, &sums[len(sums)-1], 1)
		}
	}
	if len(sums) < leastPatches {
		return ctx.Err()
	}
	var gain, square float64
	for i := range sums {
		n := newNormal(3)
		copy(n.a, total.a)
		copy(n.b, total.b)
		add(n, &sums[i], -1)
		for c := range 3 {
			n.a[c*3+c] *= 1 + sharedMix
		}
		x, ok := n.solve()
		if !ok {
			continue
		}
		g := sums[i].left(&[3]float64{}) - sums[i].left((*[3]float64)(x))
		gain += g
		square += g * g
	}
	if z := gain / math.Sqrt(math.Max(square, 1e-300)); z > clear {
		f.texture = z
	}
	return ctx.Err()
}

// A rival is a finalist that may be right instead of the winner.
type rival struct {
	finalist
	chance float64 // of being right, 0 to 1
}

// decide returns the finalist that is most likely right, and those that the plates do not rule out.
func (c *contest) decide() (winner finalist, rivals []rival) {
	// The chance of being right below which a finalist is no rival; common practice.
	const ruledOut = 0.01
	winner = slices.MaxFunc(c.list, func(a, b finalist) int { return cmp.Compare(odds(a, b), 0) })
	for _, f := range c.list {
		if f.fit == winner.fit {
			continue
		}
		if chance := 1 / (1 + math.Exp(odds(winner, f))); chance > ruledOut {
			rivals = append(rivals, rival{f, chance})
		}
	}
	return winner, rivals
}

// odds returns the logarithm of how much likelier a is than b to be right, by the edges and by the
// texture.
func odds(a, b finalist) float64 {
	const (
		// The same share of the change is explained on two sides of a performer but for chance:
		// scores closer than this say nothing. Chosen by hand.
		alike  = 0.01
		surest = 8 // standard errors that are believed; double precision has no chance of more
	)
	logOdds := func(z float64) float64 {
		p := math.Erfc(-z/math.Sqrt2) / 2
		return math.Log(p / (1 - p))
	}
	by, spread := ahead(&a, &b)
	z := (a.texture - b.texture) / math.Sqrt2
	return logOdds(math.Max(-surest, math.Min(by/math.Hypot(alike, spread), surest))) + logOdds(math.Max(-surest, math.Min(z, surest)))
}

// doubt takes the rivals into the estimate: its covariance becomes the mean square of what the
// winner's own is and of how far off it is should a rival be right; and there is a warning.
func (e *Estimate) doubt(rivals []rival) {
	for _, r := range rivals {
		g := r.g
		if g.Mirror != e.Geometry.Mirror { // the same map, in the winner's parity
			g.Mirror = !g.Mirror
			g.Homography = mul3([9]float64{-1, 0, float64(g.BandW - 1), 0, 1, 0, 0, 0, 1}, g.Homography)
		}
		mine, other := e.Geometry.numbers(), g.numbers()
		for i := range mine {
			mine[i] -= other[i]
		}
		for i := range e.Covariance {
			for j := range e.Covariance[i] {
				part := r.chance * mine[i] * mine[j]
				e.Covariance[i][j] += part
				e.rivals[i][j] += part
			}
		}
		what, remedy := "another place", "check by eye, or add a frame with the performer elsewhere"
		if r.g.Mirror != e.Geometry.Mirror {
			what, remedy = "the other parity", "check the parity by eye, or give it, or add a frame in which the performer's two sides differ"
		}
		e.Warnings = append(e.Warnings, fmt.Sprintf("AMBIGUOUS: %s is right with a chance of %.0f %%, as far as these edges tell, and would move them by %.0f pixels, which the expected error has: %s", what, 100*r.chance, r.awayFrom(e.Geometry), remedy))
	}
}
