package composite

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

// Mean returns the mean color of a frame within the card. The error says that no pixel is in it.
func (c Card) Mean(f *plate.RGB) (mean [3]float64, err error) {
	at := func(part float64, size int) int { return int(math.Round(part * float64(size))) }
	x0, x1, y0, y1 := at(c.Left, f.W), at(c.Right, f.W), at(c.Top, f.H), at(c.Bottom, f.H)
	n := (x1 - x0) * (y1 - y0)
	if x1 <= x0 || y1 <= y0 {
		return mean, fmt.Errorf("composite: the gray card at %v,%v to %v,%v has no pixel of the %dx%d in it", c.Left, c.Top, c.Right, c.Bottom, f.W, f.H)
	}
	for k, pix := range f.Pix {
		for y := y0; y < y1; y++ {
			for _, v := range pix[y*f.W+x0 : y*f.W+x1] {
				mean[k] += float64(v) / float64(n)
			}
		}
	}
	return mean, nil
}

// Neutralize sets the grade's balance so that light of this color, as it comes before the grade,
// becomes gray of the same luminance, which the primaries p (zero: BT.709) say. It takes the place
// of the gray card. The error says which channel is black, or that the matrix makes it so.
func (g *Grade) Neutralize(gray [3]float64, p plate.Primaries) error {
	if p == (plate.Primaries{}) {
		p = plate.PrimariesBT709
	}
	if m := g.Matrix; m != nil {
		gray = [3]float64{m[0]*gray[0] + m[1]*gray[1] + m[2]*gray[2], m[3]*gray[0] + m[4]*gray[1] + m[5]*gray[2], m[6]*gray[0] + m[7]*gray[1] + m[8]*gray[2]}
	}
	luma := p.XYZ()
	y := luma[3]*gray[0] + luma[4]*gray[1] + luma[5]*gray[2]
	var gains [3]float64
	for i, name := range []string{"red", "green", "blue"} {
		if gains[i] = y / gray[i]; !(gray[i] > 0 && y > 0) {
			return fmt.Errorf("composite: the gray card has a %s of %.4f: a card that is lit must have some of it", name, gray[i])
		}
	}
	balanced := Grade{Balance: &gains}
	if err := balanced.Check(); err != nil {
		return err
	}
	g.Balance, g.GrayCard = &gains, nil
	return nil
}

// Neutral returns what a picture's grays look like: the mean color of the least colored tenth of
// what is neither dark nor clear, as parts of its luminance by BT.709. What is gray cannot be told
// from what only looks it: a picture with nothing gray in it has its palest color. The transmission
// may be nil: opaque. It is false where there is nothing to look at.
func Neutral(f *plate.RGB, transmission *plate.Gray) (rgb [3]float64, ok bool) {
	const (
		most  = 200_000 // pixels that are looked at
		solid = 0.02    // transmission, up to which the color is the performer's alone
		dark  = 0.1     // of the picture's bright light, below which noise is most of a color (chosen by hand)
		part  = 0.1     // that is least colored (chosen by hand)
	)
	type seen struct{ luma, colored float64 }
	var all []seen
	var places []int
	luma := plate.PrimariesBT709.XYZ()
	for i := 0; i < len(f.Pix[0]); i += 1 + len(f.Pix[0])/most {
		r, g, b := float64(f.Pix[0][i]), float64(f.Pix[1][i]), float64(f.Pix[2][i])
		y := luma[3]*r + luma[4]*g + luma[5]*b
		if transmission != nil && transmission.Pix[i] > solid || !(y > 0) {
			continue
		}
		all = append(all, seen{y, (max(r, g, b) - min(r, g, b)) / max(r, g, b)})
		places = append(places, i)
	}
	if len(all) == 0 {
		return rgb, false
	}
	lumas := list.Of(all, func(s seen) float64 { return s.luma })
	slices.Sort(lumas)
	from := dark * lumas[len(lumas)*9/10]
	var order []int
	for i, s := range all {
		if s.luma >= from {
			order = append(order, i)
		}
	}
	sort.SliceStable(order, func(i, j int) bool { return all[order[i]].colored < all[order[j]].colored })
	order = order[:max(int(part*float64(len(order))), 1)]
	for _, i := range order {
		for c := range rgb {
			rgb[c] += float64(f.Pix[c][places[i]]) / all[i].luma / float64(len(order))
		}
	}
	return rgb, true
}
