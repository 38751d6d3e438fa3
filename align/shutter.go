package align

import (
	"fmt"
	"math"
	"slices"
)

// A Rolling is what rows of one camera that are not of the other's instant do to what moves: in
// each frame the band plate is displaced by an amount that grows evenly from the top of the frame
// to the bottom.
type Rolling struct {
	// Pixels is the difference between the displacements at the top and at the bottom, in band
	// pixels: the standard deviation over the frames, since what all frames have in common is a
	// part of the geometry.
	Pixels float64 `json:"pixels"`
	Sigma  float64 `json:"sigma"`  // standard error of Pixels
	Frames int     `json:"frames"` // in which it was measured; 0: fewer than two could be measured, and nothing is known

	// Edges is how far the performer's edges are displaced in a frame, from the mean of the frames,
	// in band pixels: the standard deviation, of rows displaced and of what else moves a frame's
	// band plate as a whole. It is what the frames have most likely, told or not.
	Edges float64 `json:"edges"`
}

// rollingLeast is the least displacement that is reported, in band pixels: half of it, at the
// frame's top and bottom, is as much as a geometry is expected to be off there.
const rollingLeast = 0.3

// surely is how many standard errors a displacement by row, or a lens's lateral color, must have to
// be believed: one sound take in 16,000 would be told otherwise. What is believed changes the
// plates.
const surely = 4

// Told reports whether the rows are displaced: by 0.3 pixels or more, and four standard errors.
func (r Rolling) Told() bool {
	return r.Frames > 0 && r.Pixels >= rollingLeast && r.Pixels > surely*r.Sigma
}

// Words says in plain words what is not known of the rows; it is empty where it was measured.
func (r Rolling) Words() string {
	if r.Frames > 0 {
		return ""
	}
	return "the performer is seen in one frame alone, which does not tell whether the rows of the two cameras are of the same instants: if they are not, the geometry has what that does to what moves, and is this frame's alone"
}

func (r Rolling) warning() string {
	return fmt.Sprintf("the rows of the two cameras are not of the same instants: what moves is displaced between the top and the bottom of the frame, by %.1f pixels (standard error %.2f) in the mean of the frames, and no geometry can follow; use global shutters, or two cameras of one kind, started by one trigger", r.Pixels, r.Sigma)
}

// A shutter is a displacement of each frame's band plate that grows with the row, which is fitted
// with the geometry: a shift of the whole frame and a shear, each along x and y, drawn from normal
// distributions about zero.
type shutter struct {
	widths       [lateTerms]float64   // standard deviations, in the units of theta's shifts, as all here
	values, next [][lateTerms]float64 // by frame: with which the edges were measured, and by the last solution
	fixed        bool                 // the widths are not learned
}

// lateTerms are a frame's shift along x and y, and what the frame's bottom is displaced by more
// than its top.
const lateTerms = 4

// Widths with which displacements are looked for, in band pixels: wide enough to leave alone
// whatever is there; chosen by hand.
const (
	usualLateShift = 0.5
	usualLateShear = 2
)

// mild is the part of these widths that is expected where nothing has been told: what the frames do
// not tell stays near it. Chosen by hand.
const mild = 0.2

func (f *fit) newShutter(part float64) *shutter {
	px := part / (f.d * f.s[0])
	n := len(f.l.frames)
	return &shutter{
		widths: [lateTerms]float64{usualLateShift * px, usualLateShift * px, usualLateShear * px, usualLateShear * px},
		values: make([][lateTerms]float64, n),
		next:   make([][lateTerms]float64, n),
	}
}

// columns returns how many parameters the shutter adds to the shared ones.
func (s *shutter) columns() int {
	if s == nil {
		return 0
	}
	return len(s.values) * lateTerms
}

// height returns where in the frame a row of the level is, -1/2 at the top and 1/2 at the bottom.
func (l *level) height(y float64) float64 { return (y+0.5)/float64(l.h) - 0.5 }

// late returns how an equation depends on its frame's displacement: as on the geometry's shift,
// more or less by row.
func (f *fit) late(q *equation) (frame int, by [lateTerms]float64) {
	m := &f.last[q.from]
	h := f.l.height(m.y)
	return m.frame, [lateTerms]float64{q.row[2], q.row[5], q.row[2] * h, q.row[5] * h}
}

// prior adds to the normal equations, of which the columns begin at first, that the displacements
// are of the widths.
func (s *shutter) prior(m *mixed, first int) {
	for i := range s.columns() {
		m.a[(first+i)*m.n+first+i] += 1 / (s.widths[i%lateTerms] * s.widths[i%lateTerms])
	}
}

// settle keeps the displacements of a solution x, of which the columns begin at first, as the next
// ones, and learns the widths, given the equations' factor: the mean of the squares and of the
// variances, as mixed.widths does it.
func (s *shutter) settle(m *mixed, x []float64, first int) {
	if s == nil {
		return
	}
	for i := range s.columns() {
		s.next[i/lateTerms][i%lateTerms] = x[first+i]
	}
	if s.fixed {
		return
	}
	var sum [lateTerms]float64
	for i := range s.columns() {
		sum[i%lateTerms] += x[first+i]*x[first+i] + m.variance(first+i)
	}
	for k, v := range sum {
		// What they were counts as one frame.
		s.widths[k] = math.Sqrt((s.widths[k]*s.widths[k] + v) / float64(len(s.values)+1))
	}
}

// expose moves the level's band plates by the displacements of the last solution.
func (f *fit) expose() {
	if f.shutter == nil {
		return
	}
	copy(f.shutter.values, f.shutter.next)
	kx, ky := f.d*f.s[0]/f.l.fb, f.d*f.s[1]/f.l.fb
	if f.g.Mirror {
		kx = -kx
	}
	for i, v := range f.shutter.values {
		f.l.frames[i].late = [lateTerms]float64{v[0] * kx, v[1] * ky, v[2] * kx, v[3] * ky}
	}
}

// displaced returns how far a frame's band plate is displaced where the color plate has row y, in
// pixels of the level.
func (l *level) displaced(frame int, y float64) (dx, dy float64) {
	v := &l.frames[frame].late
	h := l.height(y)
	return v[0] + v[2]*h, v[1] + v[3]*h
}

// seen returns the frames of the measurements that had weight, in order, so that sums over them are
// the same at every run.
func (f *fit) seen() (frames []int) {
	for _, m := range f.last {
		if m.used {
			frames = append(frames, m.frame)
		}
	}
	slices.Sort(frames)
	return slices.Compact(frames)
}

// drift returns the geometry's covariance, with what the frames' displacements may do to it, and
// how far the edges are displaced: Rolling.Edges. The displacements' mean over the frames is the
// geometry's error, and none but their scatter tells how large that may be: so it is counted
// whether or not they are told.
func (f *fit) drift() (cov [12][12]float64, edges float64) {
	t := *f
	if len(f.seen()) < 2 {
		return t.covariance(), 0
	}
	if t.shutter == nil {
		t.last, t.shutter, t.solved = slices.Clone(f.last), f.newShutter(mild), false
		t.solve(t.last, t.most, t.theta)
	}
	v, n := t.shutter.widths, 0.0
	for _, m := range t.last {
		if m.used && !m.texture {
			h := t.l.height(m.y)
			edges += v[0]*v[0] + v[1]*v[1] + h*h*(v[2]*v[2]+v[3]*v[3])
			n++
		}
	}
	return t.covariance(), math.Sqrt(edges/math.Max(n, 1)) * t.d * t.s[0]
}

// rolling tests the last measurements for displacements that grow with the row, with the geometry
// left free, and leaves the fit as it was. Weights are found anew: without displacements, those
// that disagree most had none.
func (f *fit) rolling() Rolling {
	frames := f.seen()
	if len(frames) < 2 {
		return Rolling{}
	}
	t := *f
	t.last, t.doubt = slices.Clone(f.last), 1
	t.shutter = t.newShutter(1)
	t.shutter.fixed = true
	if f.shutter != nil {
		t.shutter.values = f.shutter.values
	}
	t.solve(t.last, t.most, t.theta)
	sys := t.system(t.eqs, t.most, t.terms, t.theta)
	m := sys.mixed(nil)
	x, ok := m.solve()
	if !ok {
		return Rolling{}
	}
	inv := inverse(m.a, m.n)
	// About the mean over the frames: the geometry has that.
	n := float64(len(frames))
	var square, variance float64
	for k := 2; k < lateTerms; k++ {
		index := func(frame int) int { return len(sys.free) + frame*lateTerms + k }
		mean, total := 0.0, 0.0
		for _, a := range frames {
			mean += x[index(a)] / n
			for _, b := range frames {
				total += inv[index(a)][index(b)] / (n * n)
			}
		}
		for _, a := range frames {
			with := 0.0
			for _, b := range frames {
				with += inv[index(a)][index(b)] / n
			}
			d := x[index(a)] - mean
			square += d * d / (n - 1)
			variance += (inv[index(a)][index(a)] - 2*with + total) / (n - 1)
		}
	}
	px := f.d * f.s[0]
	return Rolling{Pixels: math.Sqrt(square) * px, Sigma: math.Sqrt(math.Max(variance, 0)) * px, Frames: len(frames)}
}
