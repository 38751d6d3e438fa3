package matte

import (
	"fmt"
	"image"

	"example.com/twinplate/plate"
)

// A Pixel is the solution of one pixel with every number on the way.
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

// Pixel solves the pixel at column x and row y of one frame as Solve does, and returns the numbers
// on the way; Sigma is from the two cameras' noise. Errors are those of Sigma, and one that says
// when the pixel is not in the frame.
func (s *Solver) Pixel(frame Sample, gain float64, color, band Noise, x, y int) (Pixel, error) {
	if !image.Pt(x, y).In(image.Rect(0, 0, s.w, s.h)) {
		return Pixel{}, fmt.Errorf("matte: pixel (%d, %d) is not in a frame of %dx%d", x, y, s.w, s.h)
	}
	if err := s.checkSample(frame); err != nil {
		return Pixel{}, err
	}
	at := image.Rect(x, y, x+1, y+1)
	one := s.part(at)
	here := Sample{Color: partOfRGB(frame.Color, at), Band: partOf(frame.Band, at)}
	solved, err := one.Solve(nil, here.Color, here.Band, gain)
	if err != nil {
		return Pixel{}, err
	}
	// Sigma looks at the neighbors' slopes.
	around := at.Inset(-slopeReach).Intersect(image.Rectangle{Max: s.Size()})
	near := Sample{Color: partOfRGB(frame.Color, around), Band: partOf(frame.Band, around)}
	sigma, err := s.part(around).Sigma(nil, near, gain, color, band)
	if err != nil {
		return Pixel{}, err
	}
	row := one.row(here.Color.Row(0), here.Band.Pix, 0)
	p := Pixel{
		Band:         float64(here.Band.Pix[0] - row.DarkBand[0]),
		Transmission: float64(solved.Transmission.Pix[0]),
		Sigma:        float64(sigma.Pix[(y-around.Min.Y)*sigma.W+x-around.Min.X]),
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

// part returns the solver of the pixels in r, which lies within the frame.
func (s *Solver) part(r image.Rectangle) *Solver {
	return &Solver{w: r.Dx(), h: r.Dy(), m: s.m, clamp: s.clamp, darkColor: partOfRGB(s.darkColor, r), darkBand: partOf(s.darkBand, r),
		screen: partOfRGB(s.screen, r), inverse: partOf(s.inverse, r), black: s.black[:r.Dx()]}
}

// partOf returns the pixels of f in r as a frame, or nil where there is none.
func partOf(f *plate.Gray, r image.Rectangle) *plate.Gray {
	if f == nil {
		return nil
	}
	out := plate.NewGray(r.Dx(), r.Dy())
	for y := range out.H {
		copy(out.Pix[y*out.W:(y+1)*out.W], f.Pix[(r.Min.Y+y)*f.W+r.Min.X:])
	}
	return out
}

// partOfRGB is partOf for color.
func partOfRGB(f *plate.RGB, r image.Rectangle) *plate.RGB {
	if f == nil {
		return nil
	}
	out := &plate.RGB{W: r.Dx(), H: r.Dy()}
	for c, pix := range f.Pix {
		out.Pix[c] = partOf(&plate.Gray{W: f.W, H: f.H, Pix: pix}, r).Pix
	}
	return out
}
