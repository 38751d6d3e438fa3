package composite

import (
	"cmp"
	"fmt"
	"math"
	"sync"

	"example.com/twinplate/internal/blur"
	"example.com/twinplate/internal/kernel"
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
	turn                   *turning  // nil: the picture is upright
	scratch                sync.Pool // of *[]float32: a row of the picture, srcW long
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
	if f.turn != nil {
		f.turn.planes(dst, src, f.dstW, f.dstH)
	} else {
		for c := range dst {
			f.plane(dst[c], src[c])
		}
	}
	for c := range dst {
		f.soft.Plane(dst[c])
	}
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
	picture, frame := plate.RGB{W: f.srcW, H: f.srcH}, plate.RGB{W: f.dstW, H: f.dstH}
	if err := plate.CheckSize("source", src.Size(), "picture that the Fitter was prepared for", picture.Size()); err != nil {
		return nil, err
	}
	if dst == nil {
		return plate.NewRGB(f.dstW, f.dstH), nil
	}
	return dst, plate.CheckSize("destination", dst.Size(), "frame that the Fitter was prepared for", frame.Size())
}

// plane fits one plane. Each row of the frame is first gathered from rows of the picture and then
// resampled along itself, so that nothing larger than one row is held between.
func (f *Fitter) plane(dst, src []float32) {
	if f.copies {
		copy(dst, src)
		return
	}
	x0, x1 := f.cols.reach()
	parallel.Rows(f.dstW, f.dstH, func(y0, y1 int) {
		buf, _ := f.scratch.Get().(*[]float32)
		if buf == nil {
			buf = new([]float32)
			*buf = make([]float32, f.srcW)
		}
		defer f.scratch.Put(buf)
		for y := y0; y < y1; y++ {
			out := dst[y*f.dstW : (y+1)*f.dstW]
			first, weights := f.rows.at(y)
			if len(weights) == 0 || x0 == x1 {
				clear(out)
				continue
			}
			kernel.Blend((*buf)[x0:x1], src[first*f.srcW+x0:], f.srcW, weights)
			f.cols.resample(out, *buf)
		}
	})
}

// Taps say, for each pixel of a row of the frame, which pixels of the picture's row make it and
// with what weights. Weights of 0 are left off at both ends, so that a pixel moved by whole pixels
// is copied exactly.
type taps struct {
	first   []int32 // the first pixel of the picture
	start   []int32 // where the weights begin; one more entry than pixels
	weights []float32
}

// at returns the taps of pixel i.
func (t *taps) at(i int) (first int, weights []float32) {
	return int(t.first[i]), t.weights[t.start[i]:t.start[i+1]]
}

// reach returns the pixels of the picture that are used at all: from x0 to before x1.
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

// resample sets out from line.
func (t *taps) resample(out, line []float32) {
	for i := range out {
		first, w := t.at(i)
		if len(w) == 4 {
			l := line[first : first+4 : first+4]
			out[i] = float32(w[0]*l[0]) + float32(w[1]*l[1]) + float32(w[2]*l[2]) + float32(w[3]*l[3])
			continue
		}
		var sum float32
		for k, l := range line[first : first+len(w)] {
			sum += float32(w[k] * l)
		}
		out[i] = sum
	}
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
	return t
}
