package composite

import (
	"cmp"
	"fmt"
	"math"

	"example.com/twinplate/internal/names"
)

// A FitMode says how a picture of one size is laid over a frame of another. The zero value is Fill.
type FitMode int

// The modes. All but Stretch keep the picture's proportions.
const (
	Fill    FitMode = iota // as small as covers the frame; what stands over is cropped
	Inside                 // as large as is seen whole; the rest of the frame is black
	Stretch                // the frame's size exactly, proportions or not
	None                   // a pixel of the picture for a pixel of the frame
)

var fitModes = &names.Enum[FitMode]{Package: "composite", Type: "FitMode", What: "fit mode", Names: []string{Fill: "fill", Inside: "inside", Stretch: "stretch", None: "none"}}

// String returns the mode's name: "fill", "inside", "stretch" or "none".
func (m FitMode) String() string { return fitModes.String(m) }

// ParseFitMode returns the mode of that name; case does not count. The error of an unknown name
// suggests the nearest.
func ParseFitMode(name string) (FitMode, error) { return fitModes.Parse(name) }

// MarshalText gives the mode's name, for JSON and flags.
func (m FitMode) MarshalText() ([]byte, error) { return fitModes.Text(m) }

// UnmarshalText reads a name as ParseFitMode does.
func (m *FitMode) UnmarshalText(text []byte) (err error) {
	*m, err = ParseFitMode(string(text))
	return err
}

// A Fit says how a picture is laid over the frame. The zero value crops it to cover the frame,
// centered.
type Fit struct {
	Mode FitMode `json:"mode"`

	// OffsetX and OffsetY move the picture right and down from the center, as fractions of the
	// frame's width and height, so that they hold for a proxy as for the full size.
	OffsetX float64 `json:"offset_x,omitempty"`
	OffsetY float64 `json:"offset_y,omitempty"`

	// Scale enlarges the picture about its center beyond what Mode does. 0 means 1.
	Scale float64 `json:"scale,omitempty"`

	// Turn turns the picture clockwise about its own center, in degrees, -360 to 360. Softness
	// blurs it as it lies in the frame, by a Gaussian of that standard deviation in the frame's
	// pixels, 0 to 200: out of focus, as what lies far behind is.
	Turn     float64 `json:"turn,omitempty"`
	Softness float64 `json:"softness,omitempty"`
}

// Toward returns the fit that lies between f and end, at part 0 to 1 of the way: moved, turned and
// softened evenly, and enlarged by the same factor in each step. The mode is f's.
func (f Fit) Toward(end Fit, part float64) Fit {
	mix := func(a, b float64) float64 { return a + part*(b-a) }
	scale := func(v float64) float64 { return cmp.Or(v, 1) }
	return Fit{
		Mode: f.Mode, OffsetX: mix(f.OffsetX, end.OffsetX), OffsetY: mix(f.OffsetY, end.OffsetY),
		Scale: scale(f.Scale) * math.Pow(scale(end.Scale)/scale(f.Scale), part),
		Turn:  mix(f.Turn, end.Turn), Softness: mix(f.Softness, end.Softness),
	}
}

// Limits that keep a mistyped number from asking for more memory than there is.
const (
	maxSide   = 1 << 16 // pixels
	maxScale  = 1000
	maxOffset = 1000 // frames

	maxTurn     = 360 // degrees
	maxSoftness = 200 // pixels
)

// Check returns an error that says which field is not valid, and why.
func (f Fit) Check() error {
	if err := fitModes.Check(f.Mode); err != nil {
		return err
	}
	if s := f.Scale; s != 0 && !(s >= 1.0/maxScale && s <= maxScale) {
		return fmt.Errorf("composite: the fit's scale is %v, and must be %v to %v, or 0 for 1", s, 1.0/maxScale, float64(maxScale))
	}
	for _, x := range []struct {
		name string
		v    float64
		unit string
		most int
	}{{"offset_x", f.OffsetX, "frames", maxOffset}, {"offset_y", f.OffsetY, "frames", maxOffset}, {"turn", f.Turn, "degrees", maxTurn}} {
		if !(math.Abs(x.v) <= float64(x.most)) {
			return fmt.Errorf("composite: the fit's %s is %v %s, and must be -%d to %d", x.name, x.v, x.unit, x.most, x.most)
		}
	}
	if !(f.Softness >= 0 && f.Softness <= maxSoftness) {
		return fmt.Errorf("composite: the fit's softness is %v pixels, and must be 0 to %d", f.Softness, maxSoftness)
	}
	return nil
}

// place returns where the picture's left and top edges lie, in pixels of the frame from its left
// and top edges, and by how much it is enlarged in either direction.
func (f Fit) place(srcW, srcH, dstW, dstH int) (left, top, sx, sy float64) {
	w, h, frameW, frameH := float64(srcW), float64(srcH), float64(dstW), float64(dstH)
	sx, sy = frameW/w, frameH/h
	switch f.Mode {
	case Fill:
		sx = max(sx, sy)
		sy = sx
	case Inside:
		sx = min(sx, sy)
		sy = sx
	case None:
		sx, sy = 1, 1
	}
	if f.Scale != 0 {
		sx, sy = sx*f.Scale, sy*f.Scale
	}
	left = (frameW-sx*w)/2 + f.OffsetX*frameW
	top = (frameH-sy*h)/2 + f.OffsetY*frameH
	if f.Mode == None && sx == 1 {
		left, top = math.Floor(left+0.5), math.Floor(top+0.5)
	}
	return left, top, sx, sy
}

// Picture returns where a place of the frame lies in the picture, of srcW by srcH pixels in a frame
// of dstW by dstH: at x and y in parts of the frame's width and height from its left and top edges,
// m0 x + m1 y + m2 and m3 x + m4 y + m5, in parts of the picture's.
func (f Fit) Picture(srcW, srcH, dstW, dstH int) [6]float64 {
	left, top, sx, sy := f.place(srcW, srcH, dstW, dstH)
	w, h := sx*float64(srcW), sy*float64(srcH)
	sin, cos := math.Sincos(f.Turn * math.Pi / 180)
	x, y := left+w/2, top+h/2 // the center, about which it is turned
	return [6]float64{cos * float64(dstW) / w, sin * float64(dstH) / w, 0.5 - (cos*x+sin*y)/w, -sin * float64(dstW) / h, cos * float64(dstH) / h, 0.5 - (cos*y-sin*x)/h}
}
