// Package matte turns two plates of one performer, shot before a screen of sodium light, into a
// transmission and a foreground.
//
// # The capture model
//
// The color plate C, at a color pixel x, and the band plate N, where x is seen in it, hold
//
//	C(x)    = D_c + P + g t K
//	N(W(x)) = D_b + g t S + m . P
//
// in linear light. P is the performer's light, premultiplied (three numbers, the color camera's),
// and t the transmission, the part of the screen's light that passes them: 1 in open screen, 0
// where they are solid. D_c and D_b are the dark plates. K and S are the screen in the clean color
// and the clean band plate, less the dark ones. g is the lamps' gain in this frame against the
// clean plates, m what the band camera sees of the performer's light (three numbers), and W the
// geometry, which package align finds.
//
// With C' and N' the plates less their dark plates, brought to the color camera's frame, the
// solution is
//
//	t     = (N' - m . C') / (g (S - m . K))
//	P     = C' - g t K
//	alpha = 1 - t
//
// and with sigma_C and sigma_N the plates' noise, t has the standard error
//
//	sigma_t = sqrt(sigma_N^2 + |m|^2 sigma_C^2) / (g (S - m . K))
//
// P is premultiplied as it was photographed: it is never multiplied by alpha again. Over a
// background B the picture is P + t B.
package matte

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"math"
	"sync"
	"sync/atomic"

	"example.com/twinplate/internal/kernel"
	"example.com/twinplate/internal/parallel"
	"example.com/twinplate/plate"
)

// References are the plates of a take that have no performer in them. Any of them may be nil; all
// have the color plate's size.
type References struct {
	DarkColor  *plate.RGB  // the color camera with the lamps off or the lens capped; nil: black
	DarkBand   *plate.Gray // the same for the band camera; nil: black
	CleanColor *plate.RGB  // the color camera's view of the screen with nobody before it; nil: a black screen
	CleanBand  *plate.Gray // the same for the band camera: needed by NewSolver; FitScreen makes one
}

// A Clamp says which results are brought into the range that light can have.
type Clamp int

const (
	ClampTransmission Clamp = iota // transmission to 0..1; the foreground as it comes (the default)
	ClampNone                      // both as they come, noise and all
	ClampAll                       // transmission to 0..1, and foreground below 0 to 0
)

// SolverOptions are choices for NewSolver. The zero value: no crosstalk, transmission clamped.
type SolverOptions struct {
	Crosstalk [3]float64 // m: the part of red, green and blue set light that the band camera sees
	Clamp     Clamp
}

// A Solver solves the frames of one take. It is prepared once, and safe for concurrent use.
type Solver struct {
	w, h      int
	m         [3]float32
	clamp     Clamp
	darkColor *plate.RGB // nil: 0
	darkBand  *plate.Gray
	screen    *plate.RGB  // K; nil: 0
	inverse   *plate.Gray // 1 / (S - m.K); 0 where there is no screen
	black     []float32   // a row of it, for plates that are not there
	uncovered float64
}

// A Solution is what Solve makes of one frame.
type Solution struct {
	Transmission *plate.Gray // t: 1 where the screen is fully visible
	Foreground   *plate.RGB  // P: premultiplied, linear light
}

// darkest is the level, relative to the screen's brightest, below which there is no screen to speak
// of: five stops down noise is 32 times larger in the matte, ten stops down nothing is left.
const darkest = 1.0 / 1024

// The screen's brightest pixel is between these, with full scale as 1, so that it, its inverse and
// their squares are in the range of float32 down to the darkest.
const (
	leastScreen = 1e-12
	mostScreen  = 1e12
)

// ErrCleanBand says that the clean band plate cannot be divided by: it is black, or far too bright.
var ErrCleanBand = errors.New("matte: the clean band plate")

// NewSolver prepares the solution for a take whose color plates have w by h pixels. It returns an
// error when ref has no clean band plate, when a plate has another size or a value that is not
// finite, or when the clean band plate is black. A nil opt means the zero Options.
//
// Where the clean band plate is more than ten stops below its brightest, there is no screen:
// transmission is 0 there, so the set's edge stays in the foreground. Uncovered returns how much
// that is.
func NewSolver(w, h int, ref References, opt *SolverOptions) (*Solver, error) {
	opt = cmp.Or(opt, &SolverOptions{})
	if ref.CleanBand == nil {
		return nil, fmt.Errorf("matte: no clean band plate: shoot one, or make one with FitScreen")
	}
	if err := ref.check(image.Pt(w, h)); err != nil {
		return nil, err
	}
	s := &Solver{w: w, h: h, clamp: opt.Clamp, darkColor: ref.DarkColor, darkBand: ref.DarkBand, inverse: plate.NewGray(w, h), black: make([]float32, w)}
	if ref.CleanColor != nil {
		s.screen = plate.NewRGB(w, h)
		parallel.Rows(w, h, func(y0, y1 int) { subtractRows(s.screen, ref.CleanColor, ref.DarkColor, y0*w, y1*w) })
	}
	if err := s.cross(ref, opt.Crosstalk); err != nil {
		return nil, err
	}
	return s, nil
}

// cross sets m, and what follows from it, in a Solver that was made from ref.
func (s *Solver) cross(ref References, m [3]float64) error {
	for c, v := range m {
		if !(math.Abs(v) < 1) {
			return fmt.Errorf("matte: crosstalk %v for %s: it must be a number between -1 and 1, and is usually below 0.1", v, [3]string{"red", "green", "blue"}[c])
		}
		s.m[c] = float32(v)
	}
	w, h := s.w, s.h
	var lock sync.Mutex
	var top float32
	parallel.Rows(w, h, func(y0, y1 int) {
		high := s.effective(ref, y0*w, y1*w)
		lock.Lock()
		defer lock.Unlock()
		top = max(top, high)
	})
	if !(top > leastScreen) {
		return fmt.Errorf("%w is black: its brightest pixel is %.3g above the dark plate; it must show the lit screen", ErrCleanBand, top)
	}
	if !(top < mostScreen) {
		return fmt.Errorf("%w is too bright: its brightest pixel is %.3g above the dark plate; it must be below %.0g, with full scale as 1", ErrCleanBand, top, mostScreen)
	}
	var none atomic.Int64
	parallel.Rows(w, h, func(y0, y1 int) {
		here, inverse := 0, s.inverse.Pix[y0*w:y1*w]
		for i, v := range inverse {
			if v < top*darkest {
				inverse[i] = 0
				here++
			} else {
				inverse[i] = 1 / v
			}
		}
		none.Add(int64(here))
	})
	s.uncovered = float64(none.Load()) / float64(w*h)
	return nil
}

// effective puts the screen's light in the clean band plate, of the pixels from i to j, where its
// inverse will be. It returns the highest, or 0.
func (s *Solver) effective(ref References, i, j int) (top float32) {
	for ; i < j; i++ {
		v := ref.CleanBand.Pix[i]
		if ref.DarkBand != nil {
			v -= ref.DarkBand.Pix[i]
		}
		if s.screen != nil {
			v -= s.m[0]*s.screen.Pix[0][i] + s.m[1]*s.screen.Pix[1][i] + s.m[2]*s.screen.Pix[2][i]
		}
		s.inverse.Pix[i] = v
		top = max(top, v)
	}
	return top
}

func (ref References) check(want image.Point) error {
	var there []named
	if ref.DarkColor != nil {
		there = append(there, named{"dark color plate", ref.DarkColor})
	}
	if ref.DarkBand != nil {
		there = append(there, named{"dark band plate", ref.DarkBand})
	}
	if ref.CleanColor != nil {
		there = append(there, named{"clean color plate", ref.CleanColor})
	}
	if ref.CleanBand != nil {
		there = append(there, named{"clean band plate", ref.CleanBand})
	}
	return checkPlates("color plate", want, there...)
}

// A named plate is one that errors name.
type named struct {
	name  string
	plate interface {
		Size() image.Point
		CheckFinite() error
	}
}

// checkPlates returns an error that names the first plate with another size than that of what is
// called name, or with a value that is not finite.
func checkPlates(name string, want image.Point, plates ...named) error {
	errs := make([]error, len(plates))
	parallel.Each(len(plates), func(i int) {
		p := plates[i]
		if errs[i] = plate.CheckSize(p.name, p.plate.Size(), name, want); errs[i] != nil {
			return
		}
		if err := p.plate.CheckFinite(); err != nil {
			errs[i] = fmt.Errorf("the %s: %w", p.name, err)
		}
	})
	return cmp.Or(errs...)
}

// Size returns the width and height of the frames that the solver is for, in pixels.
func (s *Solver) Size() image.Point { return image.Pt(s.w, s.h) }

// Planes are what a Solver has made of the reference plates, for whoever does Solve's arithmetic
// elsewhere: t = (N - DarkBand - m . (C - DarkColor)) Inverse / g. They are the Solver's own, and
// must not be changed.
type Planes struct {
	Inverse   *plate.Gray // 1 / (S - m . K); 0 where there is no screen
	DarkBand  *plate.Gray // nil: black
	DarkColor *plate.RGB  // nil: black
	Screen    *plate.RGB  // K; nil: black
	Crosstalk [3]float64  // m
}

// Planes returns the Solver's planes.
func (s *Solver) Planes() Planes {
	return Planes{s.inverse, s.darkBand, s.darkColor, s.screen, [3]float64{float64(s.m[0]), float64(s.m[1]), float64(s.m[2])}}
}

// Uncovered returns the part of the frame, 0 to 1, where the clean band plate shows no screen.
func (s *Solver) Uncovered() float64 { return s.uncovered }

// Solve solves one frame: the color plate, the band plate in the color plate's frame, and the
// lamps' gain (1: as bright as in the clean plate). The result is put into dst and returned; a nil
// dst, or a nil or wrongly sized plane in it, is made anew. An error says which plate has another
// size or a value that is not finite, or that the gain is not a positive number.
func (s *Solver) Solve(dst *Solution, color *plate.RGB, band *plate.Gray, gain float64) (*Solution, error) {
	if err := s.check(color, gain); err != nil {
		return nil, err
	}
	want := s.Size()
	if err := plate.CheckSize("band plate", band.Size(), "color plate", want); err != nil {
		return nil, err
	}
	if dst == nil {
		dst = &Solution{}
	}
	dst.Transmission, dst.Foreground = dst.Transmission.Sized(want), dst.Foreground.Sized(want)
	frame := Frame{s, s.model(gain)}
	for y := range s.h {
		i, j := y*s.w, (y+1)*s.w
		if !frame.Row(dst.Transmission.Pix[i:j], dst.Foreground.Row(y), color.Row(y), band.Pix[i:j], y) {
			return nil, NotFinite(color, band)
		}
	}
	return dst, nil
}

func (s *Solver) check(color *plate.RGB, gain float64) error {
	return cmp.Or(plate.CheckSize("color plate", color.Size(), "solver's frame", s.Size()), checkGain(gain))
}

// checkSolution returns an error that says which plane of a solution has another size than the
// solver's frames.
func (s *Solver) checkSolution(dst *Solution) error {
	return checkPlanes(dst, "solver's frame", s.Size())
}

// checkPlanes is checkSolution for any frame.
func checkPlanes(dst *Solution, name string, want image.Point) error {
	if err := plate.CheckSize("transmission", dst.Transmission.Size(), name, want); err != nil {
		return err
	}
	return plate.CheckSize("foreground", dst.Foreground.Size(), name, want)
}

// checkSample returns an error that says which plate has another size than the solver's frames.
func (s *Solver) checkSample(f Sample) error {
	if err := plate.CheckSize("color plate", f.Color.Size(), "solver's frame", s.Size()); err != nil {
		return err
	}
	return plate.CheckSize("band plate", f.Band.Size(), "color plate", s.Size())
}

func checkGain(gain float64) error {
	if !(gain > 0) || math.IsInf(gain, 0) {
		return fmt.Errorf("matte: gain %v: it must be a positive number, and is 1 where the lamps are as bright as in the clean plate", gain)
	}
	return nil
}

// NotFinite returns the error for plates in which CompRow has found a value that is not finite: it
// names the first such pixel, of the band plate first: the color plate's rows may be the
// composite's by now.
func NotFinite(color *plate.RGB, band *plate.Gray) error {
	if err := cmp.Or(checkPlates("", band.Size(), named{"band plate", band}), checkPlates("", color.Size(), named{"color plate", color})); err != nil {
		return err
	}
	return fmt.Errorf("matte: the arithmetic left the range of float32: the plates' values are far too large")
}

// A Frame is one frame that is solved row by row, by Row or CompRow.
type Frame struct {
	solver *Solver
	model  kernel.Solve
}

// Frame prepares one frame for solving it row by row: for a pipeline that may have no planes of the
// plates. An error says that the gain is not a positive number.
func (s *Solver) Frame(gain float64) (Frame, error) { return Frame{s, s.model(gain)}, checkGain(gain) }

// Row solves row y: t becomes the transmission and foreground the premultiplied foreground. It is
// otherwise as CompRow.
func (f *Frame) Row(t []float32, foreground [3][]float32, color [3][]float32, band []float32, y int) bool {
	in := f.solver.row(color, band, y)
	return f.model.Row(t[:f.solver.w], &foreground, &in)
}

// CompRow solves row y, of which color, band and background are the plates' rows, all in the color
// plate's frame: t becomes the transmission and out foreground + transmission * background. It
// reports whether all values were finite; where they were not, NotFinite has the error. It is safe
// for concurrent use on different rows. It panics when y is not in the frame or a row is shorter
// than the frame is wide.
func (f *Frame) CompRow(t []float32, out [3][]float32, color [3][]float32, band []float32, background [3][]float32, y int) bool {
	in := f.solver.row(color, band, y)
	return f.model.Over(t[:f.solver.w], &out, &in, &background)
}

func (s *Solver) model(gain float64) kernel.Solve {
	return kernel.Solve{M: s.m, Gain: float32(gain), ClampT: s.clamp != ClampNone, ClampP: s.clamp == ClampAll}
}

// row returns row y of every plate.
func (s *Solver) row(color [3][]float32, band []float32, y int) kernel.Row {
	i, j := y*s.w, (y+1)*s.w
	none := [3][]float32{s.black, s.black, s.black}
	r := kernel.Row{Band: band, DarkBand: s.black, Inverse: s.inverse.Pix[i:j], Color: color, DarkColor: none, Screen: none,
		Plain: s.darkBand == nil && s.darkColor == nil && s.screen == nil}
	if s.darkBand != nil {
		r.DarkBand = s.darkBand.Pix[i:j]
	}
	if s.darkColor != nil {
		r.DarkColor = s.darkColor.Row(y)
	}
	if s.screen != nil {
		r.Screen = s.screen.Row(y)
	}
	return r
}

// Alpha returns 1 - t, into dst when that has the right size.
func Alpha(dst, transmission *plate.Gray) *plate.Gray {
	dst = dst.Sized(transmission.Size())
	for i, t := range transmission.Pix {
		dst.Pix[i] = 1 - t
	}
	return dst
}

// RGBA returns the foreground with its alpha, premultiplied, as composite's operators take it. It
// shares the foreground's planes.
func (s *Solution) RGBA() *plate.RGBA {
	return &plate.RGBA{RGB: *s.Foreground, A: Alpha(nil, s.Transmission).Pix}
}

// Subtract returns a - dark, into dst when that has the right size. A nil dark is black.
func Subtract(dst, a, dark *plate.RGB) *plate.RGB {
	dst = dst.Sized(a.Size())
	parallel.Rows(a.W, a.H, func(y0, y1 int) { subtractRows(dst, a, dark, y0*a.W, y1*a.W) })
	return dst
}

// subtractRows is Subtract for the pixels from i to j.
func subtractRows(dst, a, dark *plate.RGB, i, j int) {
	for c := range 3 {
		if to, from := dst.Pix[c][i:j], a.Pix[c][i:j]; dark == nil {
			copy(to, from)
		} else {
			for x, d := range dark.Pix[c][i:j] {
				to[x] = from[x] - d
			}
		}
	}
}

// SubtractGray is Subtract for one plane.
func SubtractGray(dst, a, dark *plate.Gray) *plate.Gray {
	dst = dst.Sized(a.Size())
	parallel.Rows(a.W, a.H, func(y0, y1 int) {
		to := dst.Pix[y0*a.W : y1*a.W]
		copy(to, a.Pix[y0*a.W:])
		if dark != nil {
			for i, d := range dark.Pix[y0*a.W : y1*a.W] {
				to[i] -= d
			}
		}
	})
	return dst
}
