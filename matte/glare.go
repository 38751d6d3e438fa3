package matte

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.com/twinplate/plate"
)

// A Glare is veiling glare in the band camera: the lens spreads a small part of the bright screen's
// light over the whole frame, and lifts what should be black. It is modeled as one wide Gaussian
// with one strength. The zero value is a lens without glare.
type Glare struct {
	Strength float64 `json:"strength"`        // how much of the frame's light is spread, 0 to 0.5
	Sigma    float64 `json:"sigma"`           // its standard error
	Width    float64 `json:"width,omitempty"` // standard deviation of the Gaussian, in parts of the frame's width; 0: 0.15
}

// defaultGlareWidth is common practice, no more: glare is what reaches across the frame.
const defaultGlareWidth = 0.15

// The bounds of a Glare, which its fields state, and its tiles; chosen by hand.
const (
	mostGlare             = 0.5
	leastWidth, mostWidth = 0.02, 1
	glareTiles            = 64 // across the frame: three to a sigma of the narrowest
	glareRounds           = 12 // each leaves mostGlare of an error at most: a 4000th
)

// check returns an error where g cannot be a lens's glare.
func (g Glare) check() error {
	if !(g.Strength >= 0 && g.Strength <= mostGlare) {
		return fmt.Errorf("matte: a glare of strength %v: it must be 0 to %v", g.Strength, mostGlare)
	}
	if g.Width != 0 && !(g.Width >= leastWidth && g.Width <= mostWidth) {
		return fmt.Errorf("matte: a glare %v of the frame wide: it must be %v to %v, or 0 for %v", g.Width, leastWidth, mostWidth, defaultGlareWidth)
	}
	return nil
}

// Remove returns the band plate without the glare, into dst when that has the right size; dst may
// be band. The dark plate, which may be nil, is the light that the lens did not spread. An error
// says which value is not valid.
func (g Glare) Remove(dst, band, dark *plate.Gray) (*plate.Gray, error) {
	if err := g.check(); err != nil {
		return nil, err
	}
	if dark != nil {
		if err := plate.CheckSize("dark band plate", dark.Size(), "band plate", band.Size()); err != nil {
			return nil, err
		}
	}
	dst = dst.Sized(band.Size())
	if g.Strength == 0 {
		copy(dst.Pix, band.Pix)
		return dst, nil
	}
	// The light without glare, L, satisfies L = N - strength x blurred L. The blur is far wider
	// than a tile, so the tiles are solved first, and what they give is taken off the pixels.
	s := newSpreader(band.W, band.H, g.Width)
	seen := s.tiles(band, dark)
	light := slices.Clone(seen)
	for range glareRounds {
		veil := s.spread(light)
		for i, v := range seen {
			light[i] = v - g.Strength*veil[i]
		}
	}
	s.over(light, func(i int, veil float64) { dst.Pix[i] = band.Pix[i] - float32(g.Strength*veil) })
	return dst, nil
}

// EstimateGlare estimates the glare's strength from frames of a take, from what the band plate has
// on the performer beside the crosstalk: glare is stronger where more of the bright screen is near.
// Spill that is even is kept apart from it only by that, and the standard error says how well. A
// width of 0 means 0.15. ErrNoCore means that too few pixels are certainly performer.
func (s *Solver) EstimateGlare(frames []Sample, width float64) (Glare, error) {
	g := Glare{Width: width}
	if err := g.check(); err != nil {
		return Glare{}, err
	}
	sp := newSpreader(s.w, s.h, width)
	for range 2 { // the spread light is that without glare, which the second round knows
		before := g
		c, err := s.core(frames, func(f Sample) *plate.Gray {
			band := f.Band
			if before.Strength > 0 {
				if clear, err := before.Remove(nil, band, s.darkBand); err == nil {
					band = clear
				}
			}
			veil := plate.NewGray(s.w, s.h)
			sp.over(sp.tiles(band, s.darkBand), func(i int, v float64) { veil.Pix[i] = float32(v) })
			return veil
		}, coreReach)
		if err != nil {
			return Glare{}, err
		}
		if len(c.rows) < leastRows {
			return Glare{}, ErrNoCore
		}
		x, covariance, err := c.fit(coreGlare)
		if err != nil {
			return Glare{}, err
		}
		g.Strength, g.Sigma = min(x[4], mostGlare), math.Sqrt(covariance[0][4][4])
	}
	return g, nil
}

// A spreader blurs frames of one size very widely, on tiles.
type spreader struct {
	w, h, tile   int
	across, down int       // tiles
	x, y         []float64 // weight of tile k for pixel i, at i*tiles+k
	tx, ty       []float64 // the same for the tiles' middles
}

func newSpreader(w, h int, width float64) *spreader {
	width = cmp.Or(width, defaultGlareWidth)
	tile := max(w/glareTiles, 1)
	s := &spreader{w: w, h: h, tile: tile, across: (w + tile - 1) / tile, down: (h + tile - 1) / tile}
	sigma := width * float64(w)
	weights := func(n, tiles int) (pixel, middle []float64) {
		at := func(k int) float64 { return (float64(k*tile) + float64(min((k+1)*tile, n)-1)) / 2 }
		weight := func(x float64, k int) float64 {
			d := (x - at(k)) / sigma
			return math.Exp(-d*d/2) / (sigma * math.Sqrt(2*math.Pi))
		}
		pixel, middle = make([]float64, n*tiles), make([]float64, tiles*tiles)
		for k := range tiles {
			for i := range n {
				pixel[i*tiles+k] = weight(float64(i), k)
			}
			for i := range tiles {
				middle[i*tiles+k] = weight(at(i), k)
			}
		}
		return pixel, middle
	}
	s.x, s.tx = weights(w, s.across)
	s.y, s.ty = weights(h, s.down)
	return s
}

// tiles returns the light of each tile, summed over its pixels.
func (s *spreader) tiles(f, dark *plate.Gray) []float64 {
	sum := make([]float64, s.across*s.down)
	for y := range s.h {
		for x := range s.w {
			v := f.Pix[y*s.w+x]
			if dark != nil {
				v -= dark.Pix[y*s.w+x]
			}
			sum[y/s.tile*s.across+x/s.tile] += float64(v)
		}
	}
	return sum
}

// spread returns the blurred light of each tile, summed over its pixels.
func (s *spreader) spread(light []float64) []float64 {
	mid, out := make([]float64, len(light)), make([]float64, len(light))
	for y := range s.down {
		for x := range s.across {
			for k := range s.across {
				mid[y*s.across+x] += s.tx[x*s.across+k] * light[y*s.across+k]
			}
		}
	}
	for y := range s.down {
		rows := min((y+1)*s.tile, s.h) - y*s.tile
		for x := range s.across {
			columns := min((x+1)*s.tile, s.w) - x*s.tile
			v := 0.0
			for k := range s.down {
				v += s.ty[y*s.down+k] * mid[k*s.across+x]
			}
			out[y*s.across+x] = v * float64(rows*columns)
		}
	}
	return out
}

// over calls f for every pixel with the blurred light there.
func (s *spreader) over(light []float64, f func(i int, veil float64)) {
	line := make([]float64, s.across)
	for y := range s.h {
		clear(line)
		for k, w := range s.y[y*s.down : (y+1)*s.down] {
			for x := range line {
				line[x] += w * light[k*s.across+x]
			}
		}
		// The veil is smooth: it is computed every few pixels, and drawn straight between.
		const step = 8
		at := func(x int) (v float64) {
			for k, w := range s.x[x*s.across : (x+1)*s.across] {
				v += w * line[k]
			}
			return v
		}
		left := at(0)
		for x := 0; x < s.w; x += step {
			right, n := left, step
			if x+step < s.w {
				right = at(x + step)
			} else {
				n = s.w - x
				right = at(s.w - 1)
			}
			span := float64(step)
			if x+step >= s.w {
				span = float64(max(s.w-1-x, 1))
			}
			for i := range n {
				f(y*s.w+x+i, left+(right-left)*float64(i)/span)
			}
			left = right
		}
	}
}
