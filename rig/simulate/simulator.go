package simulate

import (
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
	"fmt"
	"math"
	"math/rand/v2"
)

// cleanExposures is how many exposures are averaged into each clean and each dark plate.
const cleanExposures = 16

// A Shot is one frame of both cameras, and the truth about it.
type Shot struct {
	Color *plate.RGB
	Band  *plate.Gray
	Truth Truth
}

// Truth is what a perfect solver would find in a Shot. It is in the color camera's frame, after its
// lens and before its noise.
type Truth struct {
	Alpha      *plate.Gray // 1 - t
	Foreground *plate.RGB  // P, premultiplied
	Gain       float64     // g, at the color frame's instant
}

// A Simulator is two cameras that look at a scene through a beam splitter:
//
//	C(x)    = D + P(x) + g t(x) K(x)
//	N(W(x)) = D + g t(x) S(W(x)) + m . P(x)
//
// with P and t as they are after the lens, x a pixel of the color plate and W the Mapping. It is
// safe for concurrent use, and what it returns depends on nothing but its arguments.
//
// The scene is drawn at twice the color plate's size (at the same size above 1920x1080), blurred by
// the lens, and gathered over square pixels. A band pixel gathers over as much of the scene as it
// covers, but never less than a color pixel. Where the band camera sees past the color camera's
// frame, the scene's edge is repeated.
type Simulator struct {
	scene          Scene
	f              Faults
	seed           uint64
	colorW, colorH int
	bandW, bandH   int
	fine           int       // samples to a color pixel, along each axis
	at             []float32 // the place in the color plate of each band pixel: x and y by turns
	k, s           []float32 // the screen's shape on the color plate and on the band plate
	spread         int       // a band pixel is gathered from spread x spread samples
	reach          float64   // over this many color pixels
}

// New returns a simulator of s on a color plate and a band plate of the sizes given, in
// pixels. A nil m lays one frame over the other, edge to edge. It panics where a size is not 1 to
// 16384.
func New(s Scene, colorW, colorH, bandW, bandH int, m Mapping, f Faults, seed uint64) *Simulator {
	for _, v := range []int{colorW, colorH, bandW, bandH} {
		if v < 1 || v > 16384 {
			panic(fmt.Sprintf("simulate: plates of %dx%d and %dx%d pixels; a side must be 1 to 16384", colorW, colorH, bandW, bandH))
		}
	}
	if m == nil {
		m = stretch{float64(bandW) / float64(colorW), float64(bandH) / float64(colorH)}
	}
	r := &Simulator{scene: s, f: f, seed: seed, colorW: colorW, colorH: colorH, bandW: bandW, bandH: bandH, fine: 2, spread: 1}
	if colorW*colorH > 1920*1080 {
		r.fine = 1
	}
	r.at = make([]float32, 2*bandW*bandH)
	parallel.Each(bandH, func(y int) {
		for x := range bandW {
			cx, cy := m.Inverse(float64(x), float64(y))
			i := y*bandW + x
			r.at[2*i], r.at[2*i+1] = float32(cx), float32(cy)
		}
	})
	// The size of the middle band pixel, in color pixels; the aperture of a color pixel is in the
	// scene already.
	bx, by := float64(bandW-1)/2, float64(bandH-1)/2
	x0, y0 := m.Inverse(bx-0.5, by)
	x1, y1 := m.Inverse(bx+0.5, by)
	if size := math.Hypot(x1-x0, y1-y0); size > 1.05 {
		r.reach = math.Sqrt(size*size - 1)
		r.spread = min(16, 1+int(math.Ceil(r.reach*float64(r.fine)/1.5)))
	}
	return r.WithScreen(f.Screen, f.screenInColor)
}

// WithScreen returns r before a screen of another shape: band and color are its light in the two
// cameras over ScreenLevel and ScreenColor, at (x, y) of the color frame as Faults.Screen has it.
func (r *Simulator) WithScreen(band, color func(x, y float64) float64) *Simulator {
	lit := *r
	lit.k, lit.s = make([]float32, r.colorW*r.colorH), make([]float32, r.bandW*r.bandH)
	w, h := float64(r.colorW), float64(r.colorH)
	parallel.Each(r.colorH, func(y int) {
		for x := range r.colorW {
			lit.k[y*r.colorW+x] = float32(color((float64(x)+0.5)/w, (float64(y)+0.5)/h))
		}
	})
	parallel.Parts(r.bandH, func(y0, y1 int) {
		for i := y0 * r.bandW; i < y1*r.bandW; i++ {
			lit.s[i] = float32(band((float64(r.at[2*i])+0.5)/w, (float64(r.at[2*i+1])+0.5)/h))
		}
	})
	return &lit
}

// view is the scene behind the lens: p and t on the color plate, and for the band camera t and m .
// p on the finer grid, whose sample k is at the color pixel k / fine.
type view struct {
	p            *plate.RGB
	t            *plate.Gray
	fineT, fineQ []float32
}

func (r *Simulator) view(i int, color, band bool) view {
	w, h := r.colorW*r.fine, r.colorH*r.fine
	p, t := r.scene.Draw(i, w, h)
	taps, lead := lens(r.f.LensBlur*float64(r.fine), r.fine)
	var v view
	if color {
		v.t = &plate.Gray{W: r.colorW, H: r.colorH, Pix: filter(t.Pix, w, h, r.fine, taps, lead)}
		v.p = &plate.RGB{W: r.colorW, H: r.colorH}
		for c := range p.Pix {
			v.p.Pix[c] = filter(p.Pix[c], w, h, r.fine, taps, lead)
		}
	}
	if band {
		v.fineT = filter(t.Pix, w, h, 1, taps, lead)
		if m := r.f.Crosstalk; m != [3]float64{} {
			q := p.Pix[0]
			m0, m1, m2 := float32(m[0]), float32(m[1]), float32(m[2])
			for j, red := range q {
				q[j] = m0*red + m1*p.Pix[1][j] + m2*p.Pix[2][j]
			}
			v.fineQ = filter(q, w, h, 1, taps, lead)
		}
	}
	return v
}

// gather returns the frame that the band camera makes of a scene on the finer grid.
func (r *Simulator) gather(fine []float32) []float32 {
	w, h := r.colorW*r.fine, r.colorH*r.fine
	out := make([]float32, r.bandW*r.bandH)
	parallel.Parts(r.bandH, func(y0, y1 int) {
		for i := y0 * r.bandW; i < y1*r.bandW; i++ {
			x, y := float64(r.at[2*i]), float64(r.at[2*i+1])
			if r.spread == 1 {
				out[i] = cubic(fine, w, h, x*float64(r.fine), y*float64(r.fine))
				continue
			}
			var s float32
			for b := range r.spread {
				dy := ((float64(b)+0.5)/float64(r.spread) - 0.5) * r.reach
				for a := range r.spread {
					dx := ((float64(a)+0.5)/float64(r.spread) - 0.5) * r.reach
					s += cubic(fine, w, h, (x+dx)*float64(r.fine), (y+dy)*float64(r.fine))
				}
			}
			out[i] = s / float32(r.spread*r.spread)
		}
	})
	if r.f.BandBlur > 0 {
		taps, lead := lens(r.f.BandBlur, 1)
		out = filter(out, r.bandW, r.bandH, 1, taps, lead)
	}
	return out
}

// Frame returns frame i of the take, which may be any whole number.
func (r *Simulator) Frame(i int) Shot {
	apart := r.f.FrameOffset != 0
	v := r.view(i, true, !apart)
	b := v
	if apart {
		b = r.view(i+r.f.FrameOffset, false, true)
	}
	g := r.f.gain(i, r.seed)
	alpha := plate.NewGray(r.colorW, r.colorH)
	color := plate.NewRGB(r.colorW, r.colorH)
	for c := range color.Pix {
		k := float32(g * r.f.ScreenColor[c])
		for j, t := range v.t.Pix {
			color.Pix[c][j] = float32(r.f.DarkLevel) + v.p.Pix[c][j] + k*t*r.k[j]
		}
		r.expose(color.Pix[c], r.colorW, 1, uint64(i), uint64(c))
	}
	for j, t := range v.t.Pix {
		alpha.Pix[j] = 1 - t
	}
	band := &plate.Gray{W: r.bandW, H: r.bandH, Pix: r.gather(b.fineT)}
	level, spill := float32(r.f.gain(i+r.f.FrameOffset, r.seed)*r.f.screenLevel()), float32(r.f.Spill)
	for j, t := range band.Pix {
		if r.f.SpillSide != 0 {
			spill = float32(r.f.spill((float64(r.at[2*j])+0.5)/float64(r.colorW)*2 - 1))
		}
		band.Pix[j] = float32(r.f.DarkLevel) + level*r.s[j]*(t+spill*(1-t))
	}
	if b.fineQ != nil {
		for j, q := range r.gather(b.fineQ) {
			band.Pix[j] += q
		}
	}
	r.glare(band)
	r.expose(band.Pix, r.bandW, 1, uint64(i), 3)
	return Shot{color, band, Truth{alpha, v.p, g}}
}

// The frame numbers by which the clean and dark plates draw their noise.
const (
	cleanFrame = 1<<63 + iota
	darkFrame
)

// CleanColor returns the color plate with nobody in it, as shot: D + K. Like the other clean and
// dark plates it is the mean of 16 exposures, so its noise is a quarter of a frame's, and it is not
// rounded to Bits.
func (r *Simulator) CleanColor() *plate.RGB { return r.emptyColor(1, cleanFrame) }

// DarkColor returns the color plate with the lamps off, as shot: D.
func (r *Simulator) DarkColor() *plate.RGB { return r.emptyColor(0, darkFrame) }

// CleanBand returns the band plate with nobody in it, as shot: D + S.
func (r *Simulator) CleanBand() *plate.Gray { return r.emptyBand(1, cleanFrame) }

// DarkBand returns the band plate with the lamps off, as shot: D.
func (r *Simulator) DarkBand() *plate.Gray { return r.emptyBand(0, darkFrame) }

func (r *Simulator) emptyColor(g float64, frame uint64) *plate.RGB {
	f := plate.NewRGB(r.colorW, r.colorH)
	for c := range f.Pix {
		k := float32(g * r.f.ScreenColor[c])
		for j := range f.Pix[c] {
			f.Pix[c][j] = float32(r.f.DarkLevel) + k*r.k[j]
		}
		r.expose(f.Pix[c], r.colorW, cleanExposures, frame, uint64(c))
	}
	return f
}

func (r *Simulator) emptyBand(g float64, frame uint64) *plate.Gray {
	f := plate.NewGray(r.bandW, r.bandH)
	level := float32(g * r.f.screenLevel())
	for j := range f.Pix {
		f.Pix[j] = float32(r.f.DarkLevel) + level*r.s[j]
	}
	r.glare(f)
	r.expose(f.Pix, r.bandW, cleanExposures, frame, 3)
	return f
}

// expose adds the sensor's noise to a plane of w pixels a row: a normal distribution whose variance
// is, in EMVA 1288's linear model, that of the dark plus the signal over the full well. A single
// exposure is then rounded to the file's bits. Each row has a stream of its own.
func (r *Simulator) expose(pix []float32, w, exposures int, frame, plane uint64) {
	read := r.f.ReadNoise * r.f.ReadNoise
	perSignal := 0.0
	if r.f.PhotonNoise > 0 {
		perSignal = 1 / r.f.PhotonNoise
	}
	noisy := read > 0 || perSignal > 0
	top := 0.0
	if exposures == 1 && r.f.Bits > 0 {
		top = math.Exp2(float64(r.f.Bits)) - 1
	}
	if !noisy && top == 0 {
		return
	}
	parallel.Each(len(pix)/w, func(y int) {
		rng := rand.New(rand.NewPCG(r.seed, hash(frame, plane, uint64(y))))
		row := pix[y*w : (y+1)*w]
		for x, f := range row {
			v := float64(f)
			if noisy {
				variance := read + perSignal*max(0, v-r.f.DarkLevel)
				v += rng.NormFloat64() * math.Sqrt(variance/float64(exposures))
			}
			if top > 0 {
				v = math.Round(min(max(v, 0), 1)*top) / top
			}
			row[x] = float32(v)
		}
	})
}
