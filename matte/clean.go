package matte

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"sync/atomic"

	"example.com/twinplate/internal/kernel"
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
// around them, by the screen's shape. The frames' color plates have no part in it, and may be nil;
// so may the dark plate. The brightness is that of the first frame's lamps, as the screen's.
//
// ErrNoScreen means that no frame has a part that is certainly screen. An error says which plate
// has another size than the screen.
func CleanFromTake(frames []Sample, screen *Screen, dark *plate.Gray) (*Clean, error) {
	if dark != nil {
		if err := plate.CheckSize("dark band plate", dark.Size(), "screen", image.Pt(screen.W, screen.H)); err != nil {
			return nil, err
		}
	}
	return cleanFromTake(frames, screen, screen.CleanBand(dark), dark)
}

// cleanFromTake is CleanFromTake with the clean band plate that the screen makes.
func cleanFromTake(frames []Sample, screen *Screen, model, dark *plate.Gray) (*Clean, error) {
	solver, err := NewSolver(screen.W, screen.H, References{CleanBand: model, DarkBand: dark}, nil)
	if err != nil {
		return nil, err
	}
	if err := checkBands(frames, solver.Size()); err != nil {
		return nil, err
	}
	b := &rebuild{Solver: solver, ratio: plate.NewGray(screen.W, screen.H)}
	parallel.Rows(b.w, b.h, func(y0, y1 int) { fill(b.ratio.Pix[y0*b.w:y1*b.w], 1) })
	for _, f := range frames {
		b.frames = append(b.frames, f.Band)
	}
	// Pixels that the gains are found from which the ratio is leveled by: by a quarter the plate is
	// as near to the truth, to a thousandth (twinplate proof, 20 takes).
	const levelPixels = GainPixels / 4
	b.gains = make([]float64, len(frames))
	b.regain(levelPixels)
	n := 0
	for k, g := range b.gains {
		if g > 0 {
			b.frames[n], b.gains[n] = b.frames[k], g
			n++
		}
	}
	if b.frames, b.gains = b.frames[:n], b.gains[:n]; n == 0 {
		return nil, ErrNoScreen
	}
	b.level()
	b.regain(levelPixels)
	b.level()
	b.regain(GainPixels)
	sum, count, seen := b.gather()
	out := &Clean{Band: plate.NewGray(screen.W, screen.H), Frames: len(b.frames), Sigma: b.sigma, Seen: float64(seen) / float64(len(count.Pix))}
	b.fill(sum, count)
	out.Off, out.Veil = b.spread(count)
	parallel.Rows(screen.W, screen.H, func(y0, y1 int) {
		for i := y0 * screen.W; i < y1*screen.W; i++ {
			v, r := model.Pix[i], b.ratio.Pix[i]
			if dark != nil {
				v = (v-dark.Pix[i])*r + dark.Pix[i]
			} else {
				v *= r
			}
			out.Band.Pix[i] = v
		}
	})
	return out, nil
}

// checkBands returns an error where a frame has not the screen's size, or a band plate's value is
// not finite.
func checkBands(frames []Sample, screen image.Point) error {
	errs := make([]error, len(frames))
	parallel.Each(len(frames), func(k int) {
		f := frames[k]
		err := checkPlates("screen", screen, named{"band plate", f.Band})
		if err == nil && f.Color != nil {
			err = plate.CheckSize("color plate", f.Color.Size(), "screen", screen)
		}
		if err != nil {
			errs[k] = fmt.Errorf("sample %d: %w", k, err)
		}
	})
	return cmp.Or(errs...)
}

// A rebuild is a clean plate in the making. Nothing as large as a frame is kept of the frames: what
// is wanted of them is made row by row.
type rebuild struct {
	*Solver               // of the smooth screen
	frames  []*plate.Gray // the band plates with open screen
	gains   []float64
	ratio   *plate.Gray // what the smooth screen is to be multiplied by
	sigma   float64
}

// over sets row to what a row y of the band plates is multiplied by to be 1 on the screen: by the
// smooth screen, and with ratio also by what that is off by. The gain is in neither.
func (b *rebuild) over(row []float32, y int, ratio bool) {
	copy(row, b.inverse.Pix[y*b.w:])
	if ratio {
		for i, r := range b.ratio.Pix[y*b.w : (y+1)*b.w] {
			row[i] /= r
		}
	}
}

// row sets row to row y of frame k, multiplied by over, its own gain taken out where gain is that.
func (b *rebuild) row(row []float32, k, y int, over []float32, gain float64) {
	scale := float32(1 / gain)
	row = row[:len(over)]
	light := b.frames[k].Pix[y*b.w:][:len(over)]
	if b.darkBand == nil {
		for i, v := range over {
			row[i] = light[i] * v * scale
		}
		return
	}
	dark := b.darkBand.Pix[y*b.w:][:len(over)]
	for i, v := range over {
		row[i] = (light[i] - dark[i]) * v * scale
	}
}

// level renews the ratio, coarsely, from means over 3x3 pixels of the frames: over all frames of a
// block of pixels, the screen is the topmost peak.
func (b *rebuild) level() {
	// Where no reason stands beside one, these are chosen by hand; not measured by itself.
	const (
		blocksAcross, leastSide = 48, 6 // blocks, and pixels of a block's side

		// The histogram of what the model is off by: 30 % about 1, in steps well below the noise of
		// one pixel. The peak is over a window of 2.5 %, and the mean over one of 4 %.
		bins, width, from = 120, 0.0025, 0.85
		window, about     = 5, 8
		// One pixel of a block in so many must be in the window, of all frames together.
		fewest = 3

		// Every so many-th row of means is counted: every pixel is in one of them.
		step = 3

		around = 2    // blocks to either side that a block is held against
		lower  = 0.03 // part by which one that has seen only a veil differs from them
	)
	side := max(b.w/blocksAcross, leastSide)
	across, down := (b.w+side-1)/side, (b.h+side-1)/side
	coarse := plate.NewGray(across, down)
	known := make([]bool, across*down)
	parallel.Each(down, func(by int) {
		count := make([][bins]int32, across)
		over := [step][]float32{make([]float32, b.w), make([]float32, b.w), make([]float32, b.w)}
		row, mean, means := make([]float32, b.w), make([]float32, b.w), newMean3(b.w, b.h)
		rows := 0
		for y := by * side; y < min((by+1)*side, b.h); y += step {
			rows++
			at := min(y+1, b.h-1) // the row of means
			first, last := max(at-1, 0), min(at+1, b.h-1)
			for j := first; j <= last; j++ {
				b.over(over[j-first], j, false)
			}
			for k := range b.frames {
				for j := first; j <= last; j++ {
					b.row(row, k, j, over[j-first], b.gains[k])
					means.add(row, j)
				}
				means.at(mean, at)
				for bx := range across {
					to := &count[bx]
					for _, v := range mean[bx*side : min((bx+1)*side, b.w)] {
						if n := (v - from) * (1 / width); n >= 0 && n < bins {
							to[int(n)]++
						}
					}
				}
			}
		}
		for bx := range across {
			count := &count[bx]
			// As for the gain: over a window of 2.5 %, the higher of two peaks alike.
			best, peak := int32(0), 0
			for n := window; n < bins-window; n++ {
				sum := int32(0)
				for _, c := range count[n-window : n+window+1] {
					sum += c
				}
				if sum > 0 && sum >= best {
					best, peak = sum, n
				}
			}
			if int(best) < side*rows/fewest {
				continue
			}
			var sum, n float64
			for j := max(peak-about, 0); j < min(peak+about+1, bins); j++ {
				sum += float64(count[j]) * (from + (float64(j)+0.5)*width)
				n += float64(count[j])
			}
			coarse.Pix[by*across+bx], known[by*across+bx] = float32(sum/n), true
		}
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
	along := list.By(b.w, func(x int) lying { return lies((float64(x)+0.5)/float64(side)-0.5, across) })
	parallel.EachRow(b.w, b.h, func(y int) {
		down := lies((float64(y)+0.5)/float64(side)-0.5, down)
		above, below := coarse.Pix[down.first*across:][:across], coarse.Pix[down.last*across:][:across]
		to := b.ratio.Pix[y*b.w : (y+1)*b.w]
		for x := range to {
			at := &along[x]
			top, bottom := at.of(above), at.of(below)
			to[x] = top + float32(down.part*(bottom-top))
		}
	})
}

// regain takes the gains by the ratio as it is now, of about so many pixels, and leaves those of
// frames without open screen.
func (b *rebuild) regain(pixels int) {
	rows := strips(b.w, b.h, pixels)
	over := plate.NewGray(b.w, len(rows))
	parallel.EachRow(b.w, len(rows), func(i int) { b.over(over.Pix[i*b.w:(i+1)*b.w], rows[i], true) })
	parallel.Each(len(b.frames), func(k int) {
		flat := plate.NewGray(b.w, len(rows))
		for i, y := range rows {
			b.row(flat.Pix[i*b.w:(i+1)*b.w], k, y, over.Pix[i*b.w:(i+1)*b.w], 1)
		}
		if g, err := gainOf(flat); err == nil {
			b.gains[k] = g.Value
		}
	})
}

// reaches returns how far from 1 the mean over 3x3 pixels of a place of each frame may be that is
// certainly screen.
func (b *rebuild) reaches() []float64 {
	const (
		usualReach = 0.02 // where no frame before it tells its noise; chosen by hand
		step       = 17   // rows between those that tell the noise; chosen by hand
	)
	all := make([]float64, len(b.frames)) // 0 where a frame does not tell
	parallel.Each(len(b.frames), func(k int) {
		over, row, mean, means := make([]float32, b.w), make([]float32, b.w), make([]float32, b.w), newMean3(b.w, b.h)
		var deviations []float32
		for y := min(step/2, b.h-1); y < b.h; y += step {
			for j := max(y-1, 0); j <= min(y+1, b.h-1); j++ {
				b.over(over, j, true)
				b.row(row, k, j, over, b.gains[k])
				means.add(row, j)
			}
			means.at(mean, y)
			for _, v := range mean {
				if d := math.Abs(float64(v) - 1); d <= widestReach {
					deviations = append(deviations, float32(d))
				}
			}
		}
		if len(deviations) > 0 {
			all[k] = min(max(reachSigmas*robust.Sigma(deviations), leastReach), widestReach)
		}
	})
	last := usualReach
	for k, r := range all {
		if r == 0 {
			all[k] = last
		}
		last = all[k]
	}
	return all
}

// gather adds up, for every pixel, how far from 1 the frames are in which it is certainly screen,
// and counts them: those that have nothing else as far as kernel.Reach around. Of seen pixels there is
// one at least.
func (b *rebuild) gather() (sum, count *plate.Gray, seen int) {
	const (
		r     = kernel.Reach
		strip = 32 // rows that are gone through for all frames, which a cache holds, whatever the number of cores
		ring  = r + 2
	)
	w := b.w
	reaches := b.reaches()
	sum, count = plate.NewGray(w, b.h), plate.NewGray(w, b.h)
	strips := (b.h + strip - 1) / strip
	d2, used, some := make([]float64, strips), make([]float64, strips), make([]int, strips) // of each strip
	parallel.Parts(strips, func(first, last int) {
		factors, counts := make([]float32, (strip+2*(r+1))*w), make([]int32, strip*w)
		var flat [ring][]float32 // the last rows
		for i := range flat {
			flat[i] = make([]float32, w)
		}
		mean, squares, barred, inside := make([]float32, w), make([]float32, w), make([]int32, w), kernel.Inside(w)
		means := newMean3(w, b.h)
		for n := first; n < last; n++ {
			y0, y1 := n*strip, min((n+1)*strip, b.h)
			from, to := max(y0-r-1, 0), min(y1+r+1, b.h)
			over := func(y int) []float32 { return factors[(y-from)*w : (y-from+1)*w] }
			for y := from; y < to; y++ {
				b.over(over(y), y, true)
			}
			clear(counts)
			clear(squares)
			for k := range b.frames {
				clear(barred)
				low, high := float32(1-reaches[k]), float32(1+reaches[k])
				for y := from; y < y1+r+1; y++ {
					if y < to {
						b.row(flat[y%ring], k, y, over(y), b.gains[k])
						means.add(flat[y%ring], y)
					}
					// The row above has its mean now, unless it was begun with.
					if s := y - 1; s < b.h && (s > from || s == 0) {
						means.at(mean, s)
						kernel.Bar(barred, inside, mean, low, high, int32(s+2*r+1))
					}
					if at := y - 1 - r; at >= y0 {
						i := (at - y0) * w
						t := kernel.Tally{Sum: sum.Pix[at*w : (at+1)*w], Sum2: squares, Count: counts[i : i+w]}
						t.Add(flat[at%ring], barred, int32(at+r+1), 1)
					}
				}
			}
			for i, v := range counts[:(y1-y0)*w] {
				count.Pix[y0*w+i] = float32(v)
				used[n] += float64(v)
				if v > 0 {
					some[n]++
				}
			}
			for _, v := range squares {
				d2[n] += float64(v)
			}
		}
	})
	square, n := 0.0, 0.0
	for i := range strips {
		square, n, seen = square+d2[i], n+used[i], seen+some[i]
	}
	b.sigma = math.Sqrt(square / max(n, 1))
	return sum, count, seen
}

// fill mends the ratio by the sums: over 7x7 pixels where the screen was seen, and wider where it
// was not. Where nothing was seen for a long way the coarse ratio stays.
func (b *rebuild) fill(sum, count *plate.Gray) {
	// Frames a pixel, in the mean around, from which the sums are believed; chosen by hand.
	const seen = 0.15
	reaches := []int{3, 9, 27} // pixels to either side, each three times as far: chosen by hand
	left := slices.Repeat([]bool{true}, len(count.Pix))
	for _, r := range reaches {
		var s, n *plate.Gray
		parallel.Do(func() { s = boxMean(sum, r) }, func() { n = boxMean(count, r) })
		var more atomic.Bool
		parallel.Rows(b.w, b.h, func(y0, y1 int) {
			for i := y0 * b.w; i < y1*b.w; i++ {
				if !left[i] {
					continue
				}
				if n.Pix[i] > seen {
					b.ratio.Pix[i] *= 1 + s.Pix[i]/n.Pix[i]
					left[i] = false
				} else {
					more.Store(true)
				}
			}
		})
		if !more.Load() {
			break
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
	row := func(f *plate.Gray, y int) []float32 { return f.Pix[y*b.w : (y+1)*b.w] }
	ends := make([]int, b.h) // of the rows, in seen
	parallel.EachRow(b.w, b.h, func(y int) { ends[y] = list.Count(row(count, y), func(n float32) bool { return n > 0 }) })
	for y := 1; y < b.h; y++ {
		ends[y] += ends[y-1]
	}
	seen := make([]float32, ends[b.h-1])
	parallel.EachRow(b.w, b.h, func(y int) {
		to := seen[:ends[y]]
		if y > 0 {
			to = to[ends[y-1]:]
		}
		for x, n := range row(count, y) {
			if n > 0 {
				to[0], to = row(b.ratio, y)[x], to[1:]
			}
		}
	})
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

// A lying is a place between two values of a row: so large a part of the way from the first to the
// last.
type lying struct {
	first, last int
	part        float32
}

// of returns what lies there of a row.
func (l *lying) of(row []float32) float32 {
	return row[l.first] + float32(l.part*(row[l.last]-row[l.first]))
}

// lies returns the place x of n values; outside them the outer values are repeated.
func lies(x float64, n int) lying {
	x = min(max(x, 0), float64(n-1))
	first := int(x)
	return lying{first, min(first+1, n-1), float32(x - float64(first))}
}
