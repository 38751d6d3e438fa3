package composite

import (
	"math"

	"example.com/twinplate/internal/kernel"
)

// A turning lays a picture over the frame at an angle. Where the picture shrinks it is first made
// smaller upright, so that detail too fine for the frame is averaged; then the same cubic as a
// Fitter's goes once over it.
type turning struct {
	shrink   *Fitter // nil: the picture does not shrink
	w, h     int     // of what is turned
	x, y     float64 // its center in the frame, in pixels from the frame's left and top edges
	fw, fh   float64 // its size in the frame
	sin, cos float64
}

func newTurning(srcW, srcH int, left, top, sx, sy, degrees float64) (*turning, error) {
	sin, cos := math.Sincos(degrees * math.Pi / 180)
	t := &turning{w: srcW, h: srcH, fw: sx * float64(srcW), fh: sy * float64(srcH), sin: sin, cos: cos}
	t.x, t.y = left+t.fw/2, top+t.fh/2
	t.w, t.h = max(int(math.Round(min(t.fw, float64(srcW)))), 1), max(int(math.Round(min(t.fh, float64(srcH)))), 1)
	var err error
	if t.w != srcW || t.h != srcH {
		t.shrink, err = NewFitter(srcW, srcH, t.w, t.h, Fit{Mode: Stretch})
	}
	return t, err
}

// at returns the place in what is turned that a pixel of the frame shows, whole numbers at pixel
// centers, and how much of the pixel it covers.
func (t *turning) at(x, y int) (u, v float64, cover float32) {
	dx, dy := float64(x)+0.5-t.x, float64(y)+0.5-t.y
	a, b := dx*t.cos+dy*t.sin, dy*t.cos-dx*t.sin
	unit := func(v float64) float64 { return min(max(v, 0), 1) }
	// The border's width is that of a pixel: exact where it is upright, and near it otherwise.
	cover = float32(unit(t.fw/2-math.Abs(a)+0.5) * unit(t.fh/2-math.Abs(b)+0.5))
	return (a/t.fw+0.5)*float64(t.w) - 0.5, (b/t.fh+0.5)*float64(t.h) - 0.5, cover
}

// row sets row y of each plane of the frame from planes of what is turned.
func (t *turning) row(dst, src [][]float32, y int) {
	left, right, from, to := t.within(y, len(dst[0]))
	for c := range dst {
		clear(dst[c][:left])
		clear(dst[c][right:])
	}
	if from < to {
		inside := make([][]float32, len(dst))
		for c := range dst {
			inside[c] = dst[c][from:to]
		}
		t.slant(y).At(from).Cubic(inside, src, t.w)
	}
	for x := left; x < from; x++ {
		t.pixel(dst, src, x, y)
	}
	for x := to; x < right; x++ {
		t.pixel(dst, src, x, y)
	}
}

// step returns how far a pixel of a row is from the one before in what is turned.
func (t *turning) step() (du, dv float64) {
	return t.cos / t.fw * float64(t.w), -t.sin / t.fh * float64(t.h)
}

// slant returns where the pixels of a row lie in what is turned.
func (t *turning) slant(y int) kernel.Slant {
	whole := func(v float64) int64 { return int64(math.Round(v * kernel.Whole)) }
	u, v, _ := t.at(0, y)
	du, dv := t.step()
	return kernel.Slant{X: whole(u), Y: whole(v), DX: whole(du), DY: whole(dv)}
}

// within returns which pixels of a row of w the picture may reach, up to right, and which it covers
// whole, and with all their neighbors, up to to.
func (t *turning) within(y, w int) (left, right, from, to int) {
	u, v, _ := t.at(0, y)
	du, dv := t.step()
	// The border's half pixel, and the neighbors: one before and two after.
	edgeX, edgeY := 0.5*float64(t.w)/t.fw, 0.5*float64(t.h)/t.fh
	most := func(edge float64, n int) (low, high float64) {
		return max(edge-0.5, 1), min(float64(n)-0.5-edge, float64(n-2))
	}
	lowX, highX := most(edgeX, t.w)
	lowY, highY := most(edgeY, t.h)
	const rounding = 1e-6 // of a pixel: more than a Slant's, over the widest row
	from, to = stretch(w, line{u, du, lowX + rounding, highX - rounding}, line{v, dv, lowY + rounding, highY - rounding})
	left, right = stretch(w, line{u, du, -0.5 - edgeX - rounding, float64(t.w) - 0.5 + edgeX + rounding}, line{v, dv, -0.5 - edgeY - rounding, float64(t.h) - 0.5 + edgeY + rounding})
	if from >= to {
		from, to = right, right
	}
	return left, right, from, to
}

// A line is at a place, moves on by step with each pixel, and is wanted between low and high.
type line struct{ at, step, low, high float64 }

// stretch returns the pixels of w, up to to, in which all lines are where they are wanted; from is
// to where there are none.
func stretch(w int, lines ...line) (from, to int) {
	low, high := 0., float64(w)
	for _, l := range lines {
		least, most := l.low-l.at, l.high-l.at
		switch {
		case l.step < 0:
			least, most = most, least
			fallthrough
		case l.step > 0:
			low, high = max(low, math.Ceil(least/l.step)), min(high, math.Floor(most/l.step)+1)
		case least > 0 || most < 0:
			high = low
		}
	}
	if !(low < high) {
		return 0, 0
	}
	return int(low), int(high)
}

// pixel sets pixel x of row y, anywhere.
func (t *turning) pixel(dst, src [][]float32, x, y int) {
	u, v, cover := t.at(x, y)
	if cover == 0 {
		for c := range dst {
			dst[c][x] = 0
		}
		return
	}
	x0, y0 := int(math.Floor(u))-1, int(math.Floor(v))-1
	var across, down [4]float32
	var columns [4]int
	for k := range 4 {
		across[k] = float32(kernel.Keys(float64(x0+k) - u))
		down[k] = float32(kernel.Keys(float64(y0+k)-v)) * cover
		columns[k] = min(max(x0+k, 0), t.w-1)
	}
	for c := range dst {
		var sum float32
		for k := range 4 {
			row := src[c][min(max(y0+k, 0), t.h-1)*t.w:]
			sum += float32(down[k] * (float32(across[0]*row[columns[0]]) + float32(across[1]*row[columns[1]]) + float32(across[2]*row[columns[2]]) + float32(across[3]*row[columns[3]])))
		}
		dst[c][x] = sum
	}
}
