package proof

import (
	"math"
	"sync"

	"example.com/twinplate/align"
	"example.com/twinplate/matte"
	"example.com/twinplate/plate"
	"example.com/twinplate/rig/simulate"
)

// A Floor is the error that the two cameras' own noise gives the matte of a simulated take when
// everything else is known: sigma of alpha as matte.Solver.Sigma has it, with the true light of
// every pixel.
type Floor struct {
	faults simulate.Faults
	screen *plate.Gray // in the color camera's frame
	k      *plate.RGB
	noise  matte.Noise

	mu  sync.Mutex
	sum Squares
}

// A Squares is a root mean square in the making.
type Squares struct{ sum, n float64 }

// Add adds a value.
func (s *Squares) Add(v float64) {
	s.sum += v * v
	s.n++
}

// Join adds the values of another.
func (s *Squares) Join(o Squares) {
	s.sum += o.sum
	s.n += o.n
}

// RMS returns the root mean square, 0 where nothing was added.
func (s Squares) RMS() float64 { return math.Sqrt(s.sum / max(s.n, 1)) }

// NewFloor returns the floor of takes of this set, whose plates have w by h pixels.
func NewFloor(scene simulate.Scene, w, h int, g align.Geometry, f simulate.Faults, seed uint64) *Floor {
	quiet := f
	quiet.ReadNoise, quiet.PhotonNoise, quiet.Bits = 0, 0, 0
	exact := simulate.New(scene, w, h, w, h, g, quiet, seed)
	return &Floor{
		faults: f,
		screen: align.NewResampler(g).Gray(nil, matte.SubtractGray(nil, exact.CleanBand(), exact.DarkBand())),
		k:      matte.Subtract(nil, exact.CleanColor(), exact.DarkColor()),
		noise:  matte.Noise{Read: f.ReadNoise, PerSignal: 1 / f.PhotonNoise},
	}
}

// Add adds a frame. It is safe for concurrent use.
func (f *Floor) Add(truth simulate.Truth) {
	sum, g := 0.0, truth.Gain
	for i, alpha := range truth.Alpha.Pix {
		t := 1 - float64(alpha)
		s := float64(f.screen.Pix[i])
		leak, variance, mk := 0.0, 0.0, 0.0
		for c, m := range f.faults.Crosstalk {
			p, k := float64(truth.Foreground.Pix[c][i]), float64(f.k.Pix[c][i])
			leak += m * p
			mk += m * k
			variance += m * m * f.noise.Variance(p+g*t*k)
		}
		variance += f.noise.Variance(g*t*s + leak)
		d := g * (s - mk)
		sum += variance / (d * d)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.sum.Join(Squares{sum, float64(len(truth.Alpha.Pix))})
}

// RMS returns the floor over the frames added, of full alpha.
func (f *Floor) RMS() float64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.sum.RMS()
}
