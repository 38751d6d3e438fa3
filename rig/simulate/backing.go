package simulate

import (
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// backedFrame is the frame number from which shots before a backing draw their noise.
const backedFrame = 1 << 62

// Backed returns frame i of the color camera with the performer before an ordinary screen of this
// color, instead of the sodium one: D + P + t B, with the screen's unevenness, no crosstalk and the
// same lens and noise. It is what a green-backed plate is, or one of the two plates of Smith and
// Blinn's triangulation. Light that such a screen throws on the performer is not simulated.
func (r *Simulator) Backed(i int, backing [3]float64) *plate.RGB {
	v := r.view(i, true, false)
	f := r.backing(v.t.Pix, v.p, backing)
	for c := range 3 {
		r.expose(f.Pix[c], r.colorW, 1, backedFrame+uint64(i), noisePlane(c, backing))
	}
	return f
}

// Backing returns the same screen with nobody before it: D + B, the mean of 16 exposures.
func (r *Simulator) Backing(backing [3]float64) *plate.RGB {
	f := r.backing(nil, nil, backing)
	for c := range 3 {
		r.expose(f.Pix[c], r.colorW, cleanExposures, cleanFrame, noisePlane(c, backing))
	}
	return f
}

// noisePlane gives every channel of every backing noise of its own.
func noisePlane(c int, backing [3]float64) uint64 {
	return hash(uint64(c), uint64(backing[0]*1e6), uint64(backing[1]*1e6), uint64(backing[2]*1e6))
}

func (r *Simulator) backing(t []float32, p *plate.RGB, backing [3]float64) *plate.RGB {
	f := plate.NewRGB(r.colorW, r.colorH)
	parallel.Each(r.colorH, func(y int) {
		for x := range r.colorW {
			i := y*r.colorW + x
			shape := r.f.Screen((float64(x)+0.5)/float64(r.colorW), (float64(y)+0.5)/float64(r.colorH))
			for c, b := range backing {
				v := float32(b * shape)
				if t != nil {
					v = p.Pix[c][i] + t[i]*v
				}
				f.Pix[c][i] = float32(r.f.DarkLevel) + v
			}
		}
	})
	return f
}
