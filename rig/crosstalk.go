package rig

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"example.com/twinplate/internal/list"
)

// surfaces are reflectances over wavelength as costumes and skin may have them: grays, soft bumps
// and dips, and edges such as yellow, orange and red dyes have. They are this project's own choice.
func surfaces() []Distribution {
	out := []Distribution{flat(0.2), flat(0.9)}
	for nm := 440.0; nm <= 680; nm += 30 {
		for _, sigma := range []float64{35, 60} {
			out = append(out, bump(nm, sigma, 0.05, 0.6), bump(nm, sigma, 0.7, -0.55))
		}
		out = append(out, edge(nm, 15), edge(nm, -15))
	}
	return out
}

// bump is a reflectance with a bell on it.
func bump(center, sigma, base, height float64) Distribution {
	return formula(func(nm float64) float64 { return base + height*gauss{center, sigma}.At(nm) })
}

// edge is a reflectance that goes from low to high about a wavelength, within some widths.
func edge(center, width float64) Distribution {
	return formula(func(nm float64) float64 { return 0.05 + 0.7/(1+math.Exp(-(nm-center)/width)) })
}

// A LightPlan is what one set light does to the plates.
type LightPlan struct {
	Name      string     `json:"name"`
	Lux       float64    `json:"lux"`
	White     [3]float64 `json:"white"`     // red, green and blue of a white surface in this light alone, of full scale
	Band      float64    `json:"band"`      // what the band camera makes of that surface, of full scale
	Crosstalk [3]float64 `json:"crosstalk"` // m of this light alone
	Before    float64    `json:"before"`    // the transmission that a white performer would show in it, were m not taken off
	After     float64    `json:"after"`     // the error of transmission that is left, as a root of the mean square over many colors
	Tungsten  float64    `json:"tungsten"`  // what it gives the band camera, over a tungsten light (illuminant A) of as many lux
}

// fitCrosstalk returns the m, nowhere negative, for which m . color is nearest to band over all
// samples, and the root of the mean square of what is left.
func fitCrosstalk(color [][3]float64, band []float64) (m [3]float64, left float64) {
	left = math.Inf(1)
	for set := range 8 { // of channels that may count
		use := list.Where(list.To(3), func(c int) bool { return set>>c&1 == 1 })
		var got [3]float64
		if len(use) > 0 {
			a := mat.NewDense(len(color), len(use), nil)
			for i, v := range color {
				for j, c := range use {
					a.Set(i, j, v[c])
				}
			}
			var x mat.VecDense
			if err := x.SolveVec(a, mat.NewVecDense(len(band), band)); err != nil {
				continue // the channels do not tell each other apart
			}
			for j, c := range use {
				got[c] = x.AtVec(j)
			}
		}
		if min(got[0], got[1], got[2]) < 0 {
			continue
		}
		sum := 0.0
		for i, v := range color {
			d := band[i] - got[0]*v[0] - got[1]*v[1] - got[2]*v[2]
			sum += d * d
		}
		if rms := math.Sqrt(sum / float64(len(band))); rms < left-1e-15 {
			m, left = got, rms
		}
	}
	return m, left
}
