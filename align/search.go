package align

import (
	"context"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"example.com/twinplate/internal/parallel"
)

// A start is a candidate of the coarse search.
type start struct {
	g      Geometry
	score  float64
	rot, s int // grid indices
}

// startsKept is how many candidates of each parity are refined.
const startsKept = 4

// search returns the most promising geometries, those of one parity and then those of the other, from the
// coarsest level: the best shift for each parity, rotation and scale, by normalized cross-correlation of
// what is not black in the color plate with what hides the screen in the band plate, all pairs together.
func (s *stack) search(ctx context.Context, o Options) ([]Geometry, error) {
	l := s.levels[len(s.levels)-1]
	frames, err := l.populated()
	if err != nil {
		return nil, err
	}
	// Correlation takes noise and multiplicity well: a few frames, spread over the take, do.
	const most = 5
	if n := len(frames); n > most {
		var some []int
		for i := range most {
			some = append(some, frames[i*(n-1)/(most-1)])
		}
		frames = some
	}

	margin := int(math.Ceil(o.MaxShift * float64(l.w)))
	fw, fh := fastSize(l.w+margin+1), fastSize(l.h+margin+1)
	presence := make([][]complex128, len(frames))
	energy := 0.0
	t := newTransform(fw, fh)
	for i, f := range frames {
		p := l.presence(f)
		energy += removeMean(p)
		presence[i] = pad(p, l.w, l.h, fw, fh)
		t.forward(presence[i])
	}

	// The grid: steps such that the true rotation and scale are within half a step.
	var mirrors []bool
	if o.Mirror != MirrorYes {
		mirrors = append(mirrors, false)
	}
	if o.Mirror != MirrorNo {
		mirrors = append(mirrors, true)
	}
	rots := int(math.Ceil(o.MaxRotation / 2))
	scales := int(math.Ceil(o.MaxScale / 0.04))
	var cands []start
	for _, mirror := range mirrors {
		for _, base := range s.bases() {
			for j := -rots; j <= rots; j++ {
				for k := -scales; k <= scales; k++ {
					angle := o.MaxRotation * float64(j) / float64(rots) * math.Pi / 180
					scale := 1 + o.MaxScale*float64(k)/float64(scales)
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
		for i := from; i < to && ctx.Err() == nil; i++ {
			c := &cands[i]
			clear(sum)
			norm := 0.0
			for k, f := range frames {
				a := l.warped(f, c.g)
				norm += removeMean(a)
				q := pad(a, l.w, l.h, fw, fh)
				t.forward(q)
				for j, v := range q {
					sum[j] += presence[k][j] * complex(real(v), -imag(v))
				}
			}
			t.inverse(sum)
			best, bx, by := math.Inf(-1), 0, 0
			for y := -margin; y <= margin; y++ {
				for x := -margin; x <= margin; x++ {
					if v := real(sum[(y+fh)%fh*fw+(x+fw)%fw]); v > best {
						best, bx, by = v, x, y
					}
				}
			}
			if norm *= energy; norm > 0 {
				c.score = best / (float64(fw*fh) * math.Sqrt(norm))
			}
			// The color plate shows at x what the warped band plate shows at x - shift.
			c.g.Homography = mul3(c.g.Homography, [9]float64{1, 0, -float64(bx) * l.fc, 0, 1, -float64(by) * l.fc, 0, 0, 1})
		}
	})
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	var starts []Geometry
	for _, mirror := range mirrors {
		var sorted []start
		for _, c := range cands {
			if c.g.Mirror == mirror {
				sorted = append(sorted, c)
			}
		}
		slices.SortStableFunc(sorted, func(a, b start) int {
			switch {
			case a.score > b.score:
				return -1
			case a.score < b.score:
				return 1
			}
			return 0
		})
		var kept []start
		for _, c := range sorted {
			if !slices.ContainsFunc(kept, func(k start) bool {
				return max(k.rot-c.rot, c.rot-k.rot, k.s-c.s, c.s-k.s) <= 1 && RMS(k.g, c.g) < 3*l.fb
			}) {
				kept = append(kept, c)
				starts = append(starts, c.g)
			}
			if len(kept) == startsKept {
				break
			}
		}
	}
	return starts, nil
}

// bases returns what the search starts from: the frames stretched over each other and, where their shapes
// differ, also scaled alike by width and by height.
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

// shapeDiffers is the difference in aspect from which the frames' shapes count as different.
const shapeDiffers = 0.02

// populated returns the frames in which something stands before a screen.
func (l *level) populated() ([]int, error) {
	var list []int
	for i := range l.frames {
		f := &l.frames[i]
		if f.alphaNoise > 0.15 {
			continue
		}
		on, off := 0, 0
		for _, a := range f.alpha {
			if a > 0.35 {
				on++
			} else if a < 0.25 {
				off++
			}
		}
		lit := 0
		for _, p := range l.presence(i) {
			if p > 0.35 {
				lit++
			}
		}
		if n := len(f.alpha); on*1000 > n && off*100 > n && lit*1000 > len(f.color[0]) {
			list = append(list, i)
		}
	}
	if list == nil {
		return nil, fmt.Errorf("align: %w: in none of the %d pairs is a lit performer before a bright screen", ErrNoSilhouettes, len(l.frames))
	}
	return list, nil
}

// presence returns how certainly each pixel of a color plate is not black, 0 to 1.
func (l *level) presence(frame int) []float64 {
	p := make([]float64, l.w*l.h)
	f := &l.frames[frame]
	floor := 0.1
	for c, pix := range f.color {
		sorted := sampled(pix, 1<<20)
		dark, noise := quantile(sorted, 0.05), f.colorNoise[c]
		if noise > 0.15 {
			continue // nothing but noise in this channel
		}
		floor = math.Max(floor, 6*noise)
		for i, v := range pix {
			p[i] += math.Max(0, float64(v)-dark) / 3
		}
	}
	for i, v := range p {
		p[i] = v / (v + floor)
	}
	return p
}

// warped returns a band plate's alpha in the color plate's frame by bilinear interpolation, 0 outside.
func (l *level) warped(frame int, g Geometry) []float64 {
	out := make([]float64, l.w*l.h)
	a := l.frames[frame].alpha
	for y := range l.h {
		for x := range l.w {
			bx, by := l.place(&g, float64(x), float64(y))
			if !(bx >= 0 && by >= 0 && bx < float64(l.bw-1) && by < float64(l.bh-1)) {
				continue
			}
			ix, iy := int(bx), int(by)
			u, v := bx-float64(ix), by-float64(iy)
			o := iy*l.bw + ix
			top := float64(a[o])*(1-u) + float64(a[o+1])*u
			low := float64(a[o+l.bw])*(1-u) + float64(a[o+l.bw+1])*u
			out[y*l.w+x] = math.Max(0, math.Min(top*(1-v)+low*v, 1))
		}
	}
	return out
}

// place is Geometry.Map between pixels of the level.
func (l *level) place(g *Geometry, x, y float64) (bx, by float64) {
	bx, by = g.Map((x+0.5)*l.fc-0.5, (y+0.5)*l.fc-0.5)
	return (bx+0.5)/l.fb - 0.5, (by+0.5)/l.fb - 0.5
}

// jacobian returns the derivatives of place by x and by y.
func (l *level) jacobian(g *Geometry, x, y float64) (byX, byY [2]float64) {
	const h = 0.5
	x0, y0 := l.place(g, x-h, y)
	x1, y1 := l.place(g, x+h, y)
	byX = [2]float64{x1 - x0, y1 - y0}
	x0, y0 = l.place(g, x, y-h)
	x1, y1 = l.place(g, x, y+h)
	return byX, [2]float64{x1 - x0, y1 - y0}
}

// removeMean takes the mean from v, and returns the sum of the squares of what is left.
func removeMean(v []float64) (energy float64) {
	mean := 0.0
	for _, x := range v {
		mean += x
	}
	mean /= float64(len(v))
	for i := range v {
		v[i] -= mean
		energy += v[i] * v[i]
	}
	return energy
}

func pad(v []float64, w, h, fw, fh int) []complex128 {
	out := make([]complex128, fw*fh)
	for y := range h {
		for x := range w {
			out[y*fw+x] = complex(v[y*w+x], 0)
		}
	}
	return out
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

// A transform is a Fourier transform in two dimensions, without normalization.
type transform struct {
	w, h     int
	row, col *fourier.CmplxFFT
	buf      []complex128
}

func newTransform(w, h int) *transform {
	return &transform{w, h, fourier.NewCmplxFFT(w), fourier.NewCmplxFFT(h), make([]complex128, h)}
}

func (t *transform) forward(v []complex128) { t.do(v, t.row.Coefficients, t.col.Coefficients) }
func (t *transform) inverse(v []complex128) { t.do(v, t.row.Sequence, t.col.Sequence) }

func (t *transform) do(v []complex128, row, col func(dst, src []complex128) []complex128) {
	for y := range t.h {
		r := v[y*t.w : (y+1)*t.w]
		row(r, r)
	}
	for x := range t.w {
		for y := range t.buf {
			t.buf[y] = v[y*t.w+x]
		}
		col(t.buf, t.buf)
		for y, c := range t.buf {
			v[y*t.w+x] = c
		}
	}
}
