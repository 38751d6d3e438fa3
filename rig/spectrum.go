package rig

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"example.com/twinplate/internal/list"
)

// A Distribution is a value at each wavelength in nanometers: a transmission, a reflectance, a
// sensitivity, or a power for each nanometer.
type Distribution interface {
	At(nm float64) float64
}

// A Spectrum is a Distribution as a table: pairs of a wavelength in nanometers and a value, in the
// order of their wavelengths. Between two it is a straight line, and outside the table 0. In JSON
// it is [[nm, value], ...].
type Spectrum [][2]float64

// The wavelengths over which light is summed up, in nanometers, and the steps of the sum.
const (
	firstNM = 380
	lastNM  = 780
	stepNM  = 0.25
)

// The most of a table.
const (
	maxSpectrum      = 20000 // rows
	maxSpectrumBytes = 4 << 20
)

// ReadSpectrum reads a table of comma-separated values: a wavelength in nanometers and a value in
// each row, as makers give their curves. One heading row is passed over; further columns are not
// read. The error names the row and what is wrong with it.
func ReadSpectrum(r io.Reader) (Spectrum, error) {
	limited := &io.LimitedReader{R: r, N: maxSpectrumBytes + 1}
	c := csv.NewReader(limited)
	c.FieldsPerRecord = -1
	c.TrimLeadingSpace = true
	c.Comment = '#'
	var s Spectrum
	for row := 1; ; row++ {
		fields, err := c.Read()
		if limited.N == 0 {
			return nil, fmt.Errorf("more than %d bytes: too long for a spectrum", maxSpectrumBytes)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if len(fields) < 2 {
			return nil, fmt.Errorf("row %d has %d columns: a wavelength and a value are needed", row, len(fields))
		}
		nm, err1 := strconv.ParseFloat(strings.TrimSpace(fields[0]), 64)
		v, err2 := strconv.ParseFloat(strings.TrimSpace(fields[1]), 64)
		if err := errors.Join(err1, err2); err != nil {
			if row == 1 {
				continue
			}
			return nil, fmt.Errorf("row %d: %.16q, %.16q: two numbers are needed", row, fields[0], fields[1])
		}
		if s = append(s, [2]float64{nm, v}); len(s) > maxSpectrum {
			return nil, fmt.Errorf("more than %d rows", maxSpectrum)
		}
	}
	return s, s.Check()
}

// Check returns an error where s is no table: fewer than 2 rows, wavelengths that do not rise or
// are outside 100 to 5000 nm, or values that are negative or not finite.
func (s Spectrum) Check() error {
	if len(s) < 2 || len(s) > maxSpectrum {
		return fmt.Errorf("%d rows: a spectrum needs 2 to %d", len(s), maxSpectrum)
	}
	for i, p := range s {
		switch {
		case !(p[0] >= 100 && p[0] <= 5000):
			return fmt.Errorf("row %d: %v nm: wavelengths must be 100 to 5000 nm", i+1, p[0])
		case i > 0 && p[0] <= s[i-1][0]:
			return fmt.Errorf("row %d: %v nm after %v nm: wavelengths must rise", i+1, p[0], s[i-1][0])
		case !(p[1] >= 0 && p[1] <= 1e12):
			return fmt.Errorf("row %d: value %v: it must be 0 or more, and finite", i+1, p[1])
		}
	}
	return nil
}

// At returns the value at a wavelength.
func (s Spectrum) At(nm float64) float64 {
	n := len(s)
	if n == 0 || nm < s[0][0] || nm > s[n-1][0] {
		return 0
	}
	i := sort.Search(n, func(i int) bool { return s[i][0] >= nm })
	b := s[i]
	if b[0] == nm || i == 0 {
		return b[1]
	}
	a := s[i-1]
	return a[1] + (b[1]-a[1])*(nm-a[0])/(b[0]-a[0])
}

// Scale returns s with every value times k.
func (s Spectrum) Scale(k float64) Spectrum {
	out := slices.Clone(s)
	for i := range out {
		out[i][1] *= k
	}
	return out
}

// edgeNM is the width of the step at the end of a table, where it falls to 0.
const edgeNM = 1e-6

// Plus returns the sum of two tables, with the rows of both.
func (s Spectrum) Plus(o Spectrum) Spectrum {
	var at []float64
	for _, t := range []Spectrum{s, o} {
		for _, p := range t {
			at = append(at, p[0])
		}
		if n := len(t); n > 0 {
			at = append(at, t[0][0]-edgeNM, t[n-1][0]+edgeNM)
		}
	}
	out := tabulate(at, func(nm float64) float64 { return s.At(nm) + o.At(nm) })
	if n := len(out); n > 2 {
		out = out[1 : n-1] // beyond both tables
	}
	return out
}

// tabulate returns the table of f at these wavelengths.
func tabulate(at []float64, f func(nm float64) float64) Spectrum {
	slices.Sort(at)
	at = slices.Compact(at)
	return list.Of(at, func(nm float64) [2]float64 { return [2]float64{nm, f(nm)} })
}

// A formula is a Distribution.
type formula func(nm float64) float64

// At implements Distribution.
func (f formula) At(nm float64) float64 { return f(nm) }

// flat is a Distribution that is the same everywhere.
type flat float64

// At implements Distribution.
func (f flat) At(float64) float64 { return float64(f) }

// gauss is a Distribution: a bell of height 1.
type gauss struct{ center, sigma float64 }

// At implements Distribution.
func (g gauss) At(nm float64) float64 {
	d := (nm - g.center) / g.sigma
	return math.Exp(-d * d / 2)
}
