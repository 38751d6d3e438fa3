package align

import (
	"fmt"
	"math"
	"runtime"
	"sync"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// A Resampler brings band plates into the color plate's frame by one Geometry. It is prepared once
// for a take, holds no frame (a few hundred kilobytes at most, whatever the frame's size: places
// are worked out as they are needed), and is safe for concurrent use.
//
// The kernel is Bicubic unless another is asked for by name: see Kernel.NewResampler. Beyond the
// band plate's borders its outermost pixels are repeated. Where the band plate has over 1.2 times
// the color plate's resolution along an axis, the kernel is widened by that ratio along that axis
// and normalized, so that detail finer than the color plate's pixels is averaged and does not
// alias. Values are within 1e-3 of the exact kernel for plates between 0 and 1.
type Resampler struct {
	g       Geometry
	kernel  Kernel
	wx, wy  *weights  // nil where the weights are worked out as they are needed
	step    int       // pixels over which places are as good as on a straight line
	smooth  bool      // places between every kernel.Apart-th are as good as on a parabola
	scratch sync.Pool // of *scratch
}

// A scratch is what one goroutine needs for a row.
type scratch struct {
	dx, dy, back []float32 // with kernel.Pad values more
	nodeX, nodeY []float32 // every kernel.Apart-th of dx and dy, as far as Spread needs them
	places       kernel.MapLine
	runs         []kernel.Run
	strip        []float32 // four rows for where neighbors are beyond the plate
	line         []place   // for what goes place by place
}

// NewResampler prepares a Resampler for g, by the Bicubic kernel. It panics when g is not valid:
// see Geometry.Check.
func NewResampler(g Geometry) *Resampler { return Bicubic.NewResampler(g) }

// NewResampler prepares a Resampler for g by the kernel k. It panics when g or k is not valid.
func (k Kernel) NewResampler(g Geometry) *Resampler {
	if err := g.Check(); err != nil {
		panic("align: NewResampler: " + err.Error())
	}
	if err := kernelNames.Check(k); err != nil {
		panic("NewResampler: " + err.Error())
	}
	r := &Resampler{g: g, kernel: k, step: g.straight()}
	// In WebAssembly places without distortion are as quick one by one.
	r.smooth = (runtime.GOARCH != "wasm" || g.Radial != [2]float64{}) && g.smooth()
	r.scratch.New = func() any {
		n, m := whole(g.ColorW)+kernel.Pad, whole(g.ColorW)/kernel.Apart+1
		return &scratch{dx: make([]float32, n), dy: make([]float32, n), back: make([]float32, n), nodeX: make([]float32, m), nodeY: make([]float32, m)}
	}
	sx, sy := g.Density()
	if sx > narrow || sy > narrow || k == Lanczos3 {
		r.wx, r.wy = newWeights(k, sx), newWeights(k, sy)
	}
	return r
}

// Plain reports whether it has the Bicubic kernel as Keys has it, not widened.
func (r *Resampler) Plain() bool { return r.kernel == Bicubic && r.wx == nil }

// Geometry returns the geometry that the Resampler was made for.
func (r *Resampler) Geometry() Geometry { return r.g }

// Density returns how many band pixels a step of one color pixel covers along the band plate's x
// and y, in the mean over the frame.
func (g Geometry) Density() (sx, sy float64) {
	const n = 5
	for _, p := range g.Grid(n) {
		byX, byY := jacobian(g.Map, p.Color[0], p.Color[1])
		sx += math.Hypot(byX[0], byY[0]) / (n * n)
		sy += math.Hypot(byX[1], byY[1]) / (n * n)
	}
	return sx, sy
}

// Gray resamples src, a band plate, into the color plate's frame, on all cores. The result is in
// dst where that has the right size, and otherwise (dst may be nil) in a new frame; it is returned
// either way. It panics when src does not have the size of the geometry's band plate, and dst must
// not share memory with src.
func (r *Resampler) Gray(dst, src *plate.Gray) *plate.Gray {
	if dst == nil || dst.W != r.g.ColorW || dst.H != r.g.ColorH || len(dst.Pix) != dst.W*dst.H {
		dst = plate.NewGray(r.g.ColorW, r.g.ColorH)
	}
	r.check(src.W, src.H)
	parallel.Parts(r.g.ColorH, func(y0, y1 int) { r.rows(dst.W, y0, y1, dst.Pix, src.Pix) })
	return dst
}

// Valid returns a frame of the color plate's size that is 1 where the pixel's place is within the
// band plate's area (which reaches half a pixel beyond its outer pixels' centers), and 0 where it
// is not and the resampled value is only a repeated border.
func (r *Resampler) Valid() *plate.Gray {
	v := plate.NewGray(r.g.ColorW, r.g.ColorH)
	right, bottom := float64(r.g.BandW)-0.5, float64(r.g.BandH)-0.5
	parallel.Parts(r.g.ColorH, func(y0, y1 int) {
		line := make([]place, v.W)
		for y := y0; y < y1; y++ {
			r.g.line(y, line)
			for x, p := range line {
				if p.x >= -0.5 && p.x <= right && p.y >= -0.5 && p.y <= bottom {
					v.Pix[y*v.W+x] = 1
				}
			}
		}
	})
	return v
}

func (r *Resampler) check(w, h int) {
	if w != r.g.BandW || h != r.g.BandH {
		panic(fmt.Sprintf("align: Resampler: the band plate has %dx%d pixels, and the geometry is for %dx%d", w, h, r.g.BandW, r.g.BandH))
	}
}

// A place is a position in the band plate.
type place struct{ x, y float64 }

// line fills places with those of the color pixels of row y.
func (g *Geometry) line(y int, places []place) {
	h := &g.Homography
	yy := float64(y)
	if g.Radial == [2]float64{} && h[6] == 0 && h[7] == 0 && h[8] == 1 {
		ax, ay := h[1]*yy+h[2], h[4]*yy+h[5]
		for i := range places {
			x := float64(i)
			places[i] = place{h[0]*x + ax, h[3]*x + ay}
		}
	} else if g.Radial == [2]float64{} {
		ax, ay, aw := h[1]*yy+h[2], h[4]*yy+h[5], h[7]*yy+h[8]
		for i := range places {
			x := float64(i)
			w := 1 / (h[6]*x + aw)
			places[i] = place{(h[0]*x + ax) * w, (h[3]*x + ay) * w}
		}
	} else {
		d := g.halfDiagonal()
		unit := 1 / (d * d)
		dy := yy - g.Center[1]
		for i := range places {
			dx := float64(i) - g.Center[0]
			r2 := (dx*dx + dy*dy) * unit
			s := r2 * (g.Radial[0] + r2*g.Radial[1])
			x, yr := float64(i)+dx*s, yy+dy*s
			w := 1 / (h[6]*x + h[7]*yr + h[8])
			places[i] = place{(h[0]*x + h[1]*yr + h[2]) * w, (h[3]*x + h[4]*yr + h[5]) * w}
		}
	}
	if g.Mirror {
		right := float64(g.BandW - 1)
		for i := range places {
			places[i].x = right - places[i].x
		}
	}
}

// Row fills dst, a row of the color frame's width, with row y of src resampled, on the calling
// goroutine: for a pipeline that spreads frames, or parts of frames, over the cores itself. It
// panics when dst or src does not have the geometry's size or there is no such row. It is a little
// quicker where dst has a capacity of 16 values more, which it may overwrite.
func (r *Resampler) Row(dst []float32, src *plate.Gray, y int) {
	r.check(src.W, src.H)
	if len(dst) != r.g.ColorW || y < 0 || y >= r.g.ColorH {
		panic(fmt.Sprintf("align: Resampler.Row: row %d, %d pixels long, and the geometry's color frame has %dx%d", y, len(dst), r.g.ColorW, r.g.ColorH))
	}
	s := r.scratch.Get().(*scratch)
	r.row(dst, src.Pix, y, s)
	r.scratch.Put(s)
}

func (r *Resampler) rows(w, y0, y1 int, dst, src []float32) {
	s := r.scratch.Get().(*scratch)
	for y := y0; y < y1; y++ {
		i, j := y*w, (y+1)*w
		r.row(dst[i:j:j], src, y, s)
	}
	r.scratch.Put(s)
}

func (r *Resampler) row(dst, src []float32, y int, s *scratch) {
	if r.wx != nil || r.kernel == Bilinear {
		if s.line == nil {
			s.line = make([]place, r.g.ColorW)
		}
		r.g.line(y, s.line)
		if r.wx != nil {
			r.weightedRow(dst, src, s.line)
		} else {
			r.bilinearRow(dst, src, s.line)
		}
		return
	}
	n := len(dst)
	r.g.displacements(&s.places, y)
	if !r.g.Mirror {
		r.places(s, n, 0, 1)
		r.cubicRow(dst, src, y, s)
		return
	}
	// From right to left the band plate's pixels come in their order in memory.
	r.places(s, n, float32(n-1), -1)
	r.cubicRow(s.back[:n], src, y, s)
	for i, v := range s.back[:n] {
		dst[n-1-i] = v
	}
}

// places fills the n displacements of s, of the pixels x, x+step and so on.
func (r *Resampler) places(s *scratch, n int, x, step float32) {
	if !r.smooth {
		s.places.Places(s.dx[:n], s.dy[:n], x, step)
		return
	}
	s.places.Places(s.nodeX, s.nodeY, x, kernel.Apart*step)
	kernel.Spread(s.dx[:whole(n)], s.nodeX)
	kernel.Spread(s.dy[:whole(n)], s.nodeY)
}

// whole is n rounded up to what kernel.Spread fills at once.
func whole(n int) int {
	const at = 2 * kernel.Apart
	return (n + at - 1) / at * at
}

// displacements sets l to the places of the color pixels of row y, less the pixels themselves.
// Where the geometry is mirrored they are less the pixels counted from the right.
func (g *Geometry) displacements(l *kernel.MapLine, y int) {
	h, yy := &g.Homography, float64(y)
	w := [4]float64{h[8] + h[7]*yy, h[6], h[6], h[7]}
	dx := [7]float64{h[1]*yy + h[2], h[0] - h[7]*yy - h[8], -h[6], h[0], -h[6], h[1], -h[7]}
	dy := [4]float64{h[4]*yy + h[5] - yy*(h[7]*yy+h[8]), h[3] - yy*h[6], h[3] - yy*h[6], h[4] - yy*h[7]}
	if g.Mirror {
		more := float64(g.BandW - g.ColorW)
		for i := range dx {
			dx[i] = -dx[i]
		}
		dx[0] += more * w[0]
		dx[1] += more * w[1]
		dx[3] += more * w[2]
		dx[5] += more * w[3]
	}
	d := g.halfDiagonal()
	yc := yy - g.Center[1]
	*l = kernel.MapLine{Center: float32(g.Center[0]), YC: float32(yc), YC2: float32(yc * yc), Unit: float32(1 / (d * d)),
		K1: float32(g.Radial[0]), K2: float32(g.Radial[1])}
	for i, v := range w {
		l.W[i] = float32(v)
	}
	for i, v := range dx {
		l.X[i] = float32(v)
	}
	for i, v := range dy {
		l.Y[i] = float32(v)
	}
}

// straight returns over how many pixels of a row, up to 64, places stay within 1/128 of a pixel
// from a straight line. The kernel's slope has no steps, so that so small an error in where one
// pair of neighbors ends and the next begins changes the result by less than 2e-4.
func (g Geometry) straight() int {
	const (
		n     = 16       // places along each axis
		most  = 64       // pixels
		apart = 1. / 128 // of a pixel
	)
	bend := 0.0
	for _, p := range g.Grid(n + 1) {
		x0, y0 := g.Map(p.Color[0]-1, p.Color[1])
		x2, y2 := g.Map(p.Color[0]+1, p.Color[1])
		bend = math.Max(bend, math.Max(math.Abs(x0-2*p.Band[0]+x2), math.Abs(y0-2*p.Band[1]+y2)))
	}
	// An arc of length s deviates from its chord by s^2/8 times its curvature, which may be up to
	// twice as large between the points that were looked at.
	return int(math.Max(1, math.Min(most, math.Sqrt(8*apart/(2*bend)))))
}

// smooth reports whether a parabola through three places of a row, kernel.Apart pixels apart, is
// within 1e-4 of a pixel of those between them. It is off by t (t - h) (t - 2h) / 6 times the third
// derivative (Abramowitz and Stegun 1964, 25.2.3; not checked against the source), which is at most
// 0.0642 of the third difference.
func (g Geometry) smooth() bool {
	const (
		n, h  = 16, kernel.Apart
		third = 0.0642 // of the third difference
		apart = 1e-4   // of a pixel
	)
	for j := range n + 1 {
		y := float64(g.ColorH-1) * float64(j) / n
		// A row that is mirrored has its nodes from the right on: so those beyond both ends count.
		for x := -2. * h; x < float64(g.ColorW)+h; x += h {
			x0, y0 := g.Map(x-h, y)
			x1, y1 := g.Map(x, y)
			x2, y2 := g.Map(x+h, y)
			x3, y3 := g.Map(x+2*h, y)
			if dx, dy := x3-3*x2+3*x1-x0, y3-3*y2+3*y1-y0; !(third*math.Hypot(dx, dy) < apart/2) { // the difference may be greater between the rows
				return false
			}
		}
	}
	return true
}

// cubicRow fills dst, row y, with src at the places of s. It goes by runs of pixels that stand
// between the same neighbors but for their own movement along the row: with nearly parallel cameras
// these are long.
func (r *Resampler) cubicRow(dst, src []float32, y int, s *scratch) {
	w, h := r.g.BandW, r.g.BandH
	n := len(dst)
	s.runs = s.runs[:0]
	for i := 0; i < n; {
		ox, oy := math.Floor(float64(s.dx[i])), math.Floor(float64(s.dy[i]))
		j := r.run(s, n, i, ox, oy)
		x, y := pixel(ox)-1, y+pixel(oy)-1 // where the neighbors of pixel 0 would begin
		// The part that has all its neighbors within the plate.
		if lo, hi := max(i, -x), min(j, w-3-x); lo < hi && y >= 0 && y <= h-4 {
			s.runs = append(s.runs, kernel.Run{From: lo, To: hi, At: y*w + x + lo, X: float32(ox), Y: float32(oy)})
		}
		i = j
	}
	kernel.Cubic(dst, src, w, s.dx[:n], s.dy[:n], s.runs)
	// What is between the runs comes after them, for they may write beyond their ends.
	done := 0
	for _, run := range s.runs {
		r.border(dst, src, y, done, run.From, s)
		done = run.To
	}
	r.border(dst, src, y, done, n, s)
}

// border fills dst, row y, from pixel i up to but not including end, where some of the neighbors
// are beyond the plate: from a strip of four rows in which its outermost pixels are repeated.
func (r *Resampler) border(dst, src []float32, y, i, end int, s *scratch) {
	w, h := r.g.BandW, r.g.BandH
	for i < end {
		ox, oy := math.Floor(float64(s.dx[i])), math.Floor(float64(s.dy[i]))
		run := kernel.Run{From: i, To: r.run(s, end, i, ox, oy), X: float32(ox), Y: float32(oy)}
		n := run.To - run.From + 3
		if len(s.strip) < 4*n {
			s.strip = make([]float32, 4*(r.g.ColorW+3))
		}
		x, y := i+pixel(ox)-1, y+pixel(oy)-1
		for j := range 4 {
			row := src[min(max(y+j, 0), h-1)*w:][:w]
			for k := range s.strip[j*n:][:n] {
				s.strip[j*n+k] = row[min(max(x+k, 0), w-1)]
			}
		}
		kernel.Cubic(dst[:run.To:run.To], s.strip, n, s.dx[:end], s.dy[:end], []kernel.Run{run})
		i = run.To
	}
}

// pixel is v as an int, or one far outside of every plate where it is farther away.
func pixel(v float64) int {
	const far = 1 << 24
	if !(v > -far) {
		return -far
	}
	if v > far {
		return far
	}
	return int(v)
}

// run returns the end of the run that begins at i, in a row of n pixels: how far ox and oy stay the
// whole numbers below the displacements. Those are taken to change evenly over r.step pixels: see
// straight.
func (r *Resampler) run(s *scratch, n, i int, ox, oy float64) int {
	for i < n-1 {
		j := min(i+r.step, n-1)
		x, y := float64(s.dx[j])-ox, float64(s.dy[j])-oy
		part, down := leaves(float64(s.dx[i])-ox, x), leaves(float64(s.dy[i])-oy, y)
		if down < part {
			part = down
		}
		if part <= 1 {
			return min(i+1+int(part*float64(j-i)), j)
		}
		i = j
	}
	return n
}

// leaves returns at which part of the way from a, which is between 0 and 1, to b that is left;
// beyond 1 if it is not.
func leaves(a, b float64) float64 {
	switch {
	case b >= 1:
		return (1 - a) / (b - a)
	case b < 0:
		return a / (a - b)
	}
	return 2
}

// within returns v, or the nearer of low and high where it is not between them; low for what is no
// number, as a place that radial terms send through infinity is.
func within(v, low, high float64) float64 {
	if !(v > low) {
		return low
	}
	return min(v, high)
}

func (r *Resampler) weightedRow(dst, src []float32, line []place) {
	w, h := r.g.BandW, r.g.BandH
	for i, p := range line {
		// Beyond the kernel's reach all taps are the border's pixel already.
		x0, wx := r.wx.at(within(p.x, float64(-r.wx.n), float64(w+r.wx.n)))
		y0, wy := r.wy.at(within(p.y, float64(-r.wy.n), float64(h+r.wy.n)))
		inside := x0 >= 0 && x0+len(wx) <= w
		var sum float32
		for j, v := range wy {
			row := src[min(max(y0+j, 0), h-1)*w:][:w]
			var s float32
			if inside {
				for k, q := range row[x0 : x0+len(wx)] {
					s += wx[k] * q
				}
			} else {
				for k, u := range wx {
					s += u * row[min(max(x0+k, 0), w-1)]
				}
			}
			sum += v * s
		}
		dst[i] = sum
	}
}

func (r *Resampler) bilinearRow(dst, src []float32, line []place) {
	w, h := r.g.BandW, r.g.BandH
	for i, p := range line {
		x, y := within(p.x, 0, float64(w-1)), within(p.y, 0, float64(h-1))
		x0, y0 := int(x), int(y)
		x1, y1 := min(x0+1, w-1), min(y0+1, h-1)
		u, v := float32(x-float64(x0)), float32(y-float64(y0))
		a, b := src[y0*w:][:w], src[y1*w:][:w]
		dst[i] = (1-v)*((1-u)*a[x0]+u*a[x1]) + v*((1-u)*b[x0]+u*b[x1])
	}
}
