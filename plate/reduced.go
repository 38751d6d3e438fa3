package plate

import "errors"

// Reduced returns the picture with its sides divided by n, and what is over at the right and at the
// bottom left out: each pixel is the mean light of n by n of the picture's, which are read row by
// row and never held as a frame. It is at least one pixel wide and high. It has light and no code
// values: Image is an error. It is p itself where n is below 2, and stands for p from then on:
// closing it closes p.
func (p *Picture) Reduced(n int) *Picture {
	n = min(n, p.info.W, p.info.H)
	if n < 2 {
		return p
	}
	r := &Picture{file: source{ReaderAt: p.file.ReaderAt}, name: p.name, info: p.info, format: p.format, lim: p.lim, full: p, by: n}
	r.format.least = nil // of the whole file
	r.info.W, r.info.H = p.info.W/n, p.info.H/n
	return r
}

// reduce calls each with the reduced picture's rows, from the top, in linear light by the curve c.
// They are overwritten by the next.
func (p *Picture) reduce(c Curve, each func(y int, row [3][]float32)) error {
	rows, err := p.full.Rows(c)
	if err != nil {
		return err
	}
	from, to := NewRGB(p.full.info.W, 1).Row(0), NewRGB(p.info.W, 1).Row(0)
	part := 1 / float32(p.by*p.by)
	for y := range p.info.H {
		for k := range to {
			clear(to[k])
		}
		for range p.by {
			if err := rows.Next(from); err != nil {
				return err
			}
			for k, row := range from {
				for x := range to[k] {
					sum := to[k][x]
					for _, v := range row[x*p.by : (x+1)*p.by] {
						sum += v * part
					}
					to[k][x] = sum
				}
			}
		}
		each(y, to)
	}
	return nil
}

// reducedRGB is RGB of a reduced picture.
func (p *Picture) reducedRGB(dst *RGB, c Curve) (*RGB, error) {
	dst = dst.Sized(p.Size())
	return dst, p.reduce(c, func(y int, row [3][]float32) {
		for k, to := range dst.Row(y) {
			copy(to, row[k])
		}
	})
}

// reducedGray is Gray of a reduced picture.
func (p *Picture) reducedGray(dst *Gray, c Curve, weights *[3]float32) (*Gray, error) {
	dst = dst.Sized(p.Size())
	return dst, p.reduce(c, func(y int, row [3][]float32) {
		grayRow(dst.Pix[y*dst.W:(y+1)*dst.W], row[0], row[1], row[2], weights)
	})
}

var errReduced = errors.New("a reduced picture has no code values: read its light")
