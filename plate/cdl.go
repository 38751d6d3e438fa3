package plate

import (
	"encoding/json"
	"fmt"
	"math"
)

// A CDL is a primary grade as the ASC Color Decision List has it (version 1.2): of each color slope,
// offset and power, and then the saturation of all.
type CDL struct {
	Slope      [3]float64 `json:"slope"`
	Offset     [3]float64 `json:"offset"`
	Power      [3]float64 `json:"power"`
	Saturation float64    `json:"saturation"`
}

// UnmarshalJSON reads a grade; what is not there changes nothing.
func (c *CDL) UnmarshalJSON(data []byte) error {
	type plain CDL
	read := plain(NewCDL())
	err := json.Unmarshal(data, &read)
	*c = CDL(read)
	return err
}

// NewCDL returns the grade that changes nothing.
func NewCDL() CDL {
	return CDL{Slope: [3]float64{1, 1, 1}, Power: [3]float64{1, 1, 1}, Saturation: 1}
}

// Check returns an error that says what is not as it must be: finite numbers, slope and saturation
// of 0 at least, power above 0.
func (c CDL) Check() error {
	for i, name := range []string{"red", "green", "blue"} {
		switch s, o, p := c.Slope[i], c.Offset[i], c.Power[i]; {
		case !(s >= 0) || math.IsInf(s, 0):
			return fmt.Errorf("the slope of %s is %v, and must be 0 or more", name, s)
		case math.IsNaN(o) || math.IsInf(o, 0):
			return fmt.Errorf("the offset of %s is %v, and must be finite", name, o)
		case !(p > 0) || math.IsInf(p, 0):
			return fmt.Errorf("the power of %s is %v, and must be above 0", name, p)
		}
	}
	if !(c.Saturation >= 0) || math.IsInf(c.Saturation, 0) {
		return fmt.Errorf("the saturation is %v, and must be 0 or more", c.Saturation)
	}
	return nil
}

// cdlLuma are the weights of red, green and blue in the luma that saturation keeps: those of ITU-R
// BT.709, whatever the primaries are, as the ASC's document has it.
var cdlLuma = [3]float64{0.2126, 0.7152, 0.0722}

// Pixel grades a pixel. With clamp, as the ASC's document has it, values are kept within 0 to 1
// before the power and at the end. Without, they are kept as they are, and a power leaves those
// below 0 alone.
func (c *CDL) Pixel(v [3]float64, clamp bool) [3]float64 {
	for i := range v {
		v[i] = unit(v[i]*c.Slope[i]+c.Offset[i], clamp)
		if c.Power[i] != 1 && !(v[i] < 0) {
			v[i] = math.Pow(v[i], c.Power[i])
		}
	}
	return c.saturate(v, c.Saturation, clamp)
}

// Undo is the way back from Pixel. The slopes and the saturation must not be 0.
func (c *CDL) Undo(v [3]float64, clamp bool) [3]float64 {
	for i := range v {
		v[i] = unit(v[i], clamp)
	}
	v = c.saturate(v, 1/c.Saturation, clamp)
	for i := range v {
		if c.Power[i] != 1 && !(v[i] < 0) {
			v[i] = math.Pow(v[i], 1/c.Power[i])
		}
		v[i] = unit((v[i]-c.Offset[i])/c.Slope[i], clamp)
	}
	return v
}

func (c *CDL) saturate(v [3]float64, by float64, clamp bool) [3]float64 {
	luma := cdlLuma[0]*v[0] + cdlLuma[1]*v[1] + cdlLuma[2]*v[2]
	for i := range v {
		if by != 1 {
			v[i] = luma + by*(v[i]-luma)
		}
		v[i] = unit(v[i], clamp)
	}
	return v
}

// unit keeps v within 0 to 1 where clamp is set.
func unit(v float64, clamp bool) float64 {
	if !clamp {
		return v
	}
	return min(max(v, 0), 1)
}
