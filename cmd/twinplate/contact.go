package main

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"sync"

	"github.com/disintegration/imaging"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"example.com/twinplate/composite"
	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// A contactSheet shows one frame at the six stations of the job.
type contactSheet struct {
	frame int // its number

	mu                    sync.Mutex
	transmission          *plate.Gray
	held, foreground, sum *plate.RGB
}

// keep copies the stations of a result, if it is the sheet's frame.
func (s *contactSheet) keep(r *take.Result) {
	if r.Number != s.frame {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.transmission, s.foreground, s.sum = r.Transmission.Clone(), r.Foreground.Clone(), r.Comp.Clone()
	s.held, _ = composite.Held(nil, r.Transmission, r.Background) // they have one size: the comp was made of them
}

const (
	sheetTile = 640 // width of a station in pixels
	sheetGap  = 24
	sheetText = 44
)

// write lays the stations out, three in a row, and writes them as a picture.
func (s *contactSheet) write(path string, shoot *shoot) error {
	colorPlate, err := plate.ReadRGB(shoot.path("color", s.frame), plate.SRGB, nil)
	if err != nil {
		return err
	}
	bandPlate, err := plate.ReadGray(shoot.path("band", s.frame), plate.SRGB, nil, nil)
	if err != nil {
		return err
	}
	tileH := sheetTile * shoot.h / shoot.w
	sheet := image.NewRGBA(image.Rect(0, 0, 3*sheetTile+4*sheetGap, 2*(tileH+sheetText)+3*sheetGap))
	// A neutral gray surround, so that color can be judged (ISO 3664).
	draw.Draw(sheet, sheet.Bounds(), image.NewUniform(color.Gray{0x30}), image.Point{}, draw.Src)
	face, err := labelFace()
	if err != nil {
		return err
	}
	for i, station := range []struct {
		label string
		frame image.Image
		curve plate.Curve
	}{
		{"1  Color plate", colorPlate, plate.SRGB},
		{"2  Band plate, as shot", bandPlate, plate.SRGB},
		{"3  Transmission", s.transmission, plate.Linear},
		{"4  Background, held out", s.held, plate.SRGB},
		{"5  Foreground", s.foreground, plate.SRGB},
		{"6  Sum", s.sum, plate.SRGB},
	} {
		at := image.Pt(sheetGap+i%3*(sheetTile+sheetGap), sheetGap+i/3*(tileH+sheetText+sheetGap))
		thumb := imaging.Resize(plate.Encode(station.frame, station.curve, 8), sheetTile, tileH, imaging.Lanczos)
		draw.Draw(sheet, image.Rectangle{at, at.Add(image.Pt(sheetTile, tileH))}, thumb, image.Point{}, draw.Src)
		(&font.Drawer{Dst: sheet, Src: image.NewUniform(color.Gray{0xd8}), Face: face, Dot: fixed.P(at.X, at.Y+tileH+30)}).DrawString(station.label)
	}
	return plate.Write(path, sheet, nil)
}

func labelFace() (font.Face, error) {
	f, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("the label font: %w", err)
	}
	return opentype.NewFace(f, &opentype.FaceOptions{Size: 22, DPI: 72})
}
