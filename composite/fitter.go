package composite

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"sync"

	"example.com/twinplate/internal/blur"
	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// A Fitter resamples pictures of one size to frames of another. It holds the weights, prepared once
// for the sizes and the fit. It is safe to use concurrently.
//
// The filter is Keys's cubic convolution with a = -1/2 (Catmull and Rom's spline), for rows and
// columns apart. Where the picture shrinks, the filter is widened by as much, so that detail too
// fine for the frame is averaged and does not alias. Weights that would fall outside the picture
// are left out, and the rest scaled to make up for them. Where the picture's edge divides a pixel
// of the frame, that pixel is black in proportion. The picture is in linear light, as it must be
// for averages to be right; as with any cubic, values next to a hard edge overshoot a little, below
// 0 where the dark side is black.
type Fitter struct {
	srcW, srcH, dstW, dstH int
	copies                 bool // the picture lies in the frame as it is
	cols, rows             taps
	soft                   *blur.Gaussian
	lines                  []blur.Sum // of the picture's rows, that soft convolves along themselves
	turn                   *turning   // nil: the picture is upright
	pool                   sync.Pool  // of *Fitted
}

// NewFitter prepares to fit pictures of srcW by srcH pixels to frames of dstW by dstH. All four
// must be 1 to
// 65536. The error says which size or which field of f is not valid, and why.
func NewFitter(srcW, srcH, dstW, dstH int, f Fit) (*Fitter, error) {
	if err := cmp.Or(checkSides("picture", srcW, srcH), checkSides("frame", dstW, dstH), f.Check()); err != nil {
		return nil, err
	}
	left, top, sx, sy := f.place(srcW, srcH, dstW, dstH)
	out := &Fitter{srcW: srcW, srcH: srcH, dstW: dstW, dstH: dstH, soft: blur.NewGaussian(dstW, dstH, f.Softness)}
	if math.Mod(f.Turn, 360) != 0 {
		var err error
		out.turn, err = newTurning(srcW, srcH, left, top, sx, sy, f.Turn)
		return out, err
	}
	out.copies = srcW == dstW && srcH == dstH && left == 0 && top == 0 && sx == 1 && sy == 1
	out.cols, out.rows = newTaps(srcW, dstW, left, sx), newTaps(srcH, dstH, top, sy)
	out.cols.four()
	out.lines = out.soft.Rows()
	if !out.copies {
		out.lines = list.Of(out.lines, out.rows.sum)
	}
	return out, nil
}

func checkSides(name string, w, h int) error {
	if w < 1 || h < 1 || w > maxSide || h > maxSide {
		return fmt.Errorf("composite: the %s is %dx%d pixels, and each side must be 1 to %d", name, w, h, maxSide)
	}
	return nil
}

// Same reports whether sizes, scale and place are the same, so that a fitted picture is the
// picture.
func (f *Fitter) Same() bool { return f.copies && f.soft.None() }

// Coverage returns how much of each pixel of the frame the picture reaches, 0 to 1: the alpha of
// what RGB returns.
func (f *Fitter) Coverage() *plate.Gray {
	out := plate.NewGray(f.dstW, f.dstH)
	if f.turn != nil {
		for i := range out.Pix {
			_, _, out.Pix[i] = f.turn.at(i%out.W, i/out.W)
		}
		f.soft.Plane(out.Pix)
		return out
	}
	cover := func(t *taps) []float32 {
		parts := make([]float32, len(t.first))
		for i := range parts {
			_, weights := t.at(i)
			var sum float64
			for _, w := range weights {
				sum += float64(w)
			}
			const rounding = 1e-6 // of a sum of float32 weights
			if parts[i] = float32(sum); math.Abs(sum-1) < rounding {
				parts[i] = 1
			}
		}
		return parts
	}
	across, down := cover(&f.cols), cover(&f.rows)
	for i := range out.Pix {
		out.Pix[i] = across[i%out.W] * down[i/out.W]
	}
	f.soft.Plane(out.Pix)
	return out
}

// RGB returns src fitted to the frame. The part of the frame that src does not reach is black.
// Where sizes, scale and place are the same the result is a copy, to the bit.
//
// The result is written to dst, which must not be src, and is returned; a nil dst means a new
// frame. The error is a *plate.SizeError: src or dst is not of the size that the Fitter was
// prepared for; dst is then untouched.
func (f *Fitter) RGB(dst, src *plate.RGB) (*plate.RGB, error) {
	dst, err := f.target(dst, src)
	if err != nil {
		return nil, err
	}
	f.planes(dst.Pix[:], src.Pix[:])
	return dst, nil
}

// planes fits planes of one picture.
func (f *Fitter) planes(dst, src [][]float32) {
	r, _ := f.pool.Get().(*Fitted)
	if r == nil {
		r = new(Fitted)
	}
	defer f.pool.Put(r)
	r.begin(f, src)
	r.planes(dst)
}

// RGBA is RGB for a premultiplied layer: what src does not reach is transparent. Alpha is clamped
// to 0 to 1 where the filter overshoots.
func (f *Fitter) RGBA(dst, src *plate.RGBA) (*plate.RGBA, error) {
	if dst == nil {
		dst = plate.NewRGBA(f.dstW, f.dstH)
	}
	if _, err := f.RGB(&dst.RGB, &src.RGB); err != nil {
		return nil, err
	}
	f.planes([][]float32{dst.A}, [][]float32{src.A})
	if !f.Same() {
		for i, a := range dst.A {
			dst.A[i] = min(max(a, 0), 1)
		}
	}
	return dst, nil
}

func (f *Fitter) target(dst, src *plate.RGB) (*plate.RGB, error) {
	if err := f.check(src); err != nil {
		return nil, err
	}
	if dst == nil {
		return plate.NewRGB(f.dstW, f.dstH), nil
	}
	frame := plate.RGB{W: f.dstW, H: f.dstH}
	return dst, plate.CheckSize("destination", dst.Size(), "frame that the Fitter was prepared for", frame.Size())
}

func (f *Fitter) check(src *plate.RGB) error {
	picture := plate.RGB{W: f.srcW, H: f.srcH}
	return plate.CheckSize("source", src.Size(), "picture that the Fitter was prepared for", picture.Size())
}

// A Fitted picture is one as a Fitter lays it in the frame, row by row, so that the frame need not
// be in memory. Its memory goes from one picture to the next. The zero value is ready for Begin. It
// is not safe for concurrent use.
type Fitted struct {
	f      *Fitter
	src    [][]float32 // planes of the picture; where it is turned, of the size that this has there
	shrunk [][]float32 // those, where the picture shrinks
	turned [][]float32 // planes of the frame, where it is soft too
	soft   []blur.Soft
	buffer [][]float32  // a row of each plane of the picture
	out    [3][]float32 // of Row
}

// Begin has it be src as f lays it, or as nothing if the error says that src is not of the size
// that f was prepared for. Src must stay as it is while rows are asked for.
func (r *Fitted) Begin(f *Fitter, src *plate.RGB) error {
	if err := f.check(src); err != nil {
		return err
	}
	r.begin(f, src.Pix[:])
	return nil
}

// Row returns row y of the frame, as RGB has it, to the bit. It is quickest from the top. The rows
// are the Fitted's own, and the next one overwrites them.
func (r *Fitted) Row(y int) [3][]float32 {
	for c := range r.out {
		r.out[c] = slices.Grow(r.out[c][:0], r.f.dstW)[:r.f.dstW]
	}
	if r.f.soft.None() {
		r.row(r.out[:], &r.buffer, y)
		return r.out
	}
	for c := range r.out {
		r.soft[c].Row(r.out[c], y)
	}
	return r.out
}

// RGB is Fitter.RGB of the picture.
func (r *Fitted) RGB(dst *plate.RGB) *plate.RGB {
	dst = dst.Sized(image.Pt(r.f.dstW, r.f.dstH))
	r.planes(dst.Pix[:])
	return dst
}

// begin does what must be done to the picture as a whole.
func (r *Fitted) begin(f *Fitter, src [][]float32) {
	r.f, r.src = f, src
	if t := f.turn; t != nil && t.shrink != nil {
		r.shrunk = sized(r.shrunk, len(src), t.w*t.h)
		t.shrink.planes(r.shrunk, src)
		r.src = r.shrunk
	}
	if f.soft.None() {
		return
	}
	src = r.src
	lines, left := blur.Crisp{W: f.srcW, Stride: f.srcW, Rows: f.lines}, 0
	switch {
	case f.turn != nil:
		r.turned = sized(r.turned, len(src), f.dstW*f.dstH)
		r.fit(r.turned)
		src, lines = r.turned, blur.Crisp{W: f.dstW, Stride: f.dstW, Rows: f.soft.Rows()}
	case !f.copies:
		lines.W, lines.Across, left = f.cols.to-f.cols.from, f.cols.resample, f.cols.from
	}
	if len(r.soft) < len(src) {
		r.soft = make([]blur.Soft, len(src))
	}
	for c := range src {
		lines.Pix = src[c][left:]
		r.soft[c].Begin(f.soft, lines)
	}
}

// sized returns n planes of so many values, which are planes where those have room.
func sized(planes [][]float32, n, values int) [][]float32 {
	if len(planes) != n || cap(planes[0]) < values {
		return list.Rows[float32](n, values)
	}
	for c := range planes {
		planes[c] = planes[c][:values]
	}
	return planes
}

// planes sets all rows of planes of the frame.
func (r *Fitted) planes(dst [][]float32) {
	if r.f.soft.None() {
		r.fit(dst)
		return
	}
	for c := range dst {
		r.soft[c].Plane(dst[c])
	}
}

// fit is planes without softness.
func (r *Fitted) fit(dst [][]float32) {
	w := r.f.dstW
	parallel.Rows(w, r.f.dstH, func(y0, y1 int) {
		row := make([][]float32, len(dst))
		var buffer [][]float32
		if y0 == 0 {
			buffer = r.buffer
			defer func() { r.buffer = buffer }()
		}
		for y := y0; y < y1; y++ {
			for c := range dst {
				row[c] = dst[c][y*w : (y+1)*w]
			}
			r.row(row, &buffer, y)
		}
	})
}

// row sets row y of each plane, without softness. Each is first gathered from rows of the picture
// and then resampled along itself, so that nothing larger than one row is held between.
func (r *Fitted) row(dst [][]float32, buffer *[][]float32, y int) {
	f := r.f
	if f.turn != nil {
		f.turn.row(dst, r.src, y)
		return
	}
	n := f.cols.to - f.cols.from
	first, weights := f.rows.at(y)
	switch {
	case f.copies:
		for c := range dst {
			copy(dst[c], r.src[c][y*f.srcW:])
		}
	case len(weights) == 0 || n == 0:
		for c := range dst {
			clear(dst[c])
		}
	default:
		*buffer = sized(*buffer, len(dst), n)
		for c, line := range *buffer {
			kernel.Blend(line, r.src[c][first*f.srcW+f.cols.from:], f.srcW, weights)
		}
		f.cols.planes(dst, *buffer)
	}
}

// Taps say, for each pixel of a row of the frame, which pixels of the picture's row make it and
// with what weights. Weights of 0 are left off at both ends, so that a pixel moved by whole pixels
// is copied exactly.
type taps struct {
	first    []int32 // the first pixel of the picture
	start    []int32 // where the weights begin; one more entry than pixels
	weights  []float32
	from, to int // the pixels of the picture that are used at all: up to before to

	fours *kernel.Fours // the same where no pixel has more than four weights; or nil
}

// at returns the taps of pixel i.
func (t *taps) at(i int) (first int, weights []float32) {
	return int(t.first[i]), t.weights[t.start[i]:t.start[i+1]]
}

// reach finds the pixels of the picture that are used at all.
func (t *taps) reach() (x0, x1 int) {
	for i := range t.first {
		first, weights := t.at(i)
		if n := len(weights); n > 0 {
			if x0 == x1 {
				x0, x1 = first, first+n
			}
			x0, x1 = min(x0, first), max(x1, first+n)
		}
	}
	return x0, x1
}

// sum returns a sum of pixels of the frame as one of the picture's.
func (t *taps) sum(s blur.Sum) blur.Sum {
	from, to := 0, 0
	for i := range s.Weights {
		if first, weights := t.at(s.First + i); len(weights) > 0 {
			if from == to {
				from, to = first, first+len(weights)
			}
			from, to = min(from, first), max(to, first+len(weights))
		}
	}
	sums := make([]float64, to-from)
	for i, v := range s.Weights {
		first, weights := t.at(s.First + i)
		for k, w := range weights {
			sums[first+k-from] += float64(v) * float64(w)
		}
	}
	return blur.Sum{First: from, Weights: list.Of(sums, func(v float64) float32 { return float32(v) })}
}

// resample sets out from the part of a line that is used.
func (t *taps) resample(out, line []float32) {
	if t.fours != nil {
		t.fours.Row(out, line)
		return
	}
	for i := range out {
		first, w := t.at(i)
		var sum float32
		for k, l := range line[first-t.from : first-t.from+len(w)] {
			sum += float32(w[k] * l)
		}
		out[i] = sum
	}
}

// planes is resample for a line of each plane.
func (t *taps) planes(out, lines [][]float32) {
	if t.fours != nil && len(out) == 3 {
		t.fours.Three((*[3][]float32)(out), (*[3][]float32)(lines))
		return
	}
	for c := range out {
		t.resample(out[c], lines[c])
	}
}

// four finds the Fours.
func (t *taps) four() {
	n := t.to - t.from
	at, four := make([]int32, len(t.first)), make([][4]float32, len(t.first))
	for i := range at {
		first, weights := t.at(i)
		// Neighbors that are in the line, of which the first and the last ones may count nothing.
		k := max(min(first-t.from, n-len(four[i])), 0)
		switch {
		case i > 0 && len(weights) == 0:
			k = int(at[i-1])
		case i > 0:
			k = min(k, int(at[i-1])+1)
		}
		at[i] = int32(k)
		if len(weights) > 0 {
			if k = first - t.from - k; k+len(weights) > len(four[i]) {
				return
			}
			copy(four[i][k:], weights)
		}
	}
	t.fours = kernel.NewFours(n, at, four)
}

// newTaps lays src pixels over dst, enlarged by scale, from the place edge on.
func newTaps(src, dst int, edge, scale float64) taps {
	// Of a pixel, and of a weight of about 1: far above float64's, and far below what shows.
	const rounding = 1e-9
	t := taps{first: make([]int32, dst), start: make([]int32, dst+1)}
	wide := max(1, 1/scale) // the filter's unit in pixels of the picture
	far := edge + scale*float64(src)
	var w []float64
	for i := range dst {
		// The part of this pixel that the picture covers. Rounding must not shave the picture's own
		// edge.
		from, to := max(float64(i), edge), min(float64(i+1), far)
		cover, middle := to-from, (from+to)/2
		if cover > 1-rounding {
			cover, middle = 1, float64(i)+0.5
		}
		t.start[i+1] = int32(len(t.weights))
		if cover < rounding {
			continue
		}
		center := (middle-edge)/scale - 0.5 // in the picture, whole numbers at pixel centers
		first := max(0, int(math.Ceil(center-2*wide)))
		last := min(src-1, int(math.Floor(center+2*wide)))
		w = w[:0]
		sum := 0.0
		for j := first; j <= last; j++ {
			v := kernel.Keys((float64(j) - center) / wide)
			w = append(w, v)
			sum += v
		}
		for len(w) > 0 && math.Abs(w[0]) < rounding {
			w, first = w[1:], first+1
		}
		for len(w) > 0 && math.Abs(w[len(w)-1]) < rounding {
			w = w[:len(w)-1]
		}
		t.first[i] = int32(first)
		for _, v := range w {
			t.weights = append(t.weights, float32(v/sum*cover))
		}
		t.start[i+1] = int32(len(t.weights))
	}
	t.from, t.to = t.reach()
	return t
}
