package align

import "math"

// A PointPair is a place in the color plate and the place in the band plate that shows the same thing, both
// in pixels.
type PointPair struct {
	Color [2]float64 `json:"color"`
	Band  [2]float64 `json:"band"`
}

// Grid returns n times n points spread evenly over the color frame, its corner pixels included, and where
// the geometry puts them in the band plate; row by row from the top. It is how a geometry leaves for other
// programs, which may fit their own model to it. For n below 2 it returns nil.
func (g Geometry) Grid(n int) []PointPair {
	if n < 2 {
		return nil
	}
	pairs := make([]PointPair, 0, n*n)
	for j := range n {
		y := float64(g.ColorH-1) * float64(j) / float64(n-1)
		for i := range n {
			x := float64(g.ColorW-1) * float64(i) / float64(n-1)
			bx, by := g.Map(x, y)
			pairs = append(pairs, PointPair{[2]float64{x, y}, [2]float64{bx, by}})
		}
	}
	return pairs
}

// RMS returns the distance between where a and where b put the pixels of the color frame, in pixels of the
// band plate: the root of the mean square over a grid of 65 by 65 places in a's color frame.
func RMS(a, b Geometry) float64 { return rms(a, b, 65) }

// rms is RMS over n by n places.
func rms(a, b Geometry, n int) float64 {
	sum := 0.0
	for _, p := range a.Grid(n) {
		bx, by := b.Map(p.Color[0], p.Color[1])
		dx, dy := bx-p.Band[0], by-p.Band[1]
		sum += dx*dx + dy*dy
	}
	return math.Sqrt(sum / float64(n*n))
}

// jacobian returns the derivatives of a map by x and by y, from half a pixel to either side.
func jacobian(place func(x, y float64) (float64, float64), x, y float64) (byX, byY [2]float64) {
	const h = 0.5
	x0, y0 := place(x-h, y)
	x1, y1 := place(x+h, y)
	x2, y2 := place(x, y-h)
	x3, y3 := place(x, y+h)
	return [2]float64{x1 - x0, y1 - y0}, [2]float64{x3 - x2, y3 - y2}
}
