package matte

import (
	"cmp"
	"math"

	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// Sigma returns the standard deviation of alpha (and of the transmission) at every pixel of one
// frame, to first order:
//
//	sigma^2 = (var N + m^2 var C + x^2 (var S + m^2 var K) + (1-x)^2 (var D + m^2 var D_C) + p var(m, l) p) / (g (S - m . K))^2 + (edge slope)^2
//
// with x = g t. The first two variances are of EMVA 1288's linear model at the light that each
// pixel has, with what hangs together on top; the others are those of the reference plates and of
// the level of black. The last term is the band's Edge, in pixels, times the local slope of t, the
// root mean square of its gradient over 3x3 pixels. With Read and PerSignal alone it is the noise
// floor: no method that looks at one pixel at a time does better. Where there is no screen sigma is
// 0, as nothing is measured there. The result is put into dst when that has the right size. Errors
// are those of Solve, and one that says which noise is not valid.
func (s *Solver) Sigma(dst *plate.Gray, frame Sample, gain float64, color, band Noise) (*plate.Gray, error) {
	if err := cmp.Or(s.checkSample(frame), checkGain(gain), color.check("color"), band.check("band")); err != nil {
		return nil, err
	}
	dst = dst.Sized(s.Size())
	var slope *plate.Gray
	if band.Edge > 0 {
		slope = s.slopes(s.measured(frame, gain), frame, gain, &color, &band)
	}
	spread := s.spread(frame, gain, &color, &band)
	parallel.Rows(s.w, s.h, func(y0, y1 int) {
		for i := y0 * s.w; i < y1*s.w; i++ {
			v := spread.ofAlpha(i)
			if slope != nil && s.inverse.Pix[i] != 0 {
				v += band.Edge * band.Edge * positive(float64(slope.Pix[i]))
			}
			dst.Pix[i] = float32(math.Sqrt(v))
		}
	})
	return dst, nil
}

// A spread is what the variance of a frame's pixels is worked out from.
type spread struct {
	s           *Solver
	frame       Sample
	gain        float64
	color, band *Noise

	kept, keptColor   float64
	read, perSignal   [2]float64 // of the band's noise and of the color's: their variance over the light
	dark              float64    // of the dark plates
	crosstalk, screen bool       // there is some
}

func (s *Solver) spread(frame Sample, gain float64, color, band *Noise) *spread {
	p := &spread{s: s, frame: frame, gain: gain, color: color, band: band, kept: band.kept(), keptColor: color.kept(), crosstalk: band.Crosstalk != [4][4]float64{}, screen: s.screen != nil}
	for k, n := range []*Noise{band, color} {
		p.read[k] = n.Variance(0)
		p.perSignal[k] = n.kept()*n.PerSignal + n.CorrelatedPerSignal
	}
	p.dark = p.kept*band.Dark*band.Dark + band.Level*band.Level
	for _, m := range s.m {
		p.dark += float64(m) * float64(m) * p.keptColor * color.Dark * color.Dark
	}
	return p
}

// positive is max(v, 0) but for values that are no numbers: in WebAssembly that is a call.
func positive(v float64) float64 {
	if v > 0 {
		return v
	}
	return 0
}

// white returns how much of the variance at pixel i is the white noise of the frame.
func (p *spread) white(i int) float64 {
	return p.kept * (p.band.Read*p.band.Read + p.band.PerSignal*positive(p.s.light(p.frame, i)))
}

// variance returns that of N' - m . C' - g t (S - m . K) at pixel i, in light.
func (p *spread) variance(i int) float64 {
	s := p.s
	n := s.light(p.frame, i)
	all := p.read[0] + p.perSignal[0]*positive(n)
	screen := 1 / float64(s.inverse.Pix[i])
	clean := p.kept * p.band.Clean * screen
	leak := 0.0
	var set [3]float64
	for c, m := range s.m {
		m := float64(m)
		set[c] = s.set(p.frame, c, i)
		leak += m * set[c]
		all += m * m * (p.read[1] + p.perSignal[1]*positive(set[c]))
		if p.screen {
			clean += m * m * p.keptColor * p.color.Clean * positive(float64(s.screen.Pix[c][i]))
		}
	}
	x := positive((n - leak) / screen)
	if x > p.gain {
		x = p.gain
	}
	if p.crosstalk {
		v := [4]float64{3: 1 - x/p.gain} // the performer's light, and how much of the performer there is
		for c := range 3 {
			v[c] = set[c]
			if p.screen {
				v[c] -= x * float64(s.screen.Pix[c][i])
			}
		}
		square := 0.0
		for c := range p.band.Crosstalk {
			for k, of := range &p.band.Crosstalk[c] {
				square += of * v[c] * v[k]
			}
		}
		all += positive(square)
	}
	return all + x*x*clean + (1-x)*(1-x)*p.dark
}

// ofAlpha returns variance in alpha: 0 where there is no screen.
func (p *spread) ofAlpha(i int) float64 {
	inv := float64(p.s.inverse.Pix[i]) / p.gain
	if inv == 0 {
		return 0
	}
	return p.variance(i) * inv * inv
}

// light returns the band plate's light at pixel i: N'.
func (s *Solver) light(frame Sample, i int) float64 {
	n := float64(frame.Band.Pix[i])
	if s.darkBand != nil {
		n -= float64(s.darkBand.Pix[i])
	}
	return n
}

// set returns channel c of the color plate's light at pixel i: C'.
func (s *Solver) set(frame Sample, c, i int) float64 {
	p := float64(frame.Color.Pix[c][i])
	if s.darkColor != nil {
		p -= float64(s.darkColor.Pix[c][i])
	}
	return p
}

// measured returns the transmission as it comes; 0 where there is no screen.
func (s *Solver) measured(frame Sample, gain float64) *plate.Gray {
	t := plate.NewGray(s.w, s.h)
	m := [3]float64{float64(s.m[0]), float64(s.m[1]), float64(s.m[2])}
	parallel.EachRow(s.w, s.h, func(y int) {
		to := t.Pix[y*s.w : (y+1)*s.w]
		r := s.row(frame.Color.Row(y), frame.Band.Pix[y*s.w:], y)
		band, dark, inverse := r.Band[:len(to)], r.DarkBand[:len(to)], r.Inverse[:len(to)]
		red, green, blue := r.Color[0][:len(to)], r.Color[1][:len(to)], r.Color[2][:len(to)]
		darkRed, darkGreen, darkBlue := r.DarkColor[0][:len(to)], r.DarkColor[1][:len(to)], r.DarkColor[2][:len(to)]
		for x := range to {
			leak := m[0]*(float64(red[x])-float64(darkRed[x])) + m[1]*(float64(green[x])-float64(darkGreen[x])) + m[2]*(float64(blue[x])-float64(darkBlue[x]))
			to[x] = float32((float64(band[x]) - float64(dark[x]) - leak) * float64(inverse[x]) / gain)
		}
	})
	return t
}

// slopeReach is how far, in pixels along each axis, slopes looks.
const slopeReach = 2

// A slopeRow is a row of what slopes works from.
type slopeRow struct{ t, noise, inverse []float32 }

// square returns the square of the slope from a pixel with these values to pixel x, less the
// noise's: 0 where that has no screen.
func (r *slopeRow) square(x int, t, noise float32) float32 {
	if r.inverse[x] == 0 {
		return 0
	}
	d := t - r.t[x]
	return d*d - noise - r.noise[x]
}

// slopes returns the mean over 3x3 pixels of the squared gradient of t, by the differences of
// neighbors: those see a strand one pixel wide too. What resampling does at an edge reaches that
// far. White noise has a slope of its own, which is taken off: so the mean may be below 0. Beside
// a pixel that has no screen there is no slope.
func (s *Solver) slopes(t *plate.Gray, frame Sample, gain float64, color, band *Noise) *plate.Gray {
	out, noise := plate.NewGray(t.W, t.H), plate.NewGray(t.W, t.H)
	if t.W < 2 || t.H < 2 {
		return out
	}
	spread := s.spread(frame, gain, color, band)
	parallel.Rows(t.W, t.H, func(y0, y1 int) {
		for i := y0 * t.W; i < y1*t.W; i++ {
			inv := float64(s.inverse.Pix[i]) / gain
			noise.Pix[i] = float32(spread.white(i) * inv * inv)
		}
	})
	row := func(y int) slopeRow {
		i, j := y*t.W, (y+1)*t.W
		return slopeRow{t.Pix[i:j], noise.Pix[i:j], s.inverse.Pix[i:j]}
	}
	parallel.EachRow(t.W, t.H, func(y int) {
		up, down := max(y-1, 0), min(y+1, t.H-1)
		here, above, below := row(y), row(up), row(down)
		to := out.Pix[y*t.W : (y+1)*t.W]
		for x := range to {
			if here.inverse[x] == 0 {
				continue
			}
			left, right := max(x-1, 0), min(x+1, t.W-1)
			v, n := here.t[x], here.noise[x]
			var across, along float32
			if left < x {
				across += here.square(left, v, n)
			}
			if right > x {
				across += here.square(right, v, n)
			}
			if up < y {
				along += above.square(x, v, n)
			}
			if down > y {
				along += below.square(x, v, n)
			}
			to[x] = across/float32(right-left) + along/float32(down-up)
		}
	})
	return boxMean(out, slopeReach-1)
}
