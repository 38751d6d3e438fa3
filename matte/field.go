package matte

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/plate"
)

// A ScreenColor is what the color camera sees of the screen where nobody shot a clean color plate:
// K, as a part of S, the screen in the band camera. It is the same all over the frame, or a
// polynomial of degree 2 where the data ask for one: at the corners of a wide lens light meets a
// filter at an angle, and the passband moves (Macleod, Thin-Film Optical Filters).
type ScreenColor struct {
	Ratio        [3]float64   // K over S in the middle of the frame, for red, green and blue
	Sigma        [3]float64   // the standard errors
	Order        int          // the polynomial's degree: 0 or 2
	Coefficients [3][]float64 // of 1, x, y, x^2, xy, y^2, with x and y from -1 to 1 over the frame
}

// CleanColor returns the clean color plate that k stands for: K with the dark plate, which may be
// nil, added. The screen is the clean band plate less its dark plate. K is nowhere negative.
func (k *ScreenColor) CleanColor(screen *plate.Gray, dark *plate.RGB) *plate.RGB {
	out := plate.NewRGB(screen.W, screen.H)
	places := placesOf(screen.W)
	parallel.Rows(screen.W, screen.H, func(y0, y1 int) {
		row, ratios := make([]float64, k.Order+1), make([]float64, screen.W)
		for y := y0; y < y1; y++ {
			from := screen.Pix[y*screen.W : (y+1)*screen.W]
			for c := range 3 {
				along(row, k.Coefficients[c], place(y, screen.H))
				polynomials(ratios, row, places)
				to := out.Pix[c][y*screen.W:][:len(from)]
				for x, v := range ratios[:len(from)] {
					if v > 0 {
						to[x] = float32(v) * from[x]
					}
				}
				if dark != nil {
					for x, d := range dark.Pix[c][y*screen.W:][:len(from)] {
						to[x] += d
					}
				}
			}
		}
	})
	return out
}

// veilLight is how bright a veil that is too thin to be measured may be, over the screen: a tenth
// of it, on a dim set. It is part of K's standard error, which would be too small by what nobody
// can see.
const veilLight = 0.1

// Where no reason stands beside one, these are chosen by hand; not measured by itself.
const (
	openCell   = 0.5 // part of a cell that must be open for the cell to count
	colorCells = 64  // cells across the frame
	leastSide  = 4   // pixels of a cell's side
	leastCells = 12  // that are open: twice the unknowns of the larger fit
	openMargin = 4   // pixels by which what is certainly screen stays away from the rest

	// fieldTest is the F from which a field is there. The cells' errors are not all independent, so
	// it is far above the usual 4.
	fieldTest = 12
)

// ScreenColor estimates K from frames of a take, from the pixels that are certainly screen. The
// solver must know the clean band plate; the clean color plate it may have is not used. Frames
// without such pixels are passed over; when all are, the error is ErrNoScreen.
func (s *Solver) ScreenColor(frames []Sample) (*ScreenColor, error) {
	var rows []colorRow
	thickest := 0.0 // of the veils that the gains may have
	of, gains := make([][]colorRow, len(frames)), make([]Gain, len(frames))
	errs := eachFrame(len(frames), func(k int) error {
		u, g, err := s.open(k, frames[k])
		if err == nil {
			of[k], gains[k] = s.openCells(frames[k], u, g.Value), g
		}
		return err
	})
	for k, g := range gains {
		if errors.Is(errs[k], ErrNoScreen) {
			continue
		} else if errs[k] != nil {
			return nil, errs[k]
		}
		rows = append(rows, of[k]...)
		thickest = max(thickest, g.Veil/g.Value)
	}
	if len(rows) < leastCells {
		return nil, ErrNoScreen
	}
	var constant, field colorFit
	parallel.Do(func() { constant = fitColor(rows, 0) }, func() { field = fitColor(rows, 2) })
	out := constant
	for c := range 3 {
		// An F test for the field's further unknowns.
		const unknowns = 6 // of a polynomial of degree 2; a constant has one
		if constant.rss[c] > field.rss[c]*(1+fieldTest*(unknowns-1)/float64(len(rows)-unknowns)) {
			out = field
		}
	}
	k := &ScreenColor{Order: out.order, Coefficients: out.x}
	for c := range 3 {
		// As for the gain: what the cells scatter beyond their pixels' noise is what a veil may
		// have put there. One that is alike in many cells puts its light there too.
		var screen, noise float64
		for _, r := range rows {
			screen += r.screen * r.screen
			noise += r.noise[c]
		}
		veil := math.Hypot(math.Sqrt(max(out.rss[c]-noise, 0)/screen), max(thickest, thinVeil)*veilLight)
		if out.order == 0 {
			k.Coefficients[c][0] = max(out.x[c][0], 0)
		}
		k.Ratio[c], k.Sigma[c] = k.Coefficients[c][0], math.Hypot(out.sigma[c], veil)
	}
	return k, nil
}

// A colorRow is a cell of one frame that is open.
type colorRow struct {
	group  int
	terms  [6]float64
	screen float64    // mean of S
	color  [3]float64 // mean of C' over g
	noise  [3]float64 // variance of that mean, from the scatter of its pixels
}

// notOpen returns a plane that is 0 where a frame is certainly screen, by its quotient u: four
// pixels away from whatever is not. It returns nil where nothing is.
func (s *Solver) notOpen(u *plate.Gray, gain float64) *plate.Gray {
	const step = 13 // pixels between those that tell the noise: it divides no usual width
	smooth := boxMean(u, 1)
	var deviations []float32
	for i := 0; i < len(smooth.Pix); i += step {
		if d := math.Abs(float64(smooth.Pix[i])/gain - 1); d < widestReach {
			deviations = append(deviations, float32(d))
		}
	}
	if len(deviations) == 0 {
		return nil
	}
	reach := min(max(reachSigmas*robust.Sigma(deviations), leastReach), widestReach)
	out := plate.NewGray(s.w, s.h)
	parallel.Rows(s.w, s.h, func(y0, y1 int) {
		for i := y0 * s.w; i < y1*s.w; i++ {
			if math.Abs(float64(smooth.Pix[i])/gain-1) > reach || s.inverse.Pix[i] == 0 {
				out.Pix[i] = 1
			}
		}
	})
	return boxMax(out, openMargin)
}

// openCells returns the cells, 64 across, that are mostly certainly screen.
func (s *Solver) openCells(f Sample, u *plate.Gray, gain float64) []colorRow {
	near := s.notOpen(u, gain)
	if near == nil {
		return nil
	}
	side := max(s.w/colorCells, leastSide)
	// A group is a place, in all frames: the noise of the dark and the clean plates is the same in
	// each.
	groups := newCells(s.w, s.h)
	lines := make([][]colorRow, s.h/side)
	parallel.Each(len(lines), func(k int) {
		lines[k] = s.openLine(f, near, gain, k*side, side, groups)
	})
	return slices.Concat(lines...)
}

// openLine is openCells for the cells from row y0 on.
func (s *Solver) openLine(f Sample, near *plate.Gray, gain float64, y0, side int, groups cells) (rows []colorRow) {
	var dark [3][]float32 // of one row of a cell
	for c := range dark {
		dark[c] = make([]float32, side)
	}
	for x0 := 0; x0+side <= s.w; x0 += side {
		// The sums over the cell, of the color's light and of its squares.
		var n, screen, red, green, blue, red2, green2, blue2 float64
		for y := y0; y < y0+side; y++ {
			from, to := y*s.w+x0, y*s.w+x0+side
			if s.darkColor != nil {
				for c := range dark {
					dark[c] = s.darkColor.Pix[c][from:to]
				}
			}
			near, inverse := near.Pix[from:to], s.inverse.Pix[from:to]
			r, g, b := f.Color.Pix[0][from:to], f.Color.Pix[1][from:to], f.Color.Pix[2][from:to]
			r0, g0, b0 := dark[0], dark[1], dark[2]
			r, g, b, r0, g0, b0, inverse = r[:len(near)], g[:len(near)], b[:len(near)], r0[:len(near)], g0[:len(near)], b0[:len(near)], inverse[:len(near)]
			for i, v := range near {
				if v > 0 {
					continue
				}
				n++
				screen += 1 / float64(inverse[i])
				vr, vg, vb := float64(r[i])-float64(r0[i]), float64(g[i])-float64(g0[i]), float64(b[i])-float64(b0[i])
				red, green, blue = red+vr, green+vg, blue+vb
				red2, green2, blue2 = red2+vr*vr, green2+vg*vg, blue2+vb*vb
			}
		}
		if n <= openCell*float64(side*side) {
			continue
		}
		row := colorRow{group: groups.of(x0, y0), screen: screen / n, color: [3]float64{red, green, blue}, noise: [3]float64{red2, green2, blue2}}
		for c := range 3 {
			row.color[c] /= n * gain
			row.noise[c] = meanCorrelation * max(row.noise[c]/(n*gain*gain)-row.color[c]*row.color[c], 0) / n
		}
		half := side / 2
		powers(row.terms[:], 2, place(x0+half, s.w), place(y0+half, s.h))
		rows = append(rows, row)
	}
	return rows
}

type colorFit struct {
	order      int
	x          [3][]float64
	sigma, rss [3]float64
}

func fitColor(rows []colorRow, order int) colorFit {
	const (
		rounds     = 8    // of leaving out; chosen by hand
		outlier    = 4    // standard deviations from which a cell is left out; chosen by hand
		leastLimit = 1e-7 // in full scale, below which none is left out: rounding
	)
	n := (order + 1) * (order + 2) / 2
	f := colorFit{order: order}
	parallel.Each(3, func(c int) {
		x := make([]float64, n)
		residual := func(r colorRow) float64 { return r.color[c] - r.screen*dot(x, r.terms[:n]) }
		limit := math.Inf(1)
		a := list.Rows[float64](n, n)
		signed := list.To(n)
		for range rounds {
			b := make([]float64, n)
			for i := range a {
				clear(a[i])
			}
			for _, r := range rows {
				if math.Abs(residual(r)) > limit {
					continue
				}
				for i := range n {
					b[i] += r.screen * r.terms[i] * r.color[c]
					for j := range n {
						a[i][j] += r.screen * r.screen * r.terms[i] * r.terms[j]
					}
				}
			}
			x = nonNegative(a, b, signed...)
			deviations := list.Of(rows, func(r colorRow) float64 { return math.Abs(residual(r)) })
			limit = max(outlier*robust.Sigma(deviations), leastLimit)
		}
		scores := map[int][]float64{}
		last := 0
		for _, r := range rows {
			e := residual(r)
			e = min(max(e, -limit), limit)
			f.rss[c] += e * e
			last = max(last, r.group)
			if math.Abs(e) >= limit {
				continue
			}
			g := scores[r.group]
			if g == nil {
				g = make([]float64, n)
				scores[r.group] = g
			}
			for i := range n {
				g[i] += r.screen * r.terms[i] * e
			}
		}
		var list [][]float64
		for k := range last + 1 {
			if g := scores[k]; g != nil {
				list = append(list, g)
			}
		}
		f.x[c], f.sigma[c] = x, sandwich(a, list)[0]
	})
	return f
}

type screenColorFile struct {
	Ratio        [3]float64   `json:"ratio"`
	Sigma        [3]float64   `json:"sigma"`
	Order        int          `json:"order"`
	Coefficients [3][]float64 `json:"coefficients"`
}

// MarshalJSON writes k as an object with ratio, sigma, order and coefficients.
func (k ScreenColor) MarshalJSON() ([]byte, error) { return json.Marshal(screenColorFile(k)) }

// UnmarshalJSON reads what MarshalJSON writes, and checks it.
func (k *ScreenColor) UnmarshalJSON(data []byte) error {
	var f screenColorFile
	if err := json.Unmarshal(data, &f); err != nil {
		return fmt.Errorf("screen color: %w", err)
	}
	n := ScreenColor(f)
	if err := n.check(); err != nil {
		return err
	}
	*k = n
	return nil
}

// check returns an error where k's numbers do not fit together.
func (k *ScreenColor) check() error {
	if k.Order < 0 || k.Order > 2 {
		return fmt.Errorf("screen color: order is %d, and must be 0 to 2", k.Order)
	}
	for c := range 3 {
		if want := (k.Order + 1) * (k.Order + 2) / 2; len(k.Coefficients[c]) != want {
			return fmt.Errorf("screen color: channel %d has %d coefficients, and order %d has %d", c, len(k.Coefficients[c]), k.Order, want)
		}
	}
	return nil
}
