package rig

import (
	_ "embed"
	"fmt"
	"slices"
	"sync"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/plate"
)

//go:embed data/cie/cie_test_samples_10nm.csv
var sampleTable string

var samples = sync.OnceValue(func() []Spectrum {
	_, s := columns(sampleTable)
	return s
})

// TestSamples returns the reflectances of the CIE's fourteen test color samples (CIE 13.3-1995, in
// steps of 10 nm): the colors of things, from pale to strong, and of a face and a leaf.
func TestSamples() []Spectrum { return slices.Clone(samples()) }

// FilterMatch returns the matrix that gives back what the color camera's filters, and the light
// that goes through them aslant, take from its color: from what it makes of the surfaces in the
// set's light to what it would make of them without its filters, both balanced to a white of 1 in
// that light. Nil surfaces are TestSamples and three grays. The colors are the camera's own, taken
// as of the primaries BT.709 for the differences. The light is seen in the middle of the frame.
// Errors are those of Check, and of plate.FitMatrix.
func (s Setup) FilterMatch(surfaces []Distribution) (plate.Match, error) {
	with, without, err := s.Filtered(surfaces)
	if err != nil {
		return plate.Match{}, err
	}
	m, err := plate.FitMatrix(with, without, plate.PrimariesBT709)
	if err != nil {
		return m, fmt.Errorf("rig: %w", err)
	}
	return m, nil
}

// Filtered returns what the color camera makes of surfaces with its filters and without, as
// FilterMatch has them.
func (s Setup) Filtered(surfaces []Distribution) (with, without [][3]float64, err error) {
	if err := s.Check(); err != nil {
		return nil, nil, err
	}
	if surfaces == nil {
		surfaces = list.Of(samples(), func(s Spectrum) Distribution { return s })
		surfaces = append(surfaces, flat(0.05), flat(0.2), flat(white))
	}
	bare := s.Color
	bare.Filters = nil
	lights := list.Of(s.Lights, func(l SetLight) Light {
		light, _ := l.light() // Check has
		return light
	})
	see := func(c Camera) ([][3]float64, error) {
		out := make([][3]float64, len(surfaces))
		for k, efficiency := range c.Sensor.channels() {
			// What the channel makes of light at each wavelength, once for all surfaces.
			var light Spectrum
			for _, l := range lights {
				light = light.Plus(table(append([]Distribution{l.Spectrum, c.stack(0), photons}, efficiency...)...))
			}
			chain := Light{Spectrum: light}
			whole := chain.Through()
			if !(whole > 0) {
				return nil, fmt.Errorf("rig: camera color: its filters leave nothing of the set's light in channel %d", k+1)
			}
			for i, surface := range surfaces {
				out[i][k] = chain.Through(surface) / whole
			}
		}
		return out, nil
	}
	if with, err = see(s.Color); err != nil {
		return nil, nil, err
	}
	without, err = see(bare)
	return with, without, err
}
