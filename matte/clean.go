package matte

import (
	"errors"
	"image"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A Clean is a clean band plate that nobody shot, rebuilt from a take.
type Clean struct {
	Band   *plate.Gray // as shot: with the dark plate
	Seen   float64     // the part of the frame, 0 to 1, that was certainly screen in at least one frame; the rest is filled
	Frames int         // how many frames it was rebuilt from
	Sigma  float64     // relative standard deviation of a pixel in one frame, about the plate: the noise, mostly

	// Off is by how much the smooth screen is off where the frames show it, as a relative standard
	// deviation, and Veil by how much the plate is below it for another reason. Where the plate
	// differs because the smooth screen is wrong it does so both ways; smoke that is taken for
	// screen only makes it darker.
	Off, Veil float64
}

// Veiled reports whether the plate is expected to be further from the truth than the smooth screen
// that it was rebuilt with: a veil has darkened it by more than twice what the smooth screen is off
// by, so that the spread of the places seen, which both are taken from, does not decide.
func (c *Clean) Veiled() bool { return c.Veil > 2*c.Off }

// CleanFromTake rebuilds the clean band plate from frames of a take in which the performer moves.
// The screen, from FitScreen, says roughly what the plate must be like; each pixel then gets the
// mean over the frames in which it is certainly screen, with each frame's gain taken out and the
// noise averaged over 7x7 pixels. Pixels that are never certainly screen are filled smoothly from
// around them, by the screen's shape. The dark plate may be nil. The brightness is that of the
// first frame's lamps, as the screen's.
//
// ErrNoScreen means that no frame has a part that is certainly screen. An error says which plate
// has another size than the screen.
func CleanFromTake(frames []Sample, screen *Screen, dark *plate.Gray) (*Clean, error) {
	if dark != nil {
		if err := plate.CheckSize("dark band plate", dark.Size(), "screen", image.Pt(screen.W, screen.H)); err != nil {
			return nil, err
		}
	}
	model := screen.CleanBand(dark)
	solver, err := NewSolver(screen.W, screen.H, References{CleanBand: model, DarkBand: dark}, nil)
	if err != nil {
		return nil, err
	}
	b := &rebuild{w: screen.W, h: screen.H, ratio: plate.NewGray(screen.W, screen.H)}
	b.ratio.Fill(1)
	for k, f := range frames {
		u, g, err := solver.open(k, f)
		if errors.Is(err, ErrNoScreen) {
			continue
		} else if err != nil {
			return nil, err
		}
		b.frames = append(b.frames, u)
		b.gains = append(b.gains, g.Value)
	}
	if len(b.frames) == 0 {
		return nil, ErrNoScreen
	}
	smooth := list.Of(b.frames, func(f *plate.Gray) *plate.Gray { return boxMean(f, 1) })
	for range 2 {
		b.level(smooth)
		b.regain()
	}
	sum, count := b.gather()
	out := &Clean{Band: model, Frames: len(b.frames), Sigma: b.sigma}
	for _, n := range count.Pix {
		if n > 0 {
			out.Seen++
		}
	}
	out.Seen /= float64(len(count.Pix))
	b.fill(sum, count)
	out.Off, out.Veil = b.spread(count)
	for i, r := range b.ratio.Pix {
		v := model.Pix[i]
		if dark != nil {
			v = (v-dark.Pix[i])*r + dark.Pix[i]
		} else {
			v *= r
		}
		model.Pix[i] = v
	}
	return out, nil
}

// A rebuild is a clean plate in the making.
type rebuild struct {
	w, h   int
	frames []*plate.Gray // band over the model: gain times transmission times what the model is off by
	gains  []float64
	ratio  *plate.Gray // what the model is to be multiplied by
	sigma  float64
}

// level renews the ratio, coarsely, from means over 3x3 pixels of the frames: over all frames of a
// block of pixels, the screen is the topmost peak.
func (b *rebuild) level(smooth []*plate.Gray) {
	// Where no reason stands beside one, these are chosen by hand; not measured by itself.
	const (
		blocksAcross, leastSide = 48, 6 // blocks, and pixels of a block's side

		// The histogram of what the model is off by: 30 % about 1, in steps well below the noise of
		// one pixel. The peak is over a window of 2.5 %, and the mean over one of 4 %.
		bins, width, from = 120, 0.0025, 0.85
		window, about     = 5, 8
		// One pixel of a block in so many must be in the window, of all frames together.
		fewest = 3

		around = 2    // blocks to either side that a block is held against
		lower  = 0.03 // part by which one that has seen only a veil differs from them
	)
	side := max(b.w/blocksAcross, leastSide)
	across, down := (b.w+side-1)/side, (b.h+side-1)/side
	coarse := plate.NewGray(across, down)
	known := make([]bool, across*down)
	parallel.Each(across*down, func(at int) {
		bx, by := at%across, at/across
		var count [bins]int
		for k, f := range smooth {
			scale := float32(1 / b.gains[k])
			for y := by * side; y < min((by+1)*side, b.h); y++ {
				for _, v := range f.Pix[y*b.w+bx*side : y*b.w+min((bx+1)*side, b.w)] {
					if n := (v*scale - from) / width; n >= 0 && n < bins {
						count[int(n)]++
					}
				}
			}
		}
		// As for the gain: over a window of 2.5 %, the higher of two peaks alike.
		best, peak := 0, 0
		for n := window; n < bins-window; n++ {
			sum := 0
			for _, c := range count[n-window : n+window+1] {
				sum += c
			}
			if sum > 0 && sum >= best {
				best, peak = sum, n
			}
		}
		if best < side*side/fewest {
			return
		}
		var sum, n float64
		for j := max(peak-about, 0); j < min(peak+about+1, bins); j++ {
			sum += float64(count[j]) * (from + (float64(j)+0.5)*width)
			n += float64(count[j])
		}
		coarse.Pix[at], known[at] = float32(sum/n), true
	})
	// A block that has only seen a veil lies below those about it.
	was := slices.Clone(known)
	for i, v := range coarse.Pix {
		x, y := i%across, i/across
		var near []float32
		for dy := max(y-around, 0); dy < min(y+around+1, down); dy++ {
			for dx := max(x-around, 0); dx < min(x+around+1, across); dx++ {
				if j := dy*across + dx; was[j] && j != i {
					near = append(near, coarse.Pix[j])
				}
			}
		}
		if len(near) > 0 && math.Abs(float64(v/robust.Median(near))-1) > lower {
			known[i] = false
		}
	}
	weight := plate.NewGray(across, down)
	for i, k := range known {
		if k {
			weight.Pix[i] = 1
		} else {
			coarse.Pix[i] = 0
		}
	}
	spreadOut(coarse, weight)
	parallel.Rows(b.w, b.h, func(y0, y1 int) {
		for i := y0 * b.w; i < y1*b.w; i++ {
			b.ratio.Pix[i] = bilinear(coarse, (float64(i%b.w)+0.5)/float64(side)-0.5, (float64(i/b.w)+0.5)/float64(side)-0.5)
		}
	})
}

// regain takes the gains anew, now that the ratio is better.
func (b *rebuild) regain() {
	flat := plate.NewGray(b.w, b.h)
	for k, f := range b.frames {
		parallel.Rows(b.w, b.h, func(y0, y1 int) {
			for i := y0 * b.w; i < y1*b.w; i++ {
				flat.Pix[i] = f.Pix[i] / b.ratio.Pix[i]
			}
		})
		if g, err := gainIn(flat); err == nil {
			b.gains[k] = g.Value
		}
	}
}

// gather adds up, for every pixel, the frames in which it is certainly screen, and counts them.
func (b *rebuild) gather() (sum, count *plate.Gray) {
	sum, count = plate.NewGray(b.w, b.h), plate.NewGray(b.w, b.h)
	flat, out := plate.NewGray(b.w, b.h), plate.NewGray(b.w, b.h)
	const (
		usualReach = 0.02 // where no frame tells its noise; chosen by hand
		step       = 17   // pixels between those that tell the noise: it divides no usual width
		// Pixels by which what is certainly screen stays away from the rest; chosen by hand.
		margin = 2
	)
	reach := usualReach
	d2, used := make([]float64, b.h), make([]float64, b.h) // of each row
	for k, f := range b.frames {
		scale := float32(1 / b.gains[k])
		parallel.Rows(b.w, b.h, func(y0, y1 int) {
			for i := y0 * b.w; i < y1*b.w; i++ {
				flat.Pix[i] = f.Pix[i] * scale / b.ratio.Pix[i]
			}
		})
		smooth := boxMean(flat, 1)
		var deviations []float32
		for i := 0; i < len(smooth.Pix); i += step {
			if d := math.Abs(float64(smooth.Pix[i]) - 1); d <= widestReach {
				deviations = append(deviations, float32(d))
			}
		}
		if len(deviations) > 0 {
			reach = min(max(reachSigmas*robust.Sigma(deviations), leastReach), widestReach)
		}
		parallel.Rows(b.w, b.h, func(y0, y1 int) {
			for i := y0 * b.w; i < y1*b.w; i++ {
				out.Pix[i] = 0
				if math.Abs(float64(smooth.Pix[i])-1) > reach {
					out.Pix[i] = 1
				}
			}
		})
		near := boxMax(out, margin)
		parallel.Rows(b.w, b.h, func(y0, y1 int) {
			for i := y0 * b.w; i < y1*b.w; i++ {
				if near.Pix[i] == 0 {
					sum.Pix[i] += f.Pix[i] * scale
					count.Pix[i]++
					d := float64(flat.Pix[i]) - 1
					d2[i/b.w] += d * d
					used[i/b.w]++
				}
			}
		})
	}
	square, n := 0.0, 0.0
	for y := range b.h {
		square, n = square+d2[y], n+used[y]
	}
	b.sigma = math.Sqrt(square / max(n, 1))
	return sum, count
}

// fill makes the ratio of the sums: over 7x7 pixels where the screen was seen, and wider where it
// was not. Where nothing was seen for a long way the coarse ratio stays.
func (b *rebuild) fill(sum, count *plate.Gray) {
	// Frames a pixel, in the mean around, from which the sums are believed; chosen by hand.
	const seen = 0.15
	reaches := []int{3, 9, 27} // pixels to either side, each three times as far: chosen by hand
	left := slices.Repeat([]bool{true}, len(count.Pix))
	for _, r := range reaches {
		s, n := boxMean(sum, r), boxMean(count, r)
		for i := range left {
			if left[i] && n.Pix[i] > seen {
				b.ratio.Pix[i] = s.Pix[i] / n.Pix[i]
				left[i] = false
			}
		}
	}
}

// spread returns the relative standard deviation of the ratio above its median, over the pixels
// that were seen, and that by which it is larger below: each from a hundredth of the pixels, which
// for normal numbers is at 2.326. Of a twentieth, smoke over three hundredths of the frame did not
// show.
func (b *rebuild) spread(count *plate.Gray) (above, veil float64) {
	const (
		tail   = 0.01  // part of the pixels on either side
		normal = 2.326 // sigma, beyond which normal numbers have that part
	)
	var seen []float32
	for i, n := range count.Pix {
		if n > 0 {
			seen = append(seen, b.ratio.Pix[i])
		}
	}
	middle := float64(quantile(seen, 0.5))
	if !(middle > 0) {
		return 0, 0
	}
	above = (float64(quantile(seen, 1-tail))/middle - 1) / normal
	below := (1 - float64(quantile(seen, tail))/middle) / normal
	return above, math.Sqrt(max(below*below-above*above, 0))
}

// spreadOut divides f by its weights, and fills where they are 0 from ever wider surroundings.
func spreadOut(f, weight *plate.Gray) {
	const known = 1e-6 // weight around a pixel from which it is filled: above rounding
	out := f.Clone()
	for r := 1; ; r *= 2 {
		s, n := boxMean(f, r), boxMean(weight, r)
		empty := false
		for i := range f.Pix {
			switch {
			case weight.Pix[i] > 0 || out.Pix[i] > 0:
			case n.Pix[i] > known:
				out.Pix[i] = s.Pix[i] / n.Pix[i]
			default:
				empty = true
			}
		}
		if !empty {
			break
		}
		if r > 2*max(f.W, f.H) { // nothing is known at all
			out.Fill(1)
			break
		}
	}
	copy(f.Pix, out.Pix)
}

// bilinear returns f between its pixels; outside it the outer pixels are repeated.
func bilinear(f *plate.Gray, x, y float64) float32 {
	x, y = min(max(x, 0), float64(f.W-1)), min(max(y, 0), float64(f.H-1))
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, f.W-1), min(y0+1, f.H-1)
	u, v := float32(x-float64(x0)), float32(y-float64(y0))
	a, b := f.Pix[y0*f.W+x0], f.Pix[y0*f.W+x1]
	c, d := f.Pix[y1*f.W+x0], f.Pix[y1*f.W+x1]
	top, bottom := a+u*(b-a), c+u*(d-c)
	return top + v*(bottom-top)
}
