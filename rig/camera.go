package rig

import (
	"cmp"
	"fmt"
	"math"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

// A Camera is a sensor, a lens and its filters on one side of the beam splitter.
type Camera struct {
	Sensor    Sensor   `json:"sensor"`
	Focal     float64  `json:"focal_mm"`
	Stop      float64  `json:"stop"`                    // T number
	ExitPupil float64  `json:"exit_pupil_mm,omitempty"` // from the sensor; 0: far away, so that all light meets the sensor upright
	Shutter   float64  `json:"shutter_degrees"`         // of 360 for a whole frame
	Gain      float64  `json:"gain,omitempty"`          // over the sensitivity at which the full well is full scale: 2 is a stop; 0: 1
	Filters   []Filter `json:"filters,omitempty"`       // on the way to the sensor
}

// A Sensor is a camera's sensor. Its noise follows EMVA 1288's linear model.
type Sensor struct {
	Model     string     `json:"model"`                 // "color", "mono" or "curve"
	Curves    []Spectrum `json:"curves,omitempty"`      // of the kind "curve": quantum efficiency, of one channel or of red, green and blue
	Files     []string   `json:"curve_files,omitempty"` // CSV files to read Curves from: see Setup.ReadCurves
	Width     int        `json:"width_px"`
	Height    int        `json:"height_px"`
	Pitch     float64    `json:"pitch_um"`       // from pixel to pixel, in micrometers
	FullWell  float64    `json:"full_well"`      // electrons
	ReadNoise float64    `json:"read_noise"`     // electrons
	Bits      int        `json:"bits"`           // of the recording
	Transfer  string     `json:"transfer_curve"` // of the recording: a name that plate.CurveByName knows; empty: linear
}

// monoEfficiency is the quantum efficiency of a plain silicon sensor behind its cover glass:
// assumed, of common shape and height (not checked against a source).
var monoEfficiency = Spectrum{{380, 0.28}, {400, 0.38}, {450, 0.55}, {500, 0.62}, {550, 0.62}, {600, 0.57}, {650, 0.48}, {700, 0.38}, {750, 0.29}, {780, 0.24}}

// infraredCut is the filter before a color sensor: assumed.
var infraredCut = Spectrum{{firstNM, 0.95}, {640, 0.95}, {690, 0.02}, {700, 0}, {lastNM, 0}}

// dyes are the color filters on a color sensor's pixels, red, green and blue: bells of assumed
// middle and width.
var dyes = [3]gauss{{605, 38}, {540, 40}, {460, 33}}

// channels returns the quantum efficiency of each channel.
func (s Sensor) channels() [][]Distribution {
	switch s.Model {
	case "color":
		return list.Of(dyes[:], func(d gauss) []Distribution { return []Distribution{monoEfficiency, infraredCut, d} })
	case "curve":
		return list.Of(s.Curves, func(c Spectrum) []Distribution { return []Distribution{c} })
	}
	return [][]Distribution{{monoEfficiency}}
}

// size returns the picture's width and height on the sensor, in millimeters.
func (s Sensor) size() (w, h float64) {
	return float64(s.Width) * s.Pitch / 1000, float64(s.Height) * s.Pitch / 1000
}

func (s Sensor) curve() (plate.Curve, error) {
	return plate.CurveByName(cmp.Or(s.Transfer, plate.Linear.Name()))
}

func (c Camera) gain() float64 {
	return cmp.Or(c.Gain, 1)
}

// fullScale returns how many electrons full scale is.
func (c Camera) fullScale() float64 { return c.Sensor.FullWell / c.gain() }

// read returns the noise in the dark, in full scale: the sensor's and that of rounding to codes.
func (c Camera) read() float64 {
	code := 0.0
	if curve, err := c.Sensor.curve(); err == nil {
		code = curve.ToLinear(1/(math.Exp2(float64(c.Sensor.Bits))-1)) - curve.ToLinear(0)
	}
	return math.Hypot(c.Sensor.ReadNoise/c.fullScale(), code/math.Sqrt(12))
}

// degrees returns the angle from the axis of light that lands r millimeters off the middle of the
// sensor.
func (c Camera) degrees(r float64) float64 { return math.Atan(r/c.Focal) * 180 / math.Pi }

// corner returns the distance of the sensor's corner from its middle, in millimeters.
func (c Camera) corner() float64 {
	w, h := c.Sensor.size()
	return math.Hypot(w, h) / 2
}

// stack returns the camera's filters as light meets them that lands r millimeters off the middle.
func (c Camera) stack(r float64) stack {
	s := stack{filters: c.Filters, field: c.degrees(r), cone: math.Atan(1/(2*c.Stop)) * 180 / math.Pi}
	if c.ExitPupil > 0 {
		s.chief = math.Atan(r/c.ExitPupil) * 180 / math.Pi
	}
	return s
}

// photonsPerJoule is how many photons of 1 nm a joule is, 1/(hc): a photon of a longer wave has
// less (SI's defining constants).
const photonsPerJoule = 5.034116567e15

// photons is the number of photons in a joule.
var photons = formula(func(nm float64) float64 { return photonsPerJoule * nm })

// signal returns what each channel of the camera makes, in full scale, of a surface with this
// radiance, in W/(m2 sr), seen r millimeters off the middle of the picture through the given part
// of the beam splitter: the camera equation E = pi L cos^4 / (4 T^2), at fps frames a second.
func (c Camera) signal(radiance Light, split, r, fps float64) []float64 {
	cos := math.Cos(c.degrees(r) * math.Pi / 180)
	area := c.Sensor.Pitch * c.Sensor.Pitch * 1e-12
	seconds := c.Shutter / 360 / fps
	k := split * math.Pi * math.Pow(cos, 4) / (4 * c.Stop * c.Stop) * area * seconds / c.fullScale()
	return list.Of(c.Sensor.channels(), func(channel []Distribution) float64 {
		return k * radiance.Through(append([]Distribution{c.stack(r), photons}, channel...)...)
	})
}

// check returns an error that names the first field with a value that cannot be used.
func (c Camera) check() error {
	s := c.Sensor
	if len(s.Curves) == 0 && len(s.Files) > 0 {
		return fmt.Errorf("sensor.curve_files %q have not been read", s.Files)
	}
	switch s.Model {
	case "color", "mono":
	case "curve":
		if n := len(s.Curves); n != 1 && n != 3 {
			return fmt.Errorf("sensor.curves has %d curves: it must have one, or red, green and blue", n)
		}
		for i, curve := range s.Curves {
			if err := curve.Check(); err != nil {
				return fmt.Errorf("sensor.curves, curve %d: %w", i+1, err)
			}
		}
	default:
		return fmt.Errorf("sensor.model %q: it must be color, mono or curve", s.Model)
	}
	if _, err := s.curve(); err != nil {
		return fmt.Errorf("sensor.transfer_curve: %w", err)
	}
	if err := ranges([]limit{
		{"sensor.width_px", float64(s.Width), 16, 16384}, {"sensor.height_px", float64(s.Height), 16, 16384},
		{"sensor.pitch_um", s.Pitch, 0.5, 50}, {"sensor.full_well", s.FullWell, 100, 1e7}, {"sensor.read_noise", s.ReadNoise, 0, 1000},
		{"sensor.bits", float64(s.Bits), 6, 16}, {"focal_mm", c.Focal, 2, 2000}, {"stop", c.Stop, 0.5, 64},
		{"exit_pupil_mm", c.ExitPupil, 0, 1e5}, {"shutter_degrees", c.Shutter, 1, 360}, {"gain", c.gain(), 0.01, 1000},
	}); err != nil {
		return err
	}
	return checkFilters(c.Filters)
}

// A limit is a value and the range that it must be in.
type limit struct {
	name           string
	value, lo, top float64
}

func ranges(limits []limit) error {
	for _, l := range limits {
		if !(l.value >= l.lo && l.value <= l.top) {
			return fmt.Errorf("%s %v: it must be %v to %v", l.name, l.value, l.lo, l.top)
		}
	}
	return nil
}
