package rig

import (
	"cmp"
	"fmt"
	"math"
)

// A Filter is an interference filter: a passband or a stopband, by its figures or by its maker's
// curve.
type Filter struct {
	Kind     string   `json:"kind"`                 // "pass", "block", or "curve"
	Center   float64  `json:"center_nm,omitempty"`  // at normal incidence
	Width    float64  `json:"width_nm,omitempty"`   // between the two wavelengths of half the peak (FWHM)
	Order    int      `json:"order,omitempty"`      // how steep the edges are: the number of cavities of a passband; 0: 3
	Peak     float64  `json:"peak,omitempty"`       // the largest transmission; 0: 0.9
	Blocking float64  `json:"blocking,omitempty"`   // optical density where it blocks; 0: 4
	Index    float64  `json:"index,omitempty"`      // effective index, for light at an angle; 0: 2
	Place    string   `json:"place,omitempty"`      // "front" of the lens (or empty), or "behind" it
	Curve    Spectrum `json:"curve,omitempty"`      // of the kind "curve": transmission, 0 to 1
	File     string   `json:"curve_file,omitempty"` // a CSV file to read Curve from: see Setup.ReadCurves
}

// The figures of a filter that are taken where none are given. They are common practice for coated
// filters.
const (
	assumedOrder    = 3
	assumedPeak     = 0.9
	assumedBlocking = 4.0
	assumedIndex    = 2.0
)

func (f Filter) filled() Filter {
	f.Order = cmp.Or(f.Order, assumedOrder)
	f.Peak = cmp.Or(f.Peak, assumedPeak)
	f.Blocking = cmp.Or(f.Blocking, assumedBlocking)
	f.Index = cmp.Or(f.Index, assumedIndex)
	return f
}

// Check returns an error that names the first field with a value that cannot be used.
func (f Filter) Check() error {
	switch f.Kind {
	case "curve":
		if len(f.Curve) == 0 && f.File != "" {
			return fmt.Errorf("curve_file %q has not been read", f.File)
		}
		if err := f.Curve.Check(); err != nil {
			return fmt.Errorf("curve: %w", err)
		}
	case "pass", "block":
		if err := ranges([]limit{{"center_nm", f.Center, firstNM, lastNM}, {"width_nm", f.Width, 0.5, 400}}); err != nil {
			return err
		}
	default:
		return fmt.Errorf("kind %q: it must be pass, block or curve", f.Kind)
	}
	if f.Place != "" && f.Place != "front" && f.Place != "behind" {
		return fmt.Errorf("place %q: it must be front or behind", f.Place)
	}
	g := f.filled()
	return ranges([]limit{{"order", float64(g.Order), 1, 12}, {"peak", g.Peak, 0.01, 1}, {"blocking", g.Blocking, 0.5, 8}, {"index", g.Index, 1.2, 4}})
}

func checkFilters(all []Filter) error {
	for i, f := range all {
		if err := f.Check(); err != nil {
			return fmt.Errorf("filter %d: %w", i+1, err)
		}
	}
	return nil
}

// At returns the transmission at normal incidence.
//
// A passband of n cavities goes as 1 / (1 + x^2n), x being the distance from the center over half
// the width (Macleod, Thin-Film Optical Filters, for n = 1; a common approximation for more), down
// to its blocking. A stopband has that form in its optical density, scaled to half the peak at x =
// 1 (a model of this project).
func (f Filter) At(nm float64) float64 {
	if f.Kind == "curve" {
		return f.Curve.At(nm)
	}
	f = f.filled()
	x := 2 * (nm - f.Center) / f.Width
	far := math.Pow(x*x, float64(f.Order))
	if f.Kind == "block" {
		return f.Peak * math.Pow(10, -f.Blocking/(1+far*(f.Blocking/math.Log10(2)-1)))
	}
	floor := math.Pow(10, -f.Blocking)
	return floor + (f.Peak-floor)/(1+far)
}

// Tilted returns the filter for light that meets it at an angle to its normal, in degrees:
// everything moves to shorter wavelengths, as ShiftedBy says.
func (f Filter) Tilted(degrees float64) Distribution {
	k := ShiftedBy(degrees, f.filled().Index)
	return formula(func(nm float64) float64 { return f.At(nm / k) })
}

// ShiftedBy returns the factor, up to 1, by which the wavelengths of an interference filter with
// this effective index shrink for light at an angle, in degrees in air: sqrt(1 - (sin(angle) /
// index)^2) (Macleod, Thin-Film Optical Filters). It holds to about 20 degrees; beyond, the two
// polarizations part.
func ShiftedBy(degrees, index float64) float64 {
	s := math.Sin(degrees*math.Pi/180) / index
	return math.Sqrt(1 - s*s)
}

// stack is several filters before one camera, for light from one place in the frame.
type stack struct {
	filters []Filter
	field   float64 // angle of the light before the lens, in degrees from its axis
	chief   float64 // the same behind the lens
	cone    float64 // half angle of the cone of light behind the lens
}

// rays are places in the lens's pupil, in units of its radius: three rings of equal area.
var rays = func() (r [][2]float64) {
	for ring := range 3 {
		radius := math.Sqrt((float64(ring) + 0.5) / 3)
		for k := range 8 {
			s, c := math.Sincos(2 * math.Pi * (float64(k) + 0.5*float64(ring%2)) / 8)
			r = append(r, [2]float64{radius * c, radius * s})
		}
	}
	return r
}()

// At returns the transmission of all filters, the mean over the cone for those behind the lens.
func (s stack) At(nm float64) float64 {
	front, behind := 1.0, false
	for _, f := range s.filters {
		if f.Place == "behind" {
			behind = true
			continue
		}
		front *= f.Tilted(s.field).At(nm)
	}
	if !behind {
		return front
	}
	tan := func(degrees float64) float64 { return math.Tan(degrees * math.Pi / 180) }
	sum := 0.0
	for _, r := range rays {
		angle := math.Atan(math.Hypot(tan(s.chief)+tan(s.cone)*r[0], tan(s.cone)*r[1])) * 180 / math.Pi
		t := 1.0
		for _, f := range s.filters {
			if f.Place == "behind" {
				t *= f.Tilted(angle).At(nm)
			}
		}
		sum += t
	}
	return front * sum / float64(len(rays))
}
