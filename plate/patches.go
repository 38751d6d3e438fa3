package plate

import (
	"fmt"
	"math"
)

// Patches reads a picture of a chart by a curve, nil for that of its tags or sRGB, and returns the
// mean colors of its patches, as RGB.Patches does. Errors are of type *FileError.
func (p *Picture) Patches(c *Curve, corners [4][2]float64, columns, rows int) ([][3]float64, error) {
	if c == nil {
		c = &SRGB
		if p.info.Curve != "" {
			tagged, err := CurveByName(p.info.Curve)
			if err != nil {
				return nil, fileError(p.name, err)
			}
			c = &tagged
		}
	}
	f, err := p.RGB(nil, *c)
	if err != nil {
		return nil, err
	}
	colors, err := f.Patches(corners, columns, rows)
	if err != nil {
		return nil, fileError(p.name, err)
	}
	return colors, nil
}

// Patches returns the mean colors of a chart's patches, row by row from the top left: those of the
// middle of each. Corners are the outer corners of the patches' grid, in pixels from the frame's
// left and top edges: top left, top right, bottom right, bottom left. They may lie in perspective.
// An error says that the grid or the corners cannot be, or which patch is outside the frame or has
// too few pixels.
func (f *RGB) Patches(corners [4][2]float64, columns, rows int) ([][3]float64, error) {
	const (
		most   = 100 // patches along a side
		middle = 0.5 // of a patch's width that is looked at: beside its border (chosen by hand)
		least  = 4   // pixels across that
		steps  = 24  // places along each side of it
	)
	if columns < 1 || rows < 1 || columns > most || rows > most {
		return nil, fmt.Errorf("plate: a chart of %dx%d patches: each side must have 1 to %d", columns, rows, most)
	}
	// From the unit square to the corners (Heckbert 1989, "Fundamentals of Texture Mapping and Image
	// Warping", section 2.2.3; not checked against the source).
	p := corners
	dx1, dy1, dx2, dy2 := p[1][0]-p[2][0], p[1][1]-p[2][1], p[3][0]-p[2][0], p[3][1]-p[2][1]
	sx, sy := p[0][0]-p[1][0]+p[2][0]-p[3][0], p[0][1]-p[1][1]+p[2][1]-p[3][1]
	area := dx1*dy2 - dx2*dy1
	g, h := (sx*dy2-dx2*sy)/area, (dx1*sy-sx*dy1)/area
	if !(math.Abs(area) >= 1 && 1+g > 0 && 1+h > 0 && 1+g+h > 0) {
		return nil, fmt.Errorf("plate: the chart's corners %v are no quadrilateral: give top left, top right, bottom right, bottom left, in pixels", corners)
	}
	at := func(u, v float64) (x, y float64) {
		w := g*u + h*v + 1
		x = ((p[1][0]*(1+g)-p[0][0])*u + (p[3][0]*(1+h)-p[0][0])*v + p[0][0]) / w
		y = ((p[1][1]*(1+g)-p[0][1])*u + (p[3][1]*(1+h)-p[0][1])*v + p[0][1]) / w
		return x, y
	}
	out := make([][3]float64, 0, columns*rows)
	for row := range rows {
		for column := range columns {
			place := func(i, j int) (x, y float64) {
				part := func(k int) float64 { return 0.5 + middle*((float64(k)+0.5)/steps-0.5) }
				return at((float64(column)+part(i))/float64(columns), (float64(row)+part(j))/float64(rows))
			}
			x0, y0 := place(0, 0)
			x1, y1 := place(steps-1, steps-1)
			if math.Abs(x1-x0) < least || math.Abs(y1-y0) < least {
				return nil, fmt.Errorf("plate: patch %d of row %d is %.0f pixels wide: the chart must be larger in the frame", column+1, row+1, math.Abs(x1-x0)/middle)
			}
			var mean [3]float64
			for j := range steps {
				for i := range steps {
					x, y := place(i, j)
					if !(x >= 0 && y >= 0 && x < float64(f.W) && y < float64(f.H)) {
						return nil, fmt.Errorf("plate: patch %d of row %d lies outside the frame of %dx%d pixels", column+1, row+1, f.W, f.H)
					}
					for c := range mean {
						mean[c] += float64(f.Pix[c][int(y)*f.W+int(x)]) / (steps * steps)
					}
				}
			}
			out = append(out, mean)
		}
	}
	return out, nil
}
