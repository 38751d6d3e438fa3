package rig

import (
	"math"

	"example.com/twinplate/internal/list"
	"example.com/twinplate/internal/robust"
	"example.com/twinplate/rig/simulate"
)

// Faults returns the faults of a simulated set that is this plan's rig, with the band camera's
// noise for both cameras. The simulator has one shape of screen: Unevenness is such that it falls
// off as far as the planned one. Simulator has the planned screen itself.
func (p *Plan) Faults() simulate.Faults {
	f := simulate.Faults{
		Crosstalk:   p.Crosstalk,
		ScreenColor: p.ScreenColor,
		ScreenLevel: p.ScreenLevel,
		GainFlicker: p.Flicker,
		LensBlur:    p.Setup.Target.Blur,
		ReadNoise:   p.Setup.Band.read(),
		PhotonNoise: p.Setup.Band.fullScale(),
		DarkLevel:   0.01, // common practice
		Bits:        16,
	}
	low, high := 0.0, 16.0
	for range 40 {
		f.Unevenness = (low + high) / 2
		if falloff(f) < p.Evenness {
			low = f.Unevenness
		} else {
			high = f.Unevenness
		}
	}
	middle := len(p.Map.S)/2 + p.Map.W/2
	if s, k := p.Map.S, p.Map.K; s[0] > 0 && k[middle] > 0 {
		f.CornerLeak = max(k[0]/k[middle]*s[middle]/s[0]-1, 0)
	}
	return f
}

// falloff returns how far the simulated screen falls off, in stops, as Plan.Evenness has it.
func falloff(f simulate.Faults) float64 {
	const w, h = 64, 36
	v := list.By(w*h, func(i int) float64 { return f.Screen((float64(i%w)+0.5)/w, (float64(i/w)+0.5)/h) })
	return math.Log2(robust.Quantile(v, 0.99) / robust.Quantile(v, 0.01))
}

// Simulator returns a simulated take of s with this plan's rig: as simulate.New with p.Faults(),
// but for the screen, which is the planned one in both cameras.
func (p *Plan) Simulator(s simulate.Scene, colorW, colorH, bandW, bandH int, m simulate.Mapping, seed uint64) *simulate.Simulator {
	f := p.Faults()
	strongest := max(p.ScreenColor[0], p.ScreenColor[1], p.ScreenColor[2])
	return simulate.New(s, colorW, colorH, bandW, bandH, m, f, seed).WithScreen(
		func(x, y float64) float64 { return p.Map.at(p.Map.S, x, y) / p.ScreenLevel },
		func(x, y float64) float64 {
			if strongest == 0 {
				return 0 // the color camera sees none of it
			}
			return p.Map.at(p.Map.K, x, y) / strongest
		})
}

// at returns a plane of the map at a place in the frame, 0 to 1 along both axes: linear between the
// cells' middles.
func (m ScreenMap) at(v []float64, x, y float64) float64 {
	x, y = min(max(x*float64(m.W)-0.5, 0), float64(m.W-1)), min(max(y*float64(m.H)-0.5, 0), float64(m.H-1))
	i, j := min(int(x), max(m.W-2, 0)), min(int(y), max(m.H-2, 0))
	u, w := x-float64(i), y-float64(j)
	row := func(j int) float64 {
		j = min(j, m.H-1)
		a, b := v[j*m.W+i], v[j*m.W+min(i+1, m.W-1)]
		return a + (b-a)*u
	}
	return row(j) + (row(j+1)-row(j))*w
}
