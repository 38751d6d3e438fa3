package scene

import "math"

// night is the light on the pier: the moon from the upper left and behind, the lantern, and a faint
// sky.
type night struct {
	x, y, z float64 // of the lantern
	power   float64
}

var (
	moonlight = rgb{0.42, 0.66, 1.0}
	lamplight = rgb{1.0, 0.50, 0.17}
	skylight  = rgb{0.050, 0.082, 0.102}
	// Towards the moon.
	moonX, moonY, moonZ = unit(-0.80, -0.52, 0.10)
)

func unit(x, y, z float64) (float64, float64, float64) {
	l := 1 / math.Sqrt(x*x+y*y+z*z)
	return x * l, y * l, z * l
}

// light returns the light that leaves a surface at (x, y, z) with the normal given, of any length.
// Gloss is the sheen of a wet surface, and open how much of the sky it sees.
func (n *night) light(x, y, z, nx, ny, nz float64, albedo rgb, gloss, open float64) rgb {
	nx, ny, nz = unit(nx, ny, max(nz, 0.02))
	lx, ly, lz := n.x-x, n.y-y, n.z-z
	d2 := lx*lx + ly*ly + lz*lz
	lx, ly, lz = unit(lx, ly, lz)
	fall := n.power / (d2 + 0.05)
	lamp := max(0, (nx*lx+ny*ly+nz*lz)*0.94+0.06) * fall * (0.35 + 0.65*open)
	moon := max(0, nx*moonX+ny*moonY+nz*moonZ) * 0.95 * (0.4 + 0.6*open)
	sky := (0.62 - 0.38*ny + 0.25*nz) * open
	edge := 1 - nz
	rim := edge * edge * max(0, -0.85*nx-0.45*ny) * 1.25 * (0.3 + 0.7*open)
	warm := edge * edge * edge * max(0, nx*lx+ny*ly) * fall * 0.35
	out := albedo.by(moonlight.times(moon).plus(lamplight.times(lamp)).plus(skylight.times(sky * 1.1)))
	shine := gloss * (0.25 + 0.75*open)
	ms := sheen(nx, ny, nz, moonX, moonY, moonZ) * 0.5 * shine
	ls := sheen(nx, ny, nz, lx, ly, lz) * fall * 0.42 * shine
	return out.plus(moonlight.times(ms + rim*(0.12+0.55*gloss))).plus(lamplight.times(ls + warm*(0.15+gloss)))
}

// sheen is a highlight towards a viewer straight ahead: Blinn's, to the power 24.
func sheen(nx, ny, nz, lx, ly, lz float64) float64 {
	hx, hy, hz := unit(lx, ly, lz+1)
	s := max(0, nx*hx+ny*hy+nz*hz)
	s *= s // 2
	s *= s // 4
	s *= s // 8
	return s * s * s
}
