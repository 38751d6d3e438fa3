package main

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"io"

	"github.com/disintegration/imaging"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"example.com/twinplate/plate"
	"example.com/twinplate/take"
)

// contactTitle is in the file, by which it is told from other pictures.
const contactTitle = "twinplate contact sheet"

const (
	sheetTile = 640 // width of a station in pixels
	sheetGap  = 24
	sheetText = 44
)

// A station is one picture of a contact sheet.
type station struct {
	label string
	frame image.Image
	curve plate.Curve
}

// writeContact writes a contact sheet: a frame from the middle of the take at every station of the
// job, three in a row. Where that frame cannot be read it is the next that can.
func writeContact(job *take.Job, opened *take.Take, path string) error {
	scrubber := job.NewScrubber()
	var f *take.Scrubbed
	var p take.FilePair
	for i := range opened.Pairs {
		p = opened.Pairs[(len(opened.Pairs)/2+i)%len(opened.Pairs)]
		var err error
		if f, err = scrubber.Frame(p.Number, nil); err == nil {
			break
		} else if i == len(opened.Pairs)-1 {
			return err
		}
	}
	color, err := opened.ReadColor(p)
	if err != nil {
		return err
	}
	band, err := opened.ReadBand(p)
	if err != nil {
		return err
	}
	stations := []station{
		{"1  Color plate", color, plate.SRGB},
		{"2  Band plate, as shot", band, plate.SRGB},
		{"3  Transmission", f.Transmission, plate.Linear},
	}
	if f.Comp == nil {
		stations = append(stations, station{"4  Foreground", f.Foreground, plate.SRGB})
	} else {
		held, err := scrubber.Held(f)
		if err != nil {
			return err
		}
		stations = append(stations, station{"4  Background, held out", held, plate.SRGB}, station{"5  Foreground", f.Foreground, plate.SRGB}, station{"6  Sum", f.Comp, plate.SRGB})
	}
	if f.UnmeasuredPart > 0 {
		stations = append(stations, station{fmt.Sprintf("%d  Not measured", len(stations)+1), f.Unmeasured, plate.Linear})
	}
	// What is on screen has the primaries of BT.709.
	if worked, err := plate.PrimariesByName(job.Recipe(nil).Primaries); err == nil && !worked.Near(plate.PrimariesBT709) {
		for i, s := range stations {
			if c, ok := s.frame.(*plate.RGB); ok {
				c = c.Clone()
				c.Multiply(worked.To(plate.PrimariesBT709))
				stations[i].frame = c
			}
		}
	}
	sheet, err := contactSheet(stations, sheetTile*color.H/color.W)
	if err != nil {
		return err
	}
	return plate.WriteAtomic(path, func(w io.Writer) error { return writePNG(w, sheet, pngTitle(contactTitle)) })
}

// contactSheet lays pictures out as tiles of that height.
func contactSheet(stations []station, tileH int) (image.Image, error) {
	const across = 3
	tileH = max(tileH, 1)
	rows := (len(stations) + across - 1) / across
	sheet := image.NewRGBA(image.Rect(0, 0, across*sheetTile+(across+1)*sheetGap, rows*(tileH+sheetText)+(rows+1)*sheetGap))
	// A neutral gray surround, so that color can be judged (ISO 3664).
	draw.Draw(sheet, sheet.Bounds(), image.NewUniform(color.Gray{0x30}), image.Point{}, draw.Src)
	face, err := labelFace()
	if err != nil {
		return nil, err
	}
	for i, s := range stations {
		at := image.Pt(sheetGap+i%across*(sheetTile+sheetGap), sheetGap+i/across*(tileH+sheetText+sheetGap))
		thumb := imaging.Resize(plate.Encode(s.frame, s.curve, 8), sheetTile, tileH, imaging.Lanczos)
		draw.Draw(sheet, image.Rectangle{at, at.Add(image.Pt(sheetTile, tileH))}, thumb, image.Point{}, draw.Src)
		(&font.Drawer{Dst: sheet, Src: image.NewUniform(color.Gray{0xd8}), Face: face, Dot: fixed.P(at.X, at.Y+tileH+30)}).DrawString(s.label)
	}
	return sheet, nil
}

func labelFace() (font.Face, error) {
	f, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("the label font: %w", err)
	}
	return opentype.NewFace(f, &opentype.FaceOptions{Size: 22, DPI: 72})
}
