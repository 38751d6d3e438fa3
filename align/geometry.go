// Package align holds the geometry between the two cameras: what it is, how it is estimated, and
// how the band plate is resampled by it into the color camera's frame.
package align

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
)

// A Geometry maps pixels of the color plate to pixels of the band plate. Pixel centers are at whole
// numbers: the center of the top left pixel is (0, 0).
//
// The color pixel is moved along its radius from Center by 1 + k1 r^2 + k2 r^4, r being its
// distance from Center over half the color frame's diagonal; then the homography takes it to the
// band frame; then, when Mirror is set, that is flipped left to right within the band frame's
// width. The zero value is not valid; Identity and NewGeometry make valid ones.
type Geometry struct {
	ColorW, ColorH int        // the color plate's size in pixels
	BandW, BandH   int        // the band plate's size in pixels
	Mirror         bool       // the band plate is flipped left to right (the beam splitter's reflection)
	Homography     [9]float64 // row-major; its last element is 1
	Radial         [2]float64 // k1, k2
	Center         [2]float64 // of the radial terms, in color pixels
}

// Identity returns the geometry that maps a frame of w by h pixels onto another of the same size.
func Identity(w, h int) Geometry { return NewGeometry(w, h, w, h) }

// NewGeometry returns the geometry that stretches a color frame over a band frame of another size,
// edge to edge, with no mirror and no radial terms.
func NewGeometry(colorW, colorH, bandW, bandH int) Geometry {
	sx, sy := float64(bandW)/float64(colorW), float64(bandH)/float64(colorH)
	return Geometry{
		ColorW: colorW, ColorH: colorH, BandW: bandW, BandH: bandH,
		// The edges are half a pixel outside the outer centers.
		Homography: [9]float64{sx, 0, (sx - 1) / 2, 0, sy, (sy - 1) / 2, 0, 0, 1},
		Center:     [2]float64{float64(colorW-1) / 2, float64(colorH-1) / 2},
	}
}

// halfDiagonal is the unit of r, in pixels.
func (g Geometry) halfDiagonal() float64 {
	return math.Hypot(float64(g.ColorW), float64(g.ColorH)) / 2
}

// Map returns the place in the band plate of the color pixel (x, y).
func (g Geometry) Map(x, y float64) (bx, by float64) {
	if g.Radial != [2]float64{} {
		dx, dy := x-g.Center[0], y-g.Center[1]
		d := g.halfDiagonal()
		r2 := (dx*dx + dy*dy) / (d * d)
		s := r2 * (g.Radial[0] + r2*g.Radial[1])
		x += dx * s
		y += dy * s
	}
	h := &g.Homography
	w := h[6]*x + h[7]*y + h[8]
	bx = (h[0]*x + h[1]*y + h[2]) / w
	by = (h[3]*x + h[4]*y + h[5]) / w
	if g.Mirror {
		bx = float64(g.BandW-1) - bx
	}
	return bx, by
}

// Inverse returns the color pixel whose place in the band plate is (bx, by): Map undone, to 1e-9 of
// a pixel where the radial terms are those of a lens (below about 0.2).
func (g Geometry) Inverse(bx, by float64) (x, y float64) {
	if g.Mirror {
		bx = float64(g.BandW-1) - bx
	}
	h := &g.Homography
	// The adjugate is the inverse to a factor, which the division by w takes away.
	w := (h[3]*h[7]-h[4]*h[6])*bx + (h[1]*h[6]-h[0]*h[7])*by + (h[0]*h[4] - h[1]*h[3])
	ux := ((h[4]*h[8]-h[5]*h[7])*bx + (h[2]*h[7]-h[1]*h[8])*by + (h[1]*h[5] - h[2]*h[4])) / w
	uy := ((h[5]*h[6]-h[3]*h[8])*bx + (h[0]*h[8]-h[2]*h[6])*by + (h[2]*h[3] - h[0]*h[5])) / w
	if g.Radial == [2]float64{} {
		return ux, uy
	}
	// Newton's method on the radius.
	const (
		steps = 30    // at most
		still = 1e-11 // pixels
	)
	d := g.halfDiagonal()
	dx, dy := ux-g.Center[0], uy-g.Center[1]
	rd := math.Hypot(dx, dy) / d
	if rd == 0 {
		return ux, uy
	}
	r := rd
	for range steps {
		r2 := r * r
		f := r*(1+r2*(g.Radial[0]+r2*g.Radial[1])) - rd
		step := f / (1 + r2*(3*g.Radial[0]+5*r2*g.Radial[1]))
		r -= step
		if math.Abs(step)*d < still {
			break
		}
	}
	return g.Center[0] + dx*r/rd, g.Center[1] + dy*r/rd
}

// Limits on a geometry, far beyond those of rigs: with them the places of the color pixels are
// finite, no two color pixels have one place, and a resampler's time and memory are bounded, by some
// 16 mostCover^2 operations for each pixel of the band plate and 16 for each of the color plate.
// Chosen by hand, where there is no reason beside them.
const (
	mostSide    = 1 << 16 // pixels
	mostDensity = 64      // band pixels to a color pixel along any direction, anywhere: of 8K to a preview of 120 pixels
	mostCover   = 4       // of the band plate's width or height that the color frame may cover: the band camera is to see a little more than the other
	mostUneven  = 16      // how much larger the area of a pixel may be than another's of the same frame
	leastSpread = 0.05    // of the slope of the distorted radius over the radius: at 0 the frame folds over itself
	mostPlace   = 1 << 24 // pixels from the band plate's first one: whole numbers that float32 has
	mostRadial  = 10      // of k1 and k2; a fisheye's are below 1
	singular    = 1e-9    // determinant of a homography up to which it maps the frame onto a line
)

// Check returns an error when the geometry is not valid: it says which field and why.
func (g Geometry) Check() error {
	if g.ColorW < 1 || g.ColorH < 1 || g.BandW < 1 || g.BandH < 1 {
		return fmt.Errorf("geometry: the frames are %dx%d (color) and %dx%d (band) pixels, and must be at least 1x1", g.ColorW, g.ColorH, g.BandW, g.BandH)
	}
	if most := max(g.ColorW, g.ColorH, g.BandW, g.BandH); most > mostSide {
		return fmt.Errorf("geometry: a side of a frame has %d pixels, and must have at most %d", most, mostSide)
	}
	for _, list := range []struct {
		name string
		v    []float64
		most float64
	}{{"homography", g.Homography[:], mostPlace}, {"radial", g.Radial[:], mostRadial}, {"center", g.Center[:], mostSide}} {
		for i, v := range list.v {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("geometry: %s[%d] is %v, and must be a finite number", list.name, i, v)
			}
			if math.Abs(v) > list.most {
				return fmt.Errorf("geometry: %s[%d] is %v, and must be from -%.0f to %.0f", list.name, i, v, list.most, list.most)
			}
		}
	}
	h := &g.Homography
	if det := h[0]*(h[4]*h[8]-h[5]*h[7]) - h[1]*(h[3]*h[8]-h[5]*h[6]) + h[2]*(h[3]*h[7]-h[4]*h[6]); !(math.Abs(det) >= singular) {
		return errors.New("geometry: the homography is singular: it maps the frame onto a line")
	}
	w0 := h[8]
	for _, c := range [][2]float64{{0, 0}, {float64(g.ColorW - 1), 0}, {0, float64(g.ColorH - 1)}, {float64(g.ColorW - 1), float64(g.ColorH - 1)}} {
		if w := h[6]*c[0] + h[7]*c[1] + h[8]; w*w0 <= 0 {
			return fmt.Errorf("geometry: the homography sends the color frame's corner (%g, %g) through infinity", c[0], c[1])
		}
	}
	for _, p := range g.Grid(9) {
		if !(math.Abs(p.Band[0]) < mostPlace && math.Abs(p.Band[1]) < mostPlace) {
			return fmt.Errorf("geometry: the color pixel at (%.0f, %.0f) goes to (%.4g, %.4g) of the band plate, which is too far away", p.Color[0], p.Color[1], p.Band[0], p.Band[1])
		}
	}
	if err := g.checkSpread(); err != nil {
		return err
	}
	sx, sy := g.Density()
	if !(sx < mostDensity && sy < mostDensity) {
		return fmt.Errorf("geometry: a color pixel covers %.4g by %.4g band pixels, and may cover less than %d", sx, sy, mostDensity)
	}
	if w, h := sx*float64(g.ColorW), sy*float64(g.ColorH); !(w <= mostCover*float64(g.BandW) && h <= mostCover*float64(g.BandH)) {
		return fmt.Errorf("geometry: the color frame covers %.4g by %.4g band pixels, and the band plate has %dx%d: it may cover at most %d times that", w, h, g.BandW, g.BandH, mostCover)
	}
	return g.checkScale()
}

// checkSpread returns an error where the radial terms fold the frame: where the distorted radius,
// r (1 + k1 r^2 + k2 r^4), does not grow with r all over the frame. Its slope is quadratic in r^2,
// and so smallest at an end or at the one place where it turns.
func (g Geometry) checkSpread() error {
	k1, k2 := g.Radial[0], g.Radial[1]
	slope := func(u float64) float64 { return 1 + u*(3*k1+u*5*k2) }
	d := g.halfDiagonal()
	most := 0.0
	for _, x := range []float64{0, float64(g.ColorW - 1)} {
		for _, y := range []float64{0, float64(g.ColorH - 1)} {
			r := math.Hypot(x-g.Center[0], y-g.Center[1]) / d
			most = math.Max(most, r*r)
		}
	}
	least := math.Min(slope(0), slope(most))
	if turn := -3 * k1 / (10 * k2); turn > 0 && turn < most {
		least = math.Min(least, slope(turn))
	}
	if !(least >= leastSpread) {
		return fmt.Errorf("geometry: radial terms of %v and %v fold the color frame over itself", k1, k2)
	}
	return nil
}

// checkScale returns an error where a color pixel has no area in the band plate, is turned over
// against the others, or is much larger than they are.
func (g Geometry) checkScale() error {
	const n = 17 // places along each axis
	least, most, first := math.Inf(1), 0.0, 0.0
	for _, p := range g.Grid(n) {
		byX, byY := jacobian(g.Map, p.Color[0], p.Color[1])
		area := byX[0]*byY[1] - byY[0]*byX[1]
		if first == 0 {
			first = area
		}
		long := math.Max(math.Hypot(byX[0], byX[1]), math.Hypot(byY[0], byY[1]))
		if !(long < mostDensity) {
			return fmt.Errorf("geometry: the color pixel at (%.0f, %.0f) is %.4g band pixels long, and may be less than %d", p.Color[0], p.Color[1], long, mostDensity)
		}
		if !(area*first > 0) {
			return fmt.Errorf("geometry: the color frame is folded, or has no area, at (%.0f, %.0f)", p.Color[0], p.Color[1])
		}
		least, most = math.Min(least, math.Abs(area)), math.Max(most, math.Abs(area))
	}
	if !(most <= mostUneven*least) {
		return fmt.Errorf("geometry: color pixels cover from %.4g to %.4g band pixels, and none may cover more than %d times as much as another", least, most, mostUneven)
	}
	return nil
}

// geometryFile is a Geometry as JSON has it.
type geometryFile struct {
	ColorSize  [2]int     `json:"color_size"`
	BandSize   [2]int     `json:"band_size"`
	Mirror     bool       `json:"mirror"`
	Homography [9]float64 `json:"homography"`
	Radial     [2]float64 `json:"radial"`
	Center     [2]float64 `json:"center"`
}

// MarshalJSON writes the geometry as an object with color_size, band_size, mirror, homography (nine
// numbers, row by row), radial and center.
func (g Geometry) MarshalJSON() ([]byte, error) {
	return json.Marshal(geometryFile{[2]int{g.ColorW, g.ColorH}, [2]int{g.BandW, g.BandH}, g.Mirror, g.Homography, g.Radial, g.Center})
}

// UnmarshalJSON reads what MarshalJSON writes, and checks it. A center that is not given is the
// middle of the color frame. Fields that it does not know are passed over.
func (g *Geometry) UnmarshalJSON(data []byte) error {
	var f struct {
		geometryFile
		Center *[2]float64 `json:"center"`
	}
	if err := json.Unmarshal(data, &f); err != nil {
		return fmt.Errorf("geometry: %w", err)
	}
	n := Geometry{f.ColorSize[0], f.ColorSize[1], f.BandSize[0], f.BandSize[1], f.Mirror, f.Homography, f.Radial,
		[2]float64{float64(f.ColorSize[0]-1) / 2, float64(f.ColorSize[1]-1) / 2}}
	if f.Center != nil {
		n.Center = *f.Center
	}
	if err := n.Check(); err != nil {
		return err
	}
	*g = n
	return nil
}
