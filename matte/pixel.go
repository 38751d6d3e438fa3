package matte

import (
	"fmt"
	"image"

	"example.com/twinplate/plate"
)

// A Pixel is the solution of one pixel with every number on the way: what a film lab would have had on paper.
// All light is linear, full scale 1.
type Pixel struct {
	Band         float64    `json:"band"`         // N': the band plate less its dark plate
	Leak         float64    `json:"leak"`         // m . C': the set light in it
	Screen       float64    `json:"screen"`       // g (S - m . K): what the band plate would be with nobody there; 0 where there is no screen
	Measured     float64    `json:"measured"`     // (N' - m . C') / (g (S - m . K)), as it comes
	Transmission float64    `json:"transmission"` // t: the same as the solver clamps it
	Color        [3]float64 `json:"color"`        // C': the color plate less its dark plate
	Glow         [3]float64 `json:"glow"`         // g t K: the screen's light in it
	Foreground   [3]float64 `json:"foreground"`   // P = C' - g t K, premultiplied
	Sigma        float64    `json:"sigma"`        // the standard deviation of t and of alpha: see Sigma
}

// Pixel solves the pixel at column x and row y of one frame as Solve does, and returns the numbers on the way;
// Sigma is from the two cameras' noise. Errors are those of Sigma, and one that says when the pixel is not in the
// frame.
func (s *Solver) Pixel(frame Sample, gain float64, color, band Noise, x, y int) (Pixel, error) {
	if !image.Pt(x, y).In(image.Rect(0, 0, s.w, s.h)) {
		return Pixel{}, fmt.Errorf("matte: pixel (%d, %d) is not in a frame of %dx%d", x, y, s.w, s.h)
	}
	one, err := s.at(frame, x, y)
	if err != nil {
		return Pixel{}, err
	}
	i := y*s.w + x
	here := Sample{
		Color: pixelOf(frame.Color, i),
		Band:  &plate.Gray{W: 1, H: 1, Pix: frame.Band.Pix[i : i+1]},
	}
	solved, err := one.Solve(nil, here.Color, here.Band, gain)
	if err != nil {
		return Pixel{}, err
	}
	sigma, err := one.Sigma(nil, here, gain, color, band)
	if err != nil {
		return Pixel{}, err
	}
	row := one.row(here.Color.Row(0), here.Band.Pix, 0)
	p := Pixel{
		Band:         float64(here.Band.Pix[0] - row.DarkBand[0]),
		Transmission: float64(solved.Transmission.Pix[0]),
		Sigma:        float64(sigma.Pix[0]),
	}
	for c := range 3 {
		p.Color[c] = float64(here.Color.Pix[c][0] - row.DarkColor[c][0])
		p.Leak += float64(s.m[c]) * p.Color[c]
		p.Glow[c] = gain * p.Transmission * float64(row.Screen[c][0])
		p.Foreground[c] = float64(solved.Foreground.Pix[c][0])
	}
	if inverse := float64(row.Inverse[0]); inverse > 0 {
		p.Screen = gain / inverse
		p.Measured = (p.Band - p.Leak) / p.Screen
	}
	return p, nil
}

// at returns the solver of the one pixel at (x, y).
func (s *Solver) at(frame Sample, x, y int) (*Solver, error) {
	want := image.Pt(s.w, s.h)
	if err := plate.CheckSize("color plate", frame.Color.Size(), "solver's frame", want); err != nil {
		return nil, err
	}
	if err := plate.CheckSize("band plate", frame.Band.Size(), "color plate", want); err != nil {
		return nil, err
	}
	i := y*s.w + x
	gray := func(f *plate.Gray) *plate.Gray {
		if f == nil {
			return nil
		}
		return &plate.Gray{W: 1, H: 1, Pix: f.Pix[i : i+1]}
	}
	return &Solver{w: 1, h: 1, m: s.m, clamp: s.clamp, darkColor: pixelOf(s.darkColor, i), darkBand: gray(s.darkBand),
		screen: pixelOf(s.screen, i), inverse: gray(s.inverse), black: s.black[:1]}, nil
}

// pixelOf returns pixel i of f, counted by rows, as a frame, or nil where there is none.
func pixelOf(f *plate.RGB, i int) *plate.RGB {
	if f == nil {
		return nil
	}
	return &plate.RGB{W: 1, H: 1, Pix: [3][]float32{f.Pix[0][i : i+1], f.Pix[1][i : i+1], f.Pix[2][i : i+1]}}
}
