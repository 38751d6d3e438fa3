package align

import (
	"bufio"
	"cmp"
	"fmt"
	"image"
	"io"
	"math"

	"example.com/twinplate/internal/parallel"
)

// A Chart is a sheet to print and hold before both cameras: a checkerboard with a dot, of the other
// shade, in some of its squares. The dots are spread without any order, so that a part of the sheet
// fits onto the whole in one place and one way only: it may hang upside down, reach out of the
// frame, or be seen in a mirror.
type Chart struct {
	Width, Height float64 // the sheet's size, in millimeters
	Square        float64 // the side of a square, in millimeters
	Columns, Rows int     // of squares, which stand in the middle of the sheet
}

// Of a sheet; chosen by hand.
const (
	leastSheet, mostSheet  = 20, 5000 // millimeters of a side
	minSquares, maxSquares = 6, 200   // columns, and rows
	usualSquares           = 22       // squares to the longer side, where no size is given
	marginPart             = 20       // one part in so many of the shorter side is the least margin

	// dotRadius is that of a dot, in sides of a square: its rim stays clear of what refine looks
	// at.
	dotRadius = 0.18

	millimeters = 25.4 // to the inch
)

// NewChart returns the chart for a sheet of width by height millimeters, with squares whose side is
// square millimeters; 0 means a twenty-second of the sheet's longer side, which gives 20 columns
// and a margin. The margin is at least a twentieth of the shorter side.
func NewChart(width, height, square float64) (Chart, error) {
	for _, v := range []float64{width, height} {
		if !(v >= leastSheet && v <= mostSheet) {
			return Chart{}, fmt.Errorf("align: a chart of %v x %v mm: each side must have %d to %d", width, height, leastSheet, mostSheet)
		}
	}
	square = cmp.Or(square, math.Max(width, height)/usualSquares)
	if !(square > 0) || math.IsInf(square, 0) {
		return Chart{}, fmt.Errorf("align: squares of %v mm: the side must be over 0", square)
	}
	c := Chart{Width: width, Height: height, Square: square}
	margin := math.Min(width, height) / marginPart
	const rounding = 1e-9 // of a square
	columns, rows := (width-2*margin)/square+rounding, (height-2*margin)/square+rounding
	if !(math.Min(columns, rows) >= minSquares && math.Max(columns, rows) < maxSquares+1) {
		return Chart{}, fmt.Errorf("align: squares of %v mm on a sheet of %v x %v mm: there must be at least %d and at most %d along each side", square, width, height, minSquares, maxSquares)
	}
	c.Columns, c.Rows = int(columns), int(rows)
	return c, nil
}

// Black reports whether the square at column i and row j, counted from the top left, is black.
func (c Chart) Black(i, j int) bool { return (i+j)&1 == 0 }

// Dot reports whether the square at column i and row j has a dot: about one in three has. It does
// not depend on the size of the chart.
func (c Chart) Dot(i, j int) bool {
	// The finalizer of MurmurHash3 (public domain) mixes the bits; any hash that leaves no pattern
	// would do.
	h := uint64(uint32(i))<<32 | uint64(uint32(j)) ^ 0x9e3779b97f4a7c15
	h ^= h >> 33
	h *= 0xff51afd7ed558ccd
	h ^= h >> 33
	h *= 0xc4ceb9fe1a85ec53
	h ^= h >> 33
	return h%3 == 0
}

// origin is the place of the first square's corner on the sheet, in millimeters.
func (c Chart) origin() (x, y float64) {
	return (c.Width - float64(c.Columns)*c.Square) / 2, (c.Height - float64(c.Rows)*c.Square) / 2
}

// WriteSVG writes the sheet as SVG 1.1, whose width and height are given in millimeters.
func (c Chart) WriteSVG(w io.Writer) error {
	b := bufio.NewWriter(w)
	x0, y0 := c.origin()
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="%gmm" height="%gmm" viewBox="0 0 %g %g">`+"\n", c.Width, c.Height, c.Width, c.Height)
	fmt.Fprint(b, "<title>twinplate chart</title>\n")
	fmt.Fprintf(b, `<rect width="%g" height="%g" fill="#fff"/>`+"\n<path fill=\"#000\" d=\"", c.Width, c.Height)
	for j := range c.Rows {
		for i := range c.Columns {
			if c.Black(i, j) {
				fmt.Fprintf(b, "M%.4f %.4fh%.4fv%.4fh-%.4fz", x0+float64(i)*c.Square, y0+float64(j)*c.Square, c.Square, c.Square, c.Square)
			}
		}
	}
	fmt.Fprint(b, "\"/>\n")
	for j := range c.Rows {
		for i := range c.Columns {
			if !c.Dot(i, j) {
				continue
			}
			fill := "#000"
			if c.Black(i, j) {
				fill = "#fff"
			}
			fmt.Fprintf(b, `<circle cx="%.4f" cy="%.4f" r="%.4f" fill="%s"/>`+"\n", x0+(float64(i)+0.5)*c.Square, y0+(float64(j)+0.5)*c.Square, dotRadius*c.Square, fill)
		}
	}
	fmt.Fprint(b, "</svg>\n")
	return b.Flush()
}

// The picture of a sheet has at least minChartSide pixels a side, and at most maxChartPixels in
// all, which bounds the memory.
const (
	minChartSide   = 16
	maxChartPixels = 1 << 28
)

// Image returns the sheet as a picture with dpi pixels to the inch (25.4 mm), white as 255. Pixels
// that an edge crosses are gray, from 4 by 4 samples.
func (c Chart) Image(dpi float64) (*image.Gray, error) {
	fw, fh := math.Round(c.Width/millimeters*dpi), math.Round(c.Height/millimeters*dpi)
	if !(fw >= minChartSide && fh >= minChartSide && fw*fh <= maxChartPixels) {
		return nil, fmt.Errorf("align: a chart of %v x %v mm at %v pixels to the inch would have %v x %v pixels: at least %d a side and at most %d in all can be made", c.Width, c.Height, dpi, fw, fh, minChartSide, maxChartPixels)
	}
	w, h := int(fw), int(fh)
	m := image.NewGray(image.Rect(0, 0, w, h))
	const n = 4
	x0, y0 := c.origin()
	at := func(k int, origin float64) float64 { return ((float64(k)+0.5)/n/dpi*millimeters - origin) / c.Square }
	parallel.Each(h, func(y int) {
		for x := range w {
			white := 0
			for sy := range n {
				v := at(y*n+sy, y0)
				for sx := range n {
					if !c.ink(at(x*n+sx, x0), v) {
						white++
					}
				}
			}
			m.Pix[y*m.Stride+x] = uint8((white*255 + n*n/2) / (n * n))
		}
	})
	return m, nil
}

// ink reports whether the sheet is black at (u, v), in squares from the first square's corner.
func (c Chart) ink(u, v float64) bool {
	fi, fj := math.Floor(u), math.Floor(v)
	if fi < 0 || fj < 0 || fi >= float64(c.Columns) || fj >= float64(c.Rows) {
		return false
	}
	i, j := int(fi), int(fj)
	du, dv := u-fi-0.5, v-fj-0.5
	return c.Black(i, j) != (c.Dot(i, j) && du*du+dv*dv < dotRadius*dotRadius)
}
