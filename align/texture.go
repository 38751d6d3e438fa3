package align

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sort"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
)

// Where the performer is solid the band plate still shows them, faintly: set light leaks into it,
// so that it holds m . C, the costume's own texture at about a hundredth of its contrast. That
// picture is free of what light does at edges. A patch of it is fitted as
//
//	band(W + e) = k + kx x + ky y + m . color
//
// with the displacement e of the band plate's place as the unknown, and a pedestal and slopes of
// the patch's own, which take up spill, glare and a wrong dark level. Reflectance at one wavelength
// is no linear mix of red, green and blue, so each patch has an m of its own, drawn to that of the
// take by a prior.

// Texture is what the costume's own texture said about a geometry. Set light leaks into the band
// plate, which shows the costume faintly where the performer is solid; there no light from the side
// and no soft edge can mislead. The zero value means that the plates have no such texture: the
// performer is plain, or the leak too small.
type Texture struct {
	// Patches is how many windows of it were used.
	Patches int `json:"patches"`

	// Bias is how far the performer's edges alone would have moved the geometry at the edges, along
	// x and y in band pixels, from where it is with the texture: what light from one side does.
	Bias [2]float64 `json:"bias"`

	// Sigma is the expected error of Bias: that of the geometry at the edges.
	Sigma float64 `json:"sigma"`

	// Doubt is by how much the edges' stated error had to grow for edges and texture to agree: 1
	// where they do.
	Doubt float64 `json:"doubt"`
}

// Words says in plain words what the texture did; it is empty where it had nothing to say.
func (t Texture) Words() string {
	if t.Patches == 0 {
		return ""
	}
	const shows = 0.03 // pixels; less does not show in a matte
	out := fmt.Sprintf("the costume's texture, seen through the crosstalk, was used in %d places", t.Patches)
	if x, y := t.Bias[0], t.Bias[1]; math.Hypot(x, y) > math.Max(2*t.Sigma, shows) {
		out += fmt.Sprintf("; the performer's edges alone lie %.2f px off it (%+.2f, %+.2f), as light from one side makes them: the geometry follows the texture", math.Hypot(x, y), x, y)
	}
	return out
}

// A patch is a window of a color plate inside the performer's core.
type patch = tile

const (
	// patchesAcross is how many patches fit side by side in a frame: small enough to lie inside an
	// arm, large enough to tell the three parts of m from a displacement.
	patchesAcross = 60
	leastPatch    = 12 // pixels a side
	largestPatch  = 40 // pixels a side; bounds the memory of a sampler

	// coreLight is the light in the band plate, of the screen's, above which a place may be a
	// little transparent: set light on a white costume reaches a third of it in a dim screen.
	coreLight = 0.35

	// coreMargin is how far a patch stays away from such places, in pixels of the level: the lens's
	// blur, the smoothing and an error of the coarse geometry reach some 4.
	coreMargin = 6

	// mostPatches bounds the work, over all frames; those with the strongest texture are kept.
	mostPatches = 2500

	// plentyPatches is how many patches are looked for before smaller ones are taken, which lie
	// closer to the core's edge and in narrower parts, and tell less each.
	plentyPatches = 200

	// leastPatches is the least number of patches that say something.
	leastPatches = 12

	// sharedMix is by what part a channel's products are raised in the equations for m, so that
	// channels that are the same, as of a gray costume, share m alike: far below any noise.
	sharedMix = 1e-6

	// ownMix is the standard deviation of a patch's m about the take's, as a part of the take's
	// largest: dyes differ at 589 nm by about as much as they do between the camera's red and green
	// (common practice; not checked against a source).
	ownMix = 0.5
)

// A textureFit is what the take's core says: m as the level's planes have it (in units of each
// channel's highlight and of the screen), and its patches.
type textureFit struct {
	size    int
	patches []pattern
	m       [3]float64
}

// A pattern is a patch with what its color plate says, which is the same wherever the geometry
// stands: the products of its planes with each other.
type pattern struct {
	patch
	products [planes][planes]float64
}

// planes are how many a patch has, each less its own plane: the three channels, their slopes along
// x from alongX on and along y from alongY on, by the color pixel.
const (
	alongX = 3
	alongY = 6
	planes = 9
)

// findTexture finds those of the core's patterns that have texture, and m. It returns nil where none
// do.
func (l *level) findTexture(ctx context.Context, g Geometry, patterns []pattern, size int) (*textureFit, error) {
	const (
		rounds  = 4 // of leaving out; chosen by hand
		outlier = 4 // times the median's scatter, from which a patch is left out; chosen by hand
	)
	t := &textureFit{size: size}
	if len(patterns) < leastPatches {
		return nil, nil
	}
	// m by least squares over all patches, each with a plane of its own taken out; patches whose
	// scatter is far above the others' are left out (seams of what is transparent, highlights).
	sums := make([]patchSums, len(patterns))
	parallel.Parts(len(sums), func(from, to int) {
		s := newPatchSampler(t.size)
		for i := from; i < to && ctx.Err() == nil; i++ {
			if s.readBand(l, &g, patterns[i].patch) {
				sums[i], _ = s.withBand(l, &patterns[i])
			}
		}
	})
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	used := make([]bool, len(sums))
	for i := range used {
		used[i] = sums[i].n > 0
	}
	for range rounds {
		m, ok := commonMix(sums, func(i int) bool { return used[i] })
		if !ok {
			return nil, nil
		}
		t.m = m
		scatter := make([]float64, 0, len(sums))
		left := make([]float64, len(sums))
		for i, q := range sums {
			left[i] = q.left(&t.m)
			if used[i] {
				scatter = append(scatter, left[i])
			}
		}
		middle := robust.Median(scatter)
		for i, q := range sums {
			used[i] = q.n > 0 && left[i] < outlier*middle
		}
	}
	// Those with the strongest texture first.
	type ranked struct {
		index  int
		energy float64
	}
	var list []ranked
	for i, q := range sums {
		if used[i] {
			list = append(list, ranked{i, q.explained(&t.m)})
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].energy > list[j].energy })
	for _, r := range list[:min(len(list), mostPatches)] {
		t.patches = append(t.patches, patterns[r.index])
	}
	return t, nil
}

// patterns returns what the color plates say of patches.
func (l *level) patterns(ctx context.Context, patches []patch, size int) ([]pattern, error) {
	list := make([]pattern, len(patches))
	parallel.Parts(len(list), func(from, to int) {
		s := newPatchSampler(size)
		for i := from; i < to && ctx.Err() == nil; i++ {
			s.patch, s.frame = patches[i], &l.frames[patches[i].frame]
			list[i] = s.pattern(l)
		}
	})
	return list, ctx.Err()
}

// patchSize returns the side of a patch, in pixels.
func (l *level) patchSize() int { return max(leastPatch, min(l.w/patchesAcross, largestPatch)) &^ 1 }

// corePatches returns windows that lie in the performer's core, with their margins, and do not
// overlap.
func (l *level) corePatches(g *Geometry, size int) []patch {
	const lost = 3 // standard deviations of noise that coreLight must be, or nothing can be told
	found := make([][]patch, len(l.frames))
	at := l.places(g)
	parallel.Each(len(found), func(i int) {
		if f := &l.frames[i]; f.alphaNoise <= coreLight/lost {
			found[i] = packed(l.openSums(at, f), l.w, l.h, size, i)
		}
	})
	return slices.Concat(found...)
}

// coreStep is the distance between the pixels that are looked at for what is open, and at which
// patches begin.
const coreStep = 2

// openSums returns the sums, over the rectangle from the top left corner up to each place, of the
// places at which the screen may be seen, no screen is behind, or the color plate clips, so that
// its texture is not the band plate's: of every coreStep-th pixel of a color plate, along both
// axes, with a row and a column of zeros first.
func (l *level) openSums(at *places, f *frame) []int32 {
	// Standard deviations of noise by which a place may seem to be open; common practice.
	const sure = 3
	w, h := l.w/coreStep, l.h/coreStep
	sums := make([]int32, (w+1)*(h+1))
	most := float32(1 - coreLight - sure*f.alphaNoise)
	line := func(y int) []int32 { return sums[y*(w+1) : (y+1)*(w+1)] }
	parallel.EachRow(w, h, func(y int) {
		row, to := int32(0), line(y + 1)[1:]
		for x := range w {
			bx, by := at.of(x*coreStep, y*coreStep)
			if !(bx >= 2 && by >= 2 && bx < float64(l.bw-3) && by < float64(l.bh-3)) {
				row++
			} else if k := int(by+0.5)*l.bw + int(bx+0.5); f.alpha[k] < most || l.off(k) || f.isBurnt(l.w, x*coreStep, y*coreStep) {
				row++
			}
			to[x] = row
		}
	})
	for y := range h {
		above := line(y)
		for x, v := range line(y + 1) {
			line(y + 1)[x] = v + above[x]
		}
	}
	return sums
}

// packed returns windows of a frame without anything open in them or within coreMargin of them, row
// by row.
func packed(sums []int32, w, h, size, frame int) (list []patch) {
	across := w/coreStep + 1
	taken := make([]bool, w*h/(coreStep*coreStep)+w+h)
	free := func(x, y int) bool {
		for j := y / coreStep; j < (y+size)/coreStep; j++ {
			for i := x / coreStep; i < (x+size)/coreStep; i++ {
				if taken[j*across+i] {
					return false
				}
			}
		}
		return true
	}
	for y := coreMargin; y+size+coreMargin < h-1; y += coreStep {
		for x := coreMargin; x+size+coreMargin < w-1; x += coreStep {
			x0, y0 := (x-coreMargin)/coreStep, (y-coreMargin)/coreStep
			x1, y1 := (x+size+coreMargin)/coreStep, (y+size+coreMargin)/coreStep
			if sums[y1*across+x1]-sums[y0*across+x1]-sums[y1*across+x0]+sums[y0*across+x0] > 0 || !free(x, y) {
				continue
			}
			list = append(list, patch{frame, x, y})
			for j := y / coreStep; j < (y+size)/coreStep; j++ {
				for i := x / coreStep; i < (x+size)/coreStep; i++ {
					taken[j*across+i] = true
				}
			}
			x += size - coreStep
		}
	}
	return list
}

// A patchSampler is the memory that measuring a patch takes.
type patchSampler struct {
	patch
	size  int
	frame *frame
	n     int
	band  []float64    // the light in the band plate, of the screen's, less the patch's own plane
	color [3][]float64 // likewise
	slope [3][2][]float64
	x, y  []float64 // the place in the patch, -1 to 1
	// How the place in the color plate moves with that in the band plate: x with x and with y, and
	// so for y.
	inverse [4]float64
	framed  []float64 // the band with two pixels of nothing around it
	// Of the band plate, as a sampler has them.
	at    []int32
	part  [][2]float32
	found [][4]float32
}

func newPatchSampler(size int) *patchSampler {
	s := &patchSampler{size: size, n: size * size}
	all := make([]float64, (planes+3)*s.n)
	next := func() []float64 {
		v := all[:s.n:s.n]
		all = all[s.n:]
		return v
	}
	s.band, s.x, s.y = next(), next(), next()
	for c := range 3 {
		s.color[c] = next()
		s.slope[c] = [2][]float64{next(), next()}
	}
	for j := range size {
		for i := range size {
			s.x[j*size+i] = (2*float64(i) + 1 - float64(size)) / float64(size)
			s.y[j*size+i] = (2*float64(j) + 1 - float64(size)) / float64(size)
		}
	}
	s.framed = make([]float64, (size+4)*(size+4))
	s.at, s.part, s.found = make([]int32, s.n), make([][2]float32, s.n), make([][4]float32, s.n)
	return s
}

// to goes to a patch. It returns how the place in the band plate moves with that in the color
// plate, and reports whether the geometry is not folded there.
func (s *patchSampler) to(l *level, g *Geometry, t patch) (jx, jy [2]float64, ok bool) {
	const flat = 1e-6 // band pixels to a color pixel, squared, up to which a geometry is folded
	s.patch, s.frame = t, &l.frames[t.frame]
	cx, cy := s.middle()
	jx, jy = l.jacobian(g, cx, cy)
	det := jx[0]*jy[1] - jy[0]*jx[1]
	s.inverse = [4]float64{jy[1] / det, -jx[1] / det, -jy[0] / det, jx[0] / det}
	return jx, jy, math.Abs(det) > flat
}

// middle returns the patch's middle, in pixels of the level's color plates.
func (s *patchSampler) middle() (x, y float64) {
	half := float64(s.size-1) / 2
	return float64(s.patch.x) + half, float64(s.patch.y) + half
}

// readBand goes to a patch and reads it from the band plate. It reports whether the plate has it.
func (s *patchSampler) readBand(l *level, g *Geometry, t patch) bool {
	jx, jy, ok := s.to(l, g, t)
	if !ok {
		return false
	}
	cx, cy := s.middle()
	px, py := l.place(g, cx, cy)
	dx, dy := l.displaced(t.frame, cy)
	px, py = px+dx, py+dy
	n := 0
	for y := range s.size {
		v := float64(t.y+y) - cy
		for x := range s.size {
			u := float64(t.x+x) - cx
			bx, by := px+u*jx[0]+v*jy[0], py+u*jx[1]+v*jy[1]
			ix, iy := int(bx), int(by)
			if !(bx >= 1 && by >= 1 && ix < l.bw-2 && iy < l.bh-2) {
				return false
			}
			s.at[n], s.part[n] = int32((iy-1)*l.bw+ix-1), [2]float32{float32(bx - float64(ix)), float32(by - float64(iy))}
			n++
		}
	}
	kernel.Spline(s.found, s.frame.spline, l.bw, s.at, s.part)
	for i, v := range s.found {
		s.band[i] = 1 - float64(v[0])
	}
	s.level(s.band)
	return true
}

// readColor reads the patch from the color plate.
func (s *patchSampler) readColor(l *level) {
	for c, p := range s.frame.color {
		n := 0
		for y := s.patch.y; y < s.patch.y+s.size; y++ {
			for k := y*l.w + s.patch.x; k < y*l.w+s.patch.x+s.size; k++ {
				s.color[c][n] = float64(p[k])
				// In float32, which has more digits than a plate.
				dx, dy := scharr(p[k-l.w-1:], p[k-1:], p[k+l.w-1:])
				s.slope[c][0][n], s.slope[c][1][n] = float64(dx), float64(dy)
				n++
			}
		}
		s.level(s.color[c])
		s.level(s.slope[c][0])
		s.level(s.slope[c][1])
	}
}

// scharr returns the slopes at the middle of three by three values, by Scharr's weights: least
// noise for a slope that is right in all directions to second order (not checked against the
// source).
func scharr[T float32 | float64](a, b, c []T) (dx, dy T) {
	a, b, c = a[:3], b[:3], c[:3]
	dx = 10*(b[2]-b[0]) + 3*(c[2]-c[0]) + 3*(a[2]-a[0])
	dy = 10*(c[1]-a[1]) + 3*(c[2]-a[2]) + 3*(c[0]-a[0])
	return dx / 32, dy / 32
}

// turned returns the slopes by the band pixel, given those by the color pixel.
func (s *patchSampler) turned(dx, dy float64) (x, y float64) {
	return dx*s.inverse[0] + dy*s.inverse[1], dx*s.inverse[2] + dy*s.inverse[3]
}

// pattern returns what the color plate says of the patch.
func (s *patchSampler) pattern(l *level) pattern {
	s.readColor(l)
	q := pattern{patch: s.patch}
	var all [planes][]float64
	for c := range 3 {
		all[c], all[alongX+c], all[alongY+c] = s.color[c], s.slope[c][0], s.slope[c][1]
	}
	for i := range all {
		for j := range i + 1 {
			v := sumProducts(all[i], all[j])
			q.products[i][j], q.products[j][i] = v, v
		}
	}
	return q
}

// withBand returns the sums of a pattern and the band, which was read, and the products of all the
// color's planes with the band. The color's slopes are not worked out for it: a slope times the
// band, summed up, is the color times the band's own slope, with the other sign.
func (s *patchSampler) withBand(l *level, t *pattern) (q patchSums, v [planes]float64) {
	w := s.size + 4
	for y := range s.size {
		copy(s.framed[(y+2)*w+2:], s.band[y*s.size:(y+1)*s.size])
	}
	for y := range s.size + 2 {
		a, b, c := s.framed[y*w:][:w], s.framed[(y+1)*w:][:w], s.framed[(y+2)*w:][:w]
		from := (s.patch.y-1+y)*l.w + s.patch.x - 1
		rs, gs, bs := s.frame.color[0][from:][:w-2], s.frame.color[1][from:][:w-2], s.frame.color[2][from:][:w-2]
		for x := range rs {
			dx, dy := scharr(a[x:], b[x:], c[x:])
			band := b[x+1]
			red, green, blue := float64(rs[x]), float64(gs[x]), float64(bs[x])
			v[0] += band * red
			v[1] += band * green
			v[2] += band * blue
			v[alongX] -= dx * red
			v[alongX+1] -= dx * green
			v[alongX+2] -= dx * blue
			v[alongY] -= dy * red
			v[alongY+1] -= dy * green
			v[alongY+2] -= dy * blue
		}
	}
	q = patchSums{n: s.n, ca: [3]float64(v[:]), aa: sumProducts(s.band, s.band)}
	for c := range q.cc {
		copy(q.cc[c][:], t.products[c][:])
	}
	return q, v
}

// level takes the plane that fits best out of v, in place.
func (s *patchSampler) level(v []float64) {
	m, mx, my := 0.0, sumProducts(v, s.x), sumProducts(v, s.y)
	for _, p := range v {
		m += p
	}
	n := float64(len(v))
	// The mean square of a place over the patch.
	square := (1 - 1/float64(s.size*s.size)) / 3
	m, mx, my = m/n, mx/(n*square), my/(n*square)
	xs, ys := s.x[:len(v)], s.y[:len(v)]
	for i := range v {
		v[i] -= m + mx*xs[i] + my*ys[i]
	}
}

// patchSums are the products of a patch's color with itself and with the band plate.
type patchSums struct {
	n  int
	cc [3][3]float64
	ca [3]float64
	aa float64
}

func (s *patchSampler) sums() (q patchSums) {
	q.n, q.aa = s.n, sumProducts(s.band, s.band)
	for c := range 3 {
		q.ca[c] = sumProducts(s.color[c], s.band)
		for d := range c + 1 {
			q.cc[c][d] = sumProducts(s.color[c], s.color[d])
			q.cc[d][c] = q.cc[c][d]
		}
	}
	return q
}

// left returns the mean square of what m leaves of the band plate.
func (q *patchSums) left(m *[3]float64) float64 {
	v := q.aa
	for c := range 3 {
		v -= 2 * m[c] * q.ca[c]
	}
	return (v + q.explained(m)) / float64(q.n)
}

// explained returns the sum of the squares of m . color.
func (q *patchSums) explained(m *[3]float64) (v float64) {
	for c := range 3 {
		for d := range 3 {
			v += m[c] * m[d] * q.cc[c][d]
		}
	}
	return v
}

// measure measures the patches where g stands, as measurements of the place in the band plate that
// have nothing of an edge's in them.
func (t *textureFit) measure(ctx context.Context, l *level, g Geometry) ([]measurement, error) {
	ms, sums := make([]measurement, len(t.patches)), make([]patchSums, len(t.patches))
	with := make([][planes]float64, len(t.patches))
	parallel.Parts(len(ms), func(from, to int) {
		s := newPatchSampler(t.size)
		for i := from; i < to && ctx.Err() == nil; i++ {
			if s.readBand(l, &g, t.patches[i].patch) {
				sums[i], with[i] = s.withBand(l, &t.patches[i])
			}
		}
	})
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	// Where the geometry was off when m was found, m is.
	if m, ok := commonMix(sums, func(i int) bool { return sums[i].n > 0 }); ok {
		t.m = m
	}
	parallel.Parts(len(ms), func(from, to int) {
		s := newPatchSampler(t.size)
		for i := from; i < to; i++ {
			if _, _, ok := s.to(l, &g, t.patches[i].patch); ok && sums[i].n > 0 {
				ms[i] = s.measure(t, &t.patches[i], sums[i], with[i])
			}
			ms[i].frame, ms[i].texture = t.patches[i].frame, true
			ms[i].x, ms[i].y = float64(t.patches[i].x)+float64(t.size-1)/2, float64(t.patches[i].y)+float64(t.size-1)/2
		}
	})
	return ms, nil
}

// commonMix returns the m that fits best over those patches that are used; ok is false where they
// are too few to tell.
func commonMix(sums []patchSums, used func(i int) bool) (m [3]float64, ok bool) {
	n := newNormal(3)
	count := 0
	for i, q := range sums {
		if used(i) {
			count++
			for c := range 3 {
				for d := range 3 {
					n.a[c*3+d] += q.cc[c][d]
				}
				n.b[c] += q.ca[c]
			}
		}
	}
	if count < leastPatches {
		return m, false
	}
	for c := range 3 {
		n.a[c*3+c] *= 1 + sharedMix
	}
	x, ok := n.solve()
	if ok {
		copy(m[:], x)
	}
	return m, ok
}

func (s *patchSampler) measure(t *textureFit, p *pattern, q patchSums, with [planes]float64) (out measurement) {
	const (
		fitted = 6 // numbers of a patch: its plane, and its m
		// Times what noise alone gives, which the slopes must have besides it; chosen by hand.
		clear = 0.5
	)
	// The patch's own m, drawn to the take's by what noise leaves unknown: it is alike over many pixels.
	most := math.Max(math.Abs(t.m[0]), math.Max(math.Abs(t.m[1]), math.Abs(t.m[2])))
	noise := q.left(&t.m)
	if !(most > 0) || !(noise > 0) {
		return out
	}
	var prior float64
	m := t.m
	factor := make([]float64, 9)
	for range 2 {
		prior = correlated * noise / (ownMix * ownMix * most * most)
		var b [3]float64
		for c := range 3 {
			b[c] = q.ca[c] + prior*t.m[c]
			copy(factor[c*3:], q.cc[c][:])
			factor[c*3+c] += prior
		}
		if !cholesky(factor, 3) {
			return out
		}
		substitute(factor, 3, b[:])
		m = b
		noise = q.left(&m) * float64(q.n) / float64(q.n-fitted)
	}
	// Products of the model's slopes with each other, with what is left and with the columns that
	// were fitted: by the color pixel at first.
	var dd [3]float64
	var r [2]float64
	var f [2][3]float64
	for c := range 3 {
		for d := range 3 {
			v := m[c] * m[d]
			dd[0] += v * p.products[alongX+c][alongX+d]
			dd[1] += v * p.products[alongX+c][alongY+d]
			dd[2] += v * p.products[alongY+c][alongY+d]
			f[0][c] += m[d] * p.products[alongX+d][c]
			f[1][c] += m[d] * p.products[alongY+d][c]
		}
		r[0] += m[c] * (f[0][c] - with[alongX+c])
		r[1] += m[c] * (f[1][c] - with[alongY+c])
	}
	i := &s.inverse
	xx := i[0]*i[0]*dd[0] + 2*i[0]*i[1]*dd[1] + i[1]*i[1]*dd[2]
	xy := i[0]*i[2]*dd[0] + (i[0]*i[3]+i[1]*i[2])*dd[1] + i[1]*i[3]*dd[2]
	yy := i[2]*i[2]*dd[0] + 2*i[2]*i[3]*dd[1] + i[3]*i[3]*dd[2]
	xr, yr := s.turned(r[0], r[1])
	var fx, fy [3]float64
	for c := range 3 {
		fx[c], fy[c] = s.turned(f[0][c], f[1][c])
	}
	px, py := fx, fy
	substitute(factor, 3, px[:])
	substitute(factor, 3, py[:])
	for c := range 3 {
		xx -= px[c] * fx[c]
		xy -= px[c] * fy[c]
		yy -= py[c] * fy[c]
		// What is left is orthogonal to the color but for the prior.
		d := prior * (m[c] - t.m[c])
		xr += px[c] * d
		yr += py[c] * d
	}
	// Noise in the color plate makes slopes of its own.
	grain := s.grain(m)
	// A patch with stripes tells across them alone.
	for _, d := range axes(xx, xy, yy) {
		l := d.l - grain
		if !(l > clear*grain) {
			continue
		}
		part := l / d.l // of the slopes that is the costume's: by it what noise adds to them is unlike
		l *= part / noise
		out.info[0] += l * d.x * d.x
		out.info[1] += l * d.x * d.y
		out.info[2] += l * d.y * d.y
		along := part * (xr*d.x + yr*d.y) / noise
		out.b[0] += along * d.x
		out.b[1] += along * d.y
		out.match = 1
	}
	return out
}

// grain returns what noise in the color plate adds to the sum of the squares of the slopes of m .
// color, by the band pixel, along either axis.
func (s *patchSampler) grain(m [3]float64) (sum float64) {
	for c := range 3 {
		v := m[c] * s.frame.colorNoise[c]
		sum += v * v * slopeNoise * float64(s.n) * (s.inverse[0]*s.inverse[0] + s.inverse[1]*s.inverse[1])
	}
	return sum
}

// slopeNoise is the variance of Scharr's slope over that of a pixel of white noise: 2 (100 + 9 + 9)
// / 32^2.
const slopeNoise = 236. / 1024

// doubtEvery is after how many passes of a fit the edges are held against the texture; chosen by
// hand.
const doubtEvery = 8

// disagreement returns by how much the variances of the edges must be multiplied so that the
// geometry which they alone give and the one which texture alone gives are as far apart as their
// covariances say: the root-mean-square of their distance over its standard deviations is then 1.
// It is at most mostDoubt and may be below 1, where the edges have been doubted before.
func (s *system) disagreement() float64 {
	const halvings = 30 // of the logarithm of the doubt, which is then known to nine digits
	const nuisance = len(theta{}) - geometric
	n := len(s.free) - nuisance
	if n < 1 {
		return 1
	}
	var x [2][]float64
	var cov [2][][]float64
	for k, texture := range []bool{false, true} {
		m := s.mixed(func(q *equation) bool { return q.texture == texture })
		solution, ok := m.solve()
		if !ok {
			return 1
		}
		x[k], cov[k] = solution, inverse(m.a, m.n)
	}
	// distance returns the square of the distance over its standard deviations, a parameter.
	distance := func(doubt float64) float64 {
		a, d := make([]float64, n*n), make([]float64, n)
		for i := range n {
			d[i] = x[0][nuisance+i] - x[1][nuisance+i]
			for j := range n {
				a[i*n+j] = doubt*cov[0][nuisance+i][nuisance+j] + cov[1][nuisance+i][nuisance+j]
			}
		}
		e := slices.Clone(d)
		if !cholesky(a, n) {
			return 1
		}
		substitute(a, n, e)
		sum := 0.0
		for i := range d {
			sum += d[i] * e[i]
		}
		return sum / float64(n)
	}
	low, high := 1/s.f.doubt, mostDoubt/s.f.doubt
	if distance(low) <= 1 {
		return low
	}
	for range halvings {
		middle := math.Sqrt(low * high)
		if distance(middle) > 1 {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

// mostDoubt bounds what the variances of edges are multiplied by: their errors are then a
// hundred times as large.
const mostDoubt = 1e4

// only returns the equations of texture, or those of edges.
func only(eqs []equation, texture bool) []equation {
	return list.Where(eqs, func(q equation) bool { return q.texture == texture })
}

// witness fills in what the texture said.
func (f *fit) witness(e *Estimate) {
	e.Texture.Patches = list.Count(f.last, func(m measurement) bool { return m.texture && m.used })
	if e.Texture.Patches == 0 {
		return
	}
	e.Texture.Doubt, e.Texture.Sigma = f.doubt, e.edgeSigma()
	edges := *f
	next, _ := edges.linear(only(f.eqs, false), f.model, f.terms, f.theta)
	edges.set(next)
	for _, p := range e.Pieces {
		x0, y0 := f.g.Map(p.Color[0], p.Color[1])
		x1, y1 := edges.g.Map(p.Color[0], p.Color[1])
		e.Texture.Bias[0] += (x1 - x0) / float64(len(e.Pieces))
		e.Texture.Bias[1] += (y1 - y0) / float64(len(e.Pieces))
	}
}
