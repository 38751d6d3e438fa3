package plate

import (
	"fmt"
	"image"
	"io"
	"math"
)

// A pnm is the head of a Netpbm graymap or pixmap, as the manual of Netpbm (pgm(5), ppm(5))
// describes it.
type pnm struct {
	w, h, full int // full is the value that stands for 1
	samples    int // of a pixel: 1 gray, or 3
	at         int64
}

func parsePNM(s *source) (pnm, error) {
	const most = 4096
	head, err := s.part(0, min(most, s.size))
	if err != nil {
		return pnm{}, err
	}
	p := pnm{samples: 1}
	if head[1] == '6' {
		p.samples = 3
	}
	at := 2
	space := func() (any bool) {
		for ; at < len(head); at++ {
			switch head[at] {
			case ' ', '\t', '\n', '\v', '\f', '\r':
				any = true
			case '#':
				for at < len(head) && head[at] != '\n' && head[at] != '\r' {
					at++
				}
				any = true
				at-- // the line's end is a space of its own
			default:
				return any
			}
		}
		return any
	}
	for _, field := range []struct {
		what string
		to   *int
		most int
	}{{"width", &p.w, math.MaxInt32}, {"height", &p.h, math.MaxInt32}, {"highest value", &p.full, 0xffff}} {
		if !space() && at < len(head) {
			return pnm{}, fmt.Errorf("damaged: no space before the %s in its head", field.what)
		}
		digits := 0
		for ; at < len(head) && head[at] >= '0' && head[at] <= '9'; at++ {
			if *field.to = 10**field.to + int(head[at]-'0'); *field.to > field.most {
				return pnm{}, fmt.Errorf("damaged: the %s in its head is more than %d", field.what, field.most)
			}
			digits++
		}
		if at == len(head) && s.size < most {
			return pnm{}, s.truncated(io.ErrUnexpectedEOF)
		}
		if digits == 0 || *field.to == 0 {
			return pnm{}, fmt.Errorf("damaged: the %s in its head must be a whole number above 0", field.what)
		}
	}
	p.at = int64(at) + 1 // one space and no more
	return p, nil
}

func probePNM(s *source) (Info, error) {
	p, err := parsePNM(s)
	depth := 16
	if p.full == 0xff {
		depth = 8
	}
	return Info{W: p.w, H: p.h, Depth: depth, Color: p.samples == 3}, err
}

// decodePNM decodes the first picture of a file. Where the highest value is not that of 8 or 16
// bits, the values are scaled to 16.
func decodePNM(s *source, _ Info) (image.Image, error) {
	p, err := parsePNM(s)
	if err != nil {
		return nil, err
	}
	width := 1 // bytes of a value
	if p.full > 0xff {
		width = 2
	}
	pix, err := s.part(p.at, int64(p.w)*int64(p.h)*int64(p.samples*width))
	if err != nil {
		return nil, err
	}
	depth := 8
	if p.full != 0xff {
		depth = 16
	}
	m, to, _ := newCodes(image.Rect(0, 0, p.w, p.h), p.samples, depth)
	if p.full != 0xff && p.full != 0xffff {
		pix = p.scaled(pix, width)
	}
	switch {
	case p.samples == 1:
		copy(to, pix)
	case depth == 8:
		spread3(to, pix)
	default:
		spread6(to, pix)
	}
	return m, nil
}

// scaled returns the values of pix, of so many bytes each, as 16-bit values.
func (p *pnm) scaled(pix []byte, width int) []byte {
	scaled := make([]byte, len(pix)/width*2)
	for i := range len(pix) / width {
		v := int(pix[i*width])
		if width == 2 {
			v = v<<8 | int(pix[2*i+1])
		}
		put16(scaled[2*i:], uint16((min(v, p.full)*0xffff+p.full/2)/p.full))
	}
	return scaled
}
