package rig

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// A Light is the spectral power of a source: a table in watts for each nanometer, and lines in
// watts.
type Light struct {
	Spectrum Spectrum
	Lines    []Line
}

// A Line is power at one wavelength, far narrower than any filter.
type Line struct {
	NM    float64 `json:"nm"`
	Power float64 `json:"power"`
}

// Through returns the light's power behind all of the curves: the sum over 380 to 780 nm of the
// light times each curve. Without curves it is the whole power in that range.
func (l Light) Through(curves ...Distribution) float64 {
	sum := 0.0
	if len(l.Spectrum) > 0 {
		from := max(firstNM, l.Spectrum[0][0])
		to := min(lastNM, l.Spectrum[len(l.Spectrum)-1][0])
		n := int(math.Ceil((to - from) / stepNM))
		for i := range n {
			nm := from + (float64(i)+0.5)*(to-from)/float64(n)
			sum += l.Spectrum.At(nm) * product(curves, nm) * (to - from) / float64(n)
		}
	}
	for _, line := range l.Lines {
		if line.NM >= firstNM && line.NM <= lastNM {
			sum += line.Power * product(curves, line.NM)
		}
	}
	return sum
}

func product(curves []Distribution, nm float64) float64 {
	v := 1.0
	for _, c := range curves {
		v *= c.At(nm)
	}
	return v
}

// Scale returns the light k times as bright.
func (l Light) Scale(k float64) Light {
	out := Light{l.Spectrum.Scale(k), slices.Clone(l.Lines)}
	for i := range out.Lines {
		out.Lines[i].Power *= k
	}
	return out
}

// XYZ returns the light's tristimulus values for the CIE 1931 2 degree observer, unscaled.
func (l Light) XYZ() [3]float64 {
	o := observer()
	return [3]float64{l.Through(o[0]), l.Through(o[1]), l.Through(o[2])}
}

// Chromaticity returns the light's CIE 1931 chromaticity coordinates x and y.
func (l Light) Chromaticity() (x, y float64) {
	v := l.XYZ()
	sum := v[0] + v[1] + v[2]
	return v[0] / sum, v[1] / sum
}

// luminousEfficacy is the luminous efficacy of radiation at 540 THz, near 555 nm, in lumens per
// watt: a defining constant of the SI.
const luminousEfficacy = 683

// Lumens returns the light's luminous flux in lumens, where its power is in watts; or its
// illuminance in lux, where that is in watts per square meter.
func (l Light) Lumens() float64 { return luminousEfficacy * l.Through(observer()[1]) }

// ofLumens returns the light as bright as to have this luminous flux.
func (l Light) ofLumens(lumens float64) Light { return l.Scale(lumens / l.Lumens()) }

// The tables of the CIE, which have a license of their own: data/cie/NOTICE.md.

//go:embed data/cie/cie_1931_2deg_1nm.csv
var observerTable string

//go:embed data/cie/cie_illuminants_5nm.csv
var illuminantTable string

// columns reads an embedded table: the names of the columns after the wavelength, and the columns.
func columns(table string) (names []string, out []Spectrum) {
	records, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		panic(err) // the embedded file is wrong
	}
	names = records[0][1:]
	out = make([]Spectrum, len(names))
	for _, r := range records[1:] {
		var v [32]float64
		for i, field := range r {
			if v[i], err = strconv.ParseFloat(field, 64); err != nil {
				panic(err)
			}
		}
		for i := range names {
			out[i] = append(out[i], [2]float64{v[0], v[i+1]})
		}
	}
	return names, out
}

var observer = sync.OnceValue(func() []Spectrum {
	_, c := columns(observerTable)
	return c
})

var illuminants = sync.OnceValues(func() ([]string, []Spectrum) { return columns(illuminantTable) })

// Illuminants returns the names that Illuminant knows: A, D65, FL2, FL11, HP1, LED-B1 to LED-B5
// (blue diodes with a phosphor), LED-BH1 (the same with red diodes), LED-RGB1 (red, green and blue
// diodes), LED-V1 and LED-V2 (violet diodes with phosphors).
func Illuminants() []string {
	names, _ := illuminants()
	return slices.Clone(names)
}

// Illuminant returns a CIE illuminant by its name, in upper or lower case (CIE 015:2018, in steps
// of 5 nm). Its power is relative.
func Illuminant(name string) (Light, error) {
	names, tables := illuminants()
	if i := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(n, name) }); i >= 0 {
		return Light{Spectrum: slices.Clone(tables[i])}, nil
	}
	return Light{}, fmt.Errorf("rig: no illuminant %q: it must be one of %s", name, strings.Join(names, ", "))
}

// sodiumLines are the visible lines of neutral sodium, in air, and how strong each is beside D2 =
// 80000. D2, D1 and 568.8 nm, at 0.7 % of D2, are NIST's (Handbook of Basic Atomic Spectroscopic
// Data); the strengths of the others are taken for NIST's (not checked against the source). They
// were measured on a source in the laboratory: in a lamp of low pressure they may differ.
var sodiumLines = []Line{
	{568.2633, 280}, {568.8205, 560}, {SodiumD2, 80000}, {SodiumD1, 40000}, {615.4225, 120}, {616.0747, 240},
}

// SodiumLamp returns the light of a low-pressure sodium lamp, with a power of 1 W in the visible:
// the D lines, and about 1 % in the faint lines beside them, which a filter for the D lines does
// not hold back.
func SodiumLamp() Light {
	l := Light{Lines: slices.Clone(sodiumLines)}
	return l.Scale(1 / l.Through())
}
