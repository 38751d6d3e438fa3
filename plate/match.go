package plate

import (
	"errors"
	"fmt"
	"math"
)

// A Match is the matrix that takes colors as a camera sees them to the same colors as it sees them
// otherwise, such as without the filter before it.
type Match struct {
	Matrix   [9]float64 `json:"matrix"` // row by row, on linear light, as RGB.Multiply has it
	Samples  int        `json:"samples"`
	Before   Difference `json:"before"`   // with one gain, for the exposure
	Balanced Difference `json:"balanced"` // with a gain for each channel, for the white too
	After    Difference `json:"after"`    // with the matrix
}

// A Difference is how far colors lie apart, in CIEDE2000.
type Difference struct {
	Mean float64 `json:"mean"`
	Most float64 `json:"most"`
}

// String says it in words.
func (d Difference) String() string {
	return fmt.Sprintf("%.2f in the mean, %.2f at most", d.Mean, d.Most)
}

// FitMatrix returns the matrix that takes the colors from nearest to the colors to, which are of
// the same samples in the same order: linear light in the primaries p (zero: BT.709), where 1 is
// white. It is the one of least squares, each sample weighted by the slope of CIELAB's lightness,
// so that dark colors count as the eye sees them. An error says that there are fewer than three
// colors, that they do not tell red, green and blue apart, or that a value is not finite.
func FitMatrix(from, to [][3]float64, p Primaries) (Match, error) {
	m := Match{Samples: len(from)}
	if len(from) != len(to) {
		return m, fmt.Errorf("plate: %d colors and %d: they must be of the same samples", len(from), len(to))
	}
	if len(from) < 3 {
		return m, fmt.Errorf("plate: %d colors: a matrix needs three at least, and a dozen to be of use", len(from))
	}
	if p == (Primaries{}) {
		p = PrimariesBT709
	}
	toXYZ := p.XYZ()
	var normal, right [9]float64 // sums of from from', and of to from'
	var one [2]float64           // of from . to and of from . from, and those of each channel
	var each [3][2]float64
	for i, f := range from {
		t := to[i]
		const dark = 0.01                                   // of white: below it the eye sees no more of a difference (chosen by hand)
		w := math.Pow(max(apply(toXYZ, t)[1], dark), -4./3) // the slope, Y^(-2/3), squared
		for a := range 3 {
			if v := f[a] + t[a]; math.IsNaN(v) || math.IsInf(v, 0) {
				return m, fmt.Errorf("plate: color %d is %v and %v: it must be finite", i+1, f, t)
			}
			for b := range 3 {
				normal[3*a+b] += w * f[a] * f[b]
				right[3*a+b] += w * t[a] * f[b]
			}
			each[a][0] += w * f[a] * t[a]
			each[a][1] += w * f[a] * f[a]
			one[0] += w * f[a] * t[a]
			one[1] += w * f[a] * f[a]
		}
	}
	// Of three colors that are one but for rounding the determinant is this small beside the trace's
	// cube; a chart's is above 1e-4.
	const apart = 1e-9
	trace := normal[0] + normal[4] + normal[8]
	if !(determinant(normal) > apart*trace*trace*trace) {
		return m, errors.New("plate: the colors do not tell red, green and blue apart: there must be colored ones among them")
	}
	m.Matrix = multiply(right, Invert(normal))
	gain := one[0] / one[1]
	m.Before = difference(toXYZ, [9]float64{gain, 0, 0, 0, gain, 0, 0, 0, gain}, from, to)
	m.Balanced = difference(toXYZ, [9]float64{each[0][0] / each[0][1], 0, 0, 0, each[1][0] / each[1][1], 0, 0, 0, each[2][0] / each[2][1]}, from, to)
	m.After = difference(toXYZ, m.Matrix, from, to)
	return m, nil
}

// Doubt says what may be wrong with a match of two pictures, or "".
func (m *Match) Doubt() string {
	if m.After.Mean > m.Balanced.Mean {
		return "the matrix is no better than a white balance: are the corners right, and is it one chart in one light?"
	}
	return ""
}

// Error returns how far the colors from lie from the colors to, once the matrix has acted on them,
// as FitMatrix has it: for samples that it was not fitted to.
func (m *Match) Error(from, to [][3]float64, p Primaries) Difference {
	if p == (Primaries{}) {
		p = PrimariesBT709
	}
	return difference(p.XYZ(), m.Matrix, from, to)
}

func difference(toXYZ, m [9]float64, from, to [][3]float64) (d Difference) {
	for i, f := range from {
		e := DeltaE(lab(toXYZ, to[i]), lab(toXYZ, apply(m, f)))
		d.Mean += e / float64(len(from))
		d.Most = max(d.Most, e)
	}
	return d
}

func determinant(m [9]float64) float64 {
	return m[0]*(m[4]*m[8]-m[5]*m[7]) - m[1]*(m[3]*m[8]-m[5]*m[6]) + m[2]*(m[3]*m[7]-m[4]*m[6])
}
