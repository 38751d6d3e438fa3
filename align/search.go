package align

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sort"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
)

// A start is a candidate of the coarse search.
type start struct {
	g      Geometry
	score  float64
	rot, s int // grid indices
}

const (
	startsKept = 8 // candidates of each parity that are refined; chosen by hand
	// Pixels of the level up to which a candidate is the same as a better one; chosen by hand.
	samePlace   = 3.
	samePlaces  = 9 // along each axis, by which that is told: a similarity needs no more
	startsAbout = 8 // directions from the best of a parity in which others start
	roughStarts = 2 // candidates of each parity that a rough estimate refines, and none about them; chosen by hand
	// And how far, in pixels of the level: further than a fit catches what it is near.
	beside = 5.
)

// search returns the most promising geometries, those of one parity and then those of the other:
// the best shift for each parity, rotation and scale, by the normalized cross-correlation of what
// is not black in the color plate with what hides the screen in the band plate, where the band
// plate shows the screen (masked as by Padfield 2012), all pairs together. It works on the coarsest
// level that holds the performer.
func (s *stack) search(ctx context.Context, o FootageOptions) ([]Geometry, error) {
	v, err := s.look()
	if err != nil {
		return nil, err
	}
	l, frames := v.level, v.frames
	// The grid: steps such that the true rotation and scale are within half a step, which moves the
	// performer's outer parts by no more than the refinement catches, in pixels of the level.
	const (
		arc, swell = 0.9, 1.2 // pixels, by rotation and by scale; chosen by hand
		// Degrees, and parts of the scale: no step is smaller, which bounds the work.
		leastTurn, leastSwell = 2, 0.04
	)
	rots := steps(o.MaxRotation, math.Max(leastTurn, 2*arc/v.reach*180/math.Pi))
	scales := steps(o.MaxScale, math.Max(leastSwell, 2*swell/v.reach))
	// Half a step moves a performer in a corner by up to this besides.
	besides := (o.MaxRotation*math.Pi/180/float64(max(2*rots, 1)) + o.MaxScale/float64(max(2*scales, 1))) * math.Hypot(float64(l.w), float64(l.h)) / 2
	margin := int(math.Ceil(o.MaxShift*float64(l.w) + besides))
	fw, fh := fastSize(l.w+margin+1), fastSize(l.h+margin+1)
	// Two frames go as one complex picture: the real part of the correlation of two such is the sum
	// of the frames' own. What the norm takes goes so too: the squares of all frames, and the
	// frames.
	const turned = complex(0, 1)
	half := [2]complex128{1, turned}
	presence := list.Rows[complex128]((len(frames)+1)/2, fw*fh)
	pooled := make([]complex128, fw*fh)
	everywhere := slices.Repeat([]float64{1}, l.w*l.h)
	there := make([][]float64, len(frames))
	parallel.Each(len(there), func(k int) {
		there[k] = l.presence(frames[k])
		removeMean(there[k:k+1], everywhere)
	})
	for k, p := range there {
		put(presence[k/2], fw, p, l.w, half[k%2])
		put(pooled, fw, p, l.w, turned)
		for k, v := range p {
			p[k] = v * v
		}
		put(pooled, fw, p, l.w, 1)
	}
	all := append(presence, pooled)
	parallel.Each(len(all), func(k int) { newTransform(fw, fh).forward(all[k], l.h) })

	var mirrors []bool
	if o.Mirror != MirrorYes {
		mirrors = append(mirrors, false)
	}
	if o.Mirror != MirrorNo {
		mirrors = append(mirrors, true)
	}
	var cands []start
	for _, mirror := range mirrors {
		for _, base := range s.bases() {
			for j := -rots; j <= rots; j++ {
				for k := -scales; k <= scales; k++ {
					angle := o.MaxRotation * float64(j) / float64(max(rots, 1)) * math.Pi / 180
					scale := 1 + o.MaxScale*float64(k)/float64(max(scales, 1))
					g := base
					g.Mirror = mirror
					cx, cy := g.Center[0], g.Center[1]
					sin, cos := math.Sincos(angle)
					sin, cos = sin*scale, cos*scale
					g.Homography = mul3(g.Homography, [9]float64{cos, -sin, cx - cos*cx + sin*cy, sin, cos, cy - sin*cx - cos*cy, 0, 0, 1})
					cands = append(cands, start{g: g, rot: j, s: k})
				}
			}
		}
	}
	parallel.Parts(len(cands), func(from, to int) {
		t := newTransform(fw, fh)
		sum := make([]complex128, fw*fh)
		norms := make([]complex128, fw*fh)
		q := make([]complex128, fw*fh)
		for i := from; i < to && ctx.Err() == nil; i++ {
			c := &cands[i]
			warped, mask := l.warped(frames, c.g)
			n, energy := removeMean(warped, mask)
			clear(sum)
			for k, p := range presence {
				clear(q)
				for m := 2 * k; m < min(2*k+2, len(frames)); m++ {
					put(q, fw, warped[m], l.w, half[m%2])
				}
				t.forward(q, l.h)
				for j, v := range q {
					sum[j] += p[j] * complex(real(v), -imag(v))
				}
			}
			t.inverse(sum, margin)
			clear(q)
			put(q, fw, mask, l.w, 1)
			t.forward(q, l.h)
			for j, v := range q {
				norms[j] = pooled[j] * complex(real(v), -imag(v))
			}
			t.inverse(norms, margin)
			size := float64(fw * fh)
			bx, by := 0, 0
			c.score = math.Inf(-1)
			for y := -margin; y <= margin; y++ {
				for x := -margin; x <= margin; x++ {
					at := (y+fh)%fh*fw + (x+fw)%fw
					squares, mean := real(norms[at])/size, imag(norms[at])/size
					present := squares - mean*mean/(n*float64(len(frames)))
					if !(present > 0) || !(energy > 0) {
						continue
					}
					if v := real(sum[at]) / size / math.Sqrt(present*energy); v > c.score {
						c.score, bx, by = v, x, y
					}
				}
			}
			// The color plate shows at x what the warped band plate shows at x - shift.
			c.g.Homography = mul3(c.g.Homography, [9]float64{1, 0, -float64(bx) * l.fc, 0, 1, -float64(by) * l.fc, 0, 0, 1})
		}
	})
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	var starts []Geometry
	most, about := startsKept, startsAbout
	if o.Rough {
		most, about = roughStarts, 0
	}
	for _, mirror := range mirrors {
		sorted := list.Where(cands, func(c start) bool { return c.g.Mirror == mirror })
		sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].score > sorted[j].score })
		var kept []start
		for _, c := range sorted {
			if !slices.ContainsFunc(kept, func(k start) bool {
				return max(k.rot-c.rot, c.rot-k.rot, k.s-c.s, c.s-k.s) <= 1 && rms(k.g, c.g, samePlaces) < samePlace*l.fb
			}) {
				kept = append(kept, c)
				starts = append(starts, c.g)
			}
			if len(kept) == most {
				break
			}
		}
		// And about the best: a costume that is partly black pulls the correlation to one side.
		for k := range about {
			sin, cos := math.Sincos(float64(k) * 2 * math.Pi / float64(about))
			g := kept[0].g
			d := beside * l.fc
			g.Homography = mul3(g.Homography, [9]float64{1, 0, d * cos, 0, 1, d * sin, 0, 0, 1})
			starts = append(starts, g)
		}
	}
	return starts, nil
}

// steps returns how many steps of at most the size given reach from 0 to most; none where one in
// the middle does.
func steps(most, size float64) int {
	if most <= size/2 {
		return 0
	}
	return int(math.Ceil(most / size))
}

// A sight is what the search sees of the performer.
type sight struct {
	*level
	frames []int   // those with a performer before a lit screen
	reach  float64 // how far from their middle, in pixels, most of what hides the screen lies, over all frames
}

// look returns the coarsest level that holds the performer.
func (s *stack) look() (sight, error) {
	const (
		// Pixels of the performer in a frame, on average, to tell a shape by; chosen by hand.
		enough = 100
		finer  = 2 // levels that the search may go down: each takes four times as long
		// Times the root of the mean square from the middle: that of an even disk is 1.4.
		rim = 1.5
	)
	var v sight
	top := len(s.levels) - 1
	for k := top; k >= max(0, top-finer); k-- {
		frames, pixels := s.levels[k].populated()
		if len(frames) > 0 {
			v.level, v.frames = s.levels[k], frames
			if pixels >= enough*len(frames) {
				break
			}
		}
	}
	if v.level == nil {
		return v, fmt.Errorf("align: %w: in none of the %d pairs is a lit performer before a bright screen (%s)", ErrNoSilhouettes, len(s.levels[0].frames), s.seen())
	}
	// Correlation takes noise and multiplicity well: a few frames, spread over the take, do.
	const most = 5 // frames; bounds the work, chosen by hand
	if n := len(v.frames); n > most {
		frames := v.frames
		v.frames = list.By(most, func(i int) int { return frames[i*(n-1)/(most-1)] })
	}
	var n, x, y, xx float64
	for _, f := range v.frames {
		for i, a := range v.level.frames[f].alpha {
			if a > hides && !v.off(i) {
				px, py := float64(i%v.bw), float64(i/v.bw)
				n, x, y, xx = n+1, x+px, y+py, xx+px*px+py*py
			}
		}
	}
	v.reach = rim*math.Sqrt(math.Max(0, xx/n-(x*x+y*y)/(n*n))) + 1
	return v, nil
}

// seen says in words what is in the plates.
func (s *stack) seen() string {
	l := s.levels[len(s.levels)-1]
	hidden, lit := 0.0, 0.0
	for i := range l.frames {
		n, within := 0.0, 0.0
		for k, a := range l.frames[i].alpha {
			if !l.off(k) {
				within++
				if a > hides {
					n++
				}
			}
		}
		hidden = math.Max(hidden, n/math.Max(within, 1))
		p := l.presence(i)
		lit = math.Max(lit, float64(list.Count(p, lights))/float64(len(p)))
	}
	return fmt.Sprintf("the screen is seen in %.0f %% of the band plate; up to %.1f %% of it are hidden, and up to %.1f %% of the color plate are lit", 100*s.screen.part, 100*hidden, 100*lit)
}

// bases returns what the search starts from: the frames stretched over each other and, where their
// shapes differ, also scaled alike by width and by height.
func (s *stack) bases() []Geometry {
	g := NewGeometry(s.colorW, s.colorH, s.bandW, s.bandH)
	list := []Geometry{g}
	sx, sy := g.Homography[0], g.Homography[4]
	if math.Abs(sx/sy-1) > shapeDiffers {
		for _, k := range []float64{sx, sy} {
			g.Homography = [9]float64{k, 0, float64(s.bandW-1)/2 - k*g.Center[0], 0, k, float64(s.bandH-1)/2 - k*g.Center[1], 0, 0, 1}
			list = append(list, g)
		}
	}
	return list
}

// shapeDiffers is the difference in aspect from which the frames' shapes count as different: above
// what rounding to whole pixels does. Chosen by hand.
const shapeDiffers = 0.02

// hides is the alpha, and the presence in the color plate, from which a pixel counts as the
// performer's, and open the alpha below which it counts as screen. Chosen by hand; not measured by
// itself.
const (
	hides = 0.35
	open  = 0.25
)

func lights(v float64) bool { return v > hides }

// populated returns the frames in which something lit stands before a screen, and how many pixels
// of the band plates it hides in them.
func (l *level) populated() (found []int, pixels int) {
	const (
		least = 8   // pixels that something has; chosen by hand
		sure  = 4   // standard deviations of noise above which alpha is not noise; common practice
		some  = 100 // one pixel in so many must be screen; chosen by hand
	)
	seen := make([]int, len(l.frames)) // pixels, or 0
	parallel.Each(len(seen), func(i int) {
		f := &l.frames[i]
		if f.alphaNoise > uselessNoise {
			return
		}
		on, off := 0, 0
		solid := float32(math.Max(hides, sure*f.alphaNoise))
		for k, a := range f.alpha {
			switch {
			case l.off(k):
			case a > solid:
				on++
			case a < open:
				off++
			}
		}
		lit := list.Count(l.presence(i), lights)
		if on >= least && off*some > len(f.alpha) && lit >= least {
			seen[i] = on
		}
	})
	for i, n := range seen {
		if n > 0 {
			found = append(found, i)
			pixels += n
		}
	}
	return found, pixels
}

// presence returns how certainly each pixel of a color plate is not black, 0 to 1.
func (l *level) presence(frame int) []float64 {
	// What is present by a half: light in parts of the highlight, and that in standard deviations
	// of noise. Chosen by hand.
	const (
		halfLight = 0.1
		halfNoise = 6

		most = 1 << 20 // pixels that the dark level is taken from: all of a usual level
	)
	p := make([]float64, l.w*l.h)
	f := &l.frames[frame]
	floor := halfLight
	for c, pix := range f.color {
		dark, noise := float64(robust.Quantile(sampled(pix, most), darkQuantile)), f.colorNoise[c]
		if noise > uselessNoise {
			continue // nothing but noise in this channel
		}
		floor = math.Max(floor, halfNoise*noise)
		for i, v := range pix {
			p[i] += math.Max(0, float64(v)-dark) / 3
		}
	}
	for i, v := range p {
		p[i] = v / (v + floor)
	}
	return p
}

// warped returns the alpha of frames' band plates in the color plate's frame by bilinear
// interpolation, and where they show the screen: 1 there, and 0 elsewhere.
func (l *level) warped(frames []int, g Geometry) (alpha [][]float64, mask []float64) {
	alpha, mask = list.Rows[float64](len(frames), l.w*l.h), make([]float64, l.w*l.h)
	for y := range l.h {
		for x := range l.w {
			bx, by := l.place(&g, float64(x), float64(y))
			if !(bx >= 0 && by >= 0 && bx < float64(l.bw-1) && by < float64(l.bh-1)) {
				continue
			}
			ix, iy := int(bx), int(by)
			u, v := bx-float64(ix), by-float64(iy)
			o := iy*l.bw + ix
			if l.off(o) || l.off(o+1) || l.off(o+l.bw) || l.off(o+l.bw+1) {
				continue
			}
			mask[y*l.w+x] = 1
			for i, f := range frames {
				a := l.frames[f].alpha
				top := float64(a[o])*(1-u) + float64(a[o+1])*u
				low := float64(a[o+l.bw])*(1-u) + float64(a[o+l.bw+1])*u
				alpha[i][y*l.w+x] = math.Max(0, math.Min(top*(1-v)+low*v, 1))
			}
		}
	}
	return alpha, mask
}

// place is Geometry.Map between pixels of the level.
func (l *level) place(g *Geometry, x, y float64) (bx, by float64) {
	bx, by = g.Map((x+0.5)*l.fc-0.5, (y+0.5)*l.fc-0.5)
	return (bx+0.5)/l.fb - 0.5, (by+0.5)/l.fb - 0.5
}

// places are where the level's color pixels lie in its band plates: exactly at the corners of
// squares of placeSide pixels, and straight between them. A lens with a hundredth of distortion
// bends by less than a thousandth of a pixel over one.
type places struct {
	across int
	at     [][2]float64
}

const placeSide = 8

func (l *level) places(g *Geometry) *places {
	across, down := l.w/placeSide+2, l.h/placeSide+2
	p := &places{across, make([][2]float64, across*down)}
	parallel.Parts(down, func(from, to int) {
		for i := from * across; i < to*across; i++ {
			p.at[i][0], p.at[i][1] = l.place(g, float64(i%across*placeSide), float64(i/across*placeSide))
		}
	})
	return p
}

// of returns where the pixel (x, y) lies.
func (p *places) of(x, y int) (bx, by float64) {
	i := y/placeSide*p.across + x/placeSide
	u, v := float64(x%placeSide)/placeSide, float64(y%placeSide)/placeSide
	a, b, c, d := &p.at[i], &p.at[i+1], &p.at[i+p.across], &p.at[i+p.across+1]
	top, bottom := a[0]+u*(b[0]-a[0]), c[0]+u*(d[0]-c[0])
	left, right := a[1]+u*(b[1]-a[1]), c[1]+u*(d[1]-c[1])
	return top + v*(bottom-top), left + v*(right-left)
}

// jacobian returns the derivatives of place by x and by y.
func (l *level) jacobian(g *Geometry, x, y float64) (byX, byY [2]float64) {
	return jacobian(func(x, y float64) (float64, float64) { return l.place(g, x, y) }, x, y)
}

// removeMean takes from each picture the mean of all where mask is 1, and returns how many pixels
// that is and the sum of the squares of what is left. Where mask is 0 the pictures stay 0.
func removeMean(pictures [][]float64, mask []float64) (n, energy float64) {
	mean := 0.0
	for _, m := range mask {
		n += m
	}
	for _, p := range pictures {
		for _, v := range p {
			mean += v
		}
	}
	mean /= math.Max(n, 1) * float64(len(pictures))
	for _, p := range pictures {
		for i, m := range mask {
			p[i] -= m * mean
			energy += p[i] * p[i]
		}
	}
	return n, energy
}

// put adds a picture of width w to a larger one of width fw, times the factor.
func put(to []complex128, fw int, v []float64, w int, factor complex128) {
	for y := range len(v) / w {
		to := to[y*fw : y*fw+w]
		for x, v := range v[y*w : (y+1)*w] {
			to[x] += scaled(factor, v)
		}
	}
}

// fastSize returns the least number from n on with no prime factor over 5.
func fastSize(n int) int {
	for ; ; n++ {
		m := n
		for _, p := range []int{2, 3, 5} {
			for m%p == 0 {
				m /= p
			}
		}
		if m == 1 {
			return n
		}
	}
}
