package take

import (
	"cmp"
	"context"
	"fmt"
	"image"
	"math"
	"strings"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/patches"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
)

// Plates that are not what they are called give a picture all the same, and a wrong one. What
// follows looks for them in what Prepare has read anyway, reduced to means over squares, in which
// noise, grain and hair hardly count. All of it is meant to keep quiet on sound plates: it speaks
// of what the capture model has no room for.

// coarseAcross is how many squares the width of a frame is reduced to: enough to see a performer,
// and squares of more than thirty pixels from 640 on, over which noise of 1 % falls below 0.2 %.
const coarseAcross = 96

// fineAcross is the same where somebody small is looked for in the clean band plate, by a limit
// that noise is far below: squares of 5 pixels at 1920.
const fineAcross = 384

// A coarse plate is a plate as means over squares of pixels: one plane, or red, green and blue.
type coarse struct {
	w, h   int
	planes [][]float32
}

// newCoarse reduces planes of size pixels to so many squares across. What is left over at the right
// and at the bottom is not looked at.
func newCoarse(size image.Point, across int, planes ...[]float32) *coarse {
	side := max(size.X/across, 1)
	c := &coarse{w: size.X / side, h: max(size.Y/side, 1), planes: list.Rows[float32](len(planes), size.X/side*max(size.Y/side, 1))}
	rows := min(side, size.Y)
	parallel.Parts(c.h, func(from, to int) {
		columns, ones := make([]float32, size.X), make([]float32, size.X)
		for x := range ones {
			ones[x] = 1
		}
		for by := from; by < to; by++ {
			for k, pix := range planes {
				clear(columns)
				for y := by * rows; y < (by+1)*rows; y++ {
					kernel.Held(columns, columns, ones, pix[y*size.X:(y+1)*size.X])
				}
				squares := c.planes[k][by*c.w : (by+1)*c.w]
				for bx := range squares {
					var sum float32
					for _, v := range columns[bx*side : (bx+1)*side] {
						sum += v
					}
					squares[bx] = sum / float32(side*rows)
				}
			}
		}
	})
	return c
}

func coarseRGB(f *plate.RGB) *coarse {
	if f == nil {
		return nil
	}
	return newCoarse(f.Size(), coarseAcross, f.Pix[:]...)
}

func coarseGray(f *plate.Gray) *coarse { return grayAcross(f, coarseAcross) }

func grayAcross(f *plate.Gray, across int) *coarse {
	if f == nil {
		return nil
	}
	return newCoarse(f.Size(), across, f.Pix)
}

// less returns the difference c - dark. Both may be nil.
func (c *coarse) less(dark *coarse) *coarse {
	if dark == nil || c == nil {
		return c
	}
	out := &coarse{w: c.w, h: c.h}
	for k, p := range c.planes {
		d := make([]float32, len(p))
		for i, v := range p {
			d[i] = v - dark.planes[k][i]
		}
		out.planes = append(out.planes, d)
	}
	return out
}

// level returns the value that the part q of the squares does not exceed, in the plane where that
// is largest.
func (c *coarse) level(q float64) float64 {
	most := math.Inf(-1)
	for _, p := range c.planes {
		most = max(most, float64(percentile(p, q)))
	}
	return most
}

// inner returns the squares for which is reports true, and for all eight around them too: what is
// narrower than three squares, as edges are that do not quite fit, is left out.
func (c *coarse) inner(is func(i int) bool) []bool {
	marked, inner := make([]bool, c.w*c.h), make([]bool, c.w*c.h)
	for i := range marked {
		marked[i] = is(i)
	}
	for y := 1; y < c.h-1; y++ {
	square:
		for x := 1; x < c.w-1; x++ {
			for dy := -1; dy <= 1; dy++ {
				for dx := -1; dx <= 1; dx++ {
					if !marked[(y+dy)*c.w+x+dx] {
						continue square
					}
				}
			}
			inner[y*c.w+x] = true
		}
	}
	return inner
}

// solid returns which part of the frame the inner squares are for which is reports true, and the
// middle of them in parts of the width and the height.
func (c *coarse) solid(is func(i int) bool) (part float64, at [2]float64) {
	n := 0.0
	for i, in := range c.inner(is) {
		if in {
			n++
			at[0] += (float64(i%c.w) + 0.5) / float64(c.w)
			at[1] += (float64(i/c.w) + 0.5) / float64(c.h)
		}
	}
	if n > 0 {
		at[0] /= n
		at[1] /= n
	}
	return n / float64(c.w*c.h), at
}

// Limits of what sound plates do. They are common practice, and held against takes with and without
// faults of the cameras, of which none is suspected.
const (
	oneChroma   = 0.03 // spread of the chromaticity of what one line lights, with noise and fringes of a color sensor in it
	manyChromas = 0.05 // and of a performer's colors, at the least
	smoothStep  = 0.03 // how much squares of a lit screen that touch each other differ
	roughStep   = 0.06 // and those of a performer, where colors do not tell
	roughLight  = 0.02 // of full scale: what is darker may be rough by noise alone

	darkSlack   = 0.004  // how far a frame's darkest squares may be below the dark plate: what codecs and 8 bits do there
	darkPart    = 0.01   // and the same in parts of the plates' brightest
	exchangedBy = 0.001  // of full scale: a clean plate is nowhere darker than the dark one by more, noise being means over squares
	gainLimit   = 2.0    // one stop: lamps do not drift or beat by more between a clean plate and a take
	otherGain   = 8.0    // three stops: what one of another camera or kind does
	brighter    = 1.5    // how much brighter than the clean plate no square is but where something stood in it
	shapeLimit  = 1.1    // the same where a lamp was turned or failed; sound takes stay below 1.06
	solidPart   = 0.0005 // of the frame: three squares of 96 by 54, besides those around them; sound takes have none
	finePart    = 0.0001 // likewise, by smaller squares: eight of 384 by 216
	shapePart   = 0.01   // likewise, for the shape
	dimPart     = 0.05   // likewise, where the screen is darker: a soft shadow may be that, and is small
	evenScreen  = 0.06   // the median deviation of the gain over the open screen, in parts of it: noise and what is left of a veil
	anyScreen   = 0.3    // the same from which on it is no open screen at all
	colorFloor  = 0.004  // light in the open screen of a color plate, below which a ratio means nothing
	// By how much a clean color plate may be brighter than open screen is, besides colorPart of it.
	colorSlack = 0.02
	colorPart  = 0.3

	leastBright = 0.05 // of the frame, in a color plate that is a lit screen
	leastBand   = 0.01 // likewise, in a band plate that is a performer
	rougher     = 4    // times the step of the one plate that the other's must have
	// Of the band plate's light, from which the clean color plate is the lit screen.
	whiter     = 0.25
	litScreen  = 0.3  // of a band plate's brightest, below which a square may not be screen
	openMost   = 0.03 // from 1, of the transmission of open screen
	halfLeast  = 0.3  // transmission of a screen that is half covered
	brightPart = 0.25 // of a plate's brightest, above which a square is bright
	openFrom   = 0.7  // of the brightest quotient, above which a square is open screen
	leastOpen  = 200  // one square in so many must be
	// Times the open screen's light, up to which a square has no light of its own.
	dimSlack = 1.1
)

// Quantiles of the squares of a plate, which leave out what glints, what is broken and what noise
// does.
const (
	brightest    = 0.99
	screenBright = 0.95 // of a lit screen, more of which is alike
	ratioBright  = 0.98 // of quotients
	openBright   = 0.9  // of the open screen in a color plate
	darkestPart  = 0.01
	outermost    = 0.9    // of distances from a median
	untouched    = 1. / 3 // of steps, as step states it
)

// exchanged is the error for plates that are the other camera's.
func (t *Take) exchanged(band string) error {
	c, b := t.recipe.Color, t.recipe.Band
	return fmt.Errorf("the plates are exchanged: %s, given as --color, is a lit screen in its one color, and %s, given as --band, %s: give --color %s --band %s", c, b, band, b, c)
}

// swapped returns an error where the color plate is the band camera's and the reverse. A lit screen
// is smooth and has the one color of its line; a performer has several, or at least is not smooth.
// Where the plates do not differ in that, there is none.
func (t *Take) swapped(color, band *coarse, p FilePair) error {
	if color.chroma() > oneChroma || color.step() > smoothStep || color.bright() < leastBright {
		return nil
	}
	if t.weights != nil { // the band plate has color
		if f, err := t.readRGB(nil, p.Band, t.bandCurve, t.primaries); err == nil && coarseRGB(f).chroma() > manyChromas {
			return t.exchanged("has many")
		}
	}
	if band.step() > max(roughStep, rougher*color.step()) && band.bright() > leastBand && band.level(brightest) > roughLight {
		return t.exchanged("is not smooth anywhere")
	}
	return nil
}

// A suspect is a take's reference plates, reduced, and what is said of them.
type suspect struct {
	t                     *Take
	darkColor, cleanColor *coarse // as shot; nil where there is none
	darkBand, cleanBand   *coarse
	said                  []string
}

func (s *suspect) say(format string, args ...any) {
	s.said = append(s.said, fmt.Sprintf(format, args...))
}

// A glance is what is kept of a frame.
type glance struct {
	pair                  FilePair
	color, band, fine     *coarse // fine: the band plate again, where there is a clean one to hold it against
	colorGrain, bandGrain []grain // of green, and of the band
}

func (t *Take) newGlance(p FilePair, color *plate.RGB, band *plate.Gray) glance {
	g := glance{pair: p, color: coarseRGB(color), band: coarseGray(band)}
	if t.recipe.CleanBand != "" {
		g.fine = grayAcross(band, fineAcross)
	}
	parallel.Do(
		func() { g.colorGrain = grains(color.Pix[1], color.W, color.H) },
		func() { g.bandGrain = grains(band.Pix, band.W, band.H) },
	)
	return g
}

// suspect looks at the plates of each camera by itself, in its own frame. The band camera's dark
// and clean plates, either of which may be nil, are in the frame that its plates are in. The error
// says that the cameras are exchanged.
func (t *Take) suspect(seen []glance, darkBand, cleanBand *plate.Gray) ([]string, error) {
	s := &suspect{t: t, darkColor: coarseRGB(t.darkColor), cleanColor: coarseRGB(t.cleanColor), darkBand: coarseGray(darkBand), cleanBand: coarseGray(cleanBand)}
	var colors, bands, fine []*coarse
	var exchanged []error
	for _, g := range seen {
		if err := t.swapped(g.color, g.band, g.pair); err != nil {
			exchanged = append(exchanged, err)
		}
		colors, bands, fine = append(colors, g.color), append(bands, g.band), append(fine, g.fine)
	}
	if 2*len(exchanged) > len(seen) { // one frame may have a card before the lens
		return nil, exchanged[0]
	}
	if s.curves(seen) {
		return s.said, nil // all other levels follow from that
	}
	r := &t.recipe
	s.dark("color", r.DarkColor, r.CleanColor, s.darkColor, s.cleanColor, colors)
	if !s.dark("band", r.DarkBand, r.CleanBand, s.darkBand, s.cleanBand, bands) {
		s.screen(bands, fine, grayAcross(darkBand, fineAcross), grayAcross(cleanBand, fineAcross))
	}
	return s.said, nil
}

// dark looks at a camera's dark plate, and reports whether it is none.
func (s *suspect) dark(camera, path, clean string, dark, cleanPlate *coarse, frames []*coarse) bool {
	if dark == nil {
		return false
	}
	if path == clean {
		s.say("%s is given both as --dark-%s and as --clean-%[2]s: the dark plate is shot with the lens capped, or with all lamps off, and the clean one with the screen lit", path, camera)
		return true
	}
	if cleanPlate != nil && percentile(cleanPlate.less(dark).sum(), screenBright) < -exchangedBy {
		s.say("%s (--dark-%s) is brighter than %s (--clean-%s): exchange the two, or shoot the dark plate with the take's settings and the lens capped", path, camera, clean, camera)
		return true
	}
	bright, below := 0.0, 0.0
	for _, f := range frames {
		bright = max(bright, f.level(brightest))
		below = max(below, f.below(dark))
	}
	if below > max(darkSlack, darkPart*bright) {
		s.say("%s (--dark-%s) is brighter than the take's plates are in their dark parts, by %.1f %% of full scale: light reached it, or it was shot with another gain or setting, or is the other camera's, or the files are read by another curve than they were written with (--%[2]s-curve); shoot it with the take's settings and the lens capped", path, camera, 100*below)
		return true
	}
	return false
}

// below returns how far the darkest of a hundred squares is below the dark plate.
func (c *coarse) below(dark *coarse) float64 {
	most := 0.0
	for _, p := range c.less(dark).planes {
		most = max(most, -float64(percentile(p, darkestPart)))
	}
	return most
}

// screen holds the clean band plate against the take's band plates, which fine has by smaller
// squares, as it has the dark and the clean plate.
func (s *suspect) screen(frames, fine []*coarse, fineDark, fineClean *coarse) {
	if s.cleanBand == nil {
		return
	}
	r := &s.t.recipe
	clean := s.cleanBand.less(s.darkBand)
	fineClean = fineClean.less(fineDark)
	bright := 0.0
	for _, f := range frames {
		bright = max(bright, f.less(s.darkBand).level(screenBright))
	}
	if level := max(clean.level(screenBright), 0); bright > otherGain*level {
		what := "it may be a dark plate, or the color camera's"
		if s.cleanColor != nil && s.cleanColor.less(s.darkColor).level(screenBright) > whiter*bright {
			what = fmt.Sprintf("exchange it with %s (--clean-color)", r.CleanColor)
		}
		s.say("%s (--clean-band) shows no lit screen, %.1f %% of full scale where the take's band plates have %.0f %%: %s", r.CleanBand, 100*level, 100*bright, what)
		return
	}
	var in, uneven float64
	var at [2]float64
	least, most := math.Inf(1), 0.0
	for k, f := range frames {
		f = f.less(s.darkBand)
		g, spread := clean.gain(f)
		if spread > anyScreen {
			continue
		}
		if spread < evenScreen {
			least, most = min(least, g), max(most, g)
		}
		bright := litScreen * float32(f.level(brightest))
		over := func(f, clean *coarse, limit float64) (float64, [2]float64) {
			return f.solid(func(i int) bool {
				v := f.planes[0][i]
				return v > bright && float64(v) > limit*g*float64(clean.planes[0][i])
			})
		}
		if part, where := over(fine[k].less(fineDark), fineClean, brighter); part > in {
			in, at = part, where
		}
		part, _ := over(f, clean, shapeLimit)
		uneven = max(uneven, part)
	}
	switch {
	case least > gainLimit && most > 0 || most < 1/gainLimit && most > 0:
		s.say("the screen in the take's band plates is %.2f times as bright as in %s (--clean-band): it was shot with another iris, shutter, gain or filter, or with other lamps; shoot it with the take's settings, or leave it out", (least+most)/2, r.CleanBand)
	case in > finePart:
		s.say("%s (--clean-band) is dark in a part of the frame, around %.0f %% of the width and %.0f %% of the height, where the take's band plates show the lit screen: somebody stands in it, or it was framed otherwise; shoot it with nobody there and the cameras as in the take, or leave it out", r.CleanBand, 100*at[0], 100*at[1])
	case uneven > shapePart:
		s.say("%s", unevenly(r.CleanBand, uneven, "brighter"))
	}
}

func unevenly(path string, part float64, how string) string {
	return fmt.Sprintf("the screen in %s (--clean-band) is lit otherwise than in the take: %.0f %% of the frame is screen that is over %.0f %% %s than it says; shoot it with the lamps as in the take, or leave it out", path, 100*part, 100*(shapeLimit-1), how)
}

// dim returns the part of the frame in which the screen is darker than it should be, by the
// transmission, the color plate has no more light than in the open screen, and the darkness fades
// into that: what stands before the screen, as a black scrim does, ends at once.
func (c *coarse) dim(transmission func(i int) float64) (part float64) {
	// From an inner square, beyond its own neighbor and the one in which a thing's edge lies: light
	// that goes from 1/shapeLimit to openMost over so many squares turns within a fiftieth of the
	// frame's width, as no lamp's does without a flag close to the screen.
	const beyond = 3
	var limit [3]float32
	for k, p := range c.planes {
		var level []float32
		for i, v := range p {
			if isOpen(transmission(i)) {
				level = append(level, v)
			}
		}
		if len(level) == 0 {
			return 0
		}
		limit[k] = dimSlack*percentile(level, openBright) + colorFloor/4
	}
	inner := c.inner(func(i int) bool {
		for k, p := range c.planes {
			if p[i] > limit[k] {
				return false
			}
		}
		u := transmission(i)
		return u > halfLeast && u < 1/shapeLimit
	})
	of, sizes := patches.Find(c.w, c.h, func(i, from int) bool { return inner[i] })
	ends := make([]int, len(sizes)) // how many more of a patch's borders end than fade
	for i, n := range of {
		if n == 0 {
			continue
		}
		for _, d := range [4][2]int{{-beyond, 0}, {beyond, 0}, {0, -beyond}, {0, beyond}} {
			x, y := i%c.w+d[0], i/c.w+d[1]
			if x < 0 || y < 0 || x >= c.w || y >= c.h || of[y*c.w+x] == n {
				continue
			}
			switch u := transmission(y*c.w + x); {
			case isOpen(u):
				ends[n]++
			case u > 1/shapeLimit && u < 1:
				ends[n]--
			}
		}
	}
	for n, size := range sizes {
		if ends[n] <= 0 {
			part += float64(size) / float64(c.w*c.h)
		}
	}
	return part
}

// isOpen reports whether a transmission is that of open screen.
func isOpen(transmission float64) bool { return math.Abs(transmission-1) < openMost }

// gain returns how bright the open screen of a band plate is over the clean one, and its median
// deviation over the screen in parts of it; 1 where none is open.
func (c *coarse) gain(f *coarse) (g, spread float64) {
	floor := brightPart * float32(c.level(screenBright))
	if floor <= 0 {
		return 0, 1
	}
	var ratios []float32
	for i, v := range c.planes[0] {
		if v > floor {
			ratios = append(ratios, f.planes[0][i]/v)
		}
	}
	if len(ratios) == 0 {
		return 0, 1
	}
	top := openFrom * percentile(ratios, ratioBright)
	open := list.Where(ratios, func(v float32) bool { return v > top })
	if top <= 0 || len(open) < len(c.planes[0])/leastOpen {
		return 0, 1
	}
	middle := percentile(open, 0.5)
	return float64(middle), float64(deviation(open, middle, 0.5) / middle)
}

// deviation returns the distance from middle that the part q of v does not exceed.
func deviation(v []float32, middle float32, q float64) float32 {
	return percentile(list.Of(v, func(x float32) float32 { return float32(math.Abs(float64(x - middle))) }), q)
}

// suspectColor looks at both cameras' plates together: it holds the clean color plate against the
// color plates in the open screen, and finds where the color plate shows nothing but screen and the
// band plate a darker one. The frames have their band plate in the color plate's
// frame, as the references have.
func (t *Take) suspectColor(frames []matte.Sample, ref matte.References) []string {
	if ref.CleanBand == nil || t.cleanBand == nil && t.cleanColor == nil {
		return nil
	}
	s := &suspect{t: t}
	darkBand, darkColor := coarseGray(ref.DarkBand), coarseRGB(t.darkColor)
	screen, clean := coarseGray(ref.CleanBand).less(darkBand), coarseRGB(t.cleanColor).less(darkColor)
	clean = cmp.Or(clean, &coarse{})
	var in, dim float64
	var at [2]float64
	var seen, there [3][]float32 // the open screen's light in the color plates, as of a gain of 1, and in the clean one
	for _, f := range frames {
		band, color := coarseGray(f.Band).less(darkBand), coarseRGB(f.Color).less(darkColor)
		g, spread := screen.gain(band)
		if spread > anyScreen {
			continue
		}
		transmission := func(i int) float64 { return float64(band.planes[0][i]) / (g * float64(screen.planes[0][i])) }
		if t.cleanBand != nil {
			dim = max(dim, color.dim(transmission))
		}
		part, where := color.solid(func(i int) bool {
			if !isOpen(transmission(i)) {
				return false
			}
			for c, k := range clean.planes {
				if k[i]-color.planes[c][i]/float32(g) > colorSlack+colorPart*k[i] {
					return true
				}
			}
			return false
		})
		if part > in {
			in, at = part, where
		}
		for i := range band.planes[0] {
			if !isOpen(transmission(i)) {
				continue
			}
			for c, k := range clean.planes {
				seen[c], there[c] = append(seen[c], color.planes[c][i]/float32(g)), append(there[c], k[i])
			}
		}
	}
	if dim > dimPart {
		s.say("%s", unevenly(t.recipe.CleanBand, dim, "darker"))
	}
	if len(seen[0]) == 0 {
		return s.said
	}
	path := t.recipe.CleanColor
	for c := range seen {
		v, k := float64(percentile(seen[c], 0.5)), float64(percentile(there[c], 0.5))
		if max(v, k) > colorFloor && (v > gainLimit*max(k, 0) || k > gainLimit*max(v, 0)) {
			s.say("the open screen has %.2f %% of full scale in the take's color plates and %.2f %% in %s (--clean-color), in %s: it was shot with another iris, shutter or gain, or is a dark plate or the other camera's; shoot it with the take's settings and the screen lit, or leave it out", 100*v, 100*k, path, [3]string{"red", "green", "blue"}[c])
			return s.said
		}
	}
	if in > solidPart {
		s.say("%s (--clean-color) is bright in a part of the frame, around %.0f %% of the width and %.0f %% of the height, where the take's color plates show the dark screen: somebody stands in it, or it was framed otherwise; shoot it with nobody there and the cameras as in the take, or leave it out", path, 100*at[0], 100*at[1])
	}
	return s.said
}

// bright returns which part of the frame is brighter than a quarter of its brightest.
func (c *coarse) bright() float64 {
	sum := c.sum()
	limit := brightPart * percentile(sum, brightest)
	return float64(list.Count(sum, func(v float32) bool { return v > limit })) / float64(len(sum))
}

// sum returns the planes' sum.
func (c *coarse) sum() []float32 {
	out := make([]float32, c.w*c.h)
	for _, p := range c.planes {
		for i, v := range p {
			out[i] += v
		}
	}
	return out
}

// step returns how much bright squares that touch each other along a row differ, in parts of their
// light: the value that a third of them stays below, so that an outline does not count.
func (c *coarse) step() float64 {
	sum := c.sum()
	limit := brightPart * percentile(sum, brightest)
	var steps []float32
	for i := 1; i < len(sum); i++ {
		if a, b := sum[i-1], sum[i]; i%c.w > 0 && min(a, b) > limit {
			steps = append(steps, float32(math.Abs(float64(2*(a-b)/(a+b)))))
		}
	}
	if len(steps) == 0 {
		return 0
	}
	return float64(percentile(steps, untouched))
}

// chroma returns how far the colors of the bright squares spread: a tenth of them is farther from
// the median chromaticity than that, in parts of the sum of red, green and blue.
func (c *coarse) chroma() float64 {
	sum := c.sum()
	limit := brightPart * percentile(sum, brightest)
	var parts [3][]float32
	for i, v := range sum {
		if v > limit {
			for k, p := range c.planes {
				parts[k] = append(parts[k], p[i]/v)
			}
		}
	}
	spread := 0.0
	for _, p := range parts[:len(c.planes)] {
		if len(p) == 0 {
			return 0
		}
		spread = max(spread, float64(deviation(p, percentile(p, 0.5), outermost)))
	}
	return spread
}

// suspected adds to an error what may be its cause.
func suspected(err error, suspicions []string) error {
	if err == nil || len(suspicions) == 0 {
		return err
	}
	return fmt.Errorf("%w; %s", err, strings.Join(suspicions, "; "))
}

// suspect completes what Register has looked at by what needs the geometry, and does all of it
// where that was given. It returns what it found, which is among the warnings.
func (j *preparation) suspect(ctx context.Context, ref matte.References) error {
	t := j.take
	frames := j.frames
	if frames == nil {
		var err error
		if frames, err = j.sample(ctx, 1); err != nil {
			return ctx.Err() // a frame that cannot be read fails in its turn
		}
	}
	if j.Estimate == nil {
		var seen []glance
		for k, p := range j.sampled {
			seen = append(seen, t.newGlance(p, frames[k].Color, frames[k].Band))
		}
		clean := ref.CleanBand
		if t.cleanBand == nil { // it is from the take itself
			clean = nil
		}
		var err error
		if j.Suspicions, err = t.suspect(seen, ref.DarkBand, clean); err != nil {
			return err
		}
		j.Warnings = append(j.Warnings, j.Suspicions...)
	}
	if len(j.Suspicions) == 0 { // else what follows from them would be told as well
		j.Suspicions = t.suspectColor(frames, ref)
		j.Warnings = append(j.Warnings, j.Suspicions...)
	}
	return nil
}
